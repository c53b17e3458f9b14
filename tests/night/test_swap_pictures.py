"""Swapping with TIFF files, colour, another scale, sky coordinates; what is written."""

import json

import numpy as np
import pytest
import sep
import tifffile
from astropy.io import fits
from astropy.table import QTable, Table
from astropy.wcs import WCS
from colour_scene import SHAPE, lone_stars, make_scene
from skimage.transform import rescale

from framesort.cli import main
from framesort.errors import FramesortError, InputError
from framesort.night import SwapOptions, swap_images, swap_stars
from framesort.night._pair import place_table
from framesort.replacement import replace_stars

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scene():
    return make_scene()


def light(scene, image):
    """Light of the lone stars by sep, [plane, star]."""
    ones = lone_stars(scene)
    return np.array(
        [
            sep.sum_circle(
                np.ascontiguousarray(plane, dtype=float),
                scene.x[ones],
                scene.y[ones],
                7.0,
                bkgann=(9, 13),
            )[0]
            for plane in image
        ]
    )


def colour_error(scene, final):
    """Deviation of red over green and blue over green of lone stars from the truth's."""
    got, true = light(scene, final), light(scene, scene.sharp_stars)
    return np.abs(np.log((got[::2] / got[1]) / (true[::2] / true[1])))


def test_three_colours_onto_a_grey_deep_stack_from_files(scene, tmp_path, capsys):
    # A luminance stack as FITS, three colour stacks as TIFF with the camera turned by half.
    header = fits.Header({"OBJECT": "simulated", "CRPIX1": 5.0, "EXPTIME": 60.0})
    grey = scene.deep.mean(axis=0)
    fits.PrimaryHDU(grey, header).writeto(tmp_path / "deep.fits")
    names = []
    for name, plane in zip(("red", "green", "blue"), scene.sharp, strict=True):
        names.append(str(tmp_path / f"{name}.tif"))
        # TIFF begins at the top; half a turn of the picture turns both axes.
        tifffile.imwrite(names[-1], plane[::-1, ::-1][::-1])
    out = tmp_path / "final.tif"
    code = main(["swap", str(tmp_path / "deep.fits"), *names, "--out", str(out), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code == 0 and told["replaced"] > 60
    final = np.moveaxis(tifffile.imread(out), -1, 0)[:, ::-1]
    assert final.shape == (3, *SHAPE) and final.dtype == np.float32
    # 3 % is what is asked of the colour of lone stars; noise of the sharp stack alone gives
    # about 1 % for the faintest of them.
    assert np.median(colour_error(scene, final)) < 0.01
    assert np.quantile(colour_error(scene, final), 0.9) < 0.03
    # The nebula has no colour, and is the deep stack's.
    ground = np.moveaxis(tifffile.imread(tmp_path / "final-background.tif"), -1, 0)[:, ::-1]
    assert np.array_equal(ground[0], ground[2])
    faint = np.all(scene.sharp_stars < 0.2, axis=0)
    assert np.abs(np.median((final[0] - grey)[faint])) < 0.05 * scene.noise
    # The layers add up; each is rounded to single precision on its own.
    stars = np.moveaxis(tifffile.imread(tmp_path / "final-stars.tif"), -1, 0)[:, ::-1]
    assert np.allclose(stars + ground, final, rtol=1e-6, atol=1e-3)
    # Its header came along and was signed.
    with tifffile.TiffFile(out) as file:
        cards = fits.Header.fromstring(
            json.loads(file.pages[0].description)["fits_header"], sep="\n"
        )
    assert cards["OBJECT"] == "simulated" and cards["CRPIX1"] == 5.0
    assert cards["FSSTARS"] == told["replaced"] and cards["FSDEEP"] == "deep.fits"
    assert "red.tif, green.tif, blue.tif" in cards["FSSHARP"]


def test_one_plane_of_stars_for_a_coloured_deep_stack(scene):
    result = swap_images(
        scene.deep, scene.sharp.mean(axis=0), options=SwapOptions(aligned=True, check=False)
    )
    # Each star keeps its deep colour: as well as the deep stack tells it, blends included.
    assert np.median(colour_error(scene, result.final)) < 0.015
    ones = lone_stars(scene)
    places = np.hypot(
        result.table["x"].value[:, None] - scene.x[ones],
        result.table["y"].value[:, None] - scene.y[ones],
    )
    assert np.all(places.min(axis=0) < 0.3)


def test_another_scale_and_sixteen_bits(scene, tmp_path):
    # The sharp stack binned to 0.7 of the scale and saved by an editor in 16 bits.
    deep, sharp = scene.deep[1], scene.sharp[1]
    small = rescale(sharp, 0.7, order=3, anti_aliasing=False, preserve_range=True)
    tifffile.imwrite(tmp_path / "sharp.tif", np.rint(small[::-1]).astype("u2"))
    tifffile.imwrite(tmp_path / "deep.tif", np.rint(deep[::-1]).astype("u2"))
    result = swap_stars(
        tmp_path / "deep.tif",
        tmp_path / "sharp.tif",
        out=tmp_path / "final.tif",
        options=SwapOptions(check=False),
    )
    final = tifffile.imread(tmp_path / "final.tif")
    assert final.dtype == np.uint16
    assert np.abs(final[::-1] - result.final).max() <= 0.5
    # No scaling crept in: half of the last digit, and the noise of the median is 0.02.
    assert abs(np.median(final) - np.median(scene.nebula[1] + scene.sharp_stars[1])) < 0.55
    mask = tifffile.imread(tmp_path / "final-mask.tif")[::-1]
    assert np.array_equal(mask / 8, result.replacement.mask)
    # Lone stars keep their light; resampling costs the sharp stack's pixels no flux.
    got, true = light(scene, [result.final])[0], light(scene, scene.sharp_stars[1:2])[0]
    assert abs(np.median(got / true) - 1) < 0.02


def test_where_planes_do_not_fit_it_is_reported(scene):
    with pytest.raises(InputError, match=r"has 3 planes, .* 2"):
        swap_images(scene.deep, scene.sharp[:2], options=SwapOptions(aligned=True))
    with pytest.raises(InputError, match="either one colour picture or several of one plane"):
        swap_images(scene.deep[0], [scene.sharp, scene.sharp[0]], options=SwapOptions(aligned=True))
    with pytest.raises(InputError, match="leave out --aligned"):
        swap_images(scene.deep[0], scene.sharp[0][5:], options=SwapOptions(aligned=True))


def test_places_by_sky_coordinates(tmp_path):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = "RA---TAN", "DEC--TAN"
    wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cdelt = (83.8, -5.4), (150.0, 120.0), (-4e-4, 4e-4)
    header = wcs.to_header()
    ra, dec = wcs.pixel_to_world_values([40.0, 200.0], [60.0, 80.0])
    (tmp_path / "keep.csv").write_text(
        "ra,dec,radius\n" + "".join(f"{a},{d},7\n" for a, d in zip(ra, dec, strict=True))
    )
    for places in (
        tmp_path / "keep.csv",
        Table({"ra": ra, "dec": dec, "radius": [7.0, 7.0]}),
        QTable([ra, dec], names=["ra", "dec"], units=["deg", "deg"]),
        wcs.pixel_to_world([40.0, 200.0], [60.0, 80.0]),
    ):
        table = place_table(places, header)
        assert np.allclose(table["x"], [40, 200], atol=1e-6)
        assert np.allclose(table["y"], [60, 80], atol=1e-6)
    with pytest.raises(InputError, match="WCS"):
        place_table(Table({"ra": ra, "dec": dec}), fits.Header())


def test_kept_place_and_limits_of_brightness(scene, tmp_path):
    star = lone_stars(scene)[0]
    x, y = scene.x[star], scene.y[star]
    limit = float(np.quantile(scene.flux[1], 0.4))
    result = swap_images(
        scene.deep[1],
        scene.sharp[1],
        keep=Table({"x": [x], "y": [y], "radius": [4.0]}),
        options=SwapOptions(aligned=True, faintest=limit, check=False),
    )
    table = result.table
    reasons = np.asarray(table["reason"], dtype=str)
    near = np.hypot(table["x"].value - x, table["y"].value - y) < 2
    assert set(reasons[near]) == {"kept by user"}
    faint = (table["flux_deep"].value < limit) & (reasons != "no light") & ~near
    assert faint.any() and "" not in set(reasons[faint])
    spot = (slice(round(y) - 2, round(y) + 3), slice(round(x) - 2, round(x) + 3))
    assert np.array_equal(result.final[spot], scene.deep[1][spot])


@pytest.mark.parametrize(
    ("change", "options", "message"),
    [
        ({"out": "f.png"}, {}, "ends in"),
        ({"out": "f.fits"}, {"bits": 16}, "those of a TIFF file"),
        ({"out": "f.tif"}, {"white": 0.0}, "white must be above 0"),
        ({"deep": "empty.fits"}, {}, r"empty\.fits: 0 stars found"),
        ({"sharp": "empty.fits"}, {}, r"empty\.fits: 0 stars found"),
        (
            {"sharp": "nothing.fits"},
            {"options": SwapOptions(aligned=True)},
            r"nothing\.fits: holds no finite pixel",
        ),
        ({"sharp": "bytes.tif"}, {}, r"bytes\.tif: 8 bits a pixel are too coarse"),
        ({"sharp": "."}, {}, "no regular file"),
        ({}, {"keep": "sky.csv"}, "ra and dec need an image with a WCS"),
        (
            {},
            {"options": SwapOptions(faintest=1e12, aligned=True)},
            "do the limits of brightness leave any",
        ),
    ],
)
def test_wrong_pictures_and_options_are_one_clear_line(
    change, options, message, scene, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    fits.PrimaryHDU(scene.deep[0]).writeto("deep.fits")
    fits.PrimaryHDU(scene.sharp[0]).writeto("sharp.fits")
    fits.PrimaryHDU(np.zeros(SHAPE, "f4")).writeto("empty.fits")
    fits.PrimaryHDU(np.full(SHAPE, np.nan, "f4")).writeto("nothing.fits")
    tifffile.imwrite("bytes.tif", np.zeros(SHAPE, "u1"))
    (tmp_path / "sky.csv").write_text("ra,dec,radius\n10,20,5\n")
    before = sorted(path.name for path in tmp_path.iterdir())
    names = {"deep": "deep.fits", "sharp": "sharp.fits", "out": "final.fits"} | change
    with pytest.raises(FramesortError, match=message) as caught:
        swap_stars(names["deep"], names["sharp"], out=names["out"], **options)
    assert "\n" not in str(caught.value)
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_doubts_are_reported(scene, tmp_path):
    # The wrong way round, a place beyond the picture, steps coarser than the noise.
    tifffile.imwrite(tmp_path / "wide.tif", np.rint(scene.deep[0][::-1] / 10).astype("u2"))
    result = swap_images(
        scene.sharp[0],
        tmp_path / "wide.tif",
        keep=[[-50.0, 10.0, 3.0]],
        options=SwapOptions(aligned=True),
    )
    notes = " ".join(result.notes)
    assert "wrong way round" in notes
    assert "1 of 1 places of keep lie beyond" in notes
    assert "lost between whole numbers" in notes


def test_colour_on_grey_is_what_star_replacement_gives(scene):
    grey = scene.deep.mean(axis=0)
    swapped = swap_images(grey, scene.sharp, options=SwapOptions(aligned=True, check=False))
    direct = replace_stars(grey, scene.sharp)
    assert np.array_equal(swapped.final, direct.final, equal_nan=True)
    assert swapped.table.meta["flux_scale"] == direct.table.meta["flux_scale"]
