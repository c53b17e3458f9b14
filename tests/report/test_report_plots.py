"""Plots on axes of one's own, against the numbers they stand for."""

import pickle
import subprocess
import sys
from itertools import combinations
from pathlib import Path

import matplotlib.dates as mdates
import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from report_nights import make_table
from skimage.color import deltaE_ciede2000, rgb2lab

from framesort.pages import page_style
from framesort.report import (
    cut_stars,
    depth_curve,
    draw_depth,
    draw_light_by_angle,
    draw_picture,
    draw_response,
    draw_star_cutouts,
    draw_timeline,
    draw_widths,
    read_results,
)
from framesort.report._read import Results
from framesort.report._residual import RESIDUAL_MAP
from framesort.report._stars import choose_stars
from framesort.report._style import STATE_COLOURS
from framesort.report._timeline import night_rows


@pytest.fixture
def axes():
    return Figure().subplots()


@pytest.fixture
def table():
    return make_table(("L", "Ha"))


def test_pyplot_is_never_loaded():
    code = "import sys, framesort.report; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def _bars(axes):
    """Colour, left and right end [days] of each bar that stands for a frame."""
    found = []
    for bars in axes.collections:
        if not isinstance(bars, PolyCollection) or not len(bars.get_edgecolor()):
            continue
        for path in bars.get_paths():
            box = path.get_extents()
            # Bars lie below the power and are taller than the line under a sharp frame.
            if box.y1 <= -10 and box.height > 5:
                found.append((tuple(bars.get_edgecolor()[0][:3]), box.x0, box.x1))
    return found


def test_timeline_has_a_bar_for_each_exposure(axes, table):
    draw_timeline(axes, table)
    bars = _bars(axes)
    assert len(bars) == len(table)
    first = mdates.date2num(table["start"][0].datetime)
    assert min(left for _, left, _ in bars) == pytest.approx(first, abs=1e-6)
    # 120 s each; times are days near 2e4 in double precision.
    np.testing.assert_allclose([(b - a) * 86400 for _, a, b in bars], 120, atol=1e-4)
    for state, colour in STATE_COLOURS.items():
        number = sum(np.allclose(c, to_rgb(colour)) for c, _, _ in bars)
        assert number == np.sum(table["heater_state"] == state)


def test_timeline_draws_the_power_of_the_log(axes, table):
    draw_timeline(axes, table, steps=[
        {"start": None, "stop": "2024-03-14T20:06:00Z", "power": 0},
        {"start": "2024-03-14T21:06:00+01:00", "stop": None, "power": 40},
    ])  # fmt: skip
    x, y = axes.lines[0].get_data()
    switch = mdates.date2num(np.datetime64("2024-03-14T20:06:00"))
    # The second step names the same moment in another zone.
    np.testing.assert_allclose(x[1:3], switch, atol=1e-6)
    np.testing.assert_array_equal(y, [0, 0, 40, 40])


def test_timeline_without_times_says_so(axes):
    draw_timeline(axes, Table({"file": ["a"]}))
    assert axes.texts[0].get_text() == "no start times"


def test_widths_show_every_frame_once(axes, table):
    draw_widths(axes, table)
    points = [line for line in axes.lines if line.get_linestyle() == "None"]
    assert sum(len(line.get_xdata()) for line in points) == len(table)
    # The frame of 9 px lies beyond the others and is drawn at the upper edge.
    beyond = [line for line in points if line.get_marker() == "^" and len(line.get_xdata())]
    assert len(beyond) == 1 and beyond[0].get_ydata()[0] < axes.get_ylim()[1] < 9
    dashed = next(line for line in axes.lines if line.get_linestyle() != "None")
    off = table["heater_state"] == "off"
    assert dashed.get_ydata()[0] == np.median(np.asarray(table["fwhm"][off]))


def test_response_in_percent_with_errors(axes):
    one = {"filter": "L", "exposure": 60, "fwhm_growth_err": 0.02}
    entries = [one | {"power": p, "fwhm_growth": 1 + p / 200} for p in (80, 0, 40)]
    entries += [{"filter": "L", "power": None, "fwhm_growth": 2}, {"power": 3, "fwhm_growth": "x"}]
    draw_response(axes, entries, highest_acceptable=[{"power": 10}, {"power": None}])
    line = axes.containers[0].lines[0]
    np.testing.assert_allclose(line.get_xdata(), [0, 40, 80])
    np.testing.assert_allclose(line.get_ydata(), [0, 20, 40], atol=1e-9)
    low, high = axes.containers[0].lines[2][0].get_segments()[0][:, 1]
    assert high - low == pytest.approx(4.0)
    assert len(axes.containers) == 1


