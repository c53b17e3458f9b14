"""Whether a configuration is better, worse or no different, in a sentence with numbers."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from framesort.comparison._differences import Compared, as_interval
from framesort.comparison._settle import NEVER, frames_to_settle
from framesort.records import Interval, Verdict

__all__ = ["ENDPOINTS", "SmallestDifference", "decide"]

ENDPOINTS = ("fwhm_growth", "spike")
"""What a verdict rests on: FWHM at the seeing common to both, and light in the spike."""

ERROR = 0.005
"""Probability with which an endpoint is called better although nothing has changed, shared out
among configurations: 1 % over both. The range of 99 % does not contain 0 then."""


@dataclass(frozen=True)
class SmallestDifference:
    """Differences below which nothing is gained or lost.

    Attributes
    ----------
    growth : float
        Of the increase of FWHM at the common seeing, a share. 3 % cost 6 % of exposure time for
        faint stars, whose signal to noise goes with 1 / FWHM.
    spike : float
        Of the share of light in the spike.
    part : float
        Of the effect in the first configuration: a difference that is not established counts as
        none where it is known to be smaller than this.
    """

    growth: float = 0.03
    spike: float = 0.005
    part: float = 0.25


@dataclass(frozen=True)
class _Decision:
    """One endpoint: "better", "worse", "no difference" or "unknown"."""

    compared: Compared
    call: str
    smallest: float


def decide(
    combined: Mapping[str, Compared],
    *,
    name: str,
    reference: str,
    smallest: SmallestDifference,
    configurations: int = 1,
) -> Verdict:
    """State whether a configuration is better than the first.

    Parameters
    ----------
    combined : mapping of str to Compared
        Over all common powers, by quantity; those of `ENDPOINTS` decide.
    name, reference : str
        The two configurations.
    smallest : SmallestDifference
    configurations : int
        Number of configurations that are compared with the first: each gets its part of `ERROR`.
    """
    error = ERROR / configurations
    decisions = {
        key: _decide_endpoint(combined[key], smallest, error)
        for key in ENDPOINTS
        if key in combined
    }
    calls = {one.call for one in decisions.values()}
    if {"better", "worse"} <= calls:
        call = "mixed"
    elif "better" in calls or "worse" in calls:
        call = "better" if "better" in calls else "worse"
    else:
        call = "unknown" if "unknown" in calls else "no difference"
    missing = _missing(decisions, error) if call == "unknown" else ""
    parts = [_width_text(decisions), _spike_text(decisions)]
    numbers = "; ".join(part for part in parts if part)
    if call == "unknown":
        sentence = f"Not decided yet: with {name}, {numbers}."
    elif call == "no difference":
        sentence = f"{name} makes no difference that matters: {numbers}."
    else:
        sentence = f"{name} is {_CALLS[call]}: {numbers}."
    return Verdict(
        configuration=name, reference=reference, call=call, sentence=sentence, missing=missing
    )


_CALLS = {
    "better": "better",
    "worse": "worse",
    "mixed": "better in one respect and worse in another",
}


def _decide_endpoint(compared: Compared, smallest: SmallestDifference, error: float) -> _Decision:
    difference = compared.difference
    least = smallest.spike if compared.quantity == "spike" else smallest.growth
    limit = max(least, smallest.part * float(np.median(compared.first)))
    low95, low, high, high95 = np.quantile(difference, [0.025, error, 1 - error, 0.975])
    if -least < low95 and high95 < least:
        call = "no difference"
    elif high < 0:
        call = "better"
    elif low > 0:
        call = "worse"
    elif -limit < low95 and high95 < limit:
        call = "no difference"
    else:
        call = "unknown"
    return _Decision(compared, call, limit)


def _missing(decisions: Mapping[str, _Decision], error: float) -> str:
    """Further frames with which the first open endpoint is settled, one way or the other."""
    best = (-1, -1)
    for one in decisions.values():
        if one.call != "unknown":
            continue
        counts = _needed(one, error)
        if counts[0] >= 0 and (best[0] < 0 or sum(counts) < sum(best)):
            best = counts
    power = next(iter(decisions.values())).compared.powers
    at = f"at {_powers(power)}"
    if best[0] < 0 or max(best) > NEVER:
        return "More frames will not settle it: the difference is too small or too uncertain."
    each = " each" if len(power) > 1 else ""
    return (
        f"About {best[0]} more heated frames {at}{each} and {best[1]} more with the heater off, "
        "in each configuration, would settle it."
    )


def _needed(decision: _Decision, error: float) -> tuple[int, int]:
    """Frames to find the difference seen, or to show that it is below the smallest that matters."""
    compared, seen = decision.compared, abs(float(np.median(decision.compared.difference)))
    counts = [compared.needed(level=1 - 2 * error)]
    margin = decision.smallest - seen
    if margin > 0:
        # The range of 95 % ends below the limit in four cases of five when the standard error is
        # margin / (1.96 + 0.84): the same as finding a difference of that size at 95 %.
        counts.append(
            frames_to_settle(margin, compared.sides, fixed_variance=compared.fixed, level=0.95)
        )
    possible = [pair for pair in counts if pair[0] >= 0]
    return min(possible, key=sum) if possible else (-1, -1)


def _powers(powers: tuple[float, ...]) -> str:
    texts = [f"{power:.0f}" for power in powers]
    joined = texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"
    return f"{joined} % power"


def _percent(interval: Interval) -> str:
    digits = 1 if 100 * interval.error < 0.95 else 0
    value = round(100 * interval.value, digits) + 0.0  # never -0
    return f"{value:.{digits}f} ± {100 * interval.error:.{digits}f} %"


def _width_text(decisions: Mapping[str, _Decision]) -> str:
    if "fwhm_growth" not in decisions:
        return ""
    compared = decisions["fwhm_growth"].compared
    second, first = as_interval(compared.second), as_interval(compared.first)
    return (
        f"{_powers(compared.powers)} costs {_percent(second)} of FWHM instead of {_percent(first)}"
        if len(compared.powers) == 1
        else f"{_powers(compared.powers)} cost {_percent(second)} of FWHM on average instead of "
        f"{_percent(first)}"
    )


def _spike_text(decisions: Mapping[str, _Decision]) -> str:
    if "spike" not in decisions:
        return ""
    compared = decisions["spike"].compared
    first, second = as_interval(compared.first), as_interval(compared.second)
    ratio = as_interval(compared.second / np.where(compared.first == 0, 1, compared.first))
    # A ratio makes sense where the first one is well above 0.
    if first.value > -float(ndtri(0.005)) * first.error:
        return f"the spike is {ratio.value:.2f} ± {ratio.error:.2f} of what it was"
    return f"the spike holds {_percent(second)} of the light instead of {_percent(first)}"
