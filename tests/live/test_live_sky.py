"""Judging the sky: series of known cause in, probabilities and calls out. No pixels."""

import math
from dataclasses import replace

import numpy as np
import pytest

from framesort.live import DEW_CALL, LiveFrame, SkyVerdict, call_dew, judge_sky

CADENCE = 2.0
"""Minutes from frame to frame."""


def make_frames(
    *,
    count=50,
    seed=1,
    clear=0.0,
    halo=0.0,
    width=0.0,
    sky=0.0,
    minutes=None,
    noise=1.0,
    **fields,
):
    """Frames of a series: natural logarithms of each quantity added to a calm night's.

    Noise is that of a field of 300 stars: 1 % of transparency, 0.6 % of halo, 2 % of FWHM.
    """
    rng = np.random.default_rng([seed, 4])
    minutes = CADENCE * np.arange(count) if minutes is None else np.asarray(minutes)
    count = len(minutes)
    flux = np.exp(clear + noise * rng.normal(0, 0.008, count))
    ratio = 0.62 * np.exp(halo + noise * rng.normal(0, 0.006, count))
    fwhm = 2.8 * np.exp(width + noise * rng.normal(0, 0.02, count))
    level = 1200 * np.exp(sky + noise * rng.normal(0, 0.001, count))
    spread = {name: np.broadcast_to(value, count) for name, value in fields.items()}
    return [
        LiveFrame(
            file=f"{k:03d}.fits",
            start=1.7e9 + 60 * float(minutes[k]),
            exposure=90.0,
            filter="L",
            transparency=float(flux[k]),
            halo=float(ratio[k]),
            fwhm=float(fwhm[k]),
            sky=float(level[k]),
            **{"group": "L", "heater_state": "off", "airmass": 1.2}
            | {name: value[k].item() for name, value in spread.items()},
        )
        for k in range(count)
    ]


def ramp(minutes, start, each_hour):
    """0 up to a minute, then growing by so much an hour."""
    return each_hour * np.maximum(np.asarray(minutes) - start, 0) / 60


MINUTES = CADENCE * np.arange(50)
DEW = ramp(MINUTES, 55, 0.35)


def dew_frames(**changes):
    """Dew from minute 55 to 98, 35 % of the light an hour; halo grows by a fifth of that."""
    return make_frames(**{"clear": -DEW, "halo": 0.2 * DEW, "width": 0.1 * DEW} | changes)


def first_call(frames, *, first=6):
    """Number of the frame at which dew is called, NaN if never."""
    verdicts = []
    for k in range(first, len(frames) + 1):
        verdicts.append(judge_sky(frames[:k]))
        if call_dew(verdicts):
            return k - 1
    return math.nan


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_dew_is_called_before_a_tenth_is_lost(seed):
    call = first_call(dew_frames(seed=seed), first=24)
    assert MINUTES[call] > 55
    assert DEW[call] < -math.log(0.9) + 0.02  # one frame late at most


def test_dew_in_numbers():
    frames = dew_frames(seed=5)[:42]  # 27 minutes of dew, ln(flux) = -0.16
    verdict = judge_sky(frames)
    assert verdict.dew > 0.95 and verdict.cloud < 0.05
    assert verdict.loss == pytest.approx(-math.expm1(-DEW[41]), abs=0.03)
    assert verdict.minutes_to_loss == 0.0
    assert any(text.startswith("transparency down") for text in verdict.reasons)
    assert any(text.startswith("halo up") for text in verdict.reasons)


def test_minutes_to_loss_from_the_trend():
    slow = ramp(MINUTES, 30, 0.07)  # a tenth is lost at minute 30 + 90
    frames = make_frames(clear=-slow, halo=0.5 * slow, seed=3, noise=0.3)
    verdict = judge_sky(frames)
    assert verdict.dew > 0.9
    assert verdict.minutes_to_loss == pytest.approx(120.3 - 98, abs=8)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    "fields",
    [
        pytest.param({}, id="calm"),
        pytest.param({"clear": -DEW, "sky": 0.4 * DEW}, id="cloud that brightens the sky"),
        pytest.param(
            {
                "clear": -0.4 * np.abs(np.sin(MINUTES / 11)),
                "sky": 0.1 * np.abs(np.sin(MINUTES / 11)),
            },
            id="cloud that comes and goes",
        ),
        pytest.param({"width": ramp(MINUTES, 20, 0.2)}, id="focus drift"),
        pytest.param({"halo": ramp(MINUTES, 20, 0.06)}, id="halo alone"),
        pytest.param(
            {
                "airmass": 1.1 + ramp(MINUTES, 0, 0.6),
                "clear": -0.22 * ramp(MINUTES, 0, 0.6),
                "width": 0.6 * np.log(1.1 + ramp(MINUTES, 0, 0.6)),
            },
            id="airmass",
        ),
    ],
)
def test_others_are_not_called_dew(fields, seed):
    assert math.isnan(first_call(make_frames(seed=seed, **fields)))


def test_cloud_is_told_and_ends():
    depth = 0.5 * np.clip((MINUTES - 40) / 10, 0, 1) * (MINUTES < 66)
    frames = make_frames(clear=-depth * (1 + 0.3 * np.sin(MINUTES)), sky=0.3 * depth)
    during, later = judge_sky(frames[:32]), judge_sky(frames)
    assert during.cloud > 0.9 and during.dew < 0.1
    assert any("sky level up" in text for text in during.reasons)
    assert later.cloud < 0.5  # clear again for half an hour


