"""Two nights with the camera turned between them, each with a log and a clock of its own."""

import numpy as np
import pytest
from astropy.io import fits

from framesort.errors import InputError
from framesort.night import process_night, sort_frames
from framesort.settings import Settings
from framesort.simulation import read_scenario, simulate_night

pytestmark = pytest.mark.slow

TURN = 37.0

SCENARIO = """
start = {start}
seed = {seed}
sky_seed = 5
[camera]
width = 330
height = 300
hot_pixels = 20
[stars]
count = 190
faintest = 10.0
brightest = 1e5
[nebula]
arcs = 1
galaxies = 1
coarsest = 120.0
[seeing]
fwhm = {fwhm}
jitter = 0.02
trail = 0.1
[mount]
dither = 5.0
drift = 4.0
margin = 170
turn = {turn}
flip = {flip}
[heater]
events = {events}
spike = 0.08
spike_angle = {line}
[logger]
clock_offset = {clock}
[[filter]]
name = "L"
stars = {stars}
sky = 6.0
diffuse = 1.0
filaments = 0.5
[[run]]
filter = "L"
exposure = 60.0
count = 14
"""

# The line is fixed to the tube: a camera turned by 37 degrees sees it 37 degrees further back.
NIGHTS = {
    "one": dict(start="2026-02-11T20:00:00Z", seed=31, fwhm=2.6, turn=0.0, flip=10.5, stars=1.0,
                events="[[7.9, 100]]", line=62.0, clock=0.0),
    "two": dict(start="2026-02-13T21:00:00Z", seed=32, fwhm=3.1, turn=TURN, flip=1e6, stars=0.8,
                events="[[0.0, 100], [7.3, 0]]", line=62.0 - TURN, clock=300.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    folder = tmp_path_factory.mktemp("nights")
    truth = {}
    for name, values in NIGHTS.items():
        (folder / f"{name}.toml").write_text(SCENARIO.format(**values))
        truth[name] = simulate_night(read_scenario(folder / f"{name}.toml"), folder / name)
    return folder, truth


@pytest.fixture(scope="module")
def merged(nights):
    folder, _ = nights
    # Logs in the other order than the nights: time tells which is whose.
    return process_night(
        [folder / "one" / "frames", folder / "two" / "frames"],
        out=folder / "out",
        heater=[folder / "two" / "heater_power.csv", folder / "one" / "heater_power.csv"],
        settings=Settings(clock_offset="auto", gap_angle="5 o'clock", camera_angle=0.0),
    )


def test_each_night_has_its_log_and_clock(nights, merged):
    _, truth = nights
    table = merged.table
    assert list(table["night"]) == ["2026-02-11"] * 14 + ["2026-02-13"] * 14
    states = [str(row["heater_state"]) for name in truth for row in truth[name]]
    # The second log's clock is 300 s ahead: four exposures would be told wrong as it stands.
    assert list(table["heater_state"]) == states
    one, two = (night.clock for night in merged.summary.nights)
    assert not one.significant
    assert two.significant and two.seconds == pytest.approx(-300, abs=3 * two.error)
    assert merged.summary.heater.log.count("heater_power.csv") == 2


def test_each_night_is_its_own_reference_frames(nights, merged):
    # The second night's stars are a fifth wider and its sky a fifth less clear, heater off or on.
    table = merged.table
    off = np.asarray(table["heater_state"]) == "off"
    second = np.asarray(table["night"]) == "2026-02-13"
    widths = np.asarray(table["fwhm"])
    assert np.median(widths[off & second]) > 1.12 * np.median(widths[off & ~second])
    assert np.mean(np.asarray(table["grade"])[off & second] == "sharp") > 0.7
    assert not any("cloud" in str(reason) for reason in table["reason"])
    clear = np.asarray(table["transparency"])
    assert np.median(clear[second]) / np.median(clear[~second]) == pytest.approx(0.8, abs=0.03)


def test_one_grid_through_the_turn(merged):
    table = merged.table
    second = np.asarray(table["night"]) == "2026-02-13"
    turn = np.asarray(table["rotation"])
    flipped = np.abs(turn) > 90
    # The grid is a frame of either night; what counts is the turn between them.
    between = (np.median(turn[second]) - np.median(turn[~second & ~flipped])) % 360
    assert between == pytest.approx(TURN, abs=0.1)
    assert np.asarray(table["residual"]).max() < 0.3
    deep = fits.getdata(merged.folder / "L" / "deep.fits", "COVERAGE")
    assert deep[deep.shape[0] // 2, deep.shape[1] // 2] >= 27
    assert merged.summary.groups[0].replaced > 50


def test_the_spike_is_reported_as_fixed_to_the_tube(merged):
    told = merged.summary.spike_follows
    assert told.verdict == "sky" and "fixed to the tube" in told.sentence
    before, after, turned = told.sides
    assert before.name == "2026-02-11 before the flip"
    for side, angle in ((before, 62.0), (after, 62.0), (turned, 25.0)):
        assert abs((side.angle - angle + 90) % 180 - 90) < max(3 * side.error, 2)
    # 5 o'clock is 300 degrees; in a mirror 240, whose tangential edge gives a line at 60.
    gap = merged.summary.gap
    assert gap.fits == (("tangential", True),)
    page = (merged.folder / "report.html").read_text()
    assert "fixed to the tube" in page and "tangential edge in a mirrored image" in page


def test_order_of_frames_and_nights_does_not_matter(nights, merged, tmp_path):
    folder, _ = nights
    files = [str(file) for file in merged.table["file"]]
    again = sort_frames(
        files[::-1],
        heater=[folder / "one" / "heater_power.csv", folder / "two" / "heater_power.csv"],
        settings=Settings(clock_offset="auto"),
        cache=merged.folder / "cache",
    )
    for name in ("file", "heater_share", "grade", "transparency", "spike_strength", "sharp_set"):
        one, two = np.asarray(merged.table[name]), np.asarray(again.table[name])
        assert np.array_equal(one, two, equal_nan=one.dtype.kind == "f"), name


def test_clock_offsets_reported_for_each_log(nights, merged):
    folder, truth = nights
    files = [str(file) for file in merged.table["file"]]
    logs = [folder / name / "heater_power.csv" for name in ("one", "two")]
    told = sort_frames(
        files,
        heater=logs,
        settings=Settings(clock_offset=(0.0, -300.0)),
        cache=merged.folder / "cache",
    )
    states = [str(row["heater_state"]) for name in truth for row in truth[name]]
    assert list(told.table["heater_state"]) == states
    clock = told.clocks["2026-02-13"]
    assert not clock.significant
    with pytest.raises(InputError, match="3 clock offsets for 2 heater logs"):
        sort_frames(files, heater=logs, settings=Settings(clock_offset=(0.0, 1.0, 2.0)))


def test_a_night_without_a_log(nights, merged):
    folder, truth = nights
    files = [str(file) for file in merged.table["file"]]
    told = sort_frames(
        files, heater=folder / "one" / "heater_power.csv", cache=merged.folder / "cache"
    )
    assert any("covers no frame of the night 2026-02-13" in text for text in told.notes)
    source = np.asarray(told.table["state_source"])
    assert set(source[:14]) == {"log"} and "log" not in set(source[14:])
    known = np.asarray(told.table["heater_state"][14:]) != "unknown"
    right = np.asarray(told.table["heater_state"][14:]) == np.asarray(truth["two"]["heater_state"])
    assert np.all(right[known & (np.asarray(truth["two"]["heater_state"]) != "part")])
