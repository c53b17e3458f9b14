"""Files of a merged night as other tools read them: units, times, residual, TIFF, crop."""

import json
import os
import shutil

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.nddata import CCDData
from astropy.table import Table
from astropy.time import Time
from astropy.wcs import WCS

from framesort.cli import main
from framesort.errors import InputError, NotEnoughFramesError
from framesort.images import read_picture
from framesort.night import merge_night, process_night, read_sorted
from framesort.night._crop import crop_transform, cut_grid, find_cut
from framesort.night._run import NightRun
from framesort.records import Transform
from framesort.registration import Grid
from framesort.settings import Settings

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 3
[camera]
width = 300
height = 240
[stars]
count = 150
faintest = 10.0
brightest = 1e5
[seeing]
fwhm = 2.8
[mount]
dither = 4.0
[heater]
events = [[4.8, 100]]
[[filter]]
name = "L"
sky = 6.0
[[run]]
filter = "L"
exposure = 60.0
count = 7
"""
PICTURES = ("sharp", "deep", "final", "stars", "background", "residual")


@pytest.fixture(scope="module")
def drawn(draw_night):
    return draw_night(SCENARIO)


@pytest.fixture(scope="module")
def made(drawn, tmp_path_factory):
    """The night whole, and the same night cut and written as TIFF too."""
    whole = tmp_path_factory.mktemp("made") / "whole"
    process_night([drawn.frames], out=whole, heater=drawn.log)
    cut = whole.with_name("cut")
    shutil.copytree(whole, cut)
    merge_night(cut, settings=Settings(crop=1.0, tiff=32), overwrite=True)
    return whole, cut


@pytest.mark.parametrize("name", PICTURES)
def test_every_picture_is_read_with_unit_and_times_of_all_frames(made, name):
    path = made[0] / "L" / f"{name}.fits"
    with fits.open(path) as hdus:
        hdus.verify("exception")
    picture = CCDData.read(path)
    assert picture.unit == "adu"
    table, _ = read_sorted(made[0])
    used = table[table["weight_sharp" if name == "sharp" else "weight_deep"] > 0]
    start, seconds = used["start"].mjd, np.asarray(used["exposure"], dtype=float)
    header = picture.header
    assert header["NCOMBINE"] == len(used)
    assert header["EXPTIME"] == pytest.approx(seconds.sum())
    stop = start + seconds / 86400
    middle = np.average((start + stop) / 2, weights=seconds)
    for card, wanted in (("OBS", start.min()), ("END", stop.max()), ("AVG", middle)):
        # Dates are written to a thousandth of a second.
        assert abs(Time(header[f"DATE-{card}"], scale="utc").mjd - wanted) * 86400 < 2e-3
        assert abs(header[f"MJD-{card}"] - wanted) * 86400 < 2e-3


def test_the_residual_is_final_less_sharp_where_both_have_data(made):
    final, sharp, rest = (
        fits.getdata(made[0] / "L" / f"{n}.fits") for n in ("final", "sharp", "residual")
    )
    weight = fits.getdata(made[0] / "L" / "sharp.fits", "WEIGHT")
    both = np.isfinite(final) & (weight > 0)
    assert np.array_equal(np.isfinite(rest), both)
    np.testing.assert_array_equal(rest[both], (final - sharp)[both])


def test_stacks_kept_from_an_earlier_run_have_the_same_headers(made, drawn, tmp_path):
    again = tmp_path / "again"
    shutil.copytree(made[0], again)
    process_night([drawn.frames], out=again, heater=drawn.log, overwrite=True)
    for name in ("deep", "sharp", "final"):
        assert fits.getheader(again / "L" / f"{name}.fits") == fits.getheader(
            made[0] / "L" / f"{name}.fits"
        )


def test_the_cut_picture_is_the_part_that_all_frames_cover(made):
    whole, cut = made
    told = json.loads((cut / "night.json").read_text())
    header = fits.getheader(cut / "L" / "final.fits")
    columns, rows = (
        slice(int(a) - 1, int(b))
        for a, b in (part.split(":") for part in header["FSCROP"].strip("[]").split(","))
    )
    final = fits.getdata(cut / "L" / "final.fits")
    assert final.shape == (rows.stop - rows.start, columns.stop - columns.start)
    assert f"to {final.shape[1]} x {final.shape[0]} pixels" in told["edges"]
    for name in ("deep", "sharp"):
        count = fits.getdata(cut / "L" / f"{name}.fits", "COVERAGE")
        # Rejection takes out pixels here and there; a frame that does not reach would
        # lack in half a line at least.
        full = count.max()
        for line in (count[0], count[-1], count[:, 0], count[:, -1]):
            assert np.mean(line == full) > 0.8
        # The same pixels as in the uncut stack, to a fraction of its noise.
        uncut = fits.getdata(whole / "L" / f"{name}.fits")[rows, columns]
        noise = 1 / np.sqrt(np.median(fits.getdata(cut / "L" / f"{name}.fits", "WEIGHT")))
        apart = fits.getdata(cut / "L" / f"{name}.fits") - uncut
        assert np.nanmedian(np.abs(apart)) < 0.1 * noise
    # One line more, and a stack's edge is no data in the sharp stack by all.
    count = fits.getdata(whole / "L" / "deep.fits", "COVERAGE")
    wider = [count[rows.start - 1, columns]] if rows.start else []
    wider += [count[rows.stop, columns]] if rows.stop < count.shape[0] else []
    wider += [count[rows, columns.start - 1]] if columns.start else []
    wider += [count[rows, columns.stop]] if columns.stop < count.shape[1] else []
    assert len(wider) == 4
    for line in wider:
        assert np.mean(line == count.max()) < 0.8
    assert (
        "--crop cuts it from 300 x 240" in json.loads((whole / "night.json").read_text())["edges"]
    )
    assert "--crop cuts it from" in (whole / "report.html").read_text(encoding="utf-8")


def test_tiff_is_the_picture_and_its_layers(made):
    place = made[1] / "L"
    for name in ("final", "stars", "background"):
        picture = read_picture(place / f"{name}.tif")
        np.testing.assert_array_equal(picture.data, fits.getdata(place / f"{name}.fits"))
        assert picture.header["EXPTIME"] == 420.0
    assert not (made[0] / "L" / "final.tif").exists()


def test_tiff_of_16_bits_says_what_it_cannot_hold_and_goes_when_not_wanted(made, tmp_path, capsys):
    folder = tmp_path / "cut"
    shutil.copytree(made[1], folder)
    status = main(["merge", str(folder), "--tiff", "16", "--white", "50000", "--overwrite",
                   "--crop", "0", "--workers", "1"])  # fmt: skip
    shown = capsys.readouterr()
    assert status == 0
    pixels = tifffile.imread(folder / "L" / "final.tif")
    final = fits.getdata(folder / "L" / "final.fits")[::-1]
    assert pixels.dtype == np.uint16
    assert final.shape == (240, 300)
    good = np.isfinite(final) & (final > 0) & (final < 50000)
    assert np.abs(pixels[good] - final[good] * 65535 / 50000).max() <= 0.51
    assert "above 65535 are 65535 in 16 bits" in shown.err
    assert "--crop cuts it from 300 x 240" in shown.out
    settings = Settings(tiff=None)
    merge_night(folder, settings=settings, overwrite=True)
    assert not list((folder / "L").glob("*.tif"))


def test_settings_that_cannot_be():
    with pytest.raises(InputError, match="crop must be a number from 0 to 1"):
        Settings(crop=1.5)
    with pytest.raises(InputError, match="tiff must be 16 or 32"):
        Settings(tiff=8)
    with pytest.raises(InputError, match="white is for TIFF"):
        Settings(white=1.0)
    assert Settings(crop=0).crop is None


def test_the_wcs_moves_along():
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [83.8, -5.4]
    wcs.wcs.crpix, wcs.wcs.cd = [150.5, 120.5], [[-4e-4, 1e-5], [1e-5, 4e-4]]
    header = wcs.to_header(relax=True)
    header["NAXIS1"], header["NAXIS2"], header["CRPIX1A"] = 300, 240, 10.0
    grid = cut_grid(Grid(shape=(240, 300), header=header), (slice(7, 230), slice(11, 290)), 0.8)
    assert grid.shape == (223, 279)
    assert (grid.header["FSCROP"], grid.header["FSCOVER"]) == ("[12:290,8:230]", 0.8)
    assert grid.header["CRPIX1A"] == -1.0
    before = wcs.pixel_to_world(100.0, 50.0)
    after = WCS(grid.header).pixel_to_world(100.0 - 11, 50.0 - 7)
    assert before.separation(after).arcsec < 1e-6
    moved = crop_transform(Transform(matrix=np.eye(3)), (slice(7, 230), slice(11, 290)))
    assert [float(v) for v in moved.map_points(11, 7)] == [0, 0]


def night_of(shifts, files):
    """A table and places of frames that are shifted along x."""
    n = len(shifts)
    table = Table({"file": files, "group": ["L"] * n, "height": [60] * n, "width": [80] * n})
    table["weight_sharp"] = table["weight_deep"] = np.ones(n)
    places = [Transform(matrix=np.array([[1.0, 0, dx], [0, 1, 0], [0, 0, 1]])) for dx in shifts]
    return table, tuple(places)


def read(path, *, rows=None):
    raise OSError("not needed")


def test_a_share_of_the_frames_may_do_and_none_is_reported():
    grid = Grid(shape=(60, 80))
    table, places = night_of([0, 0, 0, 0, 30], [f"{k}.fits" for k in range(5)])
    cut, sentence = find_cut(table, places, grid, read, NightRun(settings=Settings(crop=1.0)))
    assert cut == (slice(0, 60), slice(30, 80))
    assert "to 50 x 60 pixels" in sentence
    cut, sentence = find_cut(table, places, grid, read, NightRun(settings=Settings(crop=0.8)))
    assert cut == (slice(0, 60), slice(0, 80))
    assert "80 % of the frames" in sentence
    table, places = night_of([0, 0, 0, 0, 90], [f"{k}.fits" for k in range(5)])
    assert "--crop 0.8" in find_cut(table, places, grid, read, NightRun(settings=Settings()))[1]
    with pytest.raises(NotEnoughFramesError, match="--crop a smaller share"):
        find_cut(table, places, grid, read, NightRun(settings=Settings(crop=1.0)))
    table, places = night_of([0, 0], ["a.fits", os.devnull])
    assert find_cut(table, places, grid, read, NightRun(settings=Settings())) == (None, "")
