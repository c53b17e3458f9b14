"""What a scenario can ask for besides: clouds, dew, optics, a second night, a keyword."""

from dataclasses import replace

import numpy as np
import pytest
import sep
from astropy.io import fits
from astropy.table import Table

from framesort.errors import InputError
from framesort.simulation import draw_truth, simulate_night
from framesort.simulation._frames import draw_frame
from framesort.simulation._profiles import profile_width
from framesort.simulation._scenario import Event
from framesort.simulation._stage import set_stage
from framesort.simulation._timeline import plan_exposures


@pytest.fixture
def quiet(scenario):
    """One filter, bright stars on a plain sky, no sudden event, no heater."""
    return replace(
        scenario,
        camera=replace(scenario.camera, hot_pixels=0, cosmic_rays=0.0, vignetting=0.0),
        stars=replace(scenario.stars, count=40, faintest=1e3),
        sky=replace(scenario.sky, scatter=0.0),
        heater=replace(scenario.heater, events=()),
        filter=(replace(scenario.filter[0], diffuse=0.0, filaments=0.0, galaxies=0.0),),
        run=(replace(scenario.run[0], count=5),),
        event=(),
    )


def light_within(scenario, shot, radius):
    """Light of the brighter stars within a radius of their places, by sep's apertures."""
    counts, _, sky = draw_frame(scenario, shot)
    field = set_stage(scenario).field
    inverse = np.linalg.inv(shot.matrix)
    x, y = inverse[:2, :2] @ np.array([field.x, field.y]) + inverse[:2, 2:]
    rates = field.rates[shot.filter]
    good = (x > 40) & (x < 280) & (y > 40) & (y < 200) & (rates > 2e3) & (rates < 1e4)
    gradient = set_stage(scenario).gradient
    data = counts - 500.0 - sky * gradient
    return sep.sum_circle(data, x[good], y[good], radius, subpix=7)[0].sum()


def test_a_cloud_takes_the_requested_light(quiet):
    cloud = Event(kind="cloud", minute=0.0, until=6.0, strength=0.7)
    dim = replace(quiet, event=(cloud,))
    clear, cloudy = plan_exposures(quiet)[2], plan_exposures(dim)[2]
    # Middle of the third frame at minute 2.77 of 6: 1 - 0.7 sin^2.
    expected = 1 - 0.7 * np.sin(np.pi * (136 + 30) / 360) ** 2
    assert cloudy.transparency == pytest.approx(expected, abs=1e-6)
    share = light_within(dim, cloudy, 6.0) / light_within(quiet, clear, 6.0)
    assert share == pytest.approx(expected, rel=0.01)  # shot noise of 1e6 electrons and sky
    assert cloudy.sky > 1.2


def test_dew_takes_light_and_spreads_it(quiet):
    dew = Event(kind="dew", minute=0.0, until=6.0, strength=0.5)
    wet = replace(quiet, event=(dew,))
    shots = plan_exposures(wet)
    assert np.all(np.diff([shot.transparency for shot in shots]) < 0)
    assert np.all(np.diff([shot.halo for shot in shots]) > 0)
    dry = plan_exposures(quiet)[4]
    core = light_within(wet, shots[4], 4.0) / light_within(quiet, dry, 4.0)
    wide = light_within(wet, shots[4], 20.0) / light_within(quiet, dry, 20.0)
    assert core < 0.95 * wide < shots[4].transparency


def test_corners_and_tilt_change_the_width(quiet):
    wide = replace(quiet, seeing=replace(quiet.seeing, corners=0.5, tilt=0.2))
    sharp, _ = draw_truth(quiet, "L")
    blunt, _ = draw_truth(wide, "L")
    field = set_stage(quiet).field
    u = 2 * field.x / 319 - 1
    v = 2 * field.y / 239 - 1
    growth = 0.5 * ((320 * u) ** 2 + (240 * v) ** 2) / (320**2 + 240**2) + 0.2 * u
    inside = (np.abs(u) < 0.95) & (np.abs(v) < 0.93) & (field.rates["L"] > 1500)
    tree = np.hypot(field.x[:, None] - field.x, field.y[:, None] - field.y)
    alone = (tree < 25).sum(0) == 1
    chosen = np.flatnonzero(inside & alone)
    assert len(chosen) >= 6
    for k in chosen:
        x, y = round(field.x[k]), round(field.y[k])
        before, after = (image[y - 1 : y + 2, x - 1 : x + 2].sum() for image in (sharp, blunt))
        # Light in the middle falls with the square of the width, in part.
        expected = (1 + growth[k]) ** -2
        assert min(1, expected) - 0.05 < after / before < max(1, expected) + 0.05
    ratio = [
        blunt[round(field.y[k]), round(field.x[k])] / sharp[round(field.y[k]), round(field.x[k])]
        for k in chosen
    ]
    assert np.corrcoef(ratio, growth[chosen])[0, 1] < -0.95
    total = blunt.sum() / sharp.sum()
    assert total == pytest.approx(1.0, abs=0.01)


