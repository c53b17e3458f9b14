"""Results of the subpackages that measure frames: heater trace, star quality, transform."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records._columns import empty_star_list
from framesort.records._notes import Note
from framesort.records._pixel_map import PixelMap, map_by_matrix

__all__ = ["HEATER_STATES", "SPIKE_BINS", "FrameQuality", "HeaterTrace", "Transform"]

HEATER_STATES = {
    "off": "heater off",
    "part": "changed during the exposure",
    "on": "heater on",
    "unknown": "unknown",
}
"""The states of the heater during an exposure, in the order in which they are listed; in words."""

SPIKE_BINS = 90
"""Number of angles in [0, 180) at which the light around bright stars is recorded."""


@dataclass(frozen=True, kw_only=True)
class HeaterTrace:
    """Heater power as a step function of time.

    Attributes
    ----------
    edges : (N + 1,) float ndarray
        Boundaries of the steps, seconds since 1970-01-01T00:00:00 UTC, increasing.
        The first may be -inf and the last +inf.
    power : (N,) float ndarray
        Percent of full power from ``edges[i]`` to ``edges[i + 1]``; NaN where unknown.
    source : str
        "log" or "given".
    notes : tuple of Note
        What had to be interpreted or left out.
    confidence : (N,) float ndarray or None
        Probability 0..1 that the step is the heater's, where the log leaves doubt.
    entries : (float, float) or None
        Times of the log's first and last entry, where the steps reach beyond them; None
        where they do not.
    """

    edges: NDArray[np.float64]
    power: NDArray[np.float64]
    source: str = "log"
    notes: tuple[Note, ...] = ()
    confidence: NDArray[np.float64] | None = None
    entries: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if len(self.edges) != len(self.power) + 1:
            raise ValueError(
                f"edges must be one longer than power, got {len(self.edges)} and {len(self.power)}"
            )
        if np.any(np.diff(self.edges) <= 0):
            raise ValueError("edges must increase")

    @property
    def span(self) -> tuple[float, float] | None:
        """Times of the first and last entry; None for a power that knows no time."""
        finite = self.edges[np.isfinite(self.edges)]
        if self.entries is not None or not finite.size:
            return self.entries
        return float(finite[0]), float(finite[-1])

    @property
    def constant(self) -> bool:
        """Whether it is one power at any time, so that a frame without a time has it as well."""
        return self.span is None and len(self.power) == 1

    def average(
        self, start: NDArray[np.float64], stop: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Heater share and mean power over intervals.

        Parameters
        ----------
        start, stop : (n,) float array_like
            Seconds since 1970, ``stop > start``.

        Returns
        -------
        share : (n,) float ndarray
            Fraction of the interval with power above 0; NaN if any part of the
            interval is not known.
        power : (n,) float ndarray
            Mean power in percent, off time counted as 0; NaN likewise.
        """
        start, stop = np.atleast_1d(start).astype(float), np.atleast_1d(stop).astype(float)
        share, power = np.full(start.shape, np.nan), np.full(start.shape, np.nan)
        for i, (begin, end) in enumerate(zip(start, stop, strict=True)):
            overlap = np.minimum(self.edges[1:], end) - np.maximum(self.edges[:-1], begin)
            inside = overlap > 0
            seconds, level = overlap[inside], self.power[inside]
            # A microsecond's slack: these are times of 1e9 s held in double precision.
            if (
                end > begin
                and not np.isnan(level).any()
                and abs(seconds.sum() - (end - begin)) < 1e-6
            ):
                share[i] = seconds[level > 0].sum() / (end - begin)
                power[i] = seconds @ level / (end - begin)
        return share, power


