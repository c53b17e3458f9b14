"""Dew point against published constants and independent formulations."""

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from astropy.time import Time

from framesort.errors import InputError
from framesort.planning import (
    deposit_point,
    dew_margin,
    dew_point,
    frost_point,
    predict_dew,
    read_forecast,
    read_moment,
    saturation_pressure,
)

# Temperature, humidity; dew point with the constants of WMO-No. 8 annex 4.B (in closed form,
# computed independently of this library); by Hyland & Wexler's equation over water (ASHRAE
# Handbook Fundamentals 2017, ch. 1, solved numerically); by MetPy 1.7.1; by PsychroLib 2.5.0
# (ASHRAE; below the triple point its humidity is over ice and its dew point is the frost point).
TABLE = [
    (-10, 80, -12.797, -12.792, -12.812, -12.490),
    (-5, 90, -6.386, -6.383, -6.399, -6.227),
    (0, 85, -2.222, -2.217, -2.229, -1.959),
    (0, 50, -9.202, -9.182, -9.201, -8.164),
    (5, 80, 1.834, 1.841, 1.831, 1.841),
    (10, 60, 2.584, 2.600, 2.588, 2.600),
    (10, 90, 8.434, 8.437, 8.430, 8.437),
    (15, 70, 9.569, 9.579, 9.569, 9.579),
    (20, 50, 9.255, 9.272, 9.256, 9.272),
    (20, 95, 19.174, 19.175, 19.160, 19.175),
    (25, 50, 13.852, 13.864, 13.843, 13.864),
    (30, 40, 14.925, 14.936, 14.907, 14.936),
    (30, 80, 26.169, 26.169, 26.131, 26.169),
]


@pytest.mark.parametrize(("air", "wet", "wmo", "water", "metpy", "psychrolib"), TABLE)
def test_dew_point(air, wet, wmo, water, metpy, psychrolib):
    # The table has three decimals.
    assert dew_point(air, wet) == pytest.approx(wmo, abs=0.001)
    # Other formulas for the same physics: within 0.05 K, a tenth of what a sensor's error makes.
    assert dew_point(air, wet) == pytest.approx(water, abs=0.05)
    assert dew_point(air, wet) == pytest.approx(metpy, abs=0.05)
    point, kind = deposit_point(air, wet)
    assert kind == ("dew" if water >= 0 else "frost")
    if air < 0:
        # The same vapour, told as humidity over water as instruments do (WMO-No. 8, ch. 4).
        wet *= saturation_pressure(air, ice=True) / saturation_pressure(air)
        point, kind = deposit_point(air, wet)
        assert kind == "frost"
    assert point == pytest.approx(psychrolib, abs=0.05)


def test_largest_error_over_the_usable_range():
    # CHECK of constants against Hyland & Wexler over water, -10..35 deg C, 30..100 %: at most
    # 0.036 K for WMO's; solved here by bisection of their saturation pressure.
    def ln_pressure(celsius):
        t = celsius + 273.15
        return (
            -5.8002206e3 / t
            + 1.3914993
            - 4.8640239e-2 * t
            + 4.1764768e-5 * t**2
            - 1.4452093e-8 * t**3
            + 6.5459673 * np.log(t)
        )

    air, wet = np.meshgrid(np.arange(-10, 35.1, 2.5), np.arange(30, 100.1, 5))
    wanted = ln_pressure(air) + np.log(wet / 100)
    low, high = np.full(air.shape, -40.0), air.copy()
    for _ in range(60):
        middle = (low + high) / 2
        under = ln_pressure(middle) < wanted
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    assert np.abs(dew_point(air, wet) - low).max() < 0.037


def test_saturation_pressure():
    # ASHRAE Handbook Fundamentals 2017, ch. 1 (Hyland & Wexler), hPa.
    for air, pressure in [(0, 6.1121), (10, 12.2800), (20, 23.3880), (30, 42.4603)]:
        # WMO's short formula is up to 0.3 % low, which is 0.05 K of dew point.
        assert saturation_pressure(air) == pytest.approx(pressure, rel=3.5e-3)
    assert saturation_pressure(-10, ice=True) == pytest.approx(2.5990, rel=3e-4)


