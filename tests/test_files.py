"""Results appear whole or not at all; names cannot lead elsewhere."""

import io
import os
import sys
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from framesort.errors import FrameError, OutputError
from framesort.files import (
    hold_content,
    open_whole,
    promised_size,
    read_image,
    safe_name,
    verify_sums,
    write_fits,
    write_table,
    write_text,
)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Ha", "Ha"),
        ("../../x", "x"),
        ("/etc/passwd", "etc-passwd"),
        ("..", "none"),
        ("", "none"),
        ("O III\n\x00", "O-III"),
        ("Hα", "Hα"),
        ("a" * 500, "a" * 64),
    ],
)
def test_names_stay_where_they_belong(text, name):
    assert safe_name(text) == name


def test_a_failed_write_leaves_the_old_file_and_no_rest(tmp_path):
    target = tmp_path / "result.txt"
    write_text(target, "old")
    with pytest.raises(RuntimeError), open_whole(target) as stream:
        stream.write(b"half of the new")
        raise RuntimeError("power cut")
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["result.txt"]


def test_existing_result_is_kept_by_default(tmp_path):
    target = tmp_path / "result.txt"
    write_text(target, "old")
    with pytest.raises(OutputError, match="exists already; give --overwrite"):
        write_text(target, "new", overwrite=False)
    assert target.read_text() == "old"


def test_a_folder_that_cannot_be_made_is_one_clear_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write_text(tmp_path / "file" / "result.txt", "x")
    assert "\n" not in str(caught.value)


def test_fits_round_trip_with_extensions(tmp_path):
    data = np.linspace(-3, 7, 35, dtype="f4").reshape(5, 7)
    header = fits.Header({"BZERO": 32768, "OBJECT": "Veil of Sand", "FILTER": "L"})
    write_fits(tmp_path / "a.fits", data, header, extensions={"WEIGHT": data * 2})
    with fits.open(tmp_path / "a.fits") as hdus:
        assert np.array_equal(hdus[0].data, data)
        assert np.array_equal(hdus["WEIGHT"].data, data * 2)
        assert hdus[0].header["OBJECT"] == "Veil of Sand"
        assert "BZERO" not in hdus[0].header
    assert "BZERO" in header, "the caller's header is not changed"
    assert (os.stat(tmp_path / "a.fits").st_mode & 0o777) == 0o644


@pytest.mark.parametrize("kind", ["f4", "f8", "i2", "u1"])
def test_pixels_are_what_they_are_while_they_are_written(monkeypatch, kind):
    """Another thread may be at work on them."""
    image = np.arange(12, dtype=kind).reshape(3, 4)
    before = image.copy()

    class Looking(io.BytesIO):
        def write(self, data):
            np.testing.assert_array_equal(image, before)
            return super().write(data)

    stream = Looking()
    monkeypatch.setattr(
        "framesort.files._write.open_whole", lambda path, overwrite: nullcontext(stream)
    )
    write_fits("a.fits", image, extensions={"OTHER": image})
    with fits.open(io.BytesIO(stream.getvalue())) as hdus:
        for hdu in hdus:
            np.testing.assert_array_equal(hdu.data, image)


def test_table_round_trip(tmp_path):
    write_table(
        tmp_path / "t.ecsv", Table({"a": [1.5, np.nan], "b": ["x, y", 'quote " and\nnewline']})
    )
    again = Table.read(tmp_path / "t.ecsv")
    assert np.array_equal(again["a"], [1.5, np.nan], equal_nan=True)
    assert list(again["b"]) == ["x, y", 'quote " and\nnewline']


@pytest.mark.parametrize("keep", [0, 1, 100, 2880, 3000, 4000])
def test_truncated_at_any_byte_is_a_frame_error(tmp_path, keep):
    fits.PrimaryHDU(np.arange(1200, dtype="i2").reshape(30, 40)).writeto(tmp_path / "whole.fits")
    (tmp_path / "cut.fits").write_bytes((tmp_path / "whole.fits").read_bytes()[:keep])
    with pytest.raises(FrameError, match=r"cut\.fits") as caught:
        read_image(tmp_path / "cut.fits")
    assert "\n" not in str(caught.value)


def test_missing_file_and_wrong_axes(tmp_path):
    with pytest.raises(FrameError, match="no such file"):
        read_image(tmp_path / "gone.fits")
    fits.PrimaryHDU(np.zeros((2, 2, 3, 3))).writeto(tmp_path / "four.fits")
    with pytest.raises(FrameError, match="4 axes"):
        read_image(tmp_path / "four.fits")


