"""The demo night, end to end, against its truth; measured with photutils, not with framesort."""

import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.utils.exceptions import AstropyUserWarning
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from photutils.psf import fit_fwhm
from scipy.ndimage import gaussian_filter, maximum_filter
from scipy.spatial import cKDTree

from framesort.cli import main
from framesort.simulation import draw_truth, read_scenario, simulate_night
from framesort.workers import open_executor

DEMO = Path(__file__).parents[1] / "demo"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Scenario, truth table and result folder of the demo."""
    folder = tmp_path_factory.mktemp("demo")
    scenario = read_scenario(DEMO / "night.toml")
    with open_executor() as pool:
        truth = simulate_night(scenario, folder / "night", executor=pool)
    log = folder / "night" / "heater_power.csv"
    frames, result = str(folder / "night" / "frames"), folder / "result"
    status = main(["night", frames, "--heater", str(log), "--out", str(result)])
    assert status in (0, 1)  # 1: frames were left out, as the trailed one must be
    return scenario, truth, result


def table_of(result, truth):
    """The night's table in the order of the truth."""
    table = Table.read(result / "frames.ecsv")
    names = [Path(str(file)).name for file in table["file"]]
    return table[[names.index(Path(file).name) for file in truth["file"]]]


def grid_matrix(result, truth):
    """From the target grid to the first frame: that of the frame whose pixels are the grid."""
    table = table_of(result, truth)
    still = (table["shift_x"] == 0) & (table["shift_y"] == 0) & (table["rotation"] == 0)
    (row,) = np.flatnonzero(np.ma.filled(still, False))
    return np.asarray(truth["matrix"][row])


def picture(result, label, name, extension=0):
    return fits.getdata(result / label / name, extension).astype(np.float64)


def isolated_stars(scenario, result, truth, label, faintest):
    """Places on the grid of stars that are alone, far from the border and not saturated."""
    stars = Table.read(result.parent / "night" / "truth-stars.ecsv")
    flux = np.asarray(stars[f"flux_{label}"])
    place = np.linalg.inv(grid_matrix(result, truth)) @ np.vstack(
        [stars["x"], stars["y"], np.ones(len(stars))]
    )
    x, y = place[:2]
    near = cKDTree(place[:2].T).query_ball_point(place[:2].T, 16)
    alone = [sum(flux[others]) - flux[k] < 0.02 * flux[k] for k, others in enumerate(near)]
    height, width = picture(result, label, "final.fits").shape
    good = np.array(alone) & (flux > faintest) & (x > 40) & (x < width - 41)
    # The brightest pixel holds at most a tenth of the light.
    good &= (y > 40) & (y < height - 41) & (0.1 * flux < 0.6 * scenario.camera.saturation)
    return x[good], y[good]


def star_light(scenario, result, truth, label):
    """Final picture without the true nebula, and the true stars, on the grid."""
    final = picture(result, label, "final.fits")
    stars, nebula = draw_truth(
        scenario, label, matrix=grid_matrix(result, truth), shape=final.shape
    )
    return final - nebula, stars


@pytest.mark.parametrize(("label", "faintest"), [("L", 5e3), ("Ha", 2.5e3)])
def test_stars_are_as_wide_as_in_truth(demo, label, faintest):
    scenario, truth, result = demo
    x, y = isolated_stars(scenario, result, truth, label, faintest)
    assert len(x) >= 30
    image, ideal = star_light(scenario, result, truth, label)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AstropyUserWarning)  # a fit here and there fails
        found, true = (
            fit_fwhm(data, xypos=np.c_[x, y], fit_shape=(11, 11))
            for data in (image - np.nanmedian(image), ideal)
        )
    assert np.isfinite(found).mean() > 0.9
    assert np.nanmedian(found) / np.nanmedian(true) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("label", "faintest"), [("L", 5e3), ("Ha", 2.5e3)])
def test_fluxes_of_isolated_stars(demo, label, faintest):
    scenario, truth, result = demo
    x, y = isolated_stars(scenario, result, truth, label, faintest)
    fluxes = []
    for data in star_light(scenario, result, truth, label):
        aperture = CircularAperture(np.c_[x, y], 7.0)
        ring = CircularAnnulus(np.c_[x, y], 10.0, 15.0).to_mask(method="center")
        level = np.array([np.median(mask.get_values(data)) for mask in ring])
        light = aperture_photometry(data, aperture)["aperture_sum"] - level * aperture.area
        fluxes.append(np.asarray(light))
    error = fluxes[0] / fluxes[1] - 1
    assert abs(np.median(error)) < 0.02
    # The faintest chosen have S/N 60 in this aperture: 3 % is two deviations for them.
    assert np.mean(np.abs(error) < 0.03) > 0.85


