"""What a star replacement reached, measured on the result as any picture is measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from photutils.aperture import CircularAperture, aperture_photometry

from framesort.records import CHECK_LIMITS, FrameQuality, Replacement
from framesort.replacement._input import as_planes, mean_plane
from framesort.replacement._residual import cut_around, make_residual, rank_residuals
from framesort.replacement._smooth import FEW_ROWS, background_of
from framesort.stars import measure_image
from framesort.workers import run_bands


@dataclass(frozen=True, kw_only=True)
class ReplacementCheck:
    """Self-check of a star replacement. Lengths in pixels, light in ADU of the deep stack.

    Attributes
    ----------
    replaced, left_alone : int
        Number of stars.
    fwhm_deep, fwhm_sharp, fwhm_final : float
        Median width of clean stars in each picture, by the instrument that measures frames.
    line_deep, line_sharp, line_final : tuple of float
        Line of light at the angle the deep stack shows most of it: share of the stars' light above
        the mean over angles, and its uncertainty; NaN where too few bright stars tell.
    line_angle : float
        That angle, degrees.
    flux_ratio, flux_scatter : float
        Median of the replaced stars' light in the result over that in the sharp stack (scaled),
        in apertures on both pictures, and its scatter.
    noise_ratio : float
        Fine grain where light was changed outside star cores over that of untouched pixels of
        like brightness; 1 if the change does not show.
    noise_ratio_deep : float
        The same in the deep stack, before the change.
    eccentricity_deep, eccentricity_sharp, eccentricity_final : float
        Median flattening of clean stars.
    worst : `~astropy.table.Table`
        The ten replaced stars that differ most from the sharp stack: x, y, flux and the rms
        `residual` within 1.5 widths.
    cutouts : (n, 4, m, m) float32 ndarray
        Those stars in the deep stack, the sharp one (scaled), the result, and the residual.
    residual : (ny, nx) float32 ndarray
        Result less scaled sharp stack and a smooth level, in units of its noise and 2 % of the
        star light (added in squares).
    notes : tuple of str
        Why the result should not be trusted, a sentence each; empty if nothing speaks against it.
    """

    replaced: int = 0
    left_alone: int = 0
    fwhm_deep: float = np.nan
    fwhm_sharp: float = np.nan
    fwhm_final: float = np.nan
    line_deep: tuple[float, float] = (np.nan, np.nan)
    line_sharp: tuple[float, float] = (np.nan, np.nan)
    line_final: tuple[float, float] = (np.nan, np.nan)
    line_angle: float = np.nan
    flux_ratio: float = np.nan
    flux_scatter: float = np.nan
    noise_ratio: float = np.nan
    noise_ratio_deep: float = np.nan
    eccentricity_deep: float = np.nan
    eccentricity_sharp: float = np.nan
    eccentricity_final: float = np.nan
    worst: Table = field(default_factory=Table)
    cutouts: NDArray[np.float32] = field(default_factory=lambda: np.empty((0, 4, 0, 0), np.float32))
    residual: NDArray[np.float32] = field(default_factory=lambda: np.empty((0, 0), np.float32))
    notes: tuple[str, ...] = ()


def _grain(image: NDArray) -> NDArray[np.float32]:
    """Residual of each pixel against its eight neighbours (Immerkaer 1996, eq. 1); 0 at edges."""
    out = np.zeros(image.shape, np.float32)

    def work(first: int, last: int) -> None:
        wide = image[first : last + 2]
        bend = wide[:-2] - 2 * wide[1:-1] + wide[2:]
        out[first + 1 : last + 1, 1:-1] = (bend[:, :-2] - 2 * bend[:, 1:-1] + bend[:, 2:]) / 6

    run_bands(work, len(image) - 2, band=FEW_ROWS)
    return out


def _spread(values: NDArray) -> float:
    """Standard deviation from the median deviation of at most some million values."""
    v = values[:: max(1, len(values) // 1_000_000)]
    v = v[np.isfinite(v)]
    return float(1.4826 * np.median(np.abs(v - np.median(v)))) if len(v) > 200 else np.nan


def _noise_ratio(result: Replacement, light: NDArray, final: NDArray) -> float:
    """Grain of changed pixels outside cores over that of untouched ones of like brightness."""
    grain = _grain(final)
    noise = _spread(grain[result.mask == 0])
    if not noise > 0:
        return np.nan
    beside = (result.mask != 0) & (result.mask & 12 == 0) & (np.abs(light) < 4 * noise)
    return _spread(grain[beside]) / noise


def _fluxes(final: NDArray, sharp: NDArray, rows: Table, radius: float) -> NDArray:
    """Light in the result and the sharp picture in the same apertures, one row a star."""
    spots = np.column_stack([rows["x"].value, rows["y"].value])
    aperture = CircularAperture(spots, radius)
    out = []
    for image in (final, sharp):
        flat = image - background_of(image).level
        table = aperture_photometry(np.asarray(flat, dtype=float), aperture)
        out.append(np.asarray(table["aperture_sum"]))
    return np.column_stack(out)


def measure_replacement(
    result: Replacement,
    deep: Any,
    sharp: Any,
    *,
    quality: Callable[[], Sequence[FrameQuality]] | None = None,
) -> ReplacementCheck:
    """Measure what a replacement reached: widths, line, fluxes, noise, and the worst stars.

    Nothing of the replacement's own fit enters but the places of the stars and the flux scale.

    Parameters
    ----------
    result : `~framesort.records.Replacement`
        What `replace_stars` gave.
    deep, sharp : ndarray, `~astropy.nddata.CCDData` or `~framesort.records.Stack`
        What it was given; of colour images the mean of the planes is measured.
    quality : callable or None
        Gives deep stack, sharp stack and result as `~framesort.stars.measure_image` measures them,
        where that is done elsewhere; called once, late.

    Returns
    -------
    ReplacementCheck
    """
    d, s = (mean_plane(as_planes(v, n)[0]) for v, n in ((deep, "deep"), (sharp, "sharp")))
    pictures = [d, s, mean_plane(result.final)]
    known = np.isfinite(d) & np.isfinite(s)
    if not known.all():
        pictures = [np.where(known, v, np.float32(np.nan)) for v in pictures]
    light = mean_plane(result.stars)
    grain = _noise_ratio(result, light, pictures[2]), _noise_ratio(result, light, pictures[0])
    rows = result.table[result.table["reason"] == ""]
    scale = float(result.table.meta.get("flux_scale", 1.0))
    residual = make_residual(pictures[2], pictures[1], light, scale)
    told = [measure_image(v) for v in pictures] if quality is None else quality()
    width = told[1].fwhm if np.isfinite(told[1].fwhm) else 3.0
    wanted = rows[rows["flux_put"].value > 50 * max(told[0].noise, 1e-9) * width]
    ratio = scatter = np.nan
    worst = Table()
    if len(wanted):
        sums = _fluxes(pictures[2], pictures[1], wanted, 1.5 * width)
        sums = sums[np.isfinite(sums).all(axis=1) & (sums[:, 1] > 0)]
        if len(sums):
            q = sums[:, 0] / (sums[:, 1] * scale)
            ratio = float(np.median(q))
            scatter = float(1.4826 * np.median(np.abs(q - ratio)))
    half = max(8, round(4 * width))
    if len(rows):
        far = rank_residuals(residual, rows, width)
        pick = np.argsort(-np.nan_to_num(far), kind="stable")[:10]
        worst = Table(
            {
                "x": rows["x"][pick],
                "y": rows["y"][pick],
                "flux": rows["flux_put"][pick],
                "residual": far[pick],
            }
        )
    lines, angle = _lines(told)
    check = ReplacementCheck(
        replaced=len(rows),
        left_alone=len(result.table) - len(rows),
        fwhm_deep=told[0].fwhm,
        fwhm_sharp=told[1].fwhm,
        fwhm_final=told[2].fwhm,
        line_deep=lines[0],
        line_sharp=lines[1],
        line_final=lines[2],
        line_angle=angle,
        flux_ratio=ratio,
        flux_scatter=scatter,
        noise_ratio=grain[0],
        noise_ratio_deep=grain[1],
        eccentricity_deep=told[0].eccentricity,
        eccentricity_sharp=told[1].eccentricity,
        eccentricity_final=told[2].eccentricity,
        worst=worst,
        cutouts=cut_around(
            [pictures[0], np.float32(scale) * pictures[1], pictures[2], residual], worst, half
        ),
        residual=residual,
    )
    return ReplacementCheck(**{**vars(check), "notes": _warnings(check)})


def _lines(quality: Sequence[FrameQuality]) -> tuple[list[tuple[float, float]], float]:
    """The line's share and error in each picture at the angle where deep exceeds sharp most."""
    excess = quality[0].line_profile - quality[1].line_profile
    if not np.isfinite(excess).any():
        return [(np.nan, np.nan)] * 3, np.nan
    k = int(np.nanargmax(excess))
    pairs = [(float(q.line_profile[k]), float(q.line_profile_err[k])) for q in quality]
    return pairs, (k + 0.5) * 180 / len(excess)


