"""Minutes collected with the heater off and on, against a goal."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from framesort.live._status import FilterMinutes, LiveFrame

__all__ = ["collect_minutes", "equal_depth_minutes"]

RATE_OVER = 45.0
"""Minutes back over which the present rate is taken."""


def collect_minutes(
    frames: Sequence[LiveFrame], goals: Mapping[str, float] | None = None
) -> tuple[FilterMinutes, ...]:
    """Exposure of usable frames in each filter, and when the goal is reached.

    Parameters
    ----------
    frames : sequence of LiveFrame
        Those with a reason and those of unknown heater state do not count.
    goals : mapping of str to float or None
        Heater-off minutes wanted by filter; "" holds for filters that are not named.

    Returns
    -------
    tuple of FilterMinutes
        In order of the filters' names. `ready` supposes that heater-off frames go on as in the
        last 45 minutes; NaN where there were none.
    """
    goals = goals or {}
    usable = [f for f in frames if not f.reason and f.exposure > 0]
    ends = [f.start + f.exposure for f in usable if math.isfinite(f.start)]
    now = max(ends, default=math.nan)
    found = []
    for name in sorted({f.filter for f in usable}):
        mine = [f for f in usable if f.filter == name]
        off = [f for f in mine if f.heater_state == "off"]
        on = sum(f.exposure for f in mine if f.heater_state in ("on", "part"))
        minutes = FilterMinutes(
            filter=name,
            off=sum(f.exposure for f in off) / 60,
            on=on / 60,
            goal=goals.get(name, goals.get("", math.nan)),
        )
        found.append(_with_ready(minutes, off, now))
    return tuple(found)


def _with_ready(minutes: FilterMinutes, off: Sequence[LiveFrame], now: float) -> FilterMinutes:
    """The same with the time at which the goal is reached at the present rate."""
    if not minutes.missing > 0:  # reached, or no goal
        ready = now if minutes.missing == 0 else math.nan
        return replace(minutes, ready=ready)
    begin = now - 60 * RATE_OVER
    recent = [f for f in off if f.start + f.exposure > begin]
    if not recent:
        return minutes
    # Less than the whole span where the heater-off frames began later.
    since = max(begin, min(f.start for f in recent))
    share = sum(f.exposure for f in recent) / max(now - since, 1.0)
    ready = now + 60 * minutes.missing / min(share, 1.0)
    return replace(minutes, ready=ready)


def equal_depth_minutes(frames: Sequence[LiveFrame]) -> dict[str, float]:
    """Heater-off minutes for stars of S/N 10 as faint as in the stack of all frames, by filter.

    The flux of such a star goes as FWHM times background noise over the square root of the
    exposure (background-limited photometry). With medians of heater-off frames and of all, the
    heater-off stack needs ``t_all * (fwhm_off noise_off / (fwhm_all noise_all))^2``. A filter
    without a heater-off frame is left out.
    """
    wanted = {}
    for name in {f.filter for f in frames}:
        mine = [f for f in frames if f.filter == name and not f.reason and f.fwhm > 0]
        off = [f for f in mine if f.heater_state == "off"]
        if not off:
            continue
        depth = [
            float(np.median([f.fwhm for f in some]))
            * float(np.nanmedian([f.noise / math.sqrt(f.exposure) for f in some]))
            for some in (off, mine)
        ]
        total = sum(f.exposure for f in mine) / 60
        if depth[1] > 0 and math.isfinite(depth[0] / depth[1]):
            wanted[name] = total * (depth[0] / depth[1]) ** 2
    return wanted