def test_dew_after_a_cloud_has_passed():
    cloud = 0.5 * ((MINUTES > 20) & (MINUTES < 36))
    frames = dew_frames(clear=-DEW - cloud, sky=0.3 * cloud)
    assert judge_sky(frames[:20]).cloud > 0.9
    assert judge_sky(frames).dew > 0.9


def test_focus_drift_is_told():
    verdict = judge_sky(make_frames(width=ramp(MINUTES, 30, 0.4)))
    assert verdict.focus > 0.8 and verdict.dew < 0.1
    assert any(text.startswith("FWHM up") for text in verdict.reasons)
    assert judge_sky(make_frames()).focus < 0.3


def heat(frames, rows, power=80.0, state="on"):
    """These frames heated: 30 % wider, halo 3 % larger."""
    return [
        replace(
            one,
            heater_state=state,
            heater_power=power,
            fwhm=1.3 * one.fwhm,
            halo=1.03 * one.halo,
        )
        if k in rows
        else one
        for k, one in enumerate(frames)
    ]


def test_heater_on_is_no_dew():
    frames = make_frames(clear=-0.3 * DEW)  # some light is lost while the heater comes on
    assert math.isnan(first_call(heat(frames, range(27, 50))))
    assert judge_sky(heat(dew_frames(), range(27, 50))).dew == 0.0


def test_dew_is_found_after_the_heater_went_off():
    assert judge_sky(heat(dew_frames(), range(8, 25))).dew > 0.9
    calm = heat(make_frames(), range(8, 25))
    assert math.isnan(first_call(calm))


def test_dew_before_the_heater_came_on_is_gone():
    early = ramp(MINUTES, 0, 0.4) * (MINUTES < 40)
    frames = heat(make_frames(clear=-early, halo=0.2 * early), range(20, 35))
    assert judge_sky(frames[:20]).dew > 0.5
    assert judge_sky(frames).dew < 0.1


def test_groups_have_levels_of_their_own():
    # Groups whose stars differ, the later one fainter and with larger halos: no trend in either.
    second = np.arange(50) >= 25
    groups = np.where(second, "Ha", "L")
    calm = make_frames(group=groups, clear=-0.2 * second, halo=0.05 * second, width=0.1 * second)
    assert math.isnan(first_call(calm))
    dewy = dew_frames(group=groups, halo=0.2 * DEW + 0.05 * second, clear=-DEW - 0.2 * second)
    assert judge_sky(dewy).dew > 0.9


def test_irregular_cadence():
    rng = np.random.default_rng(3)
    minutes = np.cumsum(rng.choice([1.7, 2.0, 9.0], 40, p=[0.5, 0.4, 0.1]))
    loss = ramp(minutes, minutes[18], 0.35)
    assert judge_sky(make_frames(minutes=minutes, clear=-loss, halo=0.2 * loss)).dew > 0.9
    assert math.isnan(first_call(make_frames(minutes=minutes)))


def test_short_series_say_nothing():
    assert judge_sky([]) == SkyVerdict()
    assert judge_sky(dew_frames()[45:]) == SkyVerdict()
    assert judge_sky(dew_frames()[38:]).dew >= 0.0


@pytest.mark.parametrize("name", ["halo", "fwhm", "sky", "airmass"])
def test_a_quantity_that_is_not_known(name):
    dewy = [replace(one, **{name: math.nan}) for one in dew_frames()]
    calm = [replace(one, **{name: math.nan}) for one in make_frames()]
    assert judge_sky(dewy).dew > 0.3  # the light still falls steadily
    assert judge_sky(calm).dew < 0.05


def test_without_transparency_nothing_is_said():
    frames = [replace(one, transparency=math.nan) for one in dew_frames()]
    assert judge_sky(frames) == SkyVerdict()


def test_frames_that_cannot_be_used_change_nothing():
    frames = dew_frames()
    bad = replace(frames[30], reason="few stars", transparency=0.01, halo=5.0)
    lost = replace(frames[31], start=math.nan)
    assert judge_sky([*frames, bad, lost]) == judge_sky(frames)


def test_trailed_frames_do_not_matter():
    frames = dew_frames()
    trailed = [
        replace(one, fwhm=1.8 * one.fwhm, halo=0.9 * one.halo) if k in (12, 33, 47) else one
        for k, one in enumerate(frames)
    ]
    assert judge_sky(trailed).dew > 0.9


def test_margin_is_a_prior():
    frames = dew_frames(seed=7)[:35]
    wide, unknown, none = (
        judge_sky([replace(one, dew_margin=margin) for one in frames])
        for margin in (8.0, math.nan, -0.5)
    )
    assert wide.dew < unknown.dew < none.dew
    closing = [replace(one, dew_margin=3.0 - 0.06 * k) for k, one in enumerate(dew_frames())]
    assert "dew margin 0.1 K and closing" in judge_sky(closing).reasons


def test_call_needs_two_frames():
    sure, unsure = SkyVerdict(dew=DEW_CALL + 0.05), SkyVerdict(dew=DEW_CALL - 0.05)
    assert call_dew([unsure, sure, sure])
    assert not call_dew([sure, unsure, sure])
    assert not call_dew([sure])


def test_work_does_not_grow_with_the_night():
    # What lies before five hours, and beyond some hundred frames, leaves no trace.
    long = make_frames(minutes=0.5 * np.arange(1500))
    assert judge_sky(long) == judge_sky(long[-1100:])