def test_a_spider_s_cross_is_there_without_the_heater(quiet):
    crossed = replace(quiet, camera=replace(quiet.camera, spider=0.1, spider_angle=20.0))
    shot = plan_exposures(crossed)[0]
    plain, _, _ = draw_frame(quiet, shot)
    cross, _, _ = draw_frame(crossed, shot)
    excess = cross.astype(float) - plain
    field = set_stage(quiet).field
    centred = (field.x > 60) & (field.x < 260) & (field.y > 60) & (field.y < 180)
    k = int(np.argmax(np.where(centred, field.rates["L"], 0)))
    angles = np.arange(0, 360, 10)
    means = []
    for angle in np.deg2rad(angles):
        steps = np.arange(12, 40)
        x = np.rint(field.x[k] + steps * np.cos(angle)).astype(int)
        y = np.rint(field.y[k] + steps * np.sin(angle)).astype(int)
        means.append(np.median(excess[y, x]))
    assert sorted(angles[np.argsort(means)[-4:]]) == [20, 110, 200, 290]


def test_mean_power_in_the_header(scenario, tmp_path):
    written = replace(
        scenario, logger=replace(scenario.logger, keyword="HEATPWR"), run=scenario.run[:1]
    )
    truth = simulate_night(written, tmp_path)
    values = [fits.getheader(tmp_path / file)["HEATPWR"] for file in truth["file"]]
    assert np.allclose(values, truth["heater_power"], atol=1e-3)
    assert "HEATPWR" not in fits.getheader(tmp_path / "frames" / "dark-001.fits")


def test_a_second_night_shows_the_same_sky_turned(scenario):
    shared = replace(scenario, sky_seed=8, mount=replace(scenario.mount, margin=170, dither=0.0))
    other = replace(shared, seed=77, mount=replace(shared.mount, turn=90.0, shift=20.0))
    stars, _ = draw_truth(shared, "L")
    first, second = plan_exposures(shared)[0].pointing, plan_exposures(other)[0].pointing
    across, _ = draw_truth(other, "L", matrix=np.linalg.inv(second) @ first)
    # The same stars at the same places; the width is each night's own median seeing.
    assert np.corrcoef(stars.ravel(), across.ravel())[0, 1] > 0.995
    dark = set_stage(shared).dark, set_stage(other).dark
    assert np.array_equal(*dark)
    noise = (
        draw_frame(shared, plan_exposures(shared)[0])[0],
        draw_frame(other, plan_exposures(other)[0])[0],
    )
    assert not np.array_equal(*noise)


def test_too_small_a_margin(scenario):
    tight = replace(scenario, mount=replace(scenario.mount, margin=10))
    with pytest.raises(InputError, match=r"mount\.margin must be at least"):
        set_stage(tight)


def test_refocus_ends_a_focus_drift(quiet):
    drifting = replace(quiet, seeing=replace(quiet.seeing, focus_drift=60.0, jitter=0.0))
    widths = [shot.fwhm for shot in plan_exposures(drifting)]
    assert np.all(np.diff(widths) > 0)
    # 1 px a minute: minute 0.5 of the first frame's middle, in quadrature.
    assert widths[0] == pytest.approx(np.hypot(2.6, 0.5), abs=1e-6)
    again = replace(drifting, event=(Event(kind="refocus", minute=3.0),))
    assert plan_exposures(again)[3].fwhm < widths[2]


