"""What makes frames comparable: flux scales from stars, background surfaces from a coarse mesh."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from framesort.records import Transform, column_values
from framesort.stacking._levels import cell_levels, clipped_deviation
from framesort.stacking._noise import MAD_TO_SIGMA

__all__ = [
    "EDGE_LINES",
    "Mesh",
    "bad_lines",
    "fit_surface",
    "measure_flux_scales",
    "measure_mesh",
    "row_step",
    "surface_terms",
]

Floats = NDArray[np.float64]

PAIR_RADIUS = 2.0  # grid pixels
FEWEST_PAIRS = 3
CELLS = 24  # cells of the mesh along the shorter side
SMALLEST_CELL = 16  # pixels
EDGE_LINES = 48  # looked at along each side of a frame
EDGE_PIXELS = 1000  # of each that its median is made of, or up to twice as many
NOISE_ROWS = 32  # that noise is measured on, or up to twice as many
ORDERS = ((2, 0.6, 24), (1, 0.25, 8), (0, 0.0, 1))  # order, common area and cells it asks for


def measure_flux_scales(
    star_lists: Sequence[Table | None],
    transforms: Sequence[Transform],
    reference: int | Table,
    *,
    saturated: str = "saturated",
) -> Floats:
    """Factors that bring the light of every frame to that of the reference.

    Parameters
    ----------
    star_lists : sequence of `~astropy.table.Table` or None
        One a frame: `x`, `y`, `flux`, where there `flux_err` and `saturated`.
    transforms : sequence of `~framesort.records.Transform`
        Onto the grid of the reference.
    reference : int or `~astropy.table.Table`
        The frame that sets the scale, or a star list on the grid.
    saturated : str
        Name of the column that marks stars not to be used.

    Returns
    -------
    (n,) float ndarray
        Factor to multiply with; 1 for the reference itself, NaN where fewer than 3 stars are
        common.

    Notes
    -----
    The median of the flux ratios of pairs within 2 grid pixels, weighted by the inverse of
    the ratio's variance (Bevington & Robinson, Data Reduction, sec. 4.1) but at
    most that of a 2 % error, so that no single star decides.
    """
    index = None if isinstance(reference, Table) else int(reference)
    table = reference if index is None else star_lists[index]
    scales = np.full(len(star_lists), np.nan)
    if table is None:
        return scales
    target = _stars(table, saturated)
    if index is not None:
        mapped = transforms[index].map_points(target[0][:, 0], target[0][:, 1])
        target = (np.stack(mapped, axis=1), target[1], target[2])
    for k, (stars, transform) in enumerate(zip(star_lists, transforms, strict=True)):
        if k == index:
            scales[k] = 1.0
        elif stars is not None and transform:
            scales[k] = _scale(_stars(stars, saturated), transform, target)
    return scales


def _stars(table: Table, saturated: str) -> tuple[Floats, Floats, Floats]:
    """Places, fluxes and relative variances of the stars that can be used."""
    column: dict[str, Floats] = {
        name: column_values(table, name) for name in ("x", "y", "flux", "flux_err")
    }
    xy, flux = np.stack([column["x"], column["y"]], axis=1), column["flux"]
    error = column["flux_err"]
    # Without errors all count the same; 2 % is a floor for what apertures and flats leave.
    relative = np.where(error > 0, (error / flux) ** 2, 0.0) + 0.02**2
    good = np.isfinite(xy).all(axis=1) & (flux > 0)
    if saturated in table.colnames:
        good &= ~np.asarray(np.ma.filled(np.ma.asarray(table[saturated]), False), dtype=bool)
    return xy[good], flux[good], relative[good]


def _scale(
    stars: tuple[Floats, Floats, Floats],
    transform: Transform,
    reference: tuple[Floats, Floats, Floats],
) -> float:
    xy, flux, variance = stars
    if not len(xy) or not len(reference[0]):
        return np.nan
    mapped = np.stack(transform.map_points(xy[:, 0], xy[:, 1]), axis=1)
    distance, j = cKDTree(reference[0]).query(mapped, distance_upper_bound=PAIR_RADIUS)
    i = np.flatnonzero(np.isfinite(distance))
    if len(i) < FEWEST_PAIRS:
        return np.nan
    ratio = np.log(reference[1][j[i]] / flux[i])
    weight = 1 / (variance[i] + reference[2][j[i]])
    order = np.argsort(ratio, kind="stable")
    total = np.cumsum(weight[order])
    # The place where half of the weight lies below, between two stars as for a plain median.
    middle = (total - weight[order] / 2) / total[-1]
    return float(np.exp(np.interp(0.5, middle, ratio[order])))


@dataclass(frozen=True)
class Mesh:
    """The background of a frame on coarse cells, in the frame's own pixels and ADU.

    Attributes
    ----------
    level : (rows, columns) float ndarray
        Median of each cell without stars; NaN where too little is known.
    cell : (float, float)
        Height and width of a cell, pixels.
    noise : float
        Standard deviation of a pixel, from differences of neighbours.
    shape : (int, int)
        Rows and columns of the frame.
    """

    level: Floats
    cell: tuple[float, float]
    noise: float
    shape: tuple[int, int]

    def centres(self) -> tuple[Floats, Floats]:
        """Places (x, y) of the cells' centres."""
        rows, columns = self.level.shape
        x = (np.arange(columns) + 0.5) * self.cell[1] - 0.5
        y = (np.arange(rows) + 0.5) * self.cell[0] - 0.5
        gx, gy = np.meshgrid(x, y)
        return gx, gy

    def interpolate(self, x: Floats, y: Floats) -> Floats:
        """Level at places, bilinear; NaN outside of the frame."""
        at = [(y + 0.5) / self.cell[0] - 0.5, (x + 0.5) / self.cell[1] - 0.5]
        inside = (x >= -0.5) & (y >= -0.5) & (x < self.shape[1] - 0.5) & (y < self.shape[0] - 0.5)
        values = map_coordinates(self.level, at, order=1, mode="nearest")
        return np.where(inside, values, np.nan)


