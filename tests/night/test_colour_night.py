"""A night with a colour filter array from end to end, against its truth."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from scipy.spatial import cKDTree

from framesort.colour import PlaneReader
from framesort.night import process_night
from framesort.records import Transform
from framesort.simulation import draw_truth
from framesort.stacking import Execution, FrameValues, StackMethod, stack_frames

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 21
[camera]
width = 330
height = 270
pattern = "GBRG"
hot_pixels = 20
[stars]
count = 150
faintest = 30.0
brightest = 4e4
slope = 0.45
colour = 0.2
[nebula]
arcs = 1
galaxies = 1
coarsest = 120.0
[seeing]
fwhm = 2.8
trail = 0.1
[mount]
dither = 8.0
drift = 0.0
rotation = 0.0
[heater]
events = [[14.6, 100]]
[[filter]]
name = "R"
sky = 4.0
diffuse = 1.0
filaments = 0.5
[[filter]]
name = "G"
stars = 1.3
sky = 6.0
diffuse = 0.7
filaments = 0.3
[[filter]]
name = "B"
stars = 0.8
sky = 5.0
diffuse = 0.5
filaments = 0.2
[[run]]
filter = "colour"
exposure = 60.0
count = 18
"""


@pytest.fixture(scope="module")
def coloured(draw_night):
    """Scenario, truth, frames' folder, result."""
    night = draw_night(SCENARIO)
    folder, scenario, truth = night.folder, night.scenario, night.truth
    result = process_night(
        [folder / "frames"], out=folder / "out", heater=folder / "heater_power.csv"
    )
    return scenario, truth, folder, result


def test_frames_are_measured_on_green(coloured):
    _, truth, _, result = coloured
    assert result.status == 0
    assert set(result.table["pattern"]) == {"GBRG"} and set(result.table["group"]) == {"colour"}
    assert list(result.table["heater_state"]) == list(truth["heater_state"])
    off = np.asarray(truth["heater_state"]) == "off"
    ratio = np.asarray(result.table["fwhm"]) / np.asarray(truth["fwhm"])
    # Interpolated green would be 9 to 10 % wide (docs/colour.md).
    assert np.median(ratio[off]) == pytest.approx(1.0, abs=0.02)
    assert np.median(ratio[~off]) == pytest.approx(1.0, abs=0.03)
    line = np.asarray(result.table["spike_angle"])[np.asarray(truth["heater_state"]) == "on"]
    assert np.median(line) == pytest.approx(62, abs=3)


def grid_matrix(coloured):
    """Takes the grid of the stacks to the first frame, by the truth of the reference frame."""
    _, truth, _, result = coloured
    still = np.hypot(result.table["shift_x"], result.table["shift_y"])
    row = int(np.nanargmin(np.where(result.table["residual"] == 0, still, np.inf)))
    name = str(result.table["file"][row]).rsplit("/", 1)[1]
    return next(r["matrix"] for r in truth if r["file"].endswith(name))


def test_star_colours_are_true(coloured):
    scenario, _, folder, result = coloured
    final = fits.getdata(folder / "out" / "colour" / "final.fits")
    assert final.shape == (3, 270, 330)
    matrix = grid_matrix(coloured)
    stars = Table.read(folder / "truth-stars.ecsv")
    places = np.linalg.inv(matrix) @ np.stack([stars["x"], stars["y"], np.ones(len(stars))])
    xy = places[:2].T
    light = np.stack([stars[f"flux_{name}"] for name in "RGB"], axis=1)
    near = cKDTree(xy).query_ball_point(xy, 14)
    alone = np.array(
        [all(np.all(light[j] < 0.01 * light[i]) for j in near[i] if j != i) for i in range(len(xy))]
    )
    good = alone & (light.min(axis=1) > 2e4) & (light.max(axis=1) < 3e5)
    good &= np.all((xy > 24) & (xy < np.array([330, 270]) - 24), axis=1)
    assert good.sum() >= 6
    fluxes = []
    for plane, name in zip(final, "RGB", strict=True):
        picture, nebula = draw_truth(scenario, name, matrix=matrix, shape=plane.shape)
        pair = []
        for image in (plane - nebula, picture):
            around = [
                np.median(cut.get_values(image))
                for cut in CircularAnnulus(xy[good], 9, 14).to_mask(method="center")
            ]
            total = aperture_photometry(image, CircularAperture(xy[good], 7))["aperture_sum"]
            pair.append(np.asarray(total) - np.array(around) * np.pi * 49)
        fluxes.append(pair[0] / pair[1])
    red, green_ratio, blue = fluxes
    for ratio in (red / green_ratio, blue / green_ratio):
        # The colour of each isolated star within 3 %: those of 2e4 ADU have 6 ADU of noise in
        # each of 154 pixels, correlated by interpolation, in both planes: 0.8 % in all.
        assert np.median(ratio) == pytest.approx(1.0, abs=0.01)
        assert np.all(np.abs(ratio - 1) < 0.03), ratio
    assert result.summary.groups[0].replaced > 20