def test_identities():
    air = np.linspace(-20, 35, 12)
    assert np.allclose(dew_point(air, 100.0), air, atol=1e-9)
    humid = np.linspace(5, 100, 20)
    assert np.all(np.diff(dew_point(10.0, humid)) > 0)
    assert np.all(dew_point(10.0, humid) <= 10.0 + 1e-9)
    # Below 0 deg C frost comes before dew.
    assert np.all(frost_point(-5.0, humid) > dew_point(-5.0, humid))
    # A sensor's error of 1 % moves the dew point of 10 deg C and 90 % by 0.16 K (derivative).
    assert dew_point(10.0, 90.5) - dew_point(10.0, 89.5) == pytest.approx(0.16, abs=0.01)
    # Lawrence 2005, BAMS 86, 225: T - (100 - RH) / 5 for humid air, good to about 1 K.
    assert dew_point(20.0, 80.0) == pytest.approx(20 - 20 / 5, abs=1.0)


def test_arrays_and_nan():
    point, kind = deposit_point([[10.0, -5.0]], [[90.0, 90.0]])
    assert point.shape == kind.shape == (1, 2)
    assert list(kind[0]) == ["dew", "frost"]
    assert np.isnan(dew_point(np.nan, 50.0))
    assert np.isnan(dew_margin([np.nan, 1.0], [50.0, np.nan])).all()


@pytest.mark.parametrize("humidity", [0.0, -3.0, 100.5])
def test_humidity_out_of_range(humidity):
    with pytest.raises(InputError, match=f"humidity must be above 0 .*, got {humidity:g}"):
        dew_point(10.0, humidity)


def test_margin():
    assert dew_margin(10.0, 60.0) == pytest.approx(10 - 3 - 2.584, abs=0.001)
    assert dew_margin(10.0, 60.0, plate_below=5.0) == pytest.approx(10 - 5 - 2.584, abs=0.001)
    assert dew_margin(0.0, 85.0, plate_below=1.0) == pytest.approx(-1 + 1.959, abs=0.05)


def table_of(minutes, air, wet):
    table = Table()
    table["time"] = Time("2024-10-14T20:00:00") + np.array(minutes) * u.min
    table["temperature"], table["humidity"] = air, wet
    return table


def humid_minutes(point, first, last, span=60.0, air=10.0):
    """When a humidity that rises evenly from first to last brings the dew point to `point`.

    Closed form with the constants of WMO-No. 8, annex 4.B: RH = es(point) / es(air).
    """
    needed = 100 * np.exp(17.62 * point / (243.12 + point) - 17.62 * air / (243.12 + air))
    return span * (needed - first) / (last - first)


def test_onset_between_rows():
    made = predict_dew(table_of([0, 60], [10.0, 10.0], [60.0, 90.0]))
    start = Time("2024-10-14T20:00:00")
    # The plate is 3 K below the air: wet at a dew point of 7 deg C, at risk at 6. Linear between
    # steps of ten minutes, in which the margin bends by less than 0.02 K or 0.2 minutes.
    onset, risk = humid_minutes(7.0, 60, 90), humid_minutes(6.0, 60, 90)
    assert (made.onset - start).to_value("min") == pytest.approx(onset, abs=0.2)
    assert (made.risk - start).to_value("min") == pytest.approx(risk, abs=0.2)
    assert made.kind == "dew"
    assert made.sentence == "Dew is expected on the corrector plate from 20:43 UTC."


def test_rows_in_any_order_with_gaps():
    table = table_of([60, 0, 30], [10.0, 10.0, np.nan], [90.0, 60.0, 70.0])
    made = predict_dew(table)
    assert len(made.table) == 7  # every ten minutes; the row with a gap is not one of them
    assert np.all(np.diff(made.table["humidity"]) > 0)
    assert made.sentence == "Dew is expected on the corrector plate from 20:43 UTC."


