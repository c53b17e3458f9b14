"""Whether dew, cloud or focus drift is going on, from the frames so far."""

import math
from collections.abc import Sequence

import numpy as np

from framesort.live._sky_models import PAST, Evidence, compare_models
from framesort.live._sky_reasons import margin_trend, write_reasons
from framesort.live._sky_series import SkySeries, collect_series
from framesort.live._status import LiveFrame, SkyVerdict

__all__ = ["DEW_CALL", "call_dew", "judge_sky"]

DEW_CALL = 0.95
"""Dew is called when it is more probable than this in `CALL_FRAMES` frames running."""

CALL_FRAMES = 2

LEAST = 6
"""Frames that are needed to judge."""

PRIOR = {"dew": 0.05, "cloud": 0.08, "focus": 0.05, "cloud and focus": 0.01, "both": 0.001}
"""Probability of each at some time of a night, before anything is measured."""

SAFE_MARGIN = 2.0
"""Kelvin above the dew point at which the margin says nothing of dew."""

MARGIN_ODDS = (0.8, -4.0, 2.0)
"""Fall of the logarithm of dew's odds for each kelvin of margin; the least and the most of it."""

CLOSING_ODDS = 0.5
"""What a margin that closes by half a kelvin an hour or more adds, below `CLOSING_FROM` kelvin."""

CLOSING_FROM = 4.0

TENTH = -math.log(0.9)
"""Natural logarithm of the light of which a tenth is lost."""


def judge_sky(frames: Sequence[LiveFrame]) -> SkyVerdict:
    """Probability that dew, cloud or focus drift is going on.

    Dew: since the heater was last on, transparency falls steadily while halo, and perhaps FWHM,
    rise in proportion. Cloud: transparency falls or fluctuates without that, the sky level may
    change with it. Focus drift: FWHM rises alone. Each is a Gaussian model of the series, compared
    with a calm night by its evidence (see the page on the judgement during the night); the usual
    effect of airmass is removed where airmass is known. Frames of different groups, heater
    states or powers have levels of their own.

    Parameters
    ----------
    frames : sequence of LiveFrame
        All so far, in order of time; the transparencies of a group on one scale. Those with a
        `reason` are left out. All of the last 90 minutes count, and a few from five hours before,
        so that the work does not grow with the night.

    Returns
    -------
    SkyVerdict
        All 0 with fewer than 6 frames of known transparency. Dew is 0 while the heater is on.
    """
    last = collect_series(frames)
    if last is None or np.isfinite(last.values["clear"]).sum() < LEAST:
        return SkyVerdict()
    evidence = compare_models(last)
    dew, cloud, focus = _probabilities(evidence, _margin_odds(last))
    reasons = write_reasons(last, evidence.trend, dew=dew, cloud=cloud, focus=focus)
    if dew < 0.5:
        return SkyVerdict(dew=dew, cloud=cloud, focus=focus, reasons=reasons)
    lost, rate = evidence.trend
    left = max(TENTH - lost, 0.0)
    return SkyVerdict(
        dew=dew,
        cloud=cloud,
        focus=focus,
        reasons=reasons,
        loss=-math.expm1(-lost),
        minutes_to_loss=60 * left / rate if rate > 0 else math.nan,
    )


def call_dew(verdicts: Sequence[SkyVerdict]) -> bool:
    """Whether dew is to be called: more probable than `DEW_CALL` in the last two verdicts.

    Parameters
    ----------
    verdicts : sequence of SkyVerdict
        One a frame, in order of time.
    """
    last = verdicts[-CALL_FRAMES:]
    return len(last) == CALL_FRAMES and all(one.dew > DEW_CALL for one in last)


def _probabilities(evidence: Evidence, odds: float) -> tuple[float, float, float]:
    """Of dew, cloud and focus, from prior and evidence; dew's odds by the margin."""
    calm = float(np.logaddexp(0.0, evidence.past + PAST))
    logs = {
        "calm": calm,
        "dew": evidence.dew + odds,
        "cloud": evidence.cloud,
        "focus": calm + evidence.focus,
        "cloud and focus": evidence.cloud + evidence.focus,
        "both": evidence.both + odds,
    }
    prior = {**PRIOR, "calm": 1 - sum(PRIOR.values())}
    weights = np.array([logs[name] + math.log(prior[name]) for name in logs])
    weights = np.exp(weights - weights.max())
    share = dict(zip(logs, weights / weights.sum(), strict=True))
    return (
        float(share["dew"] + share["both"]),
        float(share["cloud"] + share["cloud and focus"] + share["both"]),
        float(share["focus"] + share["cloud and focus"]),
    )


def _margin_odds(last: SkySeries) -> float:
    """What the dew margin adds to the logarithm of dew's odds; 0 where it is not known."""
    margin, change = margin_trend(last)
    if math.isnan(margin):
        return 0.0
    slope, least, most = MARGIN_ODDS
    odds = min(max((SAFE_MARGIN - margin) * slope, least), most)
    return odds + (CLOSING_ODDS if change < -0.5 and margin < CLOSING_FROM else 0.0)