def test_products_have_three_planes(coloured):
    _, _, folder, _ = coloured
    out = folder / "out" / "colour"
    for name in ("deep", "sharp"):
        with fits.open(out / f"{name}.fits") as hdus:
            assert hdus[0].data.shape == (3, 270, 330)
            assert hdus["WEIGHT"].data.shape == (3, 270, 330)
            assert "BAYERPAT" not in hdus[0].header
            assert "planes 1, 2, 3 are red, green, blue" in str(hdus[0].header["HISTORY"])
    final, stars, background = (
        fits.getdata(out / f"{name}.fits") for name in ("final", "stars", "background")
    )
    assert np.nanmax(np.abs(stars + background - final)) < 2e-7 * np.nanmax(np.abs(final))
    import matplotlib.image

    preview = matplotlib.image.imread(folder / "out" / "preview.png")
    assert np.abs(preview[..., 0] - preview[..., 2]).max() > 0.1, "the preview is in colour"


def test_final_green_stars_are_as_sharp_as_the_sharp_ones(coloured):
    _, _, _, result = coloured
    fwhm = result.summary.groups[0].fwhm
    assert fwhm["final"] == pytest.approx(fwhm["sharp"], rel=0.03)
    assert fwhm["deep"] > 1.03 * fwhm["sharp"]


def test_placed_pixels_are_where_interpolated_ones_do(coloured):
    """The other way to make planes, on the true transforms."""
    _, truth, folder, _ = coloured
    files = [str(folder / str(row["file"])) for row in truth]
    transforms = [Transform(matrix=np.array(row["matrix"]), matched=50) for row in truth]
    stacks = {
        fill: stack_frames(
            files, transforms, sets={"all": np.ones(len(files))}, shape=(270, 330),
            values=FrameValues(reference=0),
            method=StackMethod(kernel="lanczos3" if fill else "linear"),
            execution=Execution(read=PlaneReader(pattern="GBRG", colour="R", fill=fill)),
        )["all"]
        for fill in (True, False)
    }  # fmt: skip
    inner = (slice(20, -20), slice(20, -20))
    # Red of 18 frames lands on a pixel 4.5 times on average, a quarter of them, less what is
    # rejected; how often on each of the four kinds of pixel is up to the dithers.
    assert np.isfinite(stacks[False].data[inner]).mean() > 0.98
    assert stacks[False].coverage[inner].mean() == pytest.approx(4.5, abs=0.1)
    stars = Table.read(folder / "truth-stars.ecsv")
    xy, flux = np.stack([stars["x"], stars["y"]], axis=1), np.asarray(stars["flux_R"])
    good = (flux > 3e4) & (flux < 3e5) & np.all((xy > 24) & (xy < [306, 246]), axis=1)
    sums = []
    for stack in stacks.values():
        image = np.nan_to_num(stack.data, nan=np.nanmedian(stack.data))
        level = np.nanmedian(image)
        sums.append(aperture_photometry(image - level, CircularAperture(xy[good], 7)))
    ratio = np.asarray(sums[0]["aperture_sum"]) / np.asarray(sums[1]["aperture_sum"])
    assert np.median(ratio) == pytest.approx(1.0, abs=0.02)


def test_three_plane_frames_in(coloured, tmp_path):
    _, _, folder, _ = coloured
    (tmp_path / "planes").mkdir()
    for k in (1, 2, 3, 4, 15, 16):
        with fits.open(folder / "frames" / f"{k:03d}-colour.fits") as hdus:
            mosaic, header = hdus[0].data.astype("f4"), hdus[0].header
        for keyword in ("BAYERPAT", "XBAYROFF", "YBAYROFF"):
            del header[keyword]
        # Whole cells of four pixels as one, which makes three planes without interpolation.
        green = (mosaic[0::2, 0::2] + mosaic[1::2, 1::2]) / 2
        planes = np.stack([mosaic[1::2, 0::2], green, mosaic[0::2, 1::2]])
        fits.PrimaryHDU(planes, header).writeto(tmp_path / "planes" / f"{k}.fits")
    result = process_night([tmp_path / "planes"], out=tmp_path / "out", heater=0)
    assert set(result.table["pattern"]) == {"RGB"}
    assert set(result.table["reason"]) <= {"", "wide stars", "poor focus"}
    deep = fits.getdata(tmp_path / "out" / "colour" / "deep.fits")
    assert deep.shape == (3, 135, 165)
    # Sky by filter, electrons a second: 4, 6, 5 of 60 s at 0.8 electrons per ADU on 500 ADU.
    sky = [np.nanpercentile(plane, 20) - 500 for plane in deep]
    assert sky[0] < sky[2] < sky[1]
