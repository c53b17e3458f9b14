"""Onset and decay of the heater's effect, in sentences."""

import numpy as np

from framesort.records import Interval, Onset, OnsetFit

__all__ = ["describe_onset"]

_AT_ONCE = 1.5
"""Minutes: a time constant that is below this with a probability of 95 % or more is none."""

_WIDE = 10.0
"""Ratio of the ends of a range from which on a time constant counts as not decided."""

_SHORTEST = 0.3
"""Minutes: no shorter limit is stated, since the shortest time constant tried is 0.25."""


def describe_onset(onset: Onset) -> tuple[str, ...]:
    """Sentences on time constants, share law and exposure; open questions are named as such."""
    if onset.both is None:
        return onset.sentences
    return (
        _time("builds up", "the heater is switched on", onset.both.warming),
        _time("decays", "power is reduced", onset.both.cooling),
        _law(onset, onset.both),
        *_exposure(onset),
    )


def _time(verb: str, when: str, tau: Interval) -> str:
    if tau.high95 <= _AT_ONCE:
        return (
            f"When {when}, the effect {verb} at once: time constant below "
            f"{_minutes(max(tau.high95, _SHORTEST))} "
            "min (95 %)."
        )
    if tau.low95 > 0 and tau.high95 < _WIDE * max(tau.low95, 0.5):
        return (
            f"When {when}, the effect {verb} with a time constant of {_minutes(tau.value)} min "
            f"({_minutes(tau.low95)} to {_minutes(tau.high95)} min, 95 %)."
        )
    return (
        f"How fast the effect {verb} when {when} is not decided by these frames: time constant "
        f"{_minutes(tau.low95)} to {_minutes(tau.high95)} min (95 %)."
    )


def _minutes(value: float) -> str:
    return f"{value:.0f}" if value >= 9.5 else f"{value:.1f}"


def _law(onset: Onset, fit: OnsetFit) -> str:
    single = {one.law for one in (onset.spike, onset.width) if one is not None} - {""}
    if len(single) == 2:
        return (
            "Spike and FWHM disagree on how a short heated part of an exposure counts: "
            f"{_one_law('the spike', onset.spike)}, {_one_law('the FWHM', onset.width)}."
        )
    if fit.law == "mixture":
        return (
            "A heated part of an exposure counts by its share of the light (probability "
            f"{_percent(1 - fit.whole)} against counting as a whole)."
        )
    if fit.law == "whole":
        return (
            "A short heated part of an exposure counts nearly as a whole heated exposure "
            f"(probability {_percent(fit.whole)} against counting by its share of the light)."
        )
    why = "" if onset.holding else ", since no exposure holds a change of power"
    return (
        "Whether a short heated part counts by its share of the light or nearly as a whole is not "
        f"decided by these frames{why} (probability of the latter {_percent(fit.whole)})."
    )


def _one_law(name: str, fit: OnsetFit | None) -> str:
    whole = fit is not None and fit.law == "whole"
    return f"{name} as a whole" if whole else f"{name} by share of the light"


def _percent(chance: float) -> str:
    return "above 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def _exposure(onset: Onset) -> list[str]:
    lines = []
    for what, found in (("blur", onset.width_exponent), ("spike", onset.spike_exponent)):
        if not np.isfinite(found.value):
            continue
        if found.high95 - found.low95 > 1:
            lines.append(f"How the {what} grows with exposure time is not decided by these frames.")
            continue
        lines.append(
            f"At equal power the {what} grows with exposure time to the power of "
            f"{found.value:.2f} ({found.low95:.2f} to {found.high95:.2f}, 95 %)."
        )
    return lines
