"""Pictures in and out: rows, numbers, planes, masks; checked with other readers and writers."""

import io

import numpy as np
import pytest
import tifffile
from astropy import units as u
from astropy.io import fits
from astropy.nddata import CCDData, InverseVariance, StdDevUncertainty, VarianceUncertainty
from astropy.table import Table
from astropy.wcs import WCS
from PIL import Image, ImageOps

from framesort.errors import InputError, OutputError
from framesort.files import read_image
from framesort.images import as_picture, make_ccddata, read_picture, write_picture
from framesort.records import Replacement, Stack, Transform
from framesort.stacking import FrameValues, StackMethod, stack_frames


@pytest.fixture
def grey():
    """A picture without any symmetry."""
    return np.random.default_rng(3).uniform(100, 60000, (7, 11)).astype("f4")


@pytest.fixture
def colour():
    return np.random.default_rng(4).uniform(100, 60000, (3, 7, 11)).astype("f4")


def test_rows_of_a_tiff_file_begin_at_the_top_as_another_program_shows_them(grey, tmp_path):
    write_picture(tmp_path / "a.tif", grey)
    with Image.open(tmp_path / "a.tif") as shown:
        assert np.array_equal(np.array(shown), grey[::-1])
    assert np.array_equal(read_picture(tmp_path / "a.tif").data, grey)


def test_a_header_may_say_that_the_first_row_is_the_top_one(grey, tmp_path):
    header = fits.Header({"ROWORDER": "TOP-DOWN"})
    write_picture(tmp_path / "a.tif", grey, header)
    with Image.open(tmp_path / "a.tif") as shown:
        assert np.array_equal(np.array(shown), grey)
    assert np.array_equal(read_picture(tmp_path / "a.tif").data, grey)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_orientations_are_seen_as_pillow_sees_them(grey, orientation, tmp_path):
    whole = np.rint(grey[:, :7] / 256).astype("u1")  # square: pillow mixes up the sides of others
    tifffile.imwrite(
        tmp_path / "o.tif", whole, extratags=[(274, "H", 1, orientation, True)], metadata=None
    )
    with Image.open(tmp_path / "o.tif") as image:
        upright = np.array(ImageOps.exif_transpose(image))
    assert np.array_equal(read_picture(tmp_path / "o.tif").data, upright[::-1])


@pytest.mark.parametrize("kind", ["uint8", "uint16", "int16", "uint32", "float32", "float64"])
def test_numbers_come_as_they_are(grey, kind, tmp_path):
    whole = np.rint(grey / 256).astype(kind)
    tifffile.imwrite(tmp_path / "n.tif", whole)
    picture = read_picture(tmp_path / "n.tif")
    assert picture.data.dtype == np.float32 and picture.stored == kind
    assert np.array_equal(picture.data, whole[::-1])
    assert ("8 bits" in str(picture.notes)) == (kind == "uint8")


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_colour_is_last_or_first_in_the_file_and_first_here(colour, planar, tmp_path):
    pixels = colour if planar == "separate" else np.moveaxis(colour, 0, -1)
    tifffile.imwrite(tmp_path / "c.tif", pixels, photometric="rgb", planarconfig=planar)
    assert np.array_equal(read_picture(tmp_path / "c.tif").data, colour[:, ::-1])
    write_picture(tmp_path / "again.tif", colour)
    assert tifffile.imread(tmp_path / "again.tif").shape == (7, 11, 3)
    write_picture(tmp_path / "again.fits", colour)
    assert fits.getdata(tmp_path / "again.fits").shape == (3, 7, 11)


def test_a_see_through_pixel_has_no_data(colour, tmp_path):
    alpha = np.full((7, 11), 65535, dtype="u2")
    alpha[2, 3] = 0
    pixels = np.dstack([*np.rint(colour).astype("u2"), alpha])
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="rgb", extrasamples=["unassalpha"])
    data = read_picture(tmp_path / "a.tif").data[:, ::-1]
    assert data.shape == (3, 7, 11)
    assert np.argwhere(np.isnan(data)).tolist() == [[k, 2, 3] for k in range(3)]