@dataclass(frozen=True, kw_only=True)
class FrameQuality:
    """Star quality of one frame: the values of its row, its star list and the light by angle.

    `reason` is "" for a good measurement, else a code of `REASONS`; the numbers are NaN then.
    The object is true when the measurement is good.

    Attributes
    ----------
    stars : int
        Number of stars in `star_list`.
    fwhm, half_flux_radius : float
        Medians over clean stars, pixels.
    eccentricity, elongation_angle : float
        Of the mean shape; the angle in degrees [0, 180).
    spike_raw, spike_raw_err, spike_raw_angle : float
        Spike of this frame alone: share of the stars' light that lies in it between 2
        and 6 FWHM from the star, its uncertainty, degrees.
    spike_total, spike_total_err, spike_length : float
        All of the spike's light as a share of the stars', its uncertainty, and the distance in
        pixels over which it falls to 1/e; NaN for lines below 5 sigma.
    spike_profile, spike_profile_err : (SPIKE_BINS,) float ndarray
        Mean over bright stars of the light beside the star at each angle (bin k is centred on
        ``(k + 0.5) * 180 / SPIKE_BINS`` degrees, both sides together), less its mean over
        angles, as a share of the star's light; and its uncertainty.
    fwhm_centre, fwhm_corners, fwhm_corners_err : float
        FWHM in the middle of the image and the mean of its corners, pixels, from a smooth map
        of all clean stars; uncertainty of corners less centre.
    fwhm_tilt, fwhm_tilt_err : float
        How much wider stars are at one end of the field than at the other (over a diagonal's
        length), pixels.
    sky, noise : float
        Background level and standard deviation per pixel, ADU.
    sky_gradient : float
        Rise of a plane through the background over a diagonal's length, ADU.
    saturation : float
        Level from which pixels are saturated, ADU, as given or as the pixels show it; +inf
        where none is.
    star_list : `~astropy.table.Table`
        Columns of `STAR_COLUMNS`, brightest first.
    """

    stars: int = 0
    fwhm: float = np.nan
    half_flux_radius: float = np.nan
    eccentricity: float = np.nan
    elongation_angle: float = np.nan
    spike_raw: float = np.nan
    spike_raw_err: float = np.nan
    spike_raw_angle: float = np.nan
    spike_total: float = np.nan
    spike_total_err: float = np.nan
    spike_length: float = np.nan
    spike_profile: NDArray[np.float64] = field(default_factory=lambda: np.full(SPIKE_BINS, np.nan))
    spike_profile_err: NDArray[np.float64] = field(
        default_factory=lambda: np.full(SPIKE_BINS, np.nan)
    )
    fwhm_centre: float = np.nan
    fwhm_corners: float = np.nan
    fwhm_corners_err: float = np.nan
    fwhm_tilt: float = np.nan
    fwhm_tilt_err: float = np.nan
    sky: float = np.nan
    noise: float = np.nan
    sky_gradient: float = np.nan
    saturation: float = np.inf
    star_list: Table = field(default_factory=empty_star_list)
    reason: str = ""

    def __bool__(self) -> bool:
        return not self.reason


@dataclass(frozen=True, kw_only=True)
class Transform:
    """Where the pixels of a frame land on the target grid.

    Attributes
    ----------
    matrix : (3, 3) float ndarray
        Homogeneous, takes (x, y, 1) of the frame to (x, y, 1) of the grid.
    matched : int
        Number of star pairs it rests on.
    residual : float
        Rms distance of the brighter ones after the transform, grid pixels.
    reason : str
        "" for a good transform, else a code of `REASONS`; the object is false then.
    pixel_map : PixelMap or None
        The exact way over the sky, where distortion moves pixels by more than 0.1 pixel from
        any projective transform; `matrix` is the nearest one then.
    """

    matrix: NDArray[np.float64] = field(default_factory=lambda: np.full((3, 3), np.nan))
    matched: int = 0
    residual: float = np.nan
    reason: str = ""
    pixel_map: PixelMap | None = None

    def __bool__(self) -> bool:
        return not self.reason

    @property
    def scale(self) -> float:
        """Linear scale, grid pixels per frame pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:2, :2]))))

    @property
    def mirrored(self) -> bool:
        """Whether it turns the frame over, as a mirror does."""
        return bool(np.linalg.det(self.matrix[:2, :2]) < 0)

    @property
    def rotation(self) -> float:
        """Rotation in degrees, counter-clockwise, (-180, 180].

        Of a mirrored frame: after its rows are put upside down.
        """
        m = self.matrix @ np.diag([1.0, -1.0, 1.0]) if self.mirrored else self.matrix
        return float(np.degrees(np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1])))

    def map_points(self, x: Any, y: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Frame positions to grid positions, pixels."""
        if self.pixel_map is not None:
            return self.pixel_map.to_grid(x, y)
        return map_by_matrix(self.matrix, x, y)

    def followed_by(self, matrix: NDArray[np.float64]) -> "Transform":
        """The same transform with a projective one of grid pixels after it."""
        moved = None if self.pixel_map is None else self.pixel_map.followed_by(matrix)
        return replace(self, matrix=matrix @ self.matrix, pixel_map=moved)