def _warnings(check: ReplacementCheck) -> tuple[str, ...]:
    out = []
    if check.replaced < 50:
        out.append(f"Only {check.replaced} stars were replaced: their profiles rest on few.")
    if check.fwhm_sharp > CHECK_LIMITS.narrower * check.fwhm_deep:
        out.append(
            f"The sharp stack is hardly sharper: {check.fwhm_sharp:.2f} px against "
            f"{check.fwhm_deep:.2f} px."
        )
    if check.eccentricity_sharp > check.eccentricity_deep + 0.15:
        out.append(
            "Stars of the sharp stack are less round (eccentricity "
            f"{check.eccentricity_sharp:.2f}) than those of the deep one "
            f"({check.eccentricity_deep:.2f})."
        )
    if check.flux_scatter > 0.1:
        out.append(
            f"Star light differs by {100 * check.flux_scatter:.0f} % from star to star between "
            "result and sharp stack: are they of one filter?"
        )
    if abs(check.fwhm_final / check.fwhm_sharp - 1) > CHECK_LIMITS.width:
        out.append(
            f"Stars of the result are {check.fwhm_final:.2f} px wide, of the sharp stack "
            f"{check.fwhm_sharp:.2f} px."
        )
    if abs(check.flux_ratio - 1) > CHECK_LIMITS.flux:
        out.append(f"Stars have {check.flux_ratio:.3f} of the light of the sharp stack's.")
    excess = check.line_final[0] - check.line_sharp[0]
    if excess > 3 * np.hypot(check.line_final[1], check.line_sharp[1]):
        out.append(f"A line of light is left at {check.line_angle:.0f} degrees.")
    if abs(check.noise_ratio - 1) > CHECK_LIMITS.noise:
        out.append(f"The grain beside stars is {check.noise_ratio:.2f} of that elsewhere.")
    return tuple(out)
