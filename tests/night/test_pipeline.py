"""The whole pipeline on an simulated night, judged by the night's truth."""

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.psf import fit_fwhm
from scipy.interpolate import RectBivariateSpline
from scipy.spatial import cKDTree

from framesort.errors import HeaterLogError, NotEnoughFramesError, OutputError
from framesort.night import merge_night, sort_night
from framesort.settings import Settings
from framesort.simulation import draw_truth

pytestmark = [
    pytest.mark.slow,
    # photutils' fitter warns about single stars; medians over many are used here
    pytest.mark.filterwarnings("ignore::astropy.utils.exceptions.AstropyUserWarning"),
]


def truth_of(simulated, file):
    return next(row for row in simulated.truth if row["file"].endswith(Path(file).name))


def grid_matrix(simulated, merged, label):
    """(x, y, 1) of the stacks to (x, y, 1) of the first frame, by the simulator's truth."""
    row = next(r for r in merged.table if r["shift_x"] == 0 and r["residual"] == 0)
    return np.array(truth_of(simulated, row["file"])["matrix"])


def read(merged, label, name):
    return fits.getdata(merged.folder / label / name).astype(float)


def test_states_agree_with_the_truth(simulated, merged):
    # The log has a sample every 2 s and a switch lies midway between two: 1 s of 60 is 0.017.
    assert len(merged.table) == 28, "the dark is not a frame of the night"
    for row in merged.table:
        truth = truth_of(simulated, row["file"])
        assert row["heater_share"] == pytest.approx(truth["heater_share"], abs=0.02)
        assert row["heater_state"] == truth["heater_state"]


def test_measured_width_is_the_true_width(simulated, merged):
    # 2 % is what star measurement is held to; the trailed frame has no single width.
    for row in merged.table:
        truth = truth_of(simulated, row["file"])
        if row["filter"] == "L" and truth["trail"] < 1:
            assert row["fwhm"] == pytest.approx(truth["fwhm"], rel=0.02), row["file"]


def test_sets(simulated, merged):
    table = merged.table
    heated = table["heater_share"] > 0.02
    assert not np.any(table["sharp_set"] & heated)
    assert np.sum(table["sharp_set"] & (table["group"] == "L")) >= 9
    trailed = next(row for row in table if "003-L" in row["file"])
    assert not trailed["sharp_set"] and "trailed" in trailed["reason"]
    for name in ("sharp", "deep"):
        lines = (merged.folder / "sets" / f"L-{name}.txt").read_text().splitlines()
        assert len(lines) == np.sum(table[f"{name}_set"] & (table["group"] == "L"))
        assert all(Path(line).is_absolute() and Path(line).exists() for line in lines)


def test_frames_are_placed_where_they_were_taken(simulated, merged):
    # Each frame's centre through the transform found, against the one it was drawn with. Stars
    # of 2.9 px FWHM are placed to some hundredths of a pixel each; 0.1 px leaves room for Ha.
    to_first = np.linalg.inv(grid_matrix(simulated, merged, "L"))
    for row in merged.table:
        if not row["deep_set"]:
            continue
        centre = np.array([(row["width"] - 1) / 2, (row["height"] - 1) / 2, 1.0])
        landed = to_first @ np.array(truth_of(simulated, row["file"])["matrix"]) @ centre
        assert landed[0] - centre[0] == pytest.approx(row["shift_x"], abs=0.1), row["file"]
        assert landed[1] - centre[1] == pytest.approx(row["shift_y"], abs=0.1), row["file"]
        turned = "flip" in str(truth_of(simulated, row["file"])["remarks"])
        assert (abs(row["rotation"]) > 90) == turned


@pytest.fixture(scope="module")
def compared(simulated, merged):
    """Final picture and truth on its grid, nebula and sky taken off; bright single stars; L."""
    matrix = grid_matrix(simulated, merged, "L")
    final = read(merged, "L", "final.fits")
    stars, nebula = draw_truth(simulated.scenario, "L", matrix=matrix, shape=final.shape)
    table = Table.read(simulated.folder / "truth-stars.ecsv")
    places = np.linalg.inv(matrix) @ np.stack([table["x"], table["y"], np.ones(len(table))])
    xy, flux = places[:2].T, np.array(table["flux_L"])
    near = [
        [j for j in group if j != i and flux[j] > 0.02 * flux[i]]
        for i, group in enumerate(cKDTree(xy).query_ball_point(xy, 16))
    ]
    edge = np.array(final.shape[::-1]) - 36
    good = (flux > 9000) & (flux < 2.5e5) & np.all((xy > 35) & (xy < edge), axis=1)
    good &= np.array([not group for group in near])
    # The sky's gradient is no part of the truth: both are freed of what is smooth over 60 px.
    rest = final - stars - nebula
    rows, columns = np.arange(0, final.shape[0], 20), np.arange(0, final.shape[1], 20)
    boxes = [[np.nanmedian(rest[i : i + 60, j : j + 60]) for j in columns] for i in rows]
    sky = RectBivariateSpline(rows + 29.5, columns + 29.5, np.array(boxes), kx=1, ky=1)(
        np.arange(final.shape[0]), np.arange(final.shape[1])
    )
    return final - nebula - sky, stars, nebula + sky, xy[good]