def test_light_by_angle_is_two_sided():
    axes = Figure().add_subplot(projection="polar")
    table = Table({"spike_strength": [0.04, np.nan, -0.01], "spike_angle": [62.0, 10.0, 20.0],
                   "heater_state": ["on", "on", "off"]})  # fmt: skip
    draw_light_by_angle(axes, table)
    angles, radii = axes.lines[0].get_data()
    np.testing.assert_allclose(np.degrees(angles), [62, 242])
    np.testing.assert_allclose(radii, 4.0)
    assert len(axes.lines) == 3


def test_light_by_angle_of_profiles_closes():
    axes = Figure().add_subplot(projection="polar")
    bins = np.where(np.arange(90) == 31, 0.012, -0.001)
    draw_light_by_angle(axes, Table(), profiles={"on": bins, "off": np.zeros(90), "part": "x"})
    angles, radii = next(line.get_data() for line in axes.lines if len(line.get_xdata()) == 181)
    # Bin 31 of 90 is centred on 63 degrees; its light shows there and opposite.
    peaks = np.degrees(angles[np.isclose(radii, 1.2)])
    np.testing.assert_allclose(peaks, [63, 243])
    assert radii[0] == radii[-1] and angles[-1] - angles[0] == pytest.approx(2 * np.pi)


def test_depth_of_equal_frames_grows_with_the_root():
    # Equal noise: the mean of k of n frames has sqrt(k / n) of the signal-to-noise of all.
    n = 16
    table = Table({"fwhm": np.linspace(4, 2, n), "noise": np.full(n, 5.0)})
    fwhm, depth = depth_curve(table)
    k = np.arange(1, n + 1)
    np.testing.assert_allclose(depth, np.sqrt(k / n))
    np.testing.assert_allclose(fwhm, [np.sort(table["fwhm"])[:i].mean() for i in k])


def test_depth_counts_cloud_twice(axes):
    # Half the light at the same noise is a quarter of the weight.
    table = Table({"fwhm": [2.0, 3.0], "noise": [5.0, 5.0], "transparency": [1.0, 0.5],
                   "sharp_set": [True, False], "deep_set": [True, True]})  # fmt: skip
    fwhm, depth = depth_curve(table)
    np.testing.assert_allclose(depth, [np.sqrt(1 / 1.25), 1])
    np.testing.assert_allclose(fwhm, [2, (2 + 0.25 * 3) / 1.25])
    draw_depth(axes, table)
    dots = [line.get_data() for line in axes.lines if line.get_marker() == "o"]
    np.testing.assert_allclose(np.ravel(dots), [2, 100 * np.sqrt(0.8), 2.2, 100])


def test_cutouts_are_the_pixels_of_the_stacks(merged_night):
    results = read_results(merged_night)
    group = results.groups[0]
    stars = Table.read(merged_night / "L" / "stars.ecsv")
    from framesort.files import read_image

    whole = {name: read_image(group.stack(name))[0] for name in ("deep", "sharp", "final")}
    cutouts = cut_stars(group, stars, shape=whole["deep"].shape, number=60, half=15)
    assert len(cutouts) > 5
    for cutout in cutouts:
        for name, pixels in cutout.pixels.items():
            assert pixels.shape == (31, 31)
            padded = np.pad(whole[name], 15, constant_values=np.nan)
            row, column = round(cutout.y), round(cutout.x)
            expected = padded[row : row + 31, column : column + 31]
            np.testing.assert_array_equal(pixels, expected)


def test_brightest_stars_are_chosen():
    stars = Table({"x": [10.0, 60, 110, 112, np.nan, 200], "y": [50.0, 50, 50, 50, 50, 50],
                   "flux_deep": [5.0, 9, 7, 8, 99, 50]})  # fmt: skip
    stars["reason"] = ["", "saturated", "", "", "", "not stellar"]
    stars["saturated_deep"] = [False, True, False, False, False, False]
    # Row 4 has no place, row 2 stands too near row 3, row 5 is no star; row 1 is saturated.
    assert list(choose_stars(stars, number=2)) == [1, 3]
    assert list(choose_stars(stars, number=3)) == [1, 3, 0]
    # A saturated star's flux is too small in one of the stacks.
    stars["flux_sharp"] = [500.0, 9, 7, 8, 99, 50]
    assert list(choose_stars(stars, number=2)) == [0, 1]


