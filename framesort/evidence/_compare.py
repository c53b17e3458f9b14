"""A heater log compared with the states estimated from the stars."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import ArrayLike, NDArray

from framesort.evidence._agreement import Agreement, count_agreement, score_agreement
from framesort.evidence._energy import Energy
from framesort.evidence._response import Response
from framesort.evidence._series import make_series
from framesort.evidence._switches import StarStates
from framesort.records import ClockOffset, HeaterTrace, column_values

__all__ = ["LogCheck", "compare_log", "fit_other_day"]

Floats = NDArray[np.float64]

_FEWEST = 3
"""Minimum number of contradicting frames: one or two may be trailed or lie at a switch."""

_HOT = 0.1
"""Largest share of the heated frames that may be off in the log."""

_COLD = 0.4
"""Largest share of the frames heated in the log that may appear unheated at visible powers."""

_STRONG = 50.0
"""Power in percent from which heat is expected to be visible, where none is at any power."""

_NARROWER = 0.03
"""Share by which stars must be narrower when heated, beyond three errors, for a contradiction."""

_SWAPPED = 0.9
"""Share of frames that must agree with on and off swapped in the log."""

_DAY = 86400.0


@dataclass(frozen=True, kw_only=True)
class LogCheck:
    """Whether the stars agree with a log.

    Attributes
    ----------
    contradicts : bool
        Whether more than a few frames disagree.
    agree, compared : int
        Frames that agree, and frames with a state in the log and from the stars.
    better : str
        Correction that fits better: "clock", "inverted", "none" (no log); "" without a
        contradiction.
    sentence : str
        Description; "" without a contradiction.
    """

    contradicts: bool
    agree: int
    compared: int
    better: str = ""
    sentence: str = ""


def compare_log(
    table: Table,
    states: StarStates,
    *,
    clock: ClockOffset | None = None,
    trace: HeaterTrace | None = None,
    response: Response | None = None,
) -> LogCheck:
    """Compare the heater states of a log with those estimated from the stars.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs file, start, exposure, heater_share, heater_power from the log.
    states : StarStates
        From `sort_states` for the table.
    clock, trace : ClockOffset or None, HeaterTrace or None
        Offset of the log's clock, and the log, to test which correction fits better.
    response : Response or None
        Growth of the FWHM with the log's power: stars that are narrower when heated
        contradict as well.

    Returns
    -------
    LogCheck
    """
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    now = count_agreement(states.state, share)
    seen = now.hot_off if _too_hot(now) else np.zeros(len(table), dtype=bool)
    cold = _visible_cold(now, states, share, power)
    narrower = _narrower(response)
    if not (seen.any() or cold.any() or narrower):
        return LogCheck(contradicts=False, agree=now.agree, compared=now.compared)
    better, advice = _find_better(table, states, share, clock, trace, now)
    faults = [
        f"{rows.sum()} of {now.compared} frames {text} (first: {_first(table, rows)})"
        for rows, text in (
            (seen, "appear heated but are off in the log"),
            (cold, "appear unheated but are on in the log"),
        )
        if rows.any()
    ]
    given = trace is not None and trace.source == "given"
    what = "the heater power given" if given else "the heater log"
    sentence = f"The stars contradict {what}: {' and '.join([*faults, *narrower])}. {advice}"
    return LogCheck(
        contradicts=True, agree=now.agree, compared=now.compared, better=better, sentence=sentence
    )


def _first(table: Table, rows: NDArray[np.bool_]) -> str:
    if "file" not in table.colnames:
        return f"frame {int(np.argmax(rows))}"
    return str(table["file"][int(np.argmax(rows))]).replace("\\", "/").rsplit("/", 1)[-1]


def _too_hot(found: Agreement) -> bool:
    wrong = int(found.hot_off.sum())
    return wrong >= _FEWEST and wrong > _HOT * found.hot


def _visible_cold(
    found: Agreement, states: StarStates, share: Floats, power: Floats
) -> NDArray[np.bool_]:
    """Frames that appear unheated at powers visible in others, if they are many."""
    nothing = np.zeros(len(share), dtype=bool)
    on = np.isfinite(share) & (share > 0.95)
    shown = on & states.heated
    least = float(np.percentile(power[shown], 10)) if shown.sum() >= _FEWEST else _STRONG
    cold = found.cold_on & (power >= least - 1e-6)
    strong = int((on & states.known & (power >= least - 1e-6)).sum())
    many = cold.sum() >= _FEWEST and cold.sum() > _COLD * strong
    return cold if many else nothing


def _narrower(response: Response | None) -> list[str]:
    """A text if stars are narrower when heated, else an empty list."""
    if response is None or not len(response.points):
        return []
    growth = np.asarray(response.points["fwhm_growth"], dtype=float)
    error = np.asarray(response.points["fwhm_growth_err"], dtype=float)
    power = np.asarray(response.points["power"], dtype=float)
    if not (power > 0).any():
        return []
    top = int(np.argmax(np.nan_to_num(power)))
    if not growth[top] + 3 * error[top] < 1 - _NARROWER:
        return []
    return [f"the FWHM is {100 * (1 - growth[top]):.0f} % smaller at {power[top]:.0f} % power"]


def _find_better(
    table: Table,
    states: StarStates,
    share: Floats,
    clock: ClockOffset | None,
    trace: HeaterTrace | None,
    now: Agreement,
) -> tuple[str, str]:
    """The correction that agrees best with the stars, and a sentence."""
    trials: dict[str, Floats] = {"inverted": 1 - share}
    if clock is not None and clock.significant and trace is not None:
        trials["clock"] = _shifted(table, trace, clock.seconds)
    scores = {name: float(score_agreement(states.state, s)[0]) for name, s in trials.items()}
    fits = {
        name: count_agreement(states.state, s)
        for name, s in trials.items()
        if scores[name] > float(score_agreement(states.state, share)[0]) + _FEWEST
    }
    fits = {
        name: count
        for name, count in fits.items()
        if count.holds
        and count.compared >= 0.5 * now.compared
        # On and off swapped is the rarer cause: nearly all frames must agree.
        and (name != "inverted" or count.agree >= _SWAPPED * count.compared)
    }
    alone = int(states.known.sum())
    none = (
        f"without --heater the state of {alone} of {len(table)} frames follows from the stars"
        if alone
        else "give the right log, or no --heater"
    )
    if not fits:
        return "none", f"{none[0].upper()}{none[1:]}."
    best = max(fits, key=lambda name: scores[name])
    agree = f"({fits[best].agree} of {fits[best].compared} frames agree, now {now.agree})"
    if best == "clock" and clock is not None:
        return "clock", f"A better fit is --clock-offset {clock.seconds:.0f} {agree}."
    return "inverted", f"A better fit is a log with on and off swapped {agree}."


def _shifted(table: Table, trace: HeaterTrace, seconds: float) -> Floats:
    """Heater shares from the log with an offset added to its clock; NaN where it has no data."""
    series = make_series(table)
    share = np.full(len(table), np.nan)
    good = np.isfinite(series.start) & (series.exposure > 0)
    energy = Energy(trace, switched=True)
    share[good] = energy.at(series.start[good], series.exposure[good], seconds) / 100.0
    return share


def fit_other_day(
    table: Table, states: StarStates, trace: HeaterTrace, days: ArrayLike
) -> tuple[int, Agreement] | None:
    """The number of whole days to add to a log's times so that it agrees with the stars.

    Parameters
    ----------
    table, states, trace
        As for `compare_log`.
    days : (n,) int array_like
        Numbers to try.

    Returns
    -------
    (int, Agreement) or None
        The best number and the frames that agree then; None if none agrees, or no frame appears
        heated, so that many logs would agree.
    """
    tried = [int(d) for d in np.atleast_1d(days)]
    if not tried or not states.heated.any():
        return None
    shares = [_shifted(table, trace, d * _DAY) for d in tried]
    best = int(np.argmax([score_agreement(states.state, share)[0] for share in shares]))
    found = count_agreement(states.state, shares[best])
    if not found.holds or found.compared < 0.5 * states.known.sum():
        return None
    return tried[best], found
