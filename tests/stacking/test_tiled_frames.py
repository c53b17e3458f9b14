"""Tile-compressed frames: unpacked in bands, they measure and stack as the same pixels plain."""

import warnings

import numpy as np
import pytest
from astropy.io import fits
from stack_options import grouped

from framesort.errors import FrameError, QualityWarning
from framesort.files import read_image, reads_by_rows
from framesort.quality import measure_frames
from framesort.records import Transform
from framesort.stacking import stack_frames

SHAPE = (560, 201)  # more than two bands of rows
SHIFTS = [(0.0, 0.0), (1.3, -2.2), (-2.6, 0.7), (0.4, 3.1)]


def draw_frame(number):
    rng = np.random.default_rng(7)
    light = 10 ** rng.uniform(3.5, 5, 60)
    places = rng.uniform(10, np.subtract(SHAPE[::-1], 10), (60, 2)) - SHIFTS[number]
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image = np.random.default_rng(number).normal(500, 8, SHAPE)
    for (i, j), flux in zip(places, light, strict=True):
        image += flux / 14 * np.exp(-((x - i) ** 2 + (y - j) ** 2) / 4.5)
    return image


def write_packed(path, image, **how):
    hdu = fits.CompImageHDU(image, fits.Header({"EXPTIME": 60.0}), **how)
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(path, checksum=True)
    return path


KINDS = {
    "whole numbers": ("u2", {"compression_type": "RICE_1"}),
    "signed, tiles of 50 x 64": ("i2", {"compression_type": "RICE_1", "tile_shape": (50, 64)}),
    "gzip": ("u2", {"compression_type": "GZIP_2"}),
    "hcompress": ("i4", {"compression_type": "HCOMPRESS_1", "tile_shape": (16, 201)}),
    "rounded": ("f4", {"compression_type": "RICE_1", "quantize_level": 16}),
    "dithered": (
        "f4",
        {"compression_type": "RICE_1", "quantize_method": 1, "dither_seed": 9800},
    ),
    "dithered, zero kept, in tiles": (
        "f4",
        {
            "compression_type": "RICE_1",
            "quantize_method": 2,
            "dither_seed": 3,
            "tile_shape": (64, 90),
        },
    ),
    "one tile": ("u2", {"compression_type": "RICE_1", "tile_shape": SHAPE}),
}


@pytest.mark.parametrize("name", KINDS)
def test_pixels_are_those_that_astropy_unpacks(tmp_path, name):
    kind, how = KINDS[name]
    image = draw_frame(0).astype(kind)
    if kind == "f4":
        image[30:33, 50:80] = np.nan
    path = write_packed(tmp_path / "a.fits.fz", image, **how)
    expected = fits.getdata(path).astype("f4")
    for rows in (None, slice(0, 1), slice(250, 520), slice(-3, None), slice(1, None, 9)):
        data, header = read_image(path, rows=rows)
        np.testing.assert_array_equal(data, expected[rows or slice(None)])
        assert (header["NAXIS2"], header["EXPTIME"]) == (SHAPE[0], 60.0)
    if kind != "f4":
        np.testing.assert_array_equal(expected, image)
    assert reads_by_rows(path) is (name != "one tile")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["whole numbers", "dithered", "one tile"])
def test_measured_and_stacked_as_plain_frames(tmp_path, name):
    kind, how = KINDS[name]
    packed, plain = [], []
    for number in range(len(SHIFTS)):
        path = tmp_path / f"f{number}.fits.fz"
        packed.append(write_packed(path, draw_frame(number).astype(kind), **how))
        plain.append(tmp_path / f"f{number}.fits")
        fits.writeto(plain[-1], fits.getdata(path), fits.Header({"EXPTIME": 60.0}))
    for one, two in zip(measure_frames(packed), measure_frames(plain), strict=True):
        assert one.stars > 30 and one.reason == two.reason == ""
        assert (one.fwhm, one.sky, one.noise) == (two.fwhm, two.sky, two.noise)
        for column in one.star_list.colnames:
            np.testing.assert_array_equal(one.star_list[column], two.star_list[column])
    transforms = []
    for dx, dy in SHIFTS:
        matrix = np.eye(3)
        matrix[:2, 2] = dx, dy
        transforms.append(Transform(matrix=matrix, matched=30, residual=0.1))
    how = grouped(sets={"deep": np.ones(len(SHIFTS))}, shape=SHAPE, gain=1.0, reference=0)
    first, second = (stack_frames(paths, transforms, **how)["deep"] for paths in (packed, plain))
    np.testing.assert_array_equal(first.data, second.data)
    assert np.isfinite(first.data).mean() > 0.95


@pytest.mark.parametrize("share", [0.3, 0.7, 0.97])
def test_a_truncated_file_is_one_clear_line(tmp_path, share):
    whole = write_packed(tmp_path / "whole.fits.fz", draw_frame(0).astype("u2"))
    content = whole.read_bytes()
    cut = tmp_path / "cut.fits.fz"
    cut.write_bytes(content[: int(share * (len(content) - 2880))])
    with pytest.raises(FrameError, match=r"cut\.fits\.fz: truncated") as caught:
        read_image(cut)
    assert "\n" not in str(caught.value)
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        (quality,) = measure_frames([cut])
    assert quality.reason == "unreadable"
    (told,) = [w for w in raised if w.category is QualityWarning]
    assert "truncated" in str(told.message) and "\n" not in str(told.message)


def test_tiles_outside_of_their_table(tmp_path):
    path = write_packed(tmp_path / "a.fits.fz", draw_frame(0).astype("u2"))
    with fits.open(path, disable_image_compression=True) as hdus:
        at = hdus[1].fileinfo()["datLoc"] + 4  # where the first tile lies, 32 bits
    content = bytearray(path.read_bytes())
    content[at : at + 4] = (0x7FFFFF00).to_bytes(4, "big")
    path.write_bytes(content)
    with pytest.raises(FrameError, match=r"a\.fits\.fz: tiles lie outside of their table"):
        read_image(path)
    assert read_image(path, rows=slice(300, 310))[0].shape == (10, SHAPE[1])
