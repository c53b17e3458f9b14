import csv
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
import sep
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time
from scipy.ndimage import find_objects, label, map_coordinates
from scipy.spatial import cKDTree

from framesort.errors import InputError, OutputError
from framesort.frames import read_frames
from framesort.simulation import draw_truth, simulate_night
from framesort.simulation._field import resample
from framesort.simulation._frames import draw_frame
from framesort.simulation._light import add_stars, nebula_light
from framesort.simulation._stage import set_stage
from framesort.simulation._timeline import plan_exposures


def bare(scenario, **camera):
    """The scenario without stars, nebula or blemishes."""
    plain = {"hot_pixels": 0, "cosmic_rays": 0.0, "vignetting": 0.0, "dark_current": 0.0} | camera
    return replace(
        scenario,
        camera=replace(scenario.camera, **plain),
        stars=replace(scenario.stars, count=0),
        sky=replace(scenario.sky, gradient=0.0),
        filter=tuple(
            replace(one, diffuse=0.0, filaments=0.0, galaxies=0.0) for one in scenario.filter
        ),
        event=(),
    )


def test_files_and_headers(night):
    folder, truth = night
    names = sorted(path.name for path in folder.iterdir())
    assert names == [
        "frames",
        "heater_power.csv",
        "heater_switches.csv",
        "supply_current.csv",
        "truth-Ha.fits",
        "truth-L.fits",
        "truth-stars.ecsv",
        "truth.ecsv",
    ]
    assert len(list((folder / "frames").iterdir())) == 6 + 1 + 2
    path = folder / truth["file"][4]
    with fits.open(path) as hdus:
        hdus.verify("exception")
        header = hdus[0].header
        assert header["BITPIX"] == 16
        assert header["EXPTIME"] == 90
        assert header["FILTER"] == "Ha"
    raw = fits.getheader(path)
    # By the FITS standard: a time without a zone in the scale that TIMESYS names.
    assert raw["TIMESYS"] == "UTC"
    start = Time(raw["DATE-OBS"], format="fits", scale="utc")
    assert abs((start - truth["start"][4]).sec) < 1e-3
    assert (Time(raw["DATE-END"], format="fits", scale="utc") - start).sec == pytest.approx(90)


def test_the_frames_subpackage_understands_them(night):
    folder, truth = night
    table = read_frames(sorted((folder / "frames").iterdir()))
    kinds = [reason for reason in table["reason"] if reason]
    assert kinds == ["calibration frame"] * 3
    light = table[table["reason"] == ""]
    assert list(light["filter"]) == list(truth["filter"])
    assert list(light["exposure"]) == list(truth["exposure"])
    assert list(light["gain"]) == [0.8] * 6
    assert list(light["saturation"]) == [65000.0] * 6
    # 206.265 x 3.8 um / 560 mm
    assert light["pixel_scale"][0] == pytest.approx(1.39966, abs=1e-4)
    assert table.meta["notes"] == []


def test_heater_share_and_power(night):
    _, truth = night
    # L frames begin at 0, 68, 136, 204 s; the heater runs from 165 to 300 s; Ha from 272 s.
    share = [0, 0, (196 - 165) / 60, 1, (300 - 272) / 90, 0]
    assert np.allclose(truth["heater_share"], share, atol=1e-9)
    assert np.allclose(truth["heater_power"], 100 * np.array(share), atol=1e-7)
    assert list(truth["heater_state"]) == ["off", "off", "part", "on", "part", "off"]
    assert np.all((truth["fwhm"] > truth["fwhm_unheated"] + 1e-9) == (np.array(share) > 0))