def test_final_stars_have_the_true_width(compared):
    final, stars, _, xy = compared
    assert len(xy) >= 8
    wide = fit_fwhm(final, xypos=xy, fit_shape=9)
    true = fit_fwhm(stars, xypos=xy, fit_shape=9)
    # The sharp set holds frames of slightly different seeing, resampled: 5 % is asked.
    assert np.median(wide / true) == pytest.approx(1.0, abs=0.05)


def test_final_fluxes_are_true(compared):
    final, stars, _, xy = compared
    apertures = CircularAperture(xy, 8)
    got = aperture_photometry(final, apertures)["aperture_sum"]
    want = aperture_photometry(stars, apertures)["aperture_sum"]
    ratio = np.array(got / want)
    # The scale of the stacks is that of one frame, whose transparency is near 1; 3 % is asked. A
    # star of 9000 ADU has 6 ADU of noise a pixel in 200 pixels of aperture: 1 %, three of them.
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)
    assert np.all(np.abs(ratio / np.median(ratio) - 1) < 0.04)


def test_spike_is_gone(compared, merged):
    final, stars, base, xy = compared
    deep = read(merged, "L", "deep.fits") - base
    radius = np.arange(9, 26)

    def light_at(image, degrees):
        dx, dy = radius * np.cos(np.deg2rad(degrees)), radius * np.sin(np.deg2rad(degrees))
        rows = np.rint(xy[:, 1:] + np.r_[dy, -dy]).astype(int)
        columns = np.rint(xy[:, :1] + np.r_[dx, -dx]).astype(int)
        return np.nanmean((image - stars)[rows, columns])

    def along_the_line(image):
        return light_at(image, 62) - 0.5 * (light_at(image, 32) + light_at(image, 92))

    assert along_the_line(deep) > 0
    assert abs(along_the_line(final)) < 0.2 * along_the_line(deep)


@pytest.mark.parametrize("label", ["L", "Ha"])
def test_layers_add_up_and_the_rest_is_untouched(merged, label):
    final, stars = read(merged, label, "final.fits"), read(merged, label, "stars.fits")
    background, deep = read(merged, label, "background.fits"), read(merged, label, "deep.fits")
    scale = np.nanmax(np.abs(final))
    assert np.nanmax(np.abs(stars + background - final)) < 2e-7 * scale
    mask = fits.getdata(merged.folder / label / "final.fits", "STARMASK")
    untouched = mask == 0
    assert 0.2 < untouched.mean() < 1
    assert np.array_equal(final[untouched], deep[untouched], equal_nan=True)
    assert np.all(stars[untouched & np.isfinite(final)] == 0)


def test_satellites_and_hot_pixels_are_gone(simulated, merged):
    # In the final picture, so that spikes are not taken for satellites.
    matrix = grid_matrix(simulated, merged, "L")
    final = read(merged, "L", "final.fits")
    stars, nebula = draw_truth(simulated.scenario, "L", matrix=matrix, shape=final.shape)
    rest = final - nebula
    quiet = (stars < 2.0) & (fits.getdata(merged.folder / "L" / "deep.fits", "COVERAGE") > 15)
    y, x = np.mgrid[: final.shape[0], : final.shape[1]] / final.shape[0]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)  # the sky's gradient
    rest[quiet] -= terms[quiet] @ np.linalg.lstsq(terms[quiet], rest[quiet])[0]
    noise = 1.4826 * np.median(np.abs(rest[quiet]))
    # Half of a satellite of 3000 ADU left in one of 20 frames would stand at ten sigma along its
    # whole length; of 2e5 Gaussian pixels the highest is near 4.5, halos of stars allow some.
    assert np.sum(rest[quiet] > 7 * noise) < 20


def test_report_and_summary(merged):
    page = (merged.folder / "report.html").read_text()
    assert page.startswith("<!") and "http://" not in page.replace("http://www.w3.org", "")
    assert (merged.folder / "preview.png").read_bytes()[:4] == b"\x89PNG"
    summary = json.loads((merged.folder / "night.json").read_text())
    assert {group["label"] for group in summary["groups"]} == {"L", "Ha"}
    assert summary["stages"] == {"sort": True, "merge": True}
    assert merged.status == 0
    # Camera and logger share one clock in this night; a trail and a satellite must not blur that.
    assert summary["clock"]["significant"] is False
    assert abs(summary["clock"]["seconds"]) < 3 * summary["clock"]["error"]


