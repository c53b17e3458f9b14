"""Grades each frame against the night's own heater-off frames, with the reason in words.

A grade says how the stars of a frame compare with the yardstick: the heater-off frames of
the same group. `sharp` frames are as good, `usable` ones carry good signal under worse
stars, `poor` ones add little. The limits below are this project's; none is published.
"""

from dataclasses import dataclass

import numpy as np
from astropy.stats import mad_std
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import add_column, add_reason, column_values

__all__ = ["GradeLimits", "Yardstick", "find_dew", "measure_yardstick", "tag_frames"]

KEEP_OUT = frozenset(
    {
        "unreadable",
        "not measured",
        "calibration frame",
        "colour frame",
        "no exposure time",
        "few stars",
        "vanished",
        "changed",
    }
)
"""Reasons with which a frame has no grade at all."""

LONG = 0.7
"""Eccentricity (b/a = 0.71) from which wide stars are put down to a trail, not to focus."""


@dataclass(frozen=True, kw_only=True)
class GradeLimits:
    """Where the grades part.

    Attributes
    ----------
    max_share : float
        Largest heater share of a sharp frame. A share of one fifth already spoils stars
        (common practice), so it is small.
    wide, too_wide : float
        FWHM over the yardstick's from which a frame is no longer sharp; from which it is
        poor if the heater is off (a heated frame that wide still has its signal).
    scatter : float
        The first limit is never tighter than so many standard deviations of the yardstick.
    trailed, badly_trailed : float
        Eccentricity above the yardstick's for the same two steps.
    thin, opaque : float
        Transparency under which a frame is no longer sharp, and poor.
    line_sigma : float
        Significance of the line of light from which a frame is not sharp.
    sky_factor : float
        Noise over the yardstick's from which the sky counts as bright.
    """

    max_share: float = 0.02
    wide: float = 1.08
    too_wide: float = 1.8
    scatter: float = 1.5
    trailed: float = 0.12
    badly_trailed: float = 0.35
    thin: float = 0.80
    opaque: float = 0.45
    line_sigma: float = 3.0
    sky_factor: float = 1.5


@dataclass(frozen=True, kw_only=True)
class Yardstick:
    """What the heater-off frames of a group look like: medians and robust scatter.

    `source` says whose frames these are: "off" (the group's own), "nearest" (another
    exposure of the same filter) or "best" (the best quarter; no heater-off frame is known).
    """

    fwhm: float
    fwhm_scatter: float
    eccentricity: float
    eccentricity_scatter: float
    noise: float
    frames: int
    source: str


def _codes(reason: str) -> set[str]:
    return set(str(reason).split("; ")) - {""}


def _measured(table: Table) -> NDArray[np.bool_]:
    barred = np.array([bool(_codes(reason) & KEEP_OUT) for reason in table["reason"]], dtype=bool)
    return ~barred & np.isfinite(column_values(table, "fwhm"))


def measure_yardstick(table: Table, group: str, *, max_share: float = 0.02) -> Yardstick | None:
    """The yardstick of a group; None where no frame of the filter was measured.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs group, filter, exposure, heater_share, fwhm, eccentricity, noise, reason.
    group : str
        Name of the group.
    max_share : float
        Frames up to this heater share count as heater-off.
    """
    good = _measured(table)
    share = column_values(table, "heater_share")
    own = good & (table["group"] == group)
    off = good & (share <= max_share)
    here = own & off
    source = "off"
    if not here.any() and own.any():
        first = int(np.flatnonzero(own)[0])
        exposure = column_values(table, "exposure")
        kin = off & (table["filter"] == table["filter"][first])
        kin &= np.asarray(table["binning"] == table["binning"][first])
        if kin.any():
            distance = np.abs(np.log(exposure / exposure[first]))
            here, source = kin & (distance <= distance[kin].min() + 1e-9), "nearest"
        else:
            fwhm = column_values(table, "fwhm")
            here, source = own & (fwhm <= np.nanpercentile(fwhm[own], 25)), "best"
    if not here.any():
        return None
    fwhm, shape = column_values(table, "fwhm")[here], column_values(table, "eccentricity")[here]
    return Yardstick(
        fwhm=float(np.median(fwhm)),
        fwhm_scatter=float(mad_std(fwhm)),
        eccentricity=float(np.nanmedian(shape)),
        eccentricity_scatter=float(mad_std(shape, ignore_nan=True)),
        noise=float(np.nanmedian(column_values(table, "noise")[here])),
        frames=int(here.sum()),
        source=source,
    )


def tag_frames(table: Table, *, limits: GradeLimits | None = None) -> None:
    """Set `grade` and add to `reason`.

    Parameters
    ----------
    table : `~astropy.table.Table`
        The night's table with the columns of heater, quality and (where known) line
        excess and transparency; changed in place. A value that is NaN is not held
        against a frame.
    limits : GradeLimits or None
        Where the grades part; None for the defaults.
    """
    limits = GradeLimits() if limits is None else limits
    grades = np.full(len(table), "", dtype=object)
    reasons = np.array([str(reason) for reason in table["reason"]], dtype=object)
    good = _measured(table)
    dew = find_dew(table, max_share=limits.max_share)
    for group in sorted(set(table["group"][good])):
        yardstick = measure_yardstick(table, group, max_share=limits.max_share)
        if yardstick is None:
            continue
        for i in np.flatnonzero(good & (table["group"] == group)):
            grades[i], codes = _grade(table[int(i)], yardstick, limits, dewing=bool(dew[i]))
            for code in codes:
                reasons[i] = add_reason(reasons[i], code)
    add_column(table, "grade", grades)
    add_column(table, "reason", reasons)