def test_logs_agree_with_the_truth(night):
    folder, truth = night
    with open(folder / "heater_power.csv") as stream:
        rows = list(csv.DictReader(stream))
    times = np.array([datetime.fromisoformat(row["time_utc"]).timestamp() for row in rows])
    power = np.array([float(row["heater_percent"]) for row in rows])
    assert np.allclose(np.diff(times), 2.0, atol=0.11)
    for row in truth:
        inside = (times >= row["start"].unix) & (times < row["start"].unix + row["exposure"])
        # A switch lies anywhere between two samples: one interval of error.
        assert power[inside].mean() == pytest.approx(
            row["heater_power"], abs=100 * 2.0 / row["exposure"]
        )
    with open(folder / "heater_switches.csv") as stream:
        switches = list(csv.DictReader(stream))
    assert [row["heater_percent"] for row in switches] == ["100", "0"]
    assert switches[0]["time_utc"] == "2024-10-14T20:14:45.0Z"
    with open(folder / "supply_current.csv") as stream:
        current = np.array([float(row["amps"]) for row in csv.DictReader(stream)])
    assert np.ptp(current) > 2.8  # the heater's step at least


def test_current_step_is_the_heater_s(scenario):
    from framesort.simulation._logs import supply_current

    with_heater = supply_current(scenario, plan_exposures(scenario)).splitlines()[1:]
    cold = replace(scenario, heater=replace(scenario.heater, events=()))
    without = supply_current(cold, plan_exposures(cold)).splitlines()[1:]
    step = [
        float(a.split(",")[1]) - float(b.split(",")[1])
        for a, b in zip(with_heater, without, strict=True)
    ]
    assert {round(abs(one), 2) for one in step} == {0.0, 2.8}


def test_sky_noise_is_that_of_photons_and_readout(scenario):
    plain = bare(scenario)
    counts, _, sky = draw_frame(plain, plan_exposures(plain)[0])
    level = counts.mean() - 500.0
    electrons = 5.0 * 60
    assert sky == pytest.approx(electrons / 0.8)
    pixels = counts.size
    # Variance of counts: sky / gain + (read noise / gain)^2 + 1/12 of rounding (Howell, Handbook
    # of CCD Astronomy; from memory). Three deviations of mean and variance of so many pixels.
    variance = electrons / 0.8**2 + (1.8 / 0.8) ** 2 + 1 / 12
    assert level == pytest.approx(electrons / 0.8, abs=3 * np.sqrt(variance / pixels))
    assert counts.var() == pytest.approx(variance, rel=3 * np.sqrt(2 / pixels))


def test_saturation_bias_and_hot_pixels(scenario, night):
    folder, truth = night
    bright = replace(scenario, stars=replace(scenario.stars, faintest=1e5, brightest=1e7))
    counts, _, _ = draw_frame(bright, plan_exposures(bright)[1])
    assert counts.max() == 65000
    dark = fits.getdata(folder / "frames" / "dark-001.fits").astype(float)
    assert np.median(dark) == pytest.approx(500.0, abs=1.0)
    hot = dark > 500 + 200
    assert 5 <= hot.sum() <= 25  # 20 hot pixels of widely different current, some cosmic rays none
    frames = np.median([fits.getdata(folder / name)[hot] for name in truth["file"]], axis=0)
    assert np.median(frames) > 1000  # fixed to the sensor: hot in every frame


def test_a_part_heated_frame_is_the_sum_of_its_parts(scenario):
    shots = plan_exposures(scenario)
    part = shots[2]
    (off, _), (on, power) = part.heating
    assert (power, round(off + on, 12)) == (100.0, 1.0)
    stage = set_stage(scenario)

    def light(heating):
        image = np.zeros(stage.flat.shape)
        shot = replace(part, heating=heating)
        seen = {"filter_name": "L", "matrix": part.matrix}
        add_stars(image, scenario, stage.field, shot, factor=60.0, **seen)
        return image, nebula_light(scenario, stage.field, shot, shape=image.shape, **seen)

    stars, nebula = light(part.heating)
    cold, hot = light(((1.0, 0.0),)), light(((1.0, 100.0),))
    # Stars end where their light falls below 0.02 electrons, at other radii for other shares.
    assert np.abs(stars - off * cold[0] - on * hot[0]).max() < 0.1
    # Single precision.
    assert np.abs(nebula - off * cold[1] - on * hot[1]).max() < 1e-5 * nebula.max()
    assert np.abs(hot[1] - cold[1]).max() > 0.02 * nebula.max()


