"""Masters through the whole pipeline: vignetting, hot pixels and bias of an simulated night."""

import hashlib

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from scipy.spatial import cKDTree

from framesort.errors import InputError
from framesort.night import merge_night, process_night, sort_frames, sort_night
from framesort.settings import Settings

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 41
[camera]
width = 300
height = 240
vignetting = 0.5
hot_pixels = 400
dark_current = 0.05
[stars]
count = 160
faintest = 30.0
brightest = 6e4
[nebula]
arcs = 0
galaxies = 0
[mount]
dither = 5.0
[heater]
events = [[8.9, 100]]
[calibration]
darks = 9
flats = 5
[[filter]]
name = "L"
sky = 6.0
diffuse = 0.5
filaments = 0.2
[[run]]
filter = "L"
exposure = 60.0
count = 12
"""


@pytest.fixture(scope="module")
def raw(draw_night):
    """Folder of the night, its truth, and masters made of its own darks and flats."""
    night = draw_night(SCENARIO)
    folder, truth = night.folder, night.truth
    masters = {}
    for kind, pattern in (("dark", "dark-*"), ("flat", "flat-*")):
        files = sorted((folder / "frames").glob(pattern))
        pixels = np.median([fits.getdata(file).astype("f4") for file in files], axis=0)
        if kind == "flat":
            pixels -= 500  # the camera's bias level
        path = folder / "frames" / f"master-{kind}.fits"  # left among the others, as it happens
        fits.PrimaryHDU(pixels, fits.getheader(files[0])).writeto(path)
        masters[kind] = (str(path),)
    return folder, truth, masters


def slope_of_flux(folder, truth, qualities, table):
    """Fall of the measured flux over the true one from the centre to the corners."""
    stars = Table.read(folder / "truth-stars.ecsv")
    radius, ratio = [], []
    for row, quality in zip(table, qualities, strict=True):
        name = str(row["file"]).rsplit("/", 1)[1]
        matrix = next(r["matrix"] for r in truth if r["file"].endswith(name))
        places = np.linalg.inv(matrix) @ np.stack([stars["x"], stars["y"], np.ones(len(stars))])
        found = quality.star_list[np.asarray(quality.star_list["clean"])]
        xy = np.stack([found["x"], found["y"]], axis=1)
        near, index = cKDTree(places[:2].T).query(xy, distance_upper_bound=1.0)
        good = np.isfinite(near) & (np.asarray(found["flux"]) > 2e4)
        radius += list(np.hypot(*(xy[good] - [149.5, 119.5]).T) / np.hypot(150, 120))
        ratio += list(found["flux"][good] / stars["flux_L"][index[good]])
    bend = np.square(radius)
    ratio = np.array(ratio)
    usual = np.ones(len(ratio), dtype=bool)
    for _ in range(4):  # blends measure high and are left out
        fit = np.polyfit(bend[usual], ratio[usual], 1)
        usual = np.abs(ratio - np.polyval(fit, bend)) < 0.08
    return fit[0] / fit[1]


def test_fluxes_over_the_field(raw):
    folder, truth, masters = raw
    frames = [folder / "frames"]
    heater = folder / "heater_power.csv"
    plain = sort_frames(frames, heater=heater)
    done = sort_frames(frames, heater=heater, settings=Settings(**masters))
    # The corners lose half of their light; a star's flux scatters by 2 % from frame to
    # frame, and a dozen stars carry the slope.
    before = slope_of_flux(folder, truth, plain.qualities, plain.table)
    after = slope_of_flux(folder, truth, done.qualities, done.table)
    assert before == pytest.approx(-0.5, abs=0.06)
    assert abs(after) < 0.03
    # Bias and dark are off: 6 e/s over 60 s at 0.8 electrons per ADU is left, times the mean of
    # the flat, 1 - 0.5 / 3; nebula adds a little.
    assert np.median(done.table["sky"]) == pytest.approx(450 * 0.8333, rel=0.06)
    # The masters themselves are no frames of the night.
    assert len(done.table) == 12 and any("darks, flats or bias" in w for w in done.notes)


def test_recorded_and_repeated(raw, tmp_path, monkeypatch):
    folder, _, masters = raw
    digests = {p: hashlib.sha256(p.read_bytes()).digest() for p in (folder / "frames").iterdir()}
    settings = Settings(**masters)
    heater = folder / "heater_power.csv"
    result = process_night(
        [folder / "frames"], out=tmp_path / "one", heater=heater, settings=settings
    )
    assert result.summary.settings["flat"] == list(masters["flat"])
    header = fits.getheader(tmp_path / "one" / "L" / "deep.fits")
    for kind in ("dark", "flat"):
        assert f"calibrated with the master {kind} master-{kind}.fits" in str(header["HISTORY"])
    # In two steps, from what the first wrote down, it is the same to the bit.
    monkeypatch.chdir(folder)
    named = {kind: (f"frames/master-{kind}.fits",) for kind in masters}
    sort_night(["frames"], out=tmp_path / "two", heater=heater, settings=Settings(**named))
    monkeypatch.chdir(tmp_path)  # the masters are found from anywhere
    merge_night(tmp_path / "two")
    for name in ("deep", "final"):
        one, two = (fits.getdata(tmp_path / n / "L" / f"{name}.fits") for n in ("one", "two"))
        assert np.array_equal(one, two, equal_nan=True)
    assert digests == {p: hashlib.sha256(p.read_bytes()).digest() for p in digests}


def test_a_dark_of_another_night_is_refused_before_the_work(raw, tmp_path):
    folder, _, masters = raw
    with fits.open(masters["dark"][0]) as hdus:
        hdus[0].header["CCD-TEMP"] = 5.0
        hdus.writeto(tmp_path / "warm.fits")
    settings = Settings(dark=(str(tmp_path / "warm.fits"),))
    with pytest.raises(InputError, match="sensor at 5 °C against -10 °C"):
        sort_night([folder / "frames"], out=tmp_path / "out", settings=settings)