def row_step(rows: int) -> int:
    """Every how many rows a frame is looked at for its mesh: about a dozen a cell."""
    return max(1, max(SMALLEST_CELL, rows // CELLS) // 12)


def measure_mesh(sample: NDArray[np.float32], rows: int) -> Mesh:
    """The mesh of a frame from every `row_step`-th of its rows.

    Parameters
    ----------
    sample : (n, nx) float32 ndarray
        The rows looked at; NaN is missing.
    rows : int
        Rows of the whole frame.
    """
    columns = sample.shape[1]
    size = max(SMALLEST_CELL, min(rows, columns) // CELLS)
    ny, nx = max(1, round(rows / size)), max(1, round(columns / size))
    step = row_step(rows)
    y_of = np.arange(len(sample)) * step
    y_edges = np.searchsorted(y_of, np.linspace(0, rows, ny + 1))
    x_edges = np.linspace(0, columns, nx + 1).astype(int)
    across = max(1, (x_edges[1] - x_edges[0]) // 24)
    level = np.empty((ny, nx))
    # One pixel in several: neighbouring pixels add no information.
    cell_levels(np.ascontiguousarray(sample), y_edges, x_edges, across, level)
    return Mesh(level, (rows / ny, columns / nx), _pixel_noise(sample), (rows, columns))


def _pixel_noise(sample: NDArray[np.float32]) -> float:
    """Noise of a pixel from differences of pixels two apart in a row, over sqrt(2).

    1.4826 MAD first, then the standard deviation within three of it, since a MAD of whole
    numbers is coarse; 0.98658 is that of a normal distribution cut there.
    """
    flat = sample[:: max(1, len(sample) // NOISE_ROWS)]
    difference = (flat[:, 2:] - flat[:, :-2]).ravel()
    difference = difference[np.isfinite(difference)]
    if len(difference) < 16:
        return np.nan
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(difference))) or float(
        np.std(difference, dtype=float)
    )
    for _ in range(3):
        sigma = clipped_deviation(difference, 3 * sigma) / 0.98658
    return float(sigma / np.sqrt(2))


def bad_lines(lines: NDArray[np.float32], noise: float) -> int:
    """How many of the first lines of a frame are darker or brighter than those further in.

    `lines`: (n, pixels), from the edge inwards. The level of a line is its median; that of good
    ones follows a straight line through the inner half, to within the noise of a pixel. What
    goes on to the inner half is no matter of the edge.
    """
    lines = lines[:, :: max(1, lines.shape[1] // EDGE_PIXELS)]
    known = np.isfinite(lines)
    if known.all():
        level = np.median(lines, axis=1)
    else:
        level = np.array([
            np.median(line[good]) if good.any() else np.nan
            for line, good in zip(lines, known, strict=True)
        ])  # fmt: skip
    inner = np.arange(len(level) // 2, len(level))
    inner = inner[np.isfinite(level[inner])]
    if len(inner) < 6 or not noise > 0:
        return 0
    slope, constant = np.polyfit(inner, level[inner], 1)
    rest = np.abs(level - constant - slope * np.arange(len(level)))
    good = rest <= max(noise, 5 * float(np.median(rest[inner])))
    bad = int(np.argmax(good)) if good.any() else len(level)
    return bad if bad < len(level) // 2 else 0


def surface_terms(x: Any, y: Any, shape: tuple[int, int]) -> list[Floats]:
    """1, x, y, x^2, x y, y^2 of places of the grid, scaled to about -1..1."""
    u = np.asarray(2 * x / max(shape[1] - 1, 1) - 1, dtype=float)
    v = np.asarray(2 * y / max(shape[0] - 1, 1) - 1, dtype=float)
    return [np.ones(np.broadcast(u, v).shape), u, v, u * u, u * v, v * v]


def fit_surface(
    mesh: Mesh,
    transform: Transform,
    factor: float,
    reference: Mesh,
    reference_transform: Transform,
    shape: tuple[int, int],
    order: int,
) -> Floats:
    """The surface to take off a frame's scaled background so that it becomes the reference's.

    Parameters
    ----------
    mesh, reference : Mesh
        Of the frame and of the reference.
    transform, reference_transform : `~framesort.records.Transform`
        Onto the grid.
    factor : float
        What the frame's values are multiplied with.
    shape : (int, int)
        Of the grid.
    order : int
        0, 1 or 2; less is used where the common area is small.

    Returns
    -------
    (6,) float ndarray
        Coefficients of `surface_terms`; NaN without common area.

    Notes
    -----
    Nebulae and stars are the same in both and cancel in the difference; the rest
    (a change of width, a cloud) is down-weighted by Tukey's biweight in ten rounds.
    """
    x, y = transform.map_points(*mesh.centres())
    back = Transform(matrix=np.asarray(np.linalg.inv(reference_transform.matrix), dtype=float))
    difference = (factor * mesh.level - reference.interpolate(*back.map_points(x, y))).ravel()
    good = np.isfinite(difference)
    coefficients = np.full(6, np.nan)
    if not good.any():
        return coefficients
    terms = np.stack([t.ravel() for t in surface_terms(x, y, shape)], axis=1)[good]
    values = difference[good]
    number = next(
        (degree + 1) * (degree + 2) // 2
        for degree, share, cells in ORDERS
        if degree <= order and good.mean() >= share and good.sum() >= cells
    )
    terms = terms[:, :number]
    fit: Floats = np.zeros(number)
    fit[0] = np.median(values)
    for _ in range(10):
        rest = values - terms @ fit
        spread = MAD_TO_SIGMA * float(np.median(np.abs(rest - np.median(rest))))
        if spread <= 1e-12 * max(1.0, float(np.abs(values).max())):
            break
        weight = np.maximum(1 - (rest / (4.685 * spread)) ** 2, 0) ** 2
        root = np.sqrt(weight)[:, None]
        fit = np.asarray(
            np.linalg.lstsq(terms * root, values * root[:, 0], rcond=None)[0], dtype=float
        )
    coefficients[:] = 0.0
    coefficients[:number] = fit
    return coefficients