def test_blank_pixels_are_nan(tmp_path):
    header = fits.Header({"BLANK": -1})
    fits.PrimaryHDU(np.array([[-1, 5], [6, 7]], dtype="i2"), header).writeto(tmp_path / "b.fits")
    data, _ = read_image(tmp_path / "b.fits")
    assert np.isnan(data[0, 0]) and data[1, 1] == 7


@pytest.mark.parametrize("kind", ["u2", "i2", "i4", "u1", "f4", "f8"])
@pytest.mark.parametrize("ending", [".fits", ".fits.gz"])
def test_pixels_are_those_that_astropy_reads(tmp_path, kind, ending):
    """More than one block of each; any rows."""
    rng = np.random.default_rng(2)
    low, high = (0, 256) if kind == "u1" else (0, 65536) if kind == "u2" else (-32768, 32768)
    image = rng.integers(low, high, (300, 501)).astype(kind)
    path = tmp_path / f"a{ending}"
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(image)]).writeto(path)
    expected = fits.getdata(path).astype("f4")
    np.testing.assert_array_equal(expected, image.astype("f4"))
    for rows in (None, slice(0, 1), slice(120, 290), slice(-7, None), slice(2, None, 9)):
        data, header = read_image(path, rows=rows)
        np.testing.assert_array_equal(data, expected[rows or slice(None)])
        assert data.dtype == np.float32 and data.dtype.isnative and header["NAXIS2"] == 300
        data[:] = 0  # a copy of its own


def test_scaled_pixels_and_cubes_of_one_plane(tmp_path):
    numbers = np.arange(12, dtype="i2").reshape(1, 3, 4)
    hdu = fits.PrimaryHDU(numbers)
    hdu.header["BZERO"], hdu.header["BSCALE"] = 10.0, 0.5
    hdu.writeto(tmp_path / "s.fits")
    with fits.open(tmp_path / "s.fits", do_not_scale_image_data=True) as stored:
        np.testing.assert_array_equal(stored[0].data, numbers)
    data, _ = read_image(tmp_path / "s.fits", rows=slice(1, 3))
    np.testing.assert_array_equal(data, 10 + 0.5 * numbers[0, 1:3])


def test_a_held_file_is_read_once(tmp_path, monkeypatch):
    path = tmp_path / "frame.fits"
    data = np.arange(12, dtype=np.int16).reshape(3, 4)
    fits.PrimaryHDU(data).writeto(path, checksum=True)
    with hold_content(path) as content:
        assert content == path.read_bytes()
        path.write_bytes(b"replaced")
        assert np.array_equal(read_image(path)[0], data) and verify_sums(path)
        with pytest.raises(FrameError):
            read_image(tmp_path / ".." / tmp_path.name / "frame.fits")  # another spelling: disk
    with pytest.raises(FrameError):
        read_image(path)


@pytest.mark.skipif(sys.platform != "linux", reason="such files are there on Linux only")
def test_a_file_larger_than_it_says_is_held_whole():
    path = Path("/proc/version")
    assert path.stat().st_size == 0
    with hold_content(path) as content:
        assert len(content) and content == path.read_bytes()


def test_a_held_gzipped_file_is_unpacked(tmp_path):
    path = tmp_path / "frame.fits.gz"
    data = np.arange(12, dtype=np.int16).reshape(3, 4)
    fits.PrimaryHDU(data).writeto(path)
    with hold_content(path):
        assert np.array_equal(read_image(path)[0], data) and verify_sums(path)


def test_promised_size_is_what_astropy_writes(tmp_path):
    """Of half-written files too, it is above what is there exactly while data are missing."""
    stream = io.BytesIO()
    fits.HDUList(
        [fits.PrimaryHDU(np.zeros((7, 90), np.int16)), fits.ImageHDU(np.zeros((50, 9)))]
    ).writeto(stream)
    whole = stream.getvalue()
    ends = [2880 + 7 * 90 * 2, 2 * 2880 + 2880 + 50 * 9 * 8]  # of the data, by hand
    assert promised_size(io.BytesIO(whole)) == (ends[1], len(whole))
    assert promised_size(io.BytesIO(whole + b"notes")) == (ends[1], len(whole))
    for there in range(0, len(whole), 72):
        data, blocks = promised_size(io.BytesIO(whole[:there]))
        assert blocks > there or there == 2 * 2880
        assert (data <= there) == (ends[0] <= there <= 2 * 2880 or ends[1] <= there)
    for wrong in (b"GIF89a", b"SIMPLE  ,", b"\x1f\x8b"):
        with pytest.raises(FrameError, match="no plain FITS file"):
            promised_size(io.BytesIO(wrong))
    with pytest.raises(FrameError, match="no end"):
        promised_size(io.BytesIO(b"SIMPLE  =" + b" " * 2**23))