def test_merge_after_sort_is_the_same_to_the_bit(simulated, merged, tmp_path):
    sort_night([simulated.frames], out=tmp_path, heater=simulated.log)
    merge_night(tmp_path)
    for label in ("L", "Ha"):
        for name in ("deep.fits", "final.fits"):
            one, two = read(merged, label, name), fits.getdata(tmp_path / label / name)
            assert np.array_equal(one, two, equal_nan=True)


def test_a_finished_night_is_not_overwritten(simulated, merged):
    before = (merged.folder / "frames.ecsv").read_bytes()
    with pytest.raises(OutputError, match="--overwrite"):
        sort_night([simulated.frames], out=merged.folder, heater=simulated.log)
    with pytest.raises(OutputError, match="--overwrite"):
        merge_night(merged.folder)
    assert (merged.folder / "frames.ecsv").read_bytes() == before


def test_originals_are_as_they_were(simulated, merged):
    # Truth was written after the frames; nothing in their folder is newer than it.
    newest = max(path.stat().st_mtime for path in simulated.frames.iterdir())
    assert newest <= (simulated.folder / "truth.ecsv").stat().st_mtime
    assert len(list(simulated.frames.iterdir())) == 29


def test_no_heated_and_no_unheated_frames(simulated, tmp_path):
    cold = [simulated.frames / f"{k:03d}-L.fits" for k in range(4, 11)]
    result = sort_night(cold, out=tmp_path / "cold", heater=0)
    assert result.status == 0
    assert "No heated frame" in result.summary.groups[0].advice[0]
    hot = [simulated.frames / f"{k:03d}-L.fits" for k in range(14, 20)]
    result = sort_night(hot, out=tmp_path / "hot", heater=100)
    assert result.status == 3
    assert np.all(result.table["heater_state"] == "on")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        merged = merge_night(tmp_path / "hot")
    assert merged.status == 3
    assert (tmp_path / "hot" / "L" / "deep.fits").exists(), "the deep stack is made all the same"
    assert not (tmp_path / "hot" / "L" / "final.fits").exists()


def test_frames_without_stars(tmp_path):
    rng = np.random.default_rng(3)
    for k in range(3):
        header = fits.Header({"DATE-OBS": f"2026-02-11T20:0{k}:00", "EXPTIME": 60.0})
        noise = rng.normal(500, 10, (120, 160)).astype("u2")
        fits.PrimaryHDU(noise, header).writeto(tmp_path / f"{k}.fits")
    with pytest.raises(NotEnoughFramesError, match=r"none of 3 frames .* few stars"):
        sort_night([tmp_path], out=tmp_path / "out", heater=0)


def test_damaged_frames_are_named_and_the_rest_is_done(simulated, tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    for k in range(4, 12):
        name = f"{k:03d}-L.fits"
        (folder / name).write_bytes((simulated.frames / name).read_bytes())
    whole = (folder / "004-L.fits").read_bytes()
    (folder / "half.fits").write_bytes(whole[: len(whole) // 2])
    (folder / "text.fits").write_text("not an image")
    result = sort_night([folder], out=tmp_path / "out", heater=simulated.log)
    assert result.status == 1
    left = {Path(e.file).name: e.reason for e in result.summary.left_out}
    assert left == {"half.fits": "unreadable", "text.fits": "unreadable"}
    assert np.sum(result.table["sharp_set"]) >= 6


def test_log_of_another_night(simulated, tmp_path):
    log = tmp_path / "other.csv"
    rows = "".join(f"2019-01-01T00:00:{second:02d}Z,0\n" for second in range(0, 60, 2))
    log.write_text("time_utc,heater_percent\n" + rows)
    cold = [simulated.frames / f"{k:03d}-L.fits" for k in range(4, 11)]
    result = sort_night(cold, out=tmp_path / "out", heater=log)
    assert result.status == 1
    assert "covers no frame" in result.summary.notes[0]
    assert set(result.table["heater_state"]) == {"unknown"}


def test_power_in_the_frames_own_headers(simulated, tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    powers = {}
    for k in (5, 6, 7, 8, 9, 10, 15, 16, 17, 18):
        name = f"{k:03d}-L.fits"
        with fits.open(simulated.frames / name) as hdus:
            powers[name] = 100.0 if k > 12 else 0.0
            hdus[0].header["DEWPOWER"] = powers[name]
            hdus.writeto(folder / name)
    settings = Settings(heater_keyword="dewpower")
    result = sort_night([folder], out=tmp_path / "out", settings=settings)
    assert result.status == 0
    for row in result.table:
        power = powers[Path(row["file"]).name]
        assert row["heater_power"] == power
        assert row["heater_state"] == ("on" if power else "off")
    wrong = Settings(heater_keyword="NOSUCH")
    with pytest.raises(HeaterLogError, match="check the name of the keyword"):
        sort_night([folder], out=tmp_path / "other", settings=wrong)
