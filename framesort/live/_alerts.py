"""Events and hints of a night, from its frames: what the user should hear of, once."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from framesort.live._sky import call_dew
from framesort.live._status import FilterMinutes, LiveEvent, LiveFrame, SkyVerdict

__all__ = ["CAUTION", "find_events", "find_hints"]

CAUTION = (
    "framesort switches nothing. Follow the instructions of the heater's maker and local rules."
)

CALLED = 0.9
"""Probability from which cloud is called, in the last two frames, and hints are given."""

CLOSE_MARGIN = 1.0
"""Kelvin of dew margin below which a heater that is off may have been forgotten."""

WIDE_MARGIN = 4.0
"""Kelvin of dew margin above which a heater is not needed."""

NO_RISK_FOR = 30 * 60.0
"""Seconds without dew risk after which a heater that is on is worth a word."""

HEAT_FRAMES, HEAT_LEAST = 5, 10
"""Last frames of a group whose stars may show no sign of heat, and frames it must have so far."""

NO_SPIKE, NO_SPIKE_ERR = 0.013, 2.0
"""There is no spike where the share of light is below so many errors of its own, and below the
first with two errors added: a noisy frame shows nothing either way."""

NO_WIDENING = 1.05
"""FWHM over the narrowest tenth of the group's frames up to which stars are not widened."""

NEWLY_WIDE = 1.08
"""The same of the last frame alone."""

BAD_WIDTH = 1.6
"""FWHM over the heater-off median from which a heater-off frame is bad."""

BAD_LIGHT = 0.5
"""Transparency below which a frame is bad."""


def find_events(
    frames: Sequence[LiveFrame],
    verdicts: Sequence[SkyVerdict],
    minutes: Sequence[FilterMinutes],
    *,
    last: LiveFrame | None = None,
    now: float = math.nan,
) -> list[LiveEvent]:
    """Events that the last frame brings; an event of one key is reported once only.

    Parameters
    ----------
    frames : sequence of LiveFrame
        In order of time.
    verdicts : sequence of SkyVerdict
        Of the last frames, the latest last.
    minutes : sequence of FilterMinutes
        As `collect_minutes` gives them.
    last : LiveFrame or None
        The frame that is new, if it is not the last of them, as one without a time.
    now : float
        Time of an event of such a frame, seconds since 1970 UTC.
    """
    if not frames:
        return []
    last = frames[-1] if last is None else last
    found = [
        *_of_sky(last, verdicts),
        *_forgotten(frames),
        *_of_goals(last, minutes),
        *_bad_frame(last),
    ]
    return [event if math.isfinite(event.time) else replace(event, time=now) for event in found]


def _of_sky(last: LiveFrame, verdicts: Sequence[SkyVerdict]) -> list[LiveEvent]:
    if len(verdicts) < 2:
        return []
    now = verdicts[-1]
    why = "; ".join(now.reasons)
    events = []
    if call_dew(verdicts):
        when = (
            "it costs a tenth of the light already"
            if now.minutes_to_loss == 0
            else f"it costs a tenth of the light in about {now.minutes_to_loss:.0f} min"
            if math.isfinite(now.minutes_to_loss)
            else "the trend is not known yet"
        )
        text = f"Dew is probable ({100 * now.dew:.0f} %), {when}: {why}."
        events.append(_event("dew", "dew", last, text))
    if all(verdict.cloud > CALLED for verdict in verdicts[-2:]):
        events.append(_event("cloud", "cloud", last, f"Cloud: {why}."))
    return events


def _forgotten(frames: Sequence[LiveFrame]) -> list[LiveEvent]:
    """A heater that is off while the dew margin closes, or on without dew risk."""
    last = frames[-1]
    margin = _recent_margins(frames)
    if last.heater_state in ("off", "unknown") and len(margin) > 1:
        slope = (margin[-1][1] - margin[0][1]) / max((margin[-1][0] - margin[0][0]) / 3600, 1e-6)
        closing = margin[-1][1] < CLOSE_MARGIN and slope < 0
        known = "The heater is off" if last.heater_state == "off" else ""
        if closing and not known:
            known = _show_no_heat(frames)
        if closing and known:
            text = (
                f"{known}, and the dew margin is {margin[-1][1]:.1f} K and closing by "
                f"{-slope:.1f} K an hour."
            )
            return [_event("forgotten", "forgotten:off", last, text)]
    if last.heater_state == "on" and margin:
        long_enough = margin[-1][0] - margin[0][0] >= NO_RISK_FOR
        heated = all(f.heater_state == "on" for f in frames if f.middle >= margin[0][0])
        if long_enough and heated and min(value for _, value in margin) > WIDE_MARGIN:
            text = (
                f"The heater is on, and the dew margin has been above {WIDE_MARGIN:.0f} K for "
                f"{(margin[-1][0] - margin[0][0]) / 60:.0f} min{_cost(frames)}."
            )
            return [_event("forgotten", "forgotten:on", last, text)]
    return []