def test_widths_of_the_truth_are_those_drawn(night):
    _, truth = night
    from framesort.simulation._profiles import build_shape

    # Second frame: unheated, with its own small trail.
    row = truth[1]
    assert row["fwhm"] == row["fwhm_unheated"]
    parts = [(1.0, 2.6, 3.0)]
    assert profile_width(build_shape(parts)) == pytest.approx(row["fwhm"], rel=0.1)


def test_colour_filter_array(quiet, tmp_path):
    plain = quiet.filter[0]
    colours = tuple(
        replace(plain, name=name, stars=share, sky=sky)
        for name, share, sky in [("R", 0.8, 4.0), ("G", 1.0, 6.0), ("B", 0.5, 3.0)]
    )
    array = replace(
        quiet,
        camera=replace(quiet.camera, pattern="GBRG"),
        sky=replace(quiet.sky, gradient=0.0),
        filter=colours,
        run=(replace(quiet.run[0], filter="colour", count=1),),
    )
    truth = simulate_night(array, tmp_path)
    assert list(truth["file"]) == ["frames/001-colour.fits"]
    with fits.open(tmp_path / truth["file"][0]) as hdus:
        header, counts = hdus[0].header, hdus[0].data.astype(float)
    assert header["BAYERPAT"] == "GBRG"
    assert "FILTER" not in header
    # First row of the file: green, blue; second: red, green. 60 s at 0.8 electrons per ADU.
    for row, column, rate in [(0, 0, 6.0), (0, 1, 3.0), (1, 0, 4.0), (1, 1, 6.0)]:
        level = np.median(counts[row::2, column::2]) - 500
        assert level == pytest.approx(rate * 60 / 0.8, rel=0.02)
    stars = Table.read(tmp_path / "truth-stars.ecsv")
    assert {"flux_R", "flux_G", "flux_B"} <= set(stars.colnames)
    # The picture through each filter at the pixels of its colour, within the noise.
    red = fits.getdata(tmp_path / "truth-R.fits")[1::2, 0::2]
    bright = (red > 2e3) & (red < 2e4)
    measured = counts[1::2, 0::2] - 500 - 4.0 * 60 / 0.8
    assert bright.sum() > 20
    assert np.median(measured[bright] / red[bright]) == pytest.approx(1.0, abs=0.03)


def test_truth_of_a_filter_that_is_not_used(quiet):
    unused = replace(quiet, filter=(*quiet.filter, replace(quiet.filter[0], name="S")))
    with pytest.raises(InputError, match="must be one that a run uses, got 'S'"):
        draw_truth(unused, "S")
    with pytest.raises(InputError, match="filter must be one of L, got 'T'"):
        draw_truth(quiet, "T")


def test_seeing_varies_as_requested(quiet):
    long = replace(
        quiet,
        seeing=replace(quiet.seeing, walk=0.1, jitter=0.0),
        run=(replace(quiet.run[0], count=200, exposure=60.0, pause=0.0),),
    )
    steps = [
        np.diff(np.log([shot.fwhm for shot in plan_exposures(replace(long, seed=seed))]))
        for seed in range(4)
    ]
    # A walk of 0.1 in the root of an hour: 0.1 / sqrt(60) a minute; 796 steps tell it to 2.5 %.
    assert np.std(steps) == pytest.approx(0.1 / np.sqrt(60), rel=0.1)
    # The other dice are untouched: the same offsets as without.
    still = replace(long, seeing=replace(long.seeing, walk=0.0))
    assert np.array_equal(plan_exposures(long)[9].matrix, plan_exposures(still)[9].matrix)


def test_worse_seeing_and_wind_come_and_go(quiet):
    events = (
        Event(kind="seeing", minute=1.0, until=3.0, strength=0.4),
        Event(kind="wind", minute=3.0, until=4.0, length=4.0, angle=30.0),
    )
    before, after = plan_exposures(quiet), plan_exposures(replace(quiet, event=events))
    wider = [b.fwhm / a.fwhm for a, b in zip(before, after, strict=True)]
    minutes = [(shot.start - before[0].start + shot.exposure / 2) / 60 for shot in before]
    assert wider == pytest.approx([1.4 if 1 < m < 3 else 1.0 for m in minutes])
    windy = [3 < m < 4 for m in minutes]
    assert any(windy)
    for shot, blows in zip(after, windy, strict=True):
        assert ("wind" in shot.remarks) == blows
        assert (shot.trail_angle == 30.0) == blows
        assert shot.trail > 1.0 or not blows
