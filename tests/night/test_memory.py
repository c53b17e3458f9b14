"""Frames, logs and stacks in memory: `CCDData`, quantities, tables; else one clear line."""

import numpy as np
import pytest
from astropy import units as u
from astropy.io import fits
from astropy.nddata import CCDData
from astropy.table import QTable, Table
from astropy.time import Time

from framesort.errors import InputError
from framesort.frames import read_frames
from framesort.heater import read_heater_log
from framesort.night import process_night, sort_frames
from framesort.night._memory import as_heater, list_frames, store_frames
from framesort.night._states import read_traces
from framesort.quality import measure_frames
from framesort.registration import register_frames
from framesort.replacement import replace_stars
from framesort.settings import Settings
from framesort.simulation import simulate_stacks
from framesort.stacking import FrameValues, stack_frames

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 5
[camera]
width = 260
height = 200
[stars]
count = 110
faintest = 12.0
brightest = 1e5
[seeing]
fwhm = 2.8
[mount]
dither = 3.0
[heater]
events = [[3.5, 100]]
[[filter]]
name = "L"
sky = 6.0
[[run]]
filter = "L"
exposure = 60.0
count = 5
"""


@pytest.fixture(scope="module")
def drawn(draw_night):
    return draw_night(SCENARIO)


@pytest.fixture(scope="module")
def held(drawn):
    """The frames as CCDData; in the first a block of pixels is masked that holds nonsense."""
    frames = [CCDData.read(path, unit="adu") for path in sorted(drawn.frames.glob("*.fits"))]
    first = frames[0]
    first.mask = np.zeros(first.shape, dtype=bool)
    first.mask[40:70, 50:90] = True
    first.data = first.data.astype(float)
    first.data[40:70, 50:90] = 6e4
    return frames


def test_a_night_of_ccddata_is_that_of_its_files(drawn, held):
    files = sort_frames([drawn.frames], heater=drawn.log)
    night = sort_frames(held, heater=Table.read(drawn.log, format="ascii.csv", comment="#"))
    assert len(night.table) == len(held)
    np.testing.assert_array_equal(night.table["heater_power"], files.table["heater_power"])
    np.testing.assert_array_equal(night.table["heater_state"], files.table["heater_state"])
    # The other frames have the same pixels; in the first some stars are masked.
    np.testing.assert_allclose(night.table["fwhm"][1:], files.table["fwhm"][1:])
    assert night.table["fwhm"][0] == pytest.approx(files.table["fwhm"][0], rel=0.03)
    assert night.table["stars"][0] < files.table["stars"][0]
    stars = night.qualities[0].star_list
    inside = (stars["x"] > 50) & (stars["x"] < 89) & (stars["y"] > 40) & (stars["y"] < 69)
    assert not inside.any(), "stars were found behind the mask"
    assert sort_frames(held[1], heater=0.0).table["start"][0] is not None


def test_a_whole_night_from_memory(held, tmp_path):
    result = process_night(held, out=tmp_path / "out", heater=0 * u.percent)
    assert {str(path) for path in result.table["file"]} == {
        str(tmp_path / "out" / "frames" / f"frame-{k:04d}.fits") for k in range(1, 6)
    }
    header = fits.getheader(tmp_path / "out" / "L" / "deep.fits")
    assert (header["BUNIT"], header["NCOMBINE"], header["EXPTIME"]) == ("adu", 5, 300.0)
    assert result.summary.heater.log == "0.0"


def test_units_and_masks_go_into_the_files(tmp_path):
    frame = CCDData(np.full((20, 30), 7.0), unit="electron", meta={"EXPTIME": 30.0})
    frame.mask = np.zeros((20, 30), dtype=bool)
    frame.mask[3, 4] = True
    others, (path,) = store_frames(["a.fits", frame], tmp_path)
    assert others == ["a.fits"]
    data, header = fits.getdata(path), fits.getheader(path)
    assert (header["BUNIT"], header["EGAIN"], header["EXPTIME"]) == ("electron", 1.0, 30.0)
    assert np.isnan(data[3, 4])
    assert np.isnan(data).sum() == 1
    assert read_frames([path])["gain"][0] == 1.0
    assert not frame.mask.all()


@pytest.mark.parametrize("wrong", [3.5, None, np.ones((20, 20)), {"a": 1}])
def test_what_is_no_frame_is_one_line(wrong):
    with pytest.raises(InputError, match="frames are paths, CCDData, a table") as caught:
        sort_frames([wrong])
    assert "\n" not in str(caught.value)
    assert "entry 1" in str(caught.value)
    with pytest.raises(InputError, match="a path or a CCDData is needed"):
        measure_frames([wrong])


def test_frames_that_are_one_frame_or_paths_stay():
    assert list_frames("lights") == "lights"
    assert list_frames(iter(["a", "b"])) == ["a", "b"]


@pytest.mark.parametrize(
    ("heater", "power"),
    [(30 * u.percent, 30.0), (u.Quantity(0.3), 30.0), (np.int64(30), 30.0), (30, 30.0)],
)
def test_a_constant_power_may_be_a_quantity(heater, power):
    trace, _ = read_traces(heater, Settings())
    assert trace.average([0], [60])[1][0] == pytest.approx(power)


@pytest.mark.parametrize(
    "wrong", [30 * u.W, [1, 2] * u.percent, object(), True, {"a": [1], "b": 2}]
)
def test_what_gives_no_power_is_one_line(wrong):
    with pytest.raises(InputError, match=r"heater|time") as caught:
        read_traces(wrong, Settings())
    assert "\n" not in str(caught.value)


TABLES = {
    "samples": (["time_utc", "heater_pct"], [f"2026-02-11T20:{m:02}:00" for m in range(20)],
                [0] * 8 + [40] * 12),
    "switches": (["when", "event"], ["2026-02-11 20:00", "2026-02-11 20:08"], ["off", "on"]),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("form", ["Table", "QTable", "rows", "columns", "Time"])
def test_a_table_means_what_its_file_means(name, form, tmp_path):
    (first, second), times, values = TABLES[name]
    path = tmp_path / "log.csv"
    rows = "\n".join(f"{t},{v}" for t, v in zip(times, values, strict=True))
    path.write_text(f"{first},{second}\n{rows}\n")
    wanted = read_heater_log(path)
    table = Table({first: times, second: values})
    heater = {
        "Table": table,
        "QTable": QTable(table),
        "rows": [dict(zip(table.colnames, row, strict=True)) for row in table.iterrows()],
        "columns": {first: times, second: values},
        "Time": Table({first: Time(times), second: values}),
    }[form]
    trace, told = read_traces(heater, Settings())
    np.testing.assert_allclose(trace.edges, wanted.edges)
    np.testing.assert_array_equal(trace.power, wanted.power)
    assert told


def test_a_table_is_read_with_the_options_of_a_log():
    table = Table({"time": ["2026-02-11T21:00:00", "2026-02-11T21:10:00"], "power": [0, 40]})
    trace, _ = read_traces(table, Settings(log_zone="+01:00", heater_form="switches"))
    assert Time("2026-02-11T20:00:00").unix in trace.edges
    masked = Table({"time": Time(["2026-02-11T20:00:00", "2026-02-11T20:05:00"]),
                    "power": np.ma.array([10.0, 20.0], mask=[False, True])})  # fmt: skip
    trace, _ = read_traces(masked, Settings())
    first = Time("2026-02-11T20:00:00").unix
    _, power = trace.average(first + np.array([60, 360]), first + np.array([120, 420]))
    assert power[0] == 10 and np.isnan(power[1])
    with pytest.raises(InputError, match="without rows"):
        read_traces(table[:0], Settings())
    assert as_heater([30 * u.percent, "a.csv"]) == [30.0, "a.csv"]


def test_measured_registered_and_stacked_from_memory(drawn, held):
    paths = sorted(drawn.frames.glob("*.fits"))
    from_files, in_memory = measure_frames(paths), measure_frames(held)
    assert [q.fwhm for q in in_memory[1:]] == [q.fwhm for q in from_files[1:]]
    stars = in_memory[0].star_list
    assert not ((abs(stars["x"] - 70) < 19) & (abs(stars["y"] - 55) < 14)).any()
    lists = register_frames([q.star_list for q in from_files], reference=1)
    places = register_frames(held, reference=1)
    for one, two in zip(lists, places, strict=True):
        assert one and two
        moved = np.subtract(one.map_points(130, 100), two.map_points(130, 100))
        assert np.hypot(*moved) < 0.2  # the two star lists are not cut off alike
    ones = {"all": np.ones(5)}
    second = FrameValues(reference=1)
    made = stack_frames(held, lists, sets=ones, shape=(200, 260), values=second)["all"]
    wanted = stack_frames(paths, lists, sets=ones, shape=(200, 260), values=second)["all"]
    x, y = lists[0].map_points(70, 55)
    here = (round(float(y)), round(float(x)))
    assert made.coverage[here] <= 4 < wanted.coverage[150, 200] + 1
    outside = np.ones(made.data.shape, dtype=bool)
    outside[20:95, 25:115] = False
    noise = 1 / np.sqrt(np.median(wanted.weight))
    assert np.median(np.abs(made.data - wanted.data)[outside]) < 0.1 * noise
    assert abs(made.data[here] - wanted.data[here]) < 6 * noise, "masked pixels were stacked"
    assert made.header["BUNIT"] == "adu"
    mixed = stack_frames([held[0], *paths[1:]], lists, sets=ones, shape=(200, 260), values=second)
    np.testing.assert_allclose(mixed["all"].data, made.data, rtol=1e-4, atol=0.1 * noise)
    other = CCDData(held[2].data, unit="electron")
    with pytest.raises(InputError, match=r"different units \(adu, electron\)"):
        stack_frames([held[1], other], lists[1:3], sets={"all": [1, 1]}, shape=(200, 260))


def test_stars_are_replaced_in_ccddata_with_masks():
    pair = simulate_stacks(rng=1, shape=(200, 240), count=60)
    plain = replace_stars(pair.deep, pair.sharp)
    deep, sharp = (CCDData(np.array(p, dtype=float), unit="adu") for p in (pair.deep, pair.sharp))
    deep.mask = np.zeros(deep.shape, dtype=bool)
    deep.mask[:5] = True
    deep.data[:5] = 1e5
    result = replace_stars(deep, sharp)
    assert np.isnan(result.final[:5]).all()
    assert np.nanmax(np.abs(result.final[40:] - plain.final[40:])) < 0.2 * np.nanmax(plain.final)