def test_sixteen_bits_by_the_stated_rule(tmp_path):
    data = np.array([[-3.0, 0.4, 0.6], [1234.5, 65535.2, 70000.0], [np.nan, 7, 8]], dtype="f4")
    notes = write_picture(tmp_path / "w.tif", data, bits=16)
    assert tifffile.imread(tmp_path / "w.tif")[::-1].tolist() == [
        [0, 0, 1],
        [1234, 65535, 65535],
        [0, 7, 8],
    ]
    assert len(notes) == 3
    assert "1 of 9 values below 0 are 0" in notes[0] and "1 of 9" in notes[1]
    assert write_picture(tmp_path / "v.tif", data / 70000, bits=16, white=1.0)[0].startswith(
        "v.tif"
    )
    # 1234.5 of 70000 in units of 1/65535
    assert tifffile.imread(tmp_path / "v.tif")[1, 0] == round(1234.5 / 70000 * 65535)
    write_picture(tmp_path / "f.tif", data, white=70000)
    assert tifffile.imread(tmp_path / "f.tif")[1, 2] == 1.0


def test_header_and_colour_profile_survive_tiff(colour, tmp_path):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.cdelt = ("RA---TAN", "DEC--TAN"), (10, 20), (-1e-3, 1e-3)
    header = wcs.to_header()
    header["OBJECT"] = ("Veil of Sand", "with a comment")
    header["HISTORY"] = "flat fielded"
    profile = b"\0\0\2\x0cexample profile!" * 30
    write_picture(tmp_path / "h.tif", colour, header, profile=profile)
    again = read_picture(tmp_path / "h.tif")
    assert again.header["OBJECT"] == "Veil of Sand" and again.profile == profile
    assert again.header.comments["OBJECT"] == "with a comment"
    place = WCS(again.header).pixel_to_world_values(3, 4)
    assert np.allclose(place, wcs.pixel_to_world_values(3, 4))
    # A description by another program is no header.
    tifffile.imwrite(tmp_path / "o.tif", colour[0], description='{"shape": [1]}', metadata=None)
    assert len(read_picture(tmp_path / "o.tif").header) == 0


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path, c: None, "no such file"),
        (lambda path, c: path.write_bytes(b""), "cannot be read as TIFF"),
        (lambda path, c: path.write_bytes(b"II*\0 no picture at all"), "it has no page"),
        (lambda path, c: Image.new("P", (9, 9)).save(path), "its colours are PALETTE"),
        (lambda path, c: Image.new("CMYK", (9, 9)).save(path), "its colours are SEPARATED"),
        (lambda path, c: Image.new("1", (9, 9)).save(path), "numbers of the kind bool"),
        (lambda path, c: tifffile.imwrite(path, c.astype("c8")), "numbers of the kind complex64"),
        (lambda path, c: Image.fromarray(c).save(path, compression="tiff_lzw"), ""),
    ],
)
def test_what_cannot_be_read_is_one_clear_line(make, message, grey, tmp_path, capsys):
    path = tmp_path / "bad.tif"
    make(path, grey)
    try:
        read_picture(path)
    except InputError as error:
        text = str(error)
        assert text.startswith(str(path)) and "\n" not in text
        assert message in text or "imagecodecs" in text
    else:
        assert message == "", "only the packed one may be readable, with imagecodecs"
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("keep", [3, 8, 100, 400])
def test_a_truncated_tiff_file_is_refused(keep, grey, tmp_path):
    write_picture(tmp_path / "whole.tif", grey)
    (tmp_path / "cut.tif").write_bytes((tmp_path / "whole.tif").read_bytes()[:keep])
    with pytest.raises(InputError, match=r"cut\.tif"):
        read_picture(tmp_path / "cut.tif")


def test_a_picture_is_kept_by_default(grey, tmp_path):
    write_picture(tmp_path / "a.tif", grey)
    with pytest.raises(OutputError, match="--overwrite"):
        write_picture(tmp_path / "a.tif", grey, overwrite=False)
    for options in ({"bits": 8}, {"white": 0.0}):
        with pytest.raises(InputError):
            write_picture(tmp_path / "b.tif", grey, **options)
    for name in ("b.png", "b.fits.gz", "b"):
        with pytest.raises(InputError, match="ends in"):
            write_picture(tmp_path / name, grey)


def test_mask_and_weight_of_a_fits_file(grey, tmp_path):
    # As astropy writes a CCDData.
    mask = np.zeros(grey.shape, dtype=bool)
    mask[1, 2] = True
    CCDData(grey, unit="adu", mask=mask, uncertainty=StdDevUncertainty(grey)).write(
        tmp_path / "ccd.fits"
    )
    data = read_picture(tmp_path / "ccd.fits").data
    assert np.argwhere(np.isnan(data)).tolist() == [[1, 2]]
    write_picture(tmp_path / "w.fits", grey, extensions={"WEIGHT": grey * 2})
    assert np.array_equal(read_picture(tmp_path / "w.fits").weight, grey * 2)