def test_places_of_stars_follow_the_matrix_through_the_flip(night):
    folder, truth = night
    stars = Table.read(folder / "truth-stars.ecsv")
    tree = cKDTree(np.c_[stars["x"], stars["y"]])
    alone = np.array([len(near) == 1 for near in tree.query_ball_point(tree.data, 12)])
    for row in truth[[1, 3, 5]]:
        flux = stars[f"flux_{row['filter']}"]
        # Bright, not saturated (a seventh of the light is in the brightest pixel), alone.
        chosen = stars[alone & (flux > 1.8e4) & (flux < 4e5)]
        grid = np.vstack([chosen["x"], chosen["y"], np.ones(len(chosen))])
        x, y, _ = np.linalg.inv(row["matrix"]) @ grid
        inside = (x > 15) & (x < 304) & (y > 15) & (y < 224)
        x, y = x[inside], y[inside]
        assert len(x) >= 4
        data = fits.getdata(folder / row["file"]).astype(np.float64)
        data -= sep.Background(data, bw=32, bh=32).back()
        # Started half a pixel away, windowed centroids must come to the place.
        found_x, found_y, flag = sep.winpos(data, x + 0.4, y - 0.3, 1.2)
        distance = np.hypot(found_x - x, found_y - y)[flag == 0]
        # Fluxes of 1.8e4 ADU and more on a noise of 30: 0.03 px for the faintest.
        assert np.median(distance) < 0.03
    assert truth["matrix"][5][0, 0] == pytest.approx(-1.0, abs=1e-3)
    assert "after flip" in truth["remarks"][5]


def test_ideal_picture(night, scenario):
    folder, truth = night
    with fits.open(folder / "truth-L.fits") as hdus:
        whole, stars, nebula = hdus[0].data, hdus["STARS"].data, hdus["NEBULA"].data
        width = hdus[0].header["FWHM"]
    assert np.allclose(whole, stars + nebula, rtol=1e-6, atol=1e-3)
    assert width == pytest.approx(np.median(truth["fwhm_unheated"][:2]), rel=0.3)
    catalogue = Table.read(folder / "truth-stars.ecsv")
    inside = (
        (catalogue["x"] > 20)
        & (catalogue["x"] < 299)
        & (catalogue["y"] > 20)
        & (catalogue["y"] < 219)
    )
    tree = cKDTree(np.c_[catalogue["x"], catalogue["y"]])
    alone = [len(near) == 1 for near in tree.query_ball_point(tree.data, 25)]
    chosen = catalogue[inside & np.array(alone)][:4]  # far brighter than all wings around
    assert len(chosen) == 4
    flux, _, _ = sep.sum_circle(stars.astype(float), chosen["x"], chosen["y"], 15.0, subpix=5)
    # Moffat of exponent 3: light within r is 1 - (1 + (r/a)^2)^-2, a = fwhm / 1.01965.
    share = 1 - (1 + (15 * 1.01965 / 2.6) ** 2) ** -2
    assert np.allclose(flux / share, chosen["flux_L"], rtol=0.01)


def test_ideal_picture_on_another_frame_s_grid(scenario, night):
    _, truth = night
    stars, nebula = draw_truth(scenario, "Ha")
    turned, cloud = draw_truth(scenario, "Ha", matrix=truth["matrix"][5])
    rows, columns = np.indices((240, 320))
    x, y, _ = truth["matrix"][5] @ np.vstack([columns.ravel(), rows.ravel(), np.ones(rows.size)])
    inside = (x > 2) & (x < 317) & (y > 2) & (y < 237)
    expected = map_coordinates(nebula, [y[inside], x[inside]], order=3)
    # Two interpolations of a picture seen through a profile of 2.6 px and the pixel.
    assert np.abs(cloud.ravel()[inside] - expected).max() < 0.01 * nebula.max()
    assert turned.sum() == pytest.approx(stars.sum(), rel=0.2)  # some stars leave, some enter


