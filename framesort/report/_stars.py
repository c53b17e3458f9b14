"""Stars cut out of the deep, the sharp and the final picture."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from astropy.table import Table
from matplotlib.axes import Axes
from numpy.typing import NDArray

from framesort.errors import FrameError
from framesort.files import StrPath, read_image
from framesort.records import MAD_TO_SIGMA, column_values
from framesort.report._columns import as_number, column_texts
from framesort.report._read import GroupResults
from framesort.report._residual import residual_colours
from framesort.report._style import INK

__all__ = [
    "STACKS",
    "StarCutout",
    "choose_stars",
    "cut_places",
    "cut_stars",
    "draw_star_cutouts",
    "shade_cutout",
]

STACKS = ("deep", "sharp", "final")
"""The pictures a star is shown in, in this order; their "difference" may follow."""


@dataclass(frozen=True, kw_only=True)
class StarCutout:
    """One star in several pictures.

    Attributes
    ----------
    x, y : float
        Place on the grid, pixels.
    pixels : dict of str to (n, n) float32 ndarray
        Cutout by picture name, all of one size; NaN beyond the edge. "difference", if there,
        is in standard deviations of its noise.
    """

    x: float
    y: float
    pixels: dict[str, NDArray[np.float32]] = field(default_factory=dict)


def choose_stars(
    stars: Table,
    *,
    number: int = 6,
    apart: float = 40.0,
    inside: tuple[float, float] | None = None,
) -> NDArray[np.int_]:
    """Rows of the brightest stars, including saturated ones, with a minimum separation.

    Parameters
    ----------
    stars : `~astropy.table.Table`
        stars.ecsv: x, y, flux_deep, and if there `flux_sharp` and `reason`.
    number : int
        Largest number of stars.
    apart : float
        Least distance between two chosen stars, pixels.
    inside : (float, float) or None
        Width and height of the picture: stars nearer to its edge than ``apart / 2`` are chosen
        only if there are too few others.

    Returns
    -------
    rows : (n,) int ndarray
        Brightest first, by the larger of the two fluxes, since the flux of a saturated star is
        too small in one of them. Non-stellar detections are chosen only if there are too few
        stars.
    """
    x, y = column_values(stars, "x"), column_values(stars, "y")
    scale = as_number(stars.meta.get("flux_scale"))
    flux = np.fmax(
        column_values(stars, "flux_deep"),
        column_values(stars, "flux_sharp") * (scale if scale > 0 else 1.0),
    )
    nonstellar = column_texts(stars, "reason") == "not stellar"
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(flux)
    edge = np.zeros(len(stars), dtype=bool)
    if inside is not None:
        margin = np.minimum(np.minimum(x, inside[0] - 1 - x), np.minimum(y, inside[1] - 1 - y))
        edge = margin < apart / 2
    order = [i for i in np.lexsort((-np.nan_to_num(flux), edge, nonstellar)) if good[i]]
    chosen: list[int] = []
    for i in order:
        if all(math.hypot(x[i] - x[j], y[i] - y[j]) >= apart for j in chosen):
            chosen.append(int(i))
        if len(chosen) == number:
            break
    return np.array(sorted(chosen, key=lambda i: -flux[i]), dtype=int)


def _cut(
    source: StrPath | NDArray[np.float32], x: float, y: float, half: int, height: int
) -> NDArray[np.float32]:
    """A square around a position, from pixels or from a file, of which only its rows are read."""
    column, row = round(x), round(y)
    bottom, top = max(row - half, 0), min(row + half + 1, height)
    size = 2 * half + 1
    square = np.full((size, size), np.nan, dtype=np.float32)
    if top <= bottom:
        return square
    if isinstance(source, np.ndarray):
        rows = source[..., bottom:top, :]
    else:
        rows, _ = read_image(source, rows=slice(bottom, top))
    if rows.ndim == 3:
        rows = rows.mean(axis=0)
    first, last = max(column - half, 0), min(column + half + 1, rows.shape[1])
    if last > first:
        square[
            bottom - row + half : top - row + half, first - column + half : last - column + half
        ] = rows[:, first:last]
    return square


def cut_stars(
    group: GroupResults,
    stars: Table,
    *,
    shape: tuple[int, int],
    number: int = 6,
    half: int | None = None,
) -> tuple[StarCutout, ...]:
    """Cut the brightest stars of a group out of its stacks.

    Parameters
    ----------
    group : GroupResults
        Whose folder holds the stacks.
    stars : `~astropy.table.Table`
        Its stars.ecsv.
    shape : (int, int)
        Rows and columns of the grid.
    number : int
        Largest number of stars.
    half : int or None
        Half the side of a cutout, pixels; None for eleven times the FWHM in the deep stack,
        16 to 48 pixels, which contains most of a spike.

    Returns
    -------
    cutouts : tuple of StarCutout
        With the stacks that exist and can be read.
    """
    if half is None:
        fwhm = group.fwhm.get("deep", group.deep.fwhm)
        half = int(np.clip(11 * fwhm, 16, 48)) if math.isfinite(fwhm) else 28
    x, y = column_values(stars, "x"), column_values(stars, "y")
    chosen = choose_stars(stars, number=number, apart=half, inside=shape[::-1])
    return cut_places(group, [(x[i], y[i]) for i in chosen], height=shape[0], half=half)


def cut_places(
    group: GroupResults,
    places: Sequence[tuple[float, float]],
    *,
    height: int,
    half: int = 24,
    scale: float | None = None,
) -> tuple[StarCutout, ...]:
    """Cut squares around places out of the stacks of a group.

    Parameters
    ----------
    group : GroupResults
        Whose folder holds the stacks.
    places : sequence of (float, float)
        x, y of each, pixels.
    height : int
        Rows of the grid.
    half : int
        Half the side of a square, pixels.
    scale : float or None
        Sharp stack to the flux scale of the final picture: with it, their difference is added.

    Returns
    -------
    cutouts : tuple of StarCutout
        With the stacks that exist and can be read.
    """
    cutouts = []
    for x, y in places:
        pixels = {}
        for name in STACKS:
            path = group.stack(name)
            if path is None:
                continue
            try:
                pixels[name] = _cut(group.pixels.get(name, path), x, y, half, height)
            except FrameError:
                continue
        if scale is not None and {"final", "sharp"} <= set(pixels):
            residual = pixels["final"] - np.float32(scale) * pixels["sharp"]
            residual -= np.nanmedian(residual) if np.isfinite(residual).any() else 0
            spread = (
                MAD_TO_SIGMA * np.nanmedian(np.abs(residual)) if np.isfinite(residual).any() else 0
            )
            pixels["difference"] = np.float32(1 / spread if spread > 0 else 1) * residual
        if pixels:
            cutouts.append(StarCutout(x=float(x), y=float(y), pixels=pixels))
    return tuple(cutouts)


def shade_cutout(cutout: StarCutout) -> dict[str, NDArray[np.float64]]:
    """Colours [y, x, RGB] 0..1 of each picture of a star; the stacks share one stretch."""
    sky, noise, top = _levels(cutout)
    shades = {}
    for name, pixels in cutout.pixels.items():
        if name == "difference":
            shades[name] = residual_colours(pixels)
        else:
            grey = _shown(pixels, sky, noise, top)
            shades[name] = np.repeat(grey[..., np.newaxis], 3, axis=-1)
    return shades


def _shown(pixels: NDArray[np.float32], sky: float, noise: float, top: float) -> Any:
    """Brightness of a cutout: linear up to three times the noise, logarithmic above.

    A spike has a thousandth of the star's peak and would not show in a stretch set by the peak.
    """
    soft = 3 * noise
    value = np.arcsinh((np.nan_to_num(pixels, nan=sky) - sky + noise) / soft)
    return np.clip(value / np.arcsinh(max(top, soft) / soft), 0, 1)


def _levels(cutout: StarCutout) -> tuple[float, float, float]:
    """Sky, its noise and the top of the curve that the pictures of a star share."""
    light = [pixels.ravel() for name, pixels in cutout.pixels.items() if name != "difference"]
    whole = np.concatenate([*light, np.empty(0, dtype=np.float32)])
    whole = whole[np.isfinite(whole)]
    if not whole.size:
        return 0.0, 1.0, 1.0
    sky, low = np.percentile(whole, [25, 5])
    # Below the lower quartile there is only sky. The 5 % quantile of a normal distribution lies
    # 1 sigma below the quartile (1.645 - 0.674).
    noise = max(float(sky - low), 1e-6 * max(float(np.ptp(whole)), 1e-30))
    return float(sky), noise, float(np.percentile(whole, 99.8) - sky)


def draw_star_cutouts(
    axes: Any, cutouts: Sequence[StarCutout], *, stars_across: bool = True
) -> None:
    """Draw star cutouts, one stack per row (or column) and one star per column (row).

    All stacks of a star share one stretch.

    Parameters
    ----------
    axes : (n_pictures, n_stars) ndarray of `~matplotlib.axes.Axes`
        (n_stars, n_pictures) with ``stars_across=False``. Surplus axes are switched off.
    cutouts : sequence of StarCutout
        As `cut_stars` gives them.
    stars_across : bool
        Stars from left to right, else from top to bottom.
    """
    grid = np.atleast_2d(np.asarray(axes, dtype=object))
    grid = grid if stars_across else grid.T
    names = [
        name for name in (*STACKS, "difference") if any(name in cutout.pixels for cutout in cutouts)
    ]
    for place in grid.ravel():
        place.set_axis_off()
    for column, cutout in enumerate(cutouts[: grid.shape[1]]):
        shades = shade_cutout(cutout)
        for row, name in enumerate(names[: grid.shape[0]]):
            if name in shades:
                grid[row, column].imshow(shades[name], origin="lower", interpolation="nearest")
    for edge, name in zip(grid[:, 0], names, strict=False):
        _name_picture(edge, name, beside=stars_across)


def _name_picture(axes: Axes, name: str, *, beside: bool) -> None:
    """The picture's name left of its row or above its column."""
    x, y, turn = (-0.06, 0.5, 90) if beside else (0.5, 1.05, 0)
    anchor: dict[str, Any] = (
        {"ha": "right", "va": "center"} if beside else {"ha": "center", "va": "bottom"}
    )
    axes.text(x, y, name, transform=axes.transAxes, color=INK, rotation=turn, **anchor)