def _show_no_heat(frames: Sequence[LiveFrame]) -> str:
    """That the stars show no sign of heat, where no log covers the last frames; "" if unknown.

    Neither spike nor widening in the median of the last frames of the group. A heater that has
    been on all night leaves only the spike, since the narrowest frames are then heated too.
    """
    mine = [f for f in frames if f.group == frames[-1].group and not f.reason and f.fwhm > 0]
    last = mine[-HEAT_FRAMES:]
    if len(mine) < HEAT_LEAST or any(f.heater_state != "unknown" for f in last):
        return ""
    most = float(np.median([f.spike_raw + NO_SPIKE_ERR * f.spike_raw_err for f in last]))
    excess = float(np.median([f.spike_raw - NO_SPIKE_ERR * f.spike_raw_err for f in last]))
    narrow = float(np.percentile([f.fwhm for f in mine], 10))
    width = float(np.median([f.fwhm for f in last])) / narrow
    begun = mine[-1].fwhm > NEWLY_WIDE * narrow  # switched on just now
    if begun or not (most < NO_SPIKE and excess < 0 and width < NO_WIDENING):  # or one is NaN
        return ""
    return (
        f"No log covers the last frames, but the stars show no sign of heat (spike below "
        f"{100 * most:.1f} % of their light, FWHM {100 * (width - 1):+.0f} % against the "
        "narrowest frames)"
    )


def _recent_margins(frames: Sequence[LiveFrame]) -> list[tuple[float, float]]:
    """Middle and dew margin of the frames of the last `NO_RISK_FOR` seconds and a bit."""
    last = frames[-1].middle
    return [
        (f.middle, f.dew_margin)
        for f in frames
        if f.middle > last - 1.1 * NO_RISK_FOR and math.isfinite(f.dew_margin)
    ]


def _cost(frames: Sequence[LiveFrame]) -> str:
    """What heating costs in FWHM, by the last heated frames."""
    ratios = [f.fwhm_ratio for f in frames[-20:] if f.heater_state == "on" and f.fwhm_ratio > 0]
    return f"; stars are {100 * (float(np.median(ratios)) - 1):+.0f} % wider" if ratios else ""


def _of_goals(last: LiveFrame, minutes: Sequence[FilterMinutes]) -> list[LiveEvent]:
    return [
        _event(
            "goal",
            f"goal:{one.filter}",
            last,
            f"{one.filter or 'All'}: {one.off:.0f} heater-off minutes, the goal of "
            f"{one.goal:.0f} is reached.",
            once=True,
        )
        for one in minutes
        if one.missing == 0
    ]


def _bad_frame(last: LiveFrame) -> list[LiveEvent]:
    name = last.file.rpartition("/")[2]
    why = ""
    if last.reason:
        why = last.reason
    elif last.transparency < BAD_LIGHT:
        why = f"{100 * (1 - last.transparency):.0f} % of the light is missing"
    elif last.heater_state == "off" and last.fwhm_ratio > BAD_WIDTH:
        why = f"FWHM {last.fwhm:.2f} px, {last.fwhm_ratio:.1f} times the heater-off median"
    if not why:
        return []
    # By what it holds where that is known: a frame that is renamed is the same frame.
    known = math.isfinite(last.start + last.sky + last.noise)
    which = f"{last.start:.3f}:{last.sky:.6g}:{last.noise:.6g}" if known else last.file
    return [_event("frame-bad", f"frame-bad:{which}", last, f"{name}: {why}.")]


def _event(kind: str, subject: str, last: LiveFrame, text: str, *, once: bool = False) -> LiveEvent:
    subject = subject.replace(" ", "_")
    key = subject if once else f"{subject} {last.start:.0f}"
    return LiveEvent(kind=kind, text=text, time=last.start + last.exposure, key=key)


def find_hints(
    frames: Sequence[LiveFrame], sky: SkyVerdict, minutes: Sequence[FilterMinutes]
) -> tuple[str, ...]:
    """What the user could do now, a sentence each, with the usual caution where heat comes in."""
    if not frames:
        return ()
    last, hints = frames[-1], []
    heat = False
    if sky.dew > CALLED and last.heater_state == "off":
        hints.append("Dew is forming with the heater off: consider the heater, or end the night.")
        heat = True
    short = [one for one in minutes if one.missing > 0]
    if last.heater_state == "on" and short and last.dew_margin > WIDE_MARGIN:
        names = ", ".join(f"{one.filter} {one.missing:.0f} min" for one in short)
        hints.append(
            f"Heater-off minutes are missing ({names}), and the dew margin is "
            f"{last.dew_margin:.1f} K: heater-off frames are possible now."
        )
        heat = True
    if sky.focus > CALLED:
        hints.append("Stars widen without dew or cloud: check focus.")
    return (*hints, CAUTION) if heat else tuple(hints)