def test_resampling_against_scipy():
    rows, columns = np.mgrid[:120, :140]
    picture = (np.sin(columns / 9.0) * np.cos(rows / 7.0) + 0.1 * columns).astype(np.float32)
    turn = np.deg2rad(7.0)
    matrix = np.array(
        [[np.cos(turn), -np.sin(turn), 20.3], [np.sin(turn), np.cos(turn), 9.6], [0, 0, 1]]
    )
    mine = resample(picture, matrix, (80, 90))
    y, x = np.mgrid[:80, :90]
    place = matrix @ np.vstack([x.ravel(), y.ravel(), np.ones(x.size)])
    # The function itself at these places: no interpolation.
    exact = np.sin(place[0] / 9.0) * np.cos(place[1] / 7.0) + 0.1 * place[0]
    theirs = map_coordinates(picture.astype(float), place[1::-1], order=3).reshape(80, 90)
    assert np.abs(mine.ravel() - exact).max() < 1e-3
    assert np.abs(mine - theirs).max() < 1e-3


def test_satellite_and_trail_are_there(night):
    folder, truth = night
    assert truth["remarks"][0] == "trail"
    assert truth["remarks"][1] == "satellite"
    assert truth["fwhm"][0] > 1.3 * truth["fwhm"][1]
    image = fits.getdata(folder / truth["file"][1]).astype(float)
    bright = image - np.median(image) > 400
    labels, _ = label(bright, np.ones((3, 3)))
    sizes = [piece[1].stop - piece[1].start for piece in find_objects(labels)]
    longest = int(np.argmax(sizes)) + 1
    assert sizes[longest - 1] == 320  # across the whole image
    rows, columns = np.nonzero(labels == longest)
    # A line through its pixels; stars that touch it move its slope a little.
    slope = np.polyfit(columns, rows, 1)[0]
    assert np.degrees(np.arctan(slope)) == pytest.approx(30.0, abs=2.0)


def test_workers_and_order_do_not_matter(night, scenario, tmp_path):
    folder, truth = night
    seen = []

    def watch(items):
        for item in items:
            seen.append(1)
            yield item

    with ThreadPoolExecutor(2) as pool:
        again = simulate_night(scenario, tmp_path / "again", executor=pool, progress=watch)
    assert len(seen) == 9
    for name in ["truth.ecsv", "heater_power.csv", "supply_current.csv", *truth["file"]]:
        assert (folder / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name
    assert list(again["fwhm"]) == list(truth["fwhm"])


def test_nothing_is_overwritten_by_default(night, scenario, tmp_path):
    folder, _ = night
    with pytest.raises(OutputError, match="--overwrite"):
        simulate_night(scenario, folder)
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "other.fits").write_bytes(b"")
    with pytest.raises(OutputError, match="not of this night"):
        simulate_night(scenario, tmp_path, overwrite=True)


def test_a_shorter_night_replaces_a_longer_one(scenario, tmp_path):
    short = replace(bare(scenario), run=(replace(scenario.run[0], count=2),))
    simulate_night(short, tmp_path)
    shorter = replace(short, run=(replace(scenario.run[0], count=1),))
    simulate_night(shorter, tmp_path, overwrite=True)
    names = sorted(path.name for path in (tmp_path / "frames").iterdir())
    assert names == ["001-L.fits", "dark-001.fits", "flat-L-001.fits"]


def test_event_after_the_night(scenario, tmp_path):
    late = replace(scenario, event=(replace(scenario.event[0], minute=99.0),))
    with pytest.raises(InputError, match=r"event\[1\].minute must be within the night of 7.7"):
        simulate_night(late, tmp_path)
