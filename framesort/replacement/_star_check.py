"""Stars of the final picture compared with the sharp stack's: widths, fluxes, and false stars."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from scipy import optimize
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from framesort.replacement._arrays import Array, Floats, Mask
from framesort.replacement._replacement_check import no_places
from framesort.replacement._robust import robust_std

__all__ = ["StarCheck", "count_chains", "count_false_stars", "load_apertures", "measure_stars"]

BINS = 3
"""Bins of brightness."""

BRIGHTEST = 30
"""Brightest entries from which the concentration of stars is measured."""

STRUCTURE = 0.3
"""Share of the structure around that lies under an entry as well."""

SPREAD = 0.05
"""Relative scatter of the concentration of stars over the field."""

CHAIN = 4
"""False stars in a row that chance does not make."""

A_BIN = 20
"""Stars measured in a bin."""

HALF = 6
"""Half the side of the square that a profile is fitted to, pixels."""


@dataclass(frozen=True, kw_only=True)
class StarCheck:
    """Isolated stars of the final picture against the same stars in the scaled sharp stack.

    Attributes
    ----------
    bins : `~astropy.table.Table`
        A row a bin of brightness, brightest first: `stars`, `flux` (median, ADU), `width_ratio`,
        `width_error`, `flux_ratio`, `flux_error`. Medians and their errors.
    flux_scatter : float
        Scatter of the flux ratio from star to star, brightest bin.
    """

    bins: Table = field(default_factory=Table)
    flux_scatter: float = np.nan


def _cut(image: Array, x: float, y: float) -> Array | None:
    i, j = round(x), round(y)
    if min(i, j) < HALF or j + HALF >= image.shape[0] or i + HALF >= image.shape[1]:
        return None
    part = np.asarray(image[j - HALF : j + HALF + 1, i - HALF : i + HALF + 1], float)
    return part if np.isfinite(part).all() else None


_Y, _X = (v.ravel().astype(float) for v in np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1])


def _moffat_width(part: Array) -> float:
    """FWHM of a round Moffat profile on a level, least squares; NaN where none fits."""
    level, top = float(np.median(part)), float(part.max())
    if not top > level:
        return np.nan
    scaled = part.ravel() / (top - level)
    slope = np.ones((6, scaled.size))

    def miss(p: Array) -> Array:
        peak, x, y, log_a, beta, background = p
        core = 1 + ((_X - x) ** 2 + (_Y - y) ** 2) * np.exp(-2 * log_a)
        return np.asarray(background + peak * core**-beta - scaled)

    def slopes(p: Array) -> Array:
        peak, x, y, log_a, beta, _ = p
        u, v, narrow = _X - x, _Y - y, np.exp(-2 * log_a)
        far = (u**2 + v**2) * narrow
        core = 1 + far
        shape = core**-beta
        fall = 2 * peak * beta * shape / core
        slope[0], slope[1], slope[2] = shape, fall * narrow * u, fall * narrow * v
        slope[3], slope[4] = fall * far, -peak * shape * np.log(core)
        return slope

    start = [1.0, 0.0, 0.0, 0.7, 2.8, level / (top - level)]
    with np.errstate(all="ignore"):
        found = optimize.leastsq(
            miss, start, Dfun=slopes, col_deriv=True, full_output=True,
            ftol=1e-4, xtol=1e-4, maxfev=50,
        )  # fmt: skip
        peak, x, y, log_a, beta, _ = found[0]
        width = float(2 * np.exp(log_a) * np.sqrt(2 ** (1 / beta) - 1))
    real = 0.1 <= peak <= 5 and max(abs(x), abs(y)) <= 2 and beta >= 1.2
    return width if real and np.isfinite(width) else np.nan


def _isolated(x: Array, y: Array, flux: Array, apart: float, share: float) -> Mask:
    """No neighbour within `apart` with more than a share of the flux."""
    out = np.ones(len(x), bool)
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(apart, output_type="ndarray")
    for a, b in (pairs.T, pairs[:, ::-1].T):
        out[a[flux[b] > share * flux[a]]] = False
    return out


def load_apertures() -> None:
    """Load the library of apertures, which takes a third of a second; sorting does not need it."""
    import photutils.aperture  # noqa: F401


def _light(image: Array, spots: Array, radius: float, background: Array) -> Array:
    from photutils.aperture import CircularAperture, aperture_photometry

    table = aperture_photometry(image, CircularAperture(spots, radius))
    return np.asarray(table["aperture_sum"]) - background * np.pi * radius**2


def _net_light(image: Array, x: Array, y: Array, radius: float) -> Array:
    """Light above the ring around, in an aperture."""
    if not len(x):
        return np.empty(0)
    return _light(image, np.column_stack([x, y]), radius, _ring(image, x, y, radius)[0])


def _ring(image: Array, x: Array, y: Array, radius: float) -> tuple[Floats, Floats]:
    """Median and spread of a ring around each star."""
    half = int(radius) + 4
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    ring = (np.hypot(u, v) > radius + 1) & (np.hypot(u, v) <= radius + 4)
    j = np.clip(np.round(y).astype(int)[:, None] + v[ring], 0, image.shape[0] - 1)
    i = np.clip(np.round(x).astype(int)[:, None] + u[ring], 0, image.shape[1] - 1)
    values = image[j, i]
    values[~np.isfinite(values).any(axis=1)] = 0
    middle = np.nanmedian(values, axis=1)
    # Not robust: a filament that crosses the ring fills a tenth of it.
    spread = np.nanstd(values, axis=1)
    return np.asarray(middle, float), np.asarray(spread, float)


def _median(values: Array) -> tuple[float, float]:
    """Median and its error."""
    v = values[np.isfinite(values)]
    if len(v) < 4:
        return np.nan, np.nan
    middle = float(np.median(v))
    spread = float(robust_std(v, middle))
    return middle, 1.2533 * spread / np.sqrt(len(v))


def measure_stars(
    pictures: tuple[Array, Array],
    scale: float,
    rows: Table,
    flux: Floats,
    width: float,
    noise: float,
    clean: Mask,
) -> StarCheck:
    """Fit profiles to isolated stars and sum apertures on them.

    Parameters
    ----------
    pictures : (sharp, final)
        ADU, NaN without data.
    scale : float
        Sharp stack to the final picture's flux scale.
    rows : `~astropy.table.Table`
        All stars, x and y.
    flux : (n,) ndarray
        Their flux, ADU of the final picture.
    width : float
        FWHM in the sharp stack, roughly.
    noise : float
        Noise of a pixel of the scaled sharp stack.
    clean : (n,) bool ndarray
        Replaced and not saturated.
    """
    x, y = (np.asarray(rows[name], float) for name in ("x", "y"))
    if len(x) < 4:
        return StarCheck()
    radius = 2.5 * width
    # Noise of an aperture of that radius must be below 3 % of the star.
    bright = flux > 30 * noise * np.sqrt(np.pi) * radius
    pick = np.flatnonzero(clean & bright & _isolated(x, y, flux, 3 * radius, 0.03))
    pick = pick[np.argsort(-flux[pick])]
    columns: dict[str, list[float]] = {name: [] for name in ("stars", "flux", *_RATIOS)}
    for part in np.array_split(pick, BINS):
        part = part[:: max(1, len(part) // A_BIN)][:A_BIN]
        one = np.array([_widths(pictures, x[k], y[k]) for k in part]).reshape(-1, 2)
        star = np.abs(one[:, 0] / width - 1) < 0.25
        lights = [_net_light(image, x[part], y[part], radius) for image in pictures]
        columns["stars"].append(int(star.sum()))
        columns["flux"].append(float(np.median(flux[part])) if len(part) else np.nan)
        pairs = one[star][:, 1] / one[star][:, 0], (lights[1] / (scale * lights[0]))[star]
        for name, values in zip(("width", "flux"), pairs, strict=True):
            columns[f"{name}_ratio"], columns[f"{name}_error"] = (
                [*columns[f"{name}_{what}"], value]
                for what, value in zip(("ratio", "error"), _median(values), strict=True)
            )
    scatter = columns["flux_error"][0] * np.sqrt(columns["stars"][0]) / 1.2533
    return StarCheck(bins=Table(columns), flux_scatter=float(scatter))


_RATIOS = ("width_ratio", "width_error", "flux_ratio", "flux_error")


def _widths(pictures: tuple[Array, ...], x: float, y: float) -> list[float]:
    parts = [_cut(image, x, y) for image in pictures]
    return [np.nan if part is None else _moffat_width(part) for part in parts]


def count_false_stars(
    sharp: Array,
    scale: float,
    rows: Table,
    flux: Floats,
    width: float,
    noise: Floats,
) -> tuple[float, Table]:
    """Replaced entries whose light in the sharp stack is not concentrated as a star's.

    The share of an entry's light near its centre is compared with that of the brightest entries.
    Its error is that of pixel noise and of the structure in the ring around. Entries with a
    neighbour of a third of their flux within two widths are not judged.

    Parameters
    ----------
    sharp : (ny, nx) ndarray
    scale : float
        Sharp stack to the final picture's flux scale.
    rows : `~astropy.table.Table`
        The entries, x and y.
    flux : (n,) ndarray
        Their flux.
    width : float
        FWHM in the sharp stack, pixels.
    noise : (n,) ndarray
        Noise of a pixel of the scaled sharp stack there.

    Returns
    -------
    share : float
        Of the entries with S/N of 10 and more, those that are no stars; NaN if there
        are fewer than 20.
    places : `~astropy.table.Table`
        x, y, sigma of those, the surest first.
    """
    x, y = (np.asarray(rows[name], float) for name in ("x", "y"))
    if len(x) < 20:
        return np.nan, no_places()
    spots = np.column_stack([x, y])
    inner, outer = 0.55 * width, 1.3 * width
    background, spread = _ring(sharp, x, y, 2 * width)
    near, whole = (scale * _light(sharp, spots, r, background) for r in (inner, outer))
    # Structure is correlated over the aperture: it adds as the area, noise as its root.
    structure = np.sqrt(np.maximum((scale * spread) ** 2 - noise**2, 0))
    area = np.pi * outer**2
    error = np.hypot(noise * np.sqrt(area), STRUCTURE * structure * area)
    with np.errstate(divide="ignore", invalid="ignore"):
        share, sure = near / whole, whole / error
    alone = _isolated(x, y, flux, 2 * width, 0.3)
    known = np.isfinite(share) & (sure > 10) & alone
    if known.sum() < 20:
        return np.nan, no_places()
    best = np.flatnonzero(known)[np.argsort(-whole[known])[:BRIGHTEST]]
    star = float(np.median(share[best]))
    low = (star - share) / np.hypot(1 / np.where(known, sure, 1), SPREAD * star)
    false = known & (low > 3) & (share < 0.8 * star)
    order = np.flatnonzero(false)[np.argsort(-low[false])]
    places = Table({"x": x[order], "y": y[order], "sigma": low[order]})
    return float(false.sum() / known.sum()), places


def count_chains(places: Table, width: float) -> int:
    """Groups of four and more false stars, each within ten widths of another of its group."""
    if len(places) < CHAIN:
        return 0
    tree = cKDTree(np.column_stack([places["x"], places["y"]]))
    near = tree.sparse_distance_matrix(tree, 10 * width, output_type="coo_matrix")
    _, group = connected_components(near, directed=False)
    return int(np.sum(np.bincount(group) >= CHAIN))
