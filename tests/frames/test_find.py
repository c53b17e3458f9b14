"""Arguments to paths."""

import io

import pytest

from framesort.errors import InputError
from framesort.frames import find_frames


@pytest.fixture
def night(tmp_path):
    for name in ("f_2.fits", "f_10.fits", "f_1.FIT", "sub/g.fits.fz", "sub/h.fts.gz", "notes.txt"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"")
    return tmp_path


def names(paths):
    return [path.name for path in paths]


def test_folder_in_numeric_order(night):
    assert names(find_frames([night])) == [
        "f_1.FIT",
        "f_2.fits",
        "f_10.fits",
        "g.fits.fz",
        "h.fts.gz",
    ]


def test_pattern_and_duplicates(night):
    assert names(find_frames([str(night / "f_*.fits"), night / "f_2.fits"])) == [
        "f_2.fits",
        "f_10.fits",
    ]


def test_result_folder_is_not_searched(night):
    assert names(find_frames([night], exclude=night / "sub")) == [
        "f_1.FIT",
        "f_2.fits",
        "f_10.fits",
    ]


def test_link_to_a_frame_counts_once_and_loops_end(night):
    (night / "again.fits").symlink_to(night / "f_2.fits")
    (night / "loop").symlink_to(night)
    assert len(find_frames([night])) == 5


@pytest.mark.parametrize("between", [b"\n", b"\r\n", b"\0"])
def test_list_file(night, between):
    (night / "list.txt").write_bytes(between.join([b"f_10.fits", b"sub/g.fits.fz"]) + between)
    assert names(find_frames([f"@{night / 'list.txt'}"])) == ["f_10.fits", "g.fits.fz"]


def test_list_on_standard_input(night, monkeypatch):
    monkeypatch.chdir(night)
    assert names(find_frames(["@-"], stdin=io.BytesIO(b"f_2.fits\0f_10.fits\0"))) == [
        "f_2.fits",
        "f_10.fits",
    ]


@pytest.mark.parametrize(
    ("argument", "message"),
    [
        ("missing.fits", "no such file or folder"),
        ("*.nothing", "no file matches"),
        ("@missing.txt", "cannot be read"),
        ("@bad.txt", "entry 2 names no file: 'gone.fits'"),
        ("@empty.txt", "is empty"),
        ("void", "no FITS file in this folder"),
    ],
)
def test_one_clear_line(night, monkeypatch, argument, message):
    monkeypatch.chdir(night)
    (night / "void").mkdir()
    (night / "bad.txt").write_text("f_2.fits\ngone.fits\n")
    (night / "empty.txt").write_text("\n# only a comment\n")
    with pytest.raises(InputError, match=message) as caught:
        find_frames([argument])
    assert "\n" not in str(caught.value)
