import json

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from astropy.time import Time

from framesort.errors import InputError
from framesort.planning import describe_need, plan_night, predict_dew


def forecast(humidity):
    table = Table()
    table["time"] = Time("2024-10-14T20:00:00") + np.arange(len(humidity)) * u.hour
    table["temperature"], table["humidity"] = [10.0] * len(humidity), humidity
    return predict_dew(table)


NEEDS = [describe_need("L", 60.0, 8.0, 20.0, had=4), describe_need("Ha", 180.0, 10.0, 20.0, had=0)]
# 7 frames of 1 minute and 4 of 3 minutes


def test_enough_dry_time():
    plan = plan_night(needs=NEEDS, dew=forecast([60, 65, 70, 90, 95]))
    assert plan.minutes_off == 7 + 12
    text = " ".join(plan.sentences)
    # Margin 1 K at a dew point of 6 deg C, at 76.2 % (WMO constants): 60 * 6.2 / 20 minutes
    # after 22:00.
    assert (
        "until 22:19 UTC (margin 1 K), then heat: 22 min are needed, 139 min are available" in text
    )
    assert plan.power == 25.0
    assert "is not measured yet" in text


def test_too_little_dry_time():
    plan = plan_night(needs=NEEDS, dew=forecast([75, 95]))
    assert "22 min are needed" in plan.sentences[1]


def test_wet_from_the_start():
    plan = plan_night(needs=NEEDS, dew=forecast([95, 95]))
    assert "warm, dry corrector plate" in plan.sentences[1]


def test_dry_night_needs_no_heat():
    plan = plan_night(needs=NEEDS, dew=forecast([40, 45]))
    assert plan.power == 0.0
    assert "heater off all night" in plan.sentences[1]
    assert plan.sentences[-1].startswith("If heating is needed, begin with")


@pytest.mark.parametrize(
    ("air", "wet", "words"),
    [
        (10.0, 90.0, "Dew is expected now"),
        (-5.0, 90.0, "Frost is expected now"),
        (10.0, 74.0, "take the heater-off frames first"),
        (10.0, 40.0, "no heating needed now"),
    ],
)
def test_weather_now(air, wet, words):
    assert words in plan_night(temperature=air, humidity=wet).sentences[0]


def test_no_weather_at_all():
    plan = plan_night()
    assert "Dew is not predicted" in plan.sentences[0]
    assert np.isnan(plan.minutes_off)


def test_power_from_the_response():
    response = Table(
        {
            "filter": ["L", "L", "L", "Ha", "Ha"],
            "power": [25.0, 50.0, 100.0, 25.0, 50.0],
            "fwhm_growth": [1.02, 1.04, 1.33, 1.03, 1.12],
        }
    )
    plan = plan_night(temperature=10.0, humidity=90.0, response=response)
    assert plan.power == 25.0  # at 50 % the other filter is 12 % wider
    assert plan.sentences[-1].startswith("Use at most 25 % power (FWHM up 3 %, limit 5 %)")
    rows = [{"power": 50.0, "fwhm_growth": 1.2}, {"power": None, "fwhm_growth": 1.0}]
    plan = plan_night(temperature=10.0, humidity=90.0, response=rows)
    assert plan.power == 50.0
    assert "less than 50 %" in plan.sentences[-1]


def test_cautions_are_always_there():
    text = " ".join(plan_night().cautions)
    assert "manufacturer's instructions" in text
    assert "local regulations" in text
    assert "Mains" in text


def test_highest_acceptable_power_goes_before_the_response():
    response = [{"power": 30.0, "fwhm_growth": 0.98}, {"power": 60.0, "fwhm_growth": 1.32}]
    highest_acceptable = [{"filter": "L", "power": 39.7}, {"filter": "Ha", "power": 44.0}]
    plan = plan_night(
        temperature=10.0, humidity=90.0, response=response, highest_acceptable=highest_acceptable
    )
    assert plan.power == 40.0
    assert plan.sentences[-1].startswith("Use at most about 40 % power")
    # One filter without a power: back to the measured powers.
    plan = plan_night(response=response, highest_acceptable=[*highest_acceptable, {"power": None}])
    assert plan.power == 30.0


def test_half_a_weather_is_none():
    with pytest.raises(InputError, match="needed together"):
        plan_night(temperature=10.0)


def test_plan_for_machines():
    told = plan_night(needs=NEEDS, dew=forecast([60, 95])).as_dict()
    assert json.loads(json.dumps(told)) == told
    assert [need["frames"] for need in told["needs"]] == [7, 4]
    assert told["dew"]["onset"].startswith("2024-10-14T20:") and told["dew"]["kind"] == "dew"
    assert told["dew"]["margin"][0]["margin"] == pytest.approx(4.416, abs=0.001)
    assert told["now"] is None
    now = plan_night(temperature=10.0, humidity=90.0).as_dict()["now"]
    assert now["point"] == pytest.approx(8.434, abs=0.001) and now["kind"] == "dew"


def test_local_clock_reaches_the_plan():
    table = Table(meta={"zone": "Europe/Lisbon"})
    table["time"] = Time("2024-10-14T20:00:00") + np.arange(2) * u.hour
    table["temperature"], table["humidity"] = [10.0, 10.0], [60.0, 95.0]
    # One hour ahead of UTC in October.
    assert "until 21:2" in plan_night(needs=NEEDS[:1], dew=predict_dew(table)).sentences[1]
