"""What the self-check of a star replacement holds."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table

from framesort.records import Note
from framesort.replacement._arrays import Image

__all__ = ["ReplacementCheck", "no_places"]


def no_places() -> Table:
    """An empty table of places."""
    return Table({"x": [], "y": [], "sigma": []}, dtype=[float] * 3)


@dataclass(frozen=True, kw_only=True)
class ReplacementCheck:
    """Self-check of a star replacement. Lengths in pixels, flux in ADU of the deep stack.

    `framesort.records.judge_check` judges it by `framesort.records.CHECK_LIMITS`.

    Attributes
    ----------
    replaced, not_replaced : int
        Number of stars.
    fwhm_deep, fwhm_sharp, fwhm_final : float
        Median width of clean stars in each picture, as frames are measured.
    star_bins : `~astropy.table.Table`
        Isolated stars, a row a bin of brightness: `stars`, `flux`, and the medians with errors of
        `width_ratio` (Moffat profiles) and `flux_ratio` (apertures), final over sharp stack.
    flux_ratio, flux_scatter : float
        The brightest bin's median flux ratio, and its scatter from star to star.
    scale_ratio, scale_error : float
        Flux of the deep stack over that of the scaled sharp one in structure of 64 pixels, and its
        uncertainty: 1 if the flux scale is right.
    one_sky : bool
        False if deep and sharp stack show different nebulae; then structure is not judged.
    spike_deep, spike_sharp, spike_final : tuple of float
        Spike at the angle where the deep stack shows most of it: share of the stars' light above
        the mean over angles, and its uncertainty; NaN with too few bright stars.
    spike_angle : float
        Angle of the spike, degrees.
    spike_left, spike_error : float
        Residual share of the deep stack's spike beside the twenty brightest stars, saturated
        ones included, and its uncertainty; negative if too much was subtracted.
    spikes : `~astropy.table.Table`
        Those stars: x, y, `sigma`, `share`, `sigma_deep`.
    blemishes : `~astropy.table.Table`
        Holes and lumps beyond seven standard deviations: x, y, `sigma` (negative for a hole).
    false_share : float
        Share of the replaced entries that are no stars by their profile in the sharp stack.
    false_stars : `~astropy.table.Table`
        Those: x, y, `sigma`.
    chains : int
        Clusters and chains that they form.
    structure_error : float
        Wrong structure in scales of 2 to 16 pixels, in units of the sharp stack's noise.
    better_share : float
        Share of the field where the final picture is nearer to the sky than the sharp stack is.
    gain : float
        Median error of the final picture over that of the sharp stack.
    worse : `~astropy.table.Table`
        Boxes of 32 pixels where the sharp stack is nearer: x, y, `ratio` of errors.
    noise_ratio : float
        Pixel noise where light was changed outside star cores over that of untouched pixels; 1
        if the change does not show.
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
    notes : tuple of Note
        Why the result should not be trusted; empty if there is no reason.
    """

    replaced: int = 0
    not_replaced: int = 0
    fwhm_deep: float = np.nan
    fwhm_sharp: float = np.nan
    fwhm_final: float = np.nan
    star_bins: Table = field(default_factory=Table)
    flux_ratio: float = np.nan
    flux_scatter: float = np.nan
    scale_ratio: float = np.nan
    scale_error: float = np.nan
    one_sky: bool = True
    spike_deep: tuple[float, float] = (np.nan, np.nan)
    spike_sharp: tuple[float, float] = (np.nan, np.nan)
    spike_final: tuple[float, float] = (np.nan, np.nan)
    spike_angle: float = np.nan
    spike_left: float = np.nan
    spike_error: float = np.nan
    spikes: Table = field(default_factory=Table)
    blemishes: Table = field(default_factory=no_places)
    false_share: float = np.nan
    false_stars: Table = field(default_factory=no_places)
    chains: int = 0
    structure_error: float = np.nan
    better_share: float = np.nan
    gain: float = np.nan
    worse: Table = field(default_factory=Table)
    noise_ratio: float = np.nan
    noise_ratio_deep: float = np.nan
    eccentricity_deep: float = np.nan
    eccentricity_sharp: float = np.nan
    eccentricity_final: float = np.nan
    worst: Table = field(default_factory=Table)
    cutouts: Image = field(default_factory=lambda: np.empty((0, 4, 0, 0), np.float32))
    residual: Image = field(default_factory=lambda: np.empty((0, 0), np.float32))
    notes: tuple[Note, ...] = ()
