"""What a star replacement reached, measured on the result as any picture is measured."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from astropy.table import Table
from scipy import ndimage
from scipy.spatial import cKDTree

from framesort.records import (
    CHECK_LIMITS,
    FrameQuality,
    Note,
    Replacement,
    Stack,
    judge_check,
)
from framesort.replacement._arrays import Array, Floats, Image, Mask
from framesort.replacement._difference import (
    STEP,
    Difference,
    bin_pixels,
    flatten,
    make_difference,
)
from framesort.replacement._input import as_planes, mean_plane
from framesort.replacement._replacement_check import ReplacementCheck, no_places
from framesort.replacement._residual import cut_around, make_residual, rank_residuals
from framesort.replacement._robust import robust_std
from framesort.replacement._sky import fine_residual
from framesort.replacement._spike_check import STARS, SpikeCheck, measure_spikes
from framesort.replacement._star_check import (
    StarCheck,
    count_chains,
    count_false_stars,
    load_apertures,
    measure_stars,
)
from framesort.replacement._structure import (
    Structure,
    compare_scales,
    find_blemishes,
    measure_structure,
)
from framesort.stars import guess_saturation, measure_image
from framesort.workers import release_memory, run_each

__all__ = ["measure_replacement"]

_ROWS = 64
"""Rows worked on at a time."""

_SAMPLE = 8_000_000
"""Pixels, in bands of rows, in which noise is compared."""

_WINDOW = 2400
"""Side of the window, in pixels, in which stars of large images are measured."""

_MOST_PLACES = 50
"""Places of a kind that are listed."""


class Pictures(NamedTuple):
    """Deep stack, sharp stack and result, one plane each."""

    deep: Image
    sharp: Image
    final: Image


def _spread(values: Array) -> float:
    """Standard deviation from the median deviation of at most some million values."""
    v = values[:: max(1, len(values) // 1_000_000)]
    v = v[np.isfinite(v)]
    return float(robust_std(v)) if len(v) > 200 else np.nan


def _noise_ratio(result: Replacement, light: Array, image: Array, sharp: Array) -> float:
    """Noise of changed pixels outside cores over that of untouched ones, where `sharp` has data."""
    step = _ROWS * max(1, image.size // _SAMPLE)
    calm, touched, lights = [], [], []
    for first in range(0, len(image) - 2, step):
        rows = slice(first, first + _ROWS + 2)
        rest = fine_residual(np.where(np.isfinite(sharp[rows]), image[rows], np.nan))[1:-1]
        cut = slice(first + 1, first + 1 + len(rest))
        mask = result.mask[cut]
        beside = (mask != 0) & (mask & 12 == 0)
        calm.append(rest[mask == 0])
        touched.append(rest[beside])
        lights.append(light[cut][beside])
    noise = _spread(np.concatenate(calm))
    if not noise > 0:
        return np.nan
    faint = np.abs(np.concatenate(lights)) < 4 * noise
    return _spread(np.concatenate(touched)[faint]) / noise


def measure_replacement(
    result: Replacement,
    deep: Any,
    sharp: Any,
    *,
    quality: Callable[[], Sequence[FrameQuality]] | None = None,
) -> ReplacementCheck:
    """Measure what a replacement reached: stars, spike, holes, structure, noise.

    Nothing of the replacement's own fit enters but the places of the stars and the flux scale.

    Parameters
    ----------
    result : `~framesort.records.Replacement`
        What `replace_stars` gave.
    deep, sharp : ndarray, `~astropy.nddata.CCDData` or `~framesort.records.Stack`
        What it was given; of colour images the mean of the planes is measured. NaN is not
        looked at, nor is what has less than half of a stack's usual weight.
    quality : callable or None
        Gives deep stack, sharp stack and result as `~framesort.stars.measure_image` measures them,
        where that is done elsewhere; called once, late.

    Returns
    -------
    ReplacementCheck

    Notes
    -----
    Profile fits and apertures judge isolated stars. All else is measured on the final picture less
    the scaled sharp stack, with its own noise: what both show cancels, nebula and stars. Deep
    and sharp stack may share frames; the noise of the difference is measured, not computed.
    """
    (d, saturated_deep), (s, saturated_sharp) = (
        (mean_plane(planes), saturation)
        for planes, saturation in (as_planes(v, n) for v, n in ((deep, "deep"), (sharp, "sharp")))
    )
    pictures = Pictures(d, s, mean_plane(result.final))
    light = mean_plane(result.stars)
    scale = float(result.table.meta.get("flux_scale", 1.0))
    tasks: list[Callable[[], Any]] = [
        partial(make_residual, pictures.final, pictures.sharp, light, scale)
    ]
    if quality is None:
        tasks += _window_quality(pictures)
    residual, *measured, _ = run_each(_call, [*tasks, load_apertures])
    del tasks
    qualities = measured if quality is None else quality()
    release_memory()
    of_deep, of_sharp, of_final = qualities
    width = of_sharp.fwhm if np.isfinite(of_sharp.fwhm) else 3.0
    wide = of_deep.fwhm if np.isfinite(of_deep.fwhm) else 1.3 * width
    tasks = [
        partial(_thin, deep, d.shape),
        partial(_thin, sharp, d.shape),
        partial(_saturated, d, saturated_deep),
        partial(_saturated, s, saturated_sharp),
    ]
    thin, thin_sharp, saturated, saturated_too = run_each(_call, tasks)
    thin |= thin_sharp
    saturated |= saturated_too
    del tasks, thin_sharp, saturated_too
    difference = make_difference(pictures.final, pictures.sharp, scale, saturated, width, thin)
    release_memory()
    rows = result.table[result.table["reason"] == ""]
    spike_angle, spike = _profile_spikes(qualities)
    tasks = [
        partial(
            _measure_stars, difference, pictures, scale, result.table, saturated, (wide, width)
        ),
        partial(_measure_structure, difference, pictures.deep, width),
        partial(_noise_ratio, result, light, pictures.final, pictures.sharp),
        partial(_noise_ratio, result, light, pictures.deep, pictures.sharp),
    ]
    stars, structure, noise_ratio, noise_ratio_deep = run_each(_call, tasks)
    check = ReplacementCheck(
        replaced=len(rows),
        not_replaced=len(result.table) - len(rows),
        fwhm_deep=of_deep.fwhm,
        fwhm_sharp=of_sharp.fwhm,
        fwhm_final=of_final.fwhm,
        spike_deep=spike[0],
        spike_sharp=spike[1],
        spike_final=spike[2],
        noise_ratio=noise_ratio,
        noise_ratio_deep=noise_ratio_deep,
        eccentricity_deep=of_deep.eccentricity,
        eccentricity_sharp=of_sharp.eccentricity,
        eccentricity_final=of_final.eccentricity,
        residual=residual,
        **{"spike_angle": spike_angle, **structure, **stars},
    )
    check = _add_worst(check, rows, pictures, scale, width)
    return replace(check, notes=_warnings(check))


def _saturated(image: Array, level: float) -> Mask:
    return np.asarray(image >= (level if np.isfinite(level) else guess_saturation(image)))


def _thin(stack: Any, shape: tuple[int, ...]) -> Mask:
    """Where a stack has less than half of its usual weight."""
    if not isinstance(stack, Stack):
        return np.zeros(shape, bool)
    weight = mean_plane(stack.weight)
    some = weight[weight > 0]
    usual = float(np.median(some[:: max(1, some.size // 1_000_000)])) if some.size else 0.0
    return np.asarray(weight < 0.5 * usual)


def _window_quality(pictures: Sequence[Array]) -> list[Callable[[], FrameQuality]]:
    """What measures stars of the middle of each picture, as frames are measured."""
    ny, nx = pictures[0].shape
    top, left = max(0, (ny - _WINDOW) // 2), max(0, (nx - _WINDOW) // 2)
    parts = [v[top : top + _WINDOW, left : left + _WINDOW] for v in pictures]
    known = np.isfinite(parts[0]) & np.isfinite(parts[1])
    return [partial(measure_image, np.where(known, v, np.float32(np.nan))) for v in parts]


def _call(work: Callable[[], Any]) -> Any:
    return work()


def _measure_structure(difference: Difference, deep: Array, width: float) -> dict[str, Any]:
    """Flux scale, structure, holes and lumps: fields of `ReplacementCheck`."""
    ratio, error, one_sky = compare_scales(bin_pixels(deep), difference)
    structure, blemishes = Structure(), no_places()
    if one_sky:
        structure = measure_structure(difference)
        blemishes = find_blemishes(difference, width, CHECK_LIMITS.blemish_sigma)
    return {
        "scale_ratio": ratio,
        "scale_error": error,
        "one_sky": one_sky,
        "structure_error": structure.error,
        "better_share": structure.better,
        "gain": structure.gain,
        "worse": structure.worse,
        "blemishes": blemishes[:_MOST_PLACES],
    }


def _measure_stars(
    difference: Difference,
    pictures: Pictures,
    scale: float,
    table: Table,
    saturated: Mask,
    widths: tuple[float, float],
) -> dict[str, Any]:
    """Isolated stars, the spike beside the brightest, false stars: fields of `ReplacementCheck`."""
    if not len(table):
        return {}
    wide, width = widths
    flux = scale * np.nan_to_num(np.asarray(table["flux_sharp"], float))
    noise = STEP * float(np.median(difference.noise_sharp))
    core = _core_radius(saturated, table, reach=3 * wide)
    replaced = np.asarray(table["reason"]) == ""
    stars: StarCheck = measure_stars(
        (pictures.sharp, pictures.final), scale, table, flux, width, noise, replaced & (core == 0)
    )
    brightest = np.argsort(-flux, kind="stable")[:STARS]
    before = flatten(bin_pixels(pictures.deep) - difference.light, difference.use)
    spikes: SpikeCheck = measure_spikes(difference, before, table[brightest], wide, core[brightest])
    judged = replaced & (core == 0)
    share, places = count_false_stars(
        pictures.sharp,
        scale,
        table[judged],
        flux[judged],
        width,
        _noise_at(difference, table[judged]),
    )
    found = {
        "star_bins": stars.bins,
        "flux_ratio": float(stars.bins["flux_ratio"][0]) if len(stars.bins) else np.nan,
        "flux_scatter": stars.flux_scatter,
        "spike_left": spikes.left,
        "spike_error": spikes.error,
        "spikes": spikes.stars,
        "false_share": share,
        "false_stars": places[:_MOST_PLACES],
        "chains": count_chains(places, width),
    }
    return found | ({"spike_angle": spikes.angle} if np.isfinite(spikes.angle) else {})


def _noise_at(difference: Difference, rows: Table) -> Floats:
    """Noise of a pixel of the scaled sharp stack at places."""
    ny, nx = difference.noise_sharp.shape
    j = np.clip(np.asarray(rows["y"], float) / STEP, 0, ny - 1).astype(int)
    i = np.clip(np.asarray(rows["x"], float) / STEP, 0, nx - 1).astype(int)
    return STEP * np.asarray(difference.noise_sharp[j, i], float)


def _core_radius(saturated: Mask, table: Table, reach: float) -> Floats:
    """Radius of the saturated core of each star, pixels; 0 without one."""
    y, x = np.nonzero(saturated)
    out = np.zeros(len(table))
    if not len(x):
        return out
    spots = np.column_stack([np.asarray(table[name], float) for name in ("x", "y")])
    labels, number = ndimage.label(saturated, np.ones((3, 3)))
    size = np.bincount(labels[y, x], minlength=number + 1)
    distance, nearest = cKDTree(np.column_stack([x, y])).query(spots)
    radius = np.sqrt(size[labels[y, x]][nearest] / np.pi)
    near = distance <= np.maximum(2.0, 0.5 * radius)
    return np.where(near, radius, 0.0)


def _add_worst(
    check: ReplacementCheck,
    rows: Table,
    pictures: Pictures,
    scale: float,
    width: float,
) -> ReplacementCheck:
    """The stars that differ most, and their cut-outs."""
    worst = Table()
    if len(rows):
        far = rank_residuals(check.residual, rows, width)
        pick = np.argsort(-np.nan_to_num(far), kind="stable")[:10]
        worst = Table(
            {
                "x": rows["x"][pick],
                "y": rows["y"][pick],
                "flux": rows["flux_applied"][pick],
                "residual": far[pick],
            }
        )
    half = max(8, round(4 * width))
    cutouts = cut_around([*pictures, check.residual], worst, half)
    cutouts[:, 1] *= np.float32(scale)
    cutouts[:, :3][~np.isfinite(cutouts[:, :3]).all(axis=1, keepdims=True).repeat(3, axis=1)] = (
        np.nan
    )
    return replace(check, worst=worst, cutouts=cutouts)


def _profile_spikes(
    quality: Sequence[FrameQuality],
) -> tuple[float, list[tuple[float, float]]]:
    """Angle at which deep exceeds sharp most, and the spike's share and error in each picture."""
    excess = quality[0].spike_profile - quality[1].spike_profile
    if not np.isfinite(excess).any():
        return np.nan, [(np.nan, np.nan)] * 3
    k = int(np.nanargmax(excess))
    pairs = [(float(q.spike_profile[k]), float(q.spike_profile_err[k])) for q in quality]
    return (k + 0.5) * 180 / len(excess), pairs


def _warnings(check: ReplacementCheck) -> tuple[Note, ...]:
    out = []
    if check.replaced < 50:
        text = f"Only {check.replaced} stars were replaced: their profiles rest on few."
        out.append(Note("few profile stars", text))
    if check.fwhm_sharp > CHECK_LIMITS.narrower * check.fwhm_deep:
        text = (
            f"The sharp stack is hardly sharper: {check.fwhm_sharp:.2f} px against "
            f"{check.fwhm_deep:.2f} px."
        )
        out.append(Note("hardly sharper", text))
    if check.eccentricity_sharp > check.eccentricity_deep + 0.15:
        text = (
            "Stars of the sharp stack are less round (eccentricity "
            f"{check.eccentricity_sharp:.2f}) than those of the deep one "
            f"({check.eccentricity_deep:.2f})."
        )
        out.append(Note("less round", text))
    if check.flux_scatter > 0.1:
        text = (
            f"Star flux differs by {100 * check.flux_scatter:.0f} % from star to star between "
            "result and sharp stack: are they of one filter?"
        )
        out.append(Note("flux differs", text))
    failed = [line for line in judge_check(vars(check)) if line.passed is False]
    out += [Note("self-check", line.sentence) for line in failed]
    return tuple(out)
