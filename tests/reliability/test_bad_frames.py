"""Frames damaged in every way: each becomes a reason or an error of this library."""

import gzip
import os
import tarfile
import warnings

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_frames import SIZE, draw_frame, write_frame

from framesort.errors import FrameError, FramesortError, HeaderWarning, QualityWarning
from framesort.files import read_image, verify_sums
from framesort.frames import find_frames, read_frames
from framesort.quality import measure_frames
from framesort.registration import make_grid
from framesort.stacking import read_stack

pytestmark = pytest.mark.slow


def all_readers(path):
    """Hand a file to every reader; anything but an error of this library goes through."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", HeaderWarning)  # this library's own, one sentence
        for reader in (
            read_image,
            lambda p: read_image(p, rows=slice(2, 5)),
            read_stack,
            verify_sums,
            make_grid,
            lambda p: read_frames([p]),
        ):
            try:
                reader(path)
            except FramesortError as error:
                assert "\n" not in str(error)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(share=st.floats(0, 1))
def test_cut_at_any_byte(tmp_path, frame_bytes, share):
    path = tmp_path / "cut.fits"
    path.write_bytes(frame_bytes[: int(share * len(frame_bytes))])
    all_readers(path)
    # By construction: the pixels are whole only if nothing but padding is missing.
    end = frame_bytes.find(b"END" + b" " * 77)
    first = -(-end // 2880) * 2880
    whole = first + SIZE[0] * SIZE[1] * 2
    if path.stat().st_size < whole:
        with pytest.raises(FrameError):
            read_image(path)
    else:
        assert read_image(path)[0].shape == SIZE


@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    changes=st.lists(st.tuples(st.integers(0, 2879), st.integers(0, 255)), min_size=1, max_size=8),
    packed=st.booleans(),
)
def test_any_bytes_in_the_header(tmp_path, frame_bytes, changes, packed):
    data = bytearray(frame_bytes)
    for at, value in changes:
        data[at] = value
    path = tmp_path / ("spoilt.fits.gz" if packed else "spoilt.fits")
    path.write_bytes(gzip.compress(data, 1) if packed else data)
    all_readers(path)


@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    keyword=st.sampled_from(
        "BITPIX NAXIS NAXIS1 NAXIS2 BZERO BSCALE BLANK DATE-OBS EXPTIME FILTER GAIN CHECKSUM "
        "DATASUM CTYPE1 CRVAL1 IMAGETYP XBINNING SATURATE TIMESYS PIXSCALE PCOUNT GCOUNT".split()
    ),
    value=st.one_of(
        st.sampled_from("T 0 -1 3 17 999 2147483648 99999999999999999999 1E400 NaN (1,2) ' / ''' ="
                        .split()),
        st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60),
    ),
    place=st.integers(1, 12),
)  # fmt: skip
def test_any_value_of_a_card(tmp_path, frame_bytes, keyword, value, place):
    data = bytearray(frame_bytes)
    data[80 * place : 80 * place + 80] = f"{keyword:8s}= {value}".encode("latin-1")[:80].ljust(80)
    path = tmp_path / "card.fits"
    path.write_bytes(data)
    all_readers(path)


# Found by tests/bench/fuzz_readers.py; each stopped a run, or never ended, before it was mended.
FOUND = {
    "an axis for every byte of memory": b"NAXIS   =           2147483648",
    "no end of fields": b"TFIELDS =           2147483648",
    "a bracket in the coordinates": b"CTYPE1  = '((((    '",
    "a coordinate without sense": b"CD1_1   = '",
    "a date without sense": b"DATE-OBS= =1-2-3/",
    "a level without sense": b"SATURATE= = =",
    "a clock that is decades out": b"DATE-OBS= '1957-02-11T20:00:00'",
    "a scale beyond float32": b"BSCALE  =               1.E300",
}


@pytest.mark.parametrize("card", FOUND.values(), ids=FOUND.keys())
def test_cards_that_fuzzing_found(tmp_path, frame_bytes, card):
    path = tmp_path / "card.fits"
    for place in (2, 5, 9):
        data = bytearray(frame_bytes)
        data[80 * place : 80 * place + 80] = card.ljust(80)
        path.write_bytes(data)
        all_readers(path)


def test_what_a_header_promises_is_held_against_the_file(tmp_path, frame_bytes):
    path = tmp_path / "huge.fits"
    old = b"NAXIS1  =" + b"160".rjust(21)
    assert old in frame_bytes
    for side in (b"60000", b"2000000000"):
        path.write_bytes(frame_bytes.replace(old, b"NAXIS1  =" + side.rjust(21)))
        with pytest.raises(FrameError, match="truncated: the image needs"):
            read_image(path)
        packed = tmp_path / "huge.fits.gz"
        packed.write_bytes(gzip.compress(path.read_bytes()))
        with pytest.raises(FrameError):
            read_image(packed)


def test_no_fits_file_at_all(tmp_path, frame_bytes):
    text = tmp_path / "text.fits"
    text.write_text("this is a text\n" * 500)
    sound = tmp_path / "sound.fits"
    sound.write_bytes(frame_bytes)
    archive = tmp_path / "archive.fits"
    with tarfile.open(archive, "w") as tar:
        tar.add(sound, "a.fits")
    empty = tmp_path / "empty.fits"
    empty.touch()
    for path, why in ((text, "is no FITS file"), (archive, "is no FITS file"), (empty, "is empty")):
        with pytest.raises(FrameError, match=why):
            read_image(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_pipes_links_and_folders_named_as_frames(tmp_path, frame_bytes):
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / "a.fits").write_bytes(frame_bytes)
    os.mkfifo(folder / "pipe.fits")
    (folder / "folder.fits").mkdir()
    (folder / "loop.fits").symlink_to("loop.fits")
    (folder / "nowhere.fits").symlink_to("no such file")
    (folder / "again.fits").symlink_to("a.fits")
    os.link(folder / "a.fits", folder / "hard.fits")
    (folder / "round").symlink_to(folder)
    found = find_frames([folder, folder / "a.fits"])
    # One name of a.fits (and its links), and three that cannot be read.
    assert len(found) == 4
    table = read_frames(found)
    assert list(table["reason"]).count("unreadable") == 3
    with pytest.warns(QualityWarning, match="is no regular file"):
        qualities = measure_frames([str(file) for file in table["file"]])
    assert sorted(q.reason for q in qualities)[1:] == ["unreadable", "vanished", "vanished"]


ODD = {
    "nan": (np.full(SIZE, np.nan, np.float32), "unreadable"),
    "inf": (np.full(SIZE, np.inf, np.float32), "unreadable"),
    "zero": (np.zeros(SIZE, np.uint16), "few stars"),
    "full": (np.full(SIZE, 65535, np.uint16), "few stars"),
    "tiny": (np.full((8, 8), 100, np.uint16), "few stars"),
    "one pixel": (np.full((1, 1), 100, np.uint16), "few stars"),
    "one row": (np.full((1, 500), 100, np.uint16), "few stars"),
    "wide": (np.full((10, 60000), 100, np.uint16), "few stars"),
    "1-D": (np.full(500, 100, np.float32), "unreadable"),
    "4-D": (np.full((1, 1, 50, 50), 100, np.float32), "unreadable"),
    "colour": (np.full((3, 50, 50), 100, np.float32), "colour frame"),
}


def test_odd_pixels_and_shapes(tmp_path):
    paths = [write_frame(tmp_path / f"{name}.fits", data) for name, (data, _) in ODD.items()]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", QualityWarning)
        qualities = measure_frames([str(path) for path in paths])
    assert {p.stem: q.reason for p, q in zip(paths, qualities, strict=True)} == {
        name: reason for name, (_, reason) in ODD.items()
    }


def test_a_single_plane_of_a_cube_is_a_frame(tmp_path):
    path = write_frame(tmp_path / "cube.fits", draw_frame(1).astype(np.float32)[None])
    image, _ = read_image(path)
    rows, _ = read_image(path, rows=slice(3, 9))
    assert image.shape == SIZE
    assert np.array_equal(rows, image[3:9])


def test_stars_among_damaged_pixels(tmp_path):
    data = draw_frame(1).astype(np.float32)
    data[60:66] = np.nan
    data[::40, ::40] = np.inf
    quality = measure_frames([str(write_frame(tmp_path / "holes.fits", data))])[0]
    assert quality.reason == ""
    assert quality.stars >= 20  # of 40, some of which are faint or lie in the gap


def test_a_header_of_ten_megabytes(tmp_path, frame_bytes):
    end = frame_bytes.find(b"END" + b" " * 77)
    first = -(-end // 2880) * 2880
    cards = b"".join(f"HISTORY {k:072d}".encode() for k in range(130_000))
    head = frame_bytes[:end] + cards + b"END".ljust(80)
    path = tmp_path / "long.fits"
    path.write_bytes(head.ljust(-(-len(head) // 2880) * 2880) + frame_bytes[first:])
    assert read_image(path)[0].shape == SIZE


@pytest.mark.parametrize("ending", [".fits", ".fits.gz", ".fits.fz"])
def test_checksums_are_verified_where_they_stand(tmp_path, ending):
    """Written by astropy, which follows the standard; one bit is turned."""
    data = draw_frame(2).astype(np.uint16)
    header = fits.Header({"DATE-OBS": "2026-02-11T20:00:00", "EXPTIME": 60.0})
    kind = fits.CompImageHDU if ending == ".fits.fz" else fits.PrimaryHDU
    hdus = fits.HDUList(
        [kind(data, header)] if kind is fits.PrimaryHDU else [fits.PrimaryHDU(), kind(data, header)]
    )
    good, plain = tmp_path / f"good{ending}", tmp_path / f"plain{ending}"
    hdus.writeto(good, checksum=True)
    hdus.writeto(plain)
    assert verify_sums(good)
    assert verify_sums(plain)
    raw = gzip.decompress(good.read_bytes()) if ending == ".fits.gz" else good.read_bytes()
    for at in (len(raw) - len(raw) // 3, raw.find(b"60.0")):
        spoilt = bytearray(raw)
        spoilt[at] ^= 1
        bad = tmp_path / f"bad{at}{ending}"
        bad.write_bytes(gzip.compress(spoilt) if ending == ".fits.gz" else spoilt)
        assert not verify_sums(bad)


def test_a_wrong_checksum_is_reported_but_the_frame_is_used(tmp_path):
    good = write_frame(tmp_path / "good.fits", draw_frame(1).astype(np.uint16), checksum=True)
    raw = bytearray(good.read_bytes())
    raw[-4000] ^= 1
    bad = tmp_path / "bad.fits"
    bad.write_bytes(raw)
    for _ in range(2):  # the second time out of the cache
        with pytest.warns(
            QualityWarning, match=r"1 of 2 frames do not agree .* \(first: bad.fits\)"
        ):
            qualities = measure_frames([str(good), str(bad)], cache=tmp_path / "cache")
        assert [q.reason for q in qualities] == ["", "wrong checksum"]
        assert abs(qualities[1].fwhm / qualities[0].fwhm - 1) < 0.01