@pytest.mark.parametrize(
    "uncertainty",
    [
        StdDevUncertainty(np.full((7, 11), 2.0)),
        VarianceUncertainty(np.full((7, 11), 4.0)),
        InverseVariance(np.full((7, 11), 0.25)),
    ],
)
def test_every_kind_of_input_is_one_picture(grey, uncertainty):
    mask = grey > 50000
    ccd = CCDData(grey, unit="electron", mask=mask, uncertainty=uncertainty, meta={"OBJECT": "x"})
    picture = as_picture(ccd)
    assert np.array_equal(np.isnan(picture.data), mask)
    assert np.allclose(picture.weight, 0.25)
    assert picture.header["BUNIT"] == "electron" and picture.header["OBJECT"] == "x"
    masked = as_picture(np.ma.MaskedArray(grey, mask))
    assert np.array_equal(masked.data, picture.data, equal_nan=True)
    assert np.array_equal(as_picture(grey.tolist()).data, grey)
    assert np.array_equal(as_picture(grey * u.adu).data, grey)
    hdu = fits.PrimaryHDU(grey, fits.Header({"SATURATE": 60000.0}))
    assert as_picture(hdu).saturation == 60000 and np.array_equal(as_picture(hdu).data, grey)
    assert not np.isnan(grey).any(), "the caller's pixels stay his"


@pytest.mark.parametrize("wrong", ["text.fits", object(), np.zeros(5), np.zeros((9, 4, 4)), None])
def test_what_is_no_picture(wrong):
    with pytest.raises(InputError):
        as_picture(wrong)


def test_a_stack_as_ccddata_and_back(grey, tmp_path):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval, wcs.wcs.cdelt = ("RA---TAN", "DEC--TAN"), (10, 20), (-1e-3, 1e-3)
    grey[0, 0] = np.nan
    weight = np.where(np.isnan(grey), 0, 0.25).astype("f4")
    stack = Stack(
        data=grey, weight=weight, coverage=np.ones(grey.shape, "i2"), header=wcs.to_header()
    )
    ccd = make_ccddata(stack)
    assert ccd.unit == u.adu and ccd.mask[0, 0] and ccd.mask.sum() == 1
    assert ccd.uncertainty.uncertainty_type == "ivar"
    assert np.allclose(ccd.wcs.pixel_to_world_values(3, 4), wcs.pixel_to_world_values(3, 4))
    again = as_picture(ccd)
    assert np.array_equal(again.data, grey, equal_nan=True)
    assert np.array_equal(again.weight, weight)
    ccd.write(tmp_path / "ccd.fits")  # and astropy takes it
    assert "MASK" in fits.open(io.BytesIO((tmp_path / "ccd.fits").read_bytes()))


def test_a_replacement_as_ccddata_has_the_uncertainty_of_what_it_was_made_of(grey):
    mask = np.zeros(grey.shape, dtype="u1")
    mask[2, 3], mask[4, 5] = 1, 5
    made = Replacement(
        final=grey, stars=grey, background=grey, mask=mask,
        table=Table({"x": [1.0]}, meta={"flux_scale": 2.0}),
    )  # fmt: skip
    deep = CCDData(grey, unit="adu", uncertainty=StdDevUncertainty(np.full(grey.shape, 3.0)))
    sharp = CCDData(grey, unit="adu", uncertainty=StdDevUncertainty(np.full(grey.shape, 5.0)))
    ccd = make_ccddata(made, like=deep, sharp=sharp)
    expected = np.full(grey.shape, 3.0)
    expected[4, 5] = 10.0  # the sharp stack's 5, in the deep stack's flux scale
    assert np.allclose(ccd.uncertainty.array, expected) and ccd.unit == u.adu


def test_frames_that_ccdproc_masked_are_read_without_the_masked_pixels(grey, tmp_path):
    mask = np.zeros(grey.shape, dtype=bool)
    mask[4, 2] = mask[5, 9] = True
    CCDData(grey, unit="adu", mask=mask).write(tmp_path / "f.fits")
    whole, _ = read_image(tmp_path / "f.fits")
    assert np.array_equal(np.isnan(whole), mask)
    part, _ = read_image(tmp_path / "f.fits", rows=slice(4, 6))
    assert np.array_equal(part, whole[4:6], equal_nan=True)
    still = Transform(matrix=np.eye(3), residual=0.0)
    stacked = stack_frames(
        [str(tmp_path / "f.fits")], [still], sets={"a": [1.0]}, shape=grey.shape,
        values=FrameValues(noise=[1.0]), method=StackMethod(background_order=-1),
    )["a"]  # fmt: skip
    assert np.isnan(stacked.data[mask]).all() and np.isfinite(stacked.data[~mask]).all()