def test_star_grid_names_its_pictures(merged_night):
    group = read_results(merged_night).groups[0]
    stars = Table.read(merged_night / "L" / "stars.ecsv")
    cutouts = cut_stars(group, stars, shape=(200, 320), number=2)
    grid = Figure().subplots(3, 4)
    draw_star_cutouts(grid, cutouts)
    assert [row[0].texts[0].get_text() for row in grid] == ["deep", "sharp", "final"]
    assert [len(place.images) for place in grid.ravel()] == [1, 1, 0, 0] * 3
    # The deep star is wider than the sharp one under the same curve of brightness.
    light = [np.asarray(grid[k, 0].images[0].get_array()).sum() for k in (0, 1)]
    assert light[0] > light[1]


def test_picture_keeps_y_up(axes):
    draw_picture(axes, np.eye(40))
    assert axes.images[0].origin == "lower" and axes.get_ylim()[0] < axes.get_ylim()[1]


def test_nights_are_split_at_the_day(table):
    assert [len(part) for part in night_rows(table)] == [60]
    table["start"] = [
        str(s).replace("2024-03-14", "2024-03-15") if i % 2 else str(s)
        for i, s in enumerate(table["start"].isot)
    ]
    assert [len(part) for part in night_rows(table)] == [30, 30]


# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15, 1291, severity 1.0, on linear RGB; the
# numbers as the colour libraries of several languages reproduce them.
DEFICIENCIES = {
    "none": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def _seen(colour, matrix):
    value = np.array(to_rgb(colour))
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.asarray(matrix) @ linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _dark_colours():
    style = page_style("framesort.report", "style.css")
    dark = style[style.index("prefers-color-scheme: dark") :]
    return {
        state: dark[dark.index(f"--state-{state}:") :].split(":")[1].split(";")[0].strip()
        for state in STATE_COLOURS
    }


@pytest.mark.parametrize("eyes", DEFICIENCIES)
@pytest.mark.parametrize("colours", [STATE_COLOURS, _dark_colours()], ids=["light", "dark"])
def test_states_are_distinguished_by_all_measures(colours, eyes):
    lab = {s: rgb2lab(_seen(c, DEFICIENCIES[eyes])) for s, c in colours.items()}
    for one, other in combinations(lab, 2):
        # A CIEDE2000 difference of 10 is seen at a glance (common practice); shapes and words
        # tell the states apart as well.
        assert deltaE_ciede2000(lab[one], lab[other]) > 10, (one, other)


@pytest.mark.parametrize("eyes", DEFICIENCIES)
def test_less_and_more_light_are_distinguished_by_all_measures(eyes):
    # Also at half of full colour, two and a half standard deviations.
    for share in (0.5, 1.0):
        shown = [RESIDUAL_MAP(0.5 + share * side / 2)[:3] for side in (-1, 0, 1)]
        lab = [rgb2lab(_seen(colour, DEFICIENCIES[eyes])) for colour in shown]
        assert min(deltaE_ciede2000(a, b) for a, b in combinations(lab, 2)) > 10


def test_results_go_to_another_process_with_times_that_are_not_known():
    # A table with masked times cannot be read back from its pickle (astropy 8), and a masked
    # time comes back as known: drawing in worker processes ended the run.
    start = Time(["2026-02-11T20:00:00", "2026-02-11T20:01:00"])
    for mask in ([False, False], [True, False], [True, True]):
        masked = start.copy()
        masked[np.array(mask)] = np.ma.masked
        results = Results(
            folder=Path("x"), table=Table({"start": masked, "n": [1, 2]}), summary={}, groups=()
        )
        there = pickle.loads(pickle.dumps(results))
        assert list(there.table["start"].mask) == mask
        assert list(there.table["n"]) == [1, 2] and there.folder == Path("x")
        known = ~np.array(mask)
        assert list(there.table["start"][known].isot) == list(start[known].isot)
        assert list(results.table["start"].mask) == mask