@pytest.mark.parametrize("label", ["L", "Ha"])
def test_layers_and_what_was_not_touched(demo, label):
    _, _, result = demo
    final, deep = picture(result, label, "final.fits"), picture(result, label, "deep.fits")
    layers = picture(result, label, "stars.fits") + picture(result, label, "background.fits")
    # Float precision of a value of 1e5.
    assert np.nanmax(np.abs(layers - final) / np.maximum(np.abs(final), 1)) < 1e-6
    mask = picture(result, label, "final.fits", "STARMASK") > 0
    assert 0.001 < mask.mean() < 0.5
    assert np.array_equal(final[~mask], deep[~mask], equal_nan=True)


def test_states_and_places(demo):
    scenario, truth, result = demo
    table = table_of(result, truth)
    assert list(table["heater_state"]) == list(truth["heater_state"])
    # The log's samples are two seconds apart, a switch lies midway between two.
    assert np.abs(table["heater_share"] - truth["heater_share"]).max() < 0.02
    trailed = np.array(["trail" in str(remark) for remark in truth["remarks"]])
    sharp, heated = np.asarray(table["sharp_set"]), np.asarray(truth["heater_share"]) > 0.02
    assert not np.any(sharp & trailed)
    # A heated frame may serve if nothing tells it from heater-off ones: at little power only, with
    # no spike, and in truth no wider than the widest of them.
    assert np.all(truth["heater_power"][sharp & heated] <= 30)
    assert np.all(truth["spike_share"][sharp & heated] == 0)
    for label in ("L", "Ha"):
        own = np.asarray(truth["filter"] == label)
        widest = np.max(truth["fwhm"][own & ~heated & ~trailed])
        assert np.all(truth["fwhm"][own & heated & sharp] <= widest)
        assert np.sum(own & ~heated & sharp) >= 10
    # Transforms against the truth's: the centre and a corner, half-turn included.
    matrix = np.linalg.inv(grid_matrix(result, truth))
    camera = scenario.camera
    centre = np.array([(camera.width - 1) / 2, (camera.height - 1) / 2, 1.0])
    for row, true in zip(table, truth["matrix"], strict=True):
        if row["deep_set"]:
            found = np.array([centre[0] + row["shift_x"], centre[1] + row["shift_y"]])
            assert np.hypot(*(found - (matrix @ true @ centre)[:2])) < 0.15
            angle = np.degrees(np.arctan2(true[1, 0], true[0, 0]) + np.arctan2(*matrix[1::-1, 0]))
            assert (row["rotation"] - angle + 180) % 360 - 180 == pytest.approx(0.0, abs=0.02)


def test_pictures_and_report_are_there(demo):
    _, _, result = demo
    for name in ("report.html", "preview.png", "night.json"):
        assert (result / name).stat().st_size > 1000


@pytest.mark.parametrize("label", ["L", "Ha"])
def test_heat_blurs_the_nebula(demo, label):
    scenario, truth, result = demo
    sharp, deep = (picture(result, label, f"{name}.fits") for name in ("sharp", "deep"))
    stars, nebula = draw_truth(scenario, label, matrix=grid_matrix(result, truth), shape=deep.shape)
    lost = nebula - gaussian_filter(nebula, 1.5)  # what a little blur takes away
    seen = (np.abs(lost) > np.quantile(np.abs(lost), 0.98)) & np.isfinite(sharp + deep)
    seen &= maximum_filter(stars, 9) < 2.0
    seen[:30], seen[-30:], seen[:, :30], seen[:, -30:] = (False,) * 4
    assert seen.sum() > 2000
    share = [
        np.polyfit(lost[seen], (image - gaussian_filter(nebula + stars, 1.5))[seen], 1)[0]
        for image in (sharp, deep)
    ]
    # Resampling and the frames' own scatter of seeing take a few per cent of the sharp stack's.
    assert share[0] == pytest.approx(1.0, abs=0.05)
    assert share[1] < 0.8