def test_dry_risky_and_wet_from_the_start():
    assert predict_dew(table_of([0, 60], [10.0, 8.0], [40.0, 45.0])).onset is None
    assert "No dew" in predict_dew(table_of([0], [10.0], [40.0])).sentence
    risky = predict_dew(table_of([0, 60], [10.0, 10.0], [60.0, 78.0]))
    assert risky.onset is None
    assert risky.risk is not None
    assert risky.sentence.startswith("Dew is possible from 20:")
    frost = predict_dew(table_of([0, 60], [-4.0, -5.0], [90.0, 95.0]))
    assert frost.kind == "frost"
    assert frost.sentence == "Frost is expected on the corrector plate from the start."


def test_forecast_without_what_it_needs():
    with pytest.raises(InputError, match="must have a column humidity"):
        predict_dew(Table({"time": [1], "temperature": [1.0]}))
    with pytest.raises(InputError, match="must have a row"):
        predict_dew(table_of([0], [np.nan], [50.0]))


def test_reading_a_forecast(tmp_path):
    path = tmp_path / "forecast.csv"
    path.write_text(
        "Time,Temperature (C),Humidity (%)\n"
        "2024-10-14T22:00:00+02:00,10.0,60\n"
        "\n"
        "2024-10-14T21:00:00,10.0,90\n"
    )
    table = read_forecast(path)
    assert list(table["time"].isot) == ["2024-10-14T20:00:00.000", "2024-10-14T21:00:00.000"]
    assert predict_dew(table).sentence == "Dew is expected on the corrector plate from 20:43 UTC."


@pytest.mark.parametrize(
    ("zone", "words"), [("Europe/Berlin", "22:43 Europe/Berlin"), ("-07:00", "13:43 -07:00")]
)
def test_local_clock(tmp_path, zone, words):
    # The zone holds for times without an offset and for what is said; +02:00 goes before it.
    path = tmp_path / "forecast.csv"
    local = "2024-10-14T23:00" if zone == "Europe/Berlin" else "2024-10-14T14:00"
    path.write_text(f"time,temp,hum\n2024-10-14T22:00:00+02:00,10.0,60\n{local},10.0,90\n")
    made = predict_dew(read_forecast(path, zone=zone))
    assert made.sentence == f"Dew is expected on the corrector plate from {words}."


def test_only_the_time_requested_counts():
    # Wet in the afternoon, dry from 20:00 to 21:00, wet again at 23:00.
    table = table_of([-240, 0, 60, 180], [10.0] * 4, [95.0, 60.0, 60.0, 95.0])
    begin, end = Time("2024-10-14T20:00"), Time("2024-10-14T20:50")
    assert predict_dew(table).sentence.endswith("from the start.")
    assert predict_dew(table, begin=begin).onset > Time("2024-10-14T21:30")
    made = predict_dew(table, begin=begin, end=end)
    assert made.onset is None and made.table["time"][-1].isot.startswith("2024-10-14T20:50")
    with pytest.raises(InputError, match="covers 2024-10-14 16:00 to 2024-10-14 23:00 UTC"):
        predict_dew(table, begin=Time("2024-10-16"))


def test_moments_and_zones_that_are_none():
    assert read_moment("2024-10-14T22:30", zone="Europe/Berlin").isot[:16] == "2024-10-14T20:30"
    assert read_moment("2024-10-14T20:30-02:00", zone="Asia/Tokyo").isot[:16] == "2024-10-14T22:30"
    with pytest.raises(InputError, match="write 2024-10-14T20:30"):
        read_moment("half past eight")
    for zone in ("Mars/Olympus", "-7 hours", "+99:00"):
        with pytest.raises(InputError, match="is not known"):
            read_moment("2024-10-14T20:30", zone=zone)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("time,temperature\n", "must name time, temperature and humidity"),
        ("", "got nothing"),
        ("time,temperature,humidity\n", "no row"),
        ("time,temperature,humidity\nnoon,1,50\n", "line 2: 'noon,1,50'"),
        ("time,temperature,humidity\n2024-10-14T20:00:00,1\n", "line 2"),
    ],
)
def test_forecasts_that_cannot_be_read(tmp_path, text, message):
    path = tmp_path / "forecast.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_forecast(path)


def test_missing_forecast(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_forecast(tmp_path / "none.csv")