def _number(row: Table.Row, name: str) -> float:
    if name not in row.colnames:
        return np.nan
    value = getattr(row[name], "value", row[name])  # a QTable gives quantities
    return float(np.ma.filled(value, np.nan))


def _grade(
    row: Table.Row, yard: Yardstick, limits: GradeLimits, *, dewing: bool
) -> tuple[str, list[str]]:
    """Grade of one frame and the codes of what speaks against `sharp`."""
    # Another exposure's frames, or merely the best ones, are a blunter yardstick.
    slack = 1.0 if yard.source == "off" else 2.0
    share = _number(row, "heater_share")
    wide = max((limits.wide - 1) * slack, limits.scatter * yard.fwhm_scatter / yard.fwhm)
    trailed = max(limits.trailed * slack, limits.scatter * yard.eccentricity_scatter)
    growth = _number(row, "fwhm") / yard.fwhm
    stretch = _number(row, "eccentricity") - yard.eccentricity
    clear = _number(row, "transparency")
    line = _number(row, "line_strength") / _number(row, "line_strength_err")
    heated = share > limits.max_share
    codes = []
    if heated:
        codes.append("heated" if share > 0.995 else "part heated")
    elif np.isnan(share):
        codes.append("state unknown")
    if line > limits.line_sigma:
        codes.append("line of light")
    if stretch > trailed:
        codes.append("trailed")
    if growth > 1 + wide:
        codes.append(
            "wide stars" if heated or stretch > trailed or np.isnan(share) else "poor focus"
        )
    if dewing:
        codes.append("dew")
    elif clear < limits.thin:
        codes.append("cloud")
    if _number(row, "noise") > limits.sky_factor * yard.noise * max(1.0, slack - 0.5):
        codes.append("bright sky")
    # Without any known heater-off frame the stars alone decide what is sharp.
    harmless = {"state unknown"} if yard.source == "best" else set()
    if yard.source != "off":
        codes.append("no heater-off yardstick")
        harmless.add("no heater-off yardstick")
    poor = (
        stretch > limits.badly_trailed
        or clear < limits.opaque
        or (growth > limits.too_wide and not heated)
    )
    if poor:
        return "poor", codes
    return ("usable" if set(codes) - harmless else "sharp"), codes


def find_dew(table: Table, *, max_share: float = 0.02, least: int = 5) -> NDArray[np.bool_]:
    """Heater-off frames in which dew forms: stars fade while their halos grow, steadily.

    In each run of heater-off frames of a group a level with a bend into a straight line is
    fitted to transparency and to the ratio of half-flux radius to FWHM, with the bend where
    both fit best. It is dew if from there to the end of the run the first falls and the
    second grows, by more than 4 of their standard errors and by 4 and 2 percent.
    Cloud fades stars without growing halos, and comes and goes.

    Parameters
    ----------
    table : `~astropy.table.Table`
        In order of time.
    max_share : float
        Frames up to this heater share count as heater-off.
    least : int
        Frames that a trend must rest on.

    Returns
    -------
    (n,) bool ndarray
    """
    found = np.zeros(len(table), dtype=bool)
    share, clear = column_values(table, "heater_share"), column_values(table, "transparency")
    halo = column_values(table, "half_flux_radius") / column_values(table, "fwhm")
    usable = _measured(table) & np.isfinite(clear) & np.isfinite(halo)
    for group in sorted(set(table["group"][usable])):
        rows = np.flatnonzero(usable & (table["group"] == group))
        off = share[rows] <= max_share
        for run in np.split(rows, np.flatnonzero(np.diff(off.astype(int))) + 1):
            if share[run[0]] <= max_share and len(run) >= least:
                found[run[_dew_onset(clear[run], halo[run], least) :]] = True
    return found


def _dew_onset(clear: NDArray[np.float64], halo: NDArray[np.float64], least: int) -> int:
    """Index from which the run is dewing; its length if it is not."""
    clear, halo = clear / np.median(clear), halo / np.median(halo)
    onsets = range(len(clear) - least + 1)
    onset = min(onsets, key=lambda start: _hinge_misfit(clear, start) * _hinge_misfit(halo, start))
    fall, fall_err = _slope(clear[onset:])
    grow, grow_err = _slope(halo[onset:])
    span = len(clear) - onset - 1
    fades = fall * span < -0.04 and fall < -4 * fall_err
    spreads = grow * span > 0.02 and grow > 4 * grow_err
    return onset if fades and spreads else len(clear)


def _hinge_misfit(values: NDArray[np.float64], start: int) -> float:
    """Residual sum of squares of a level up to `start` and a straight line from there on."""
    bend = np.maximum(np.arange(len(values)) - start, 0)
    design = np.column_stack([np.ones(len(values)), bend])
    coefficients, *_ = np.linalg.lstsq(design, values)
    rest = values - design @ coefficients
    return float(rest @ rest)


def _slope(values: NDArray[np.float64]) -> tuple[float, float]:
    """Least-squares slope per frame and its standard error."""
    step = np.arange(len(values)) - (len(values) - 1) / 2
    slope = float(step @ values / (step @ step))
    rest = values - values.mean() - slope * step
    return slope, float(np.sqrt(rest @ rest / (len(values) - 2) / (step @ step)))
