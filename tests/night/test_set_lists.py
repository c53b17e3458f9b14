"""The sets as others take them: lists, links, collections; and collections as input."""

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from ccdproc import ImageFileCollection

from framesort.errors import InputError, OutputError
from framesort.frames import find_frames
from framesort.night import list_sets
from framesort.night._lists import link_names, write_sets
from framesort.settings import Settings


@pytest.fixture
def night(tmp_path):
    """Two groups in folders of their own, with names that clash."""
    rows = []
    for folder, name, group, sharp in (
        ("east", "a 1.fits", "L", True),
        ("west", "a 1.fits", "L", True),
        ("west", "B.fits", "L", False),
        ("west", "b.fits", "L", False),
        ("west", "c.fits", "Ha", False),
    ):
        path = tmp_path / folder / name
        path.parent.mkdir(exist_ok=True)
        fits.PrimaryHDU(np.zeros((4, 4), "f4"), fits.Header({"OBJECT": name})).writeto(path)
        rows.append((str(path), group, "sharp" if sharp else "usable", sharp, True))
    return Table(rows=rows, names=("file", "group", "grade", "sharp_set", "deep_set"))


def test_lists_of_either_kind_name_the_files(night, tmp_path):
    write_sets(tmp_path / "sets", night)
    lines = (tmp_path / "sets" / "L-deep.txt").read_text().splitlines()
    assert lines == [str(name) for name in night["file"][:4]]
    assert (tmp_path / "sets" / "Ha-sharp.txt").read_bytes() == b""
    write_sets(tmp_path / "sets", night, null=True)
    done = subprocess.run(
        ["xargs", "-0", "stat", "-c", "%n"],
        input=(tmp_path / "sets" / "L-deep.txt").read_bytes(),
        capture_output=True,
        check=True,
    )
    assert done.stdout.decode().splitlines() == lines
    again = find_frames([f"@{tmp_path}/sets/L-deep.txt"])
    assert sorted(map(str, again)) == sorted(lines)


def test_links_lead_to_the_frames_under_names_of_their_own(night, tmp_path):
    write_sets(tmp_path / "sets", night, link=True)
    folder = tmp_path / "sets" / "L-deep"
    names = sorted(path.name for path in folder.iterdir())
    # B.fits and b.fits of one folder would be one name where capitals do not count.
    assert names == ["0003-west-B.fits", "0004-west-b.fits", "east-a 1.fits", "west-a 1.fits"]
    assert {os.path.realpath(path) for path in folder.iterdir()} == {
        os.path.realpath(name) for name in night["file"][:4]
    }
    # Again without: links go, what a user put there stays, the frames stay.
    (folder / "notes.txt").write_text("mine")
    write_sets(tmp_path / "sets", night[:3])
    assert [path.name for path in folder.iterdir()] == ["notes.txt"]
    assert not (tmp_path / "sets" / "L-sharp").exists()
    assert not (tmp_path / "sets" / "Ha-deep.txt").exists()
    assert all(Path(name).stat().st_size > 0 for name in night["file"])


def test_link_names_never_clash():
    paths = ["/a/x/1.fits", "/b/x/1.fits", "/b/y/1.FITS", "/b/y/2.fits"]
    names = link_names(paths)
    assert names[3] == "2.fits" and names[2] == "y-1.FITS"
    assert len({name.casefold() for name in names}) == 4


def test_a_folder_without_links_is_one_clear_line(night, tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "symlink_to", refuse)
    with pytest.raises(OutputError, match="leave out --link"):
        write_sets(tmp_path / "sets", night, link=True)


def test_collections_in_and_out(night, tmp_path):
    sets = list_sets(night, make=lambda paths: ImageFileCollection(filenames=paths))
    assert sorted(sets) == ["Ha", "L"] and sets["Ha"]["sharp"] == []
    deep = sets["L"]["deep"]
    assert [header["OBJECT"] for header in deep.headers()] == [
        "a 1.fits",
        "a 1.fits",
        "B.fits",
        "b.fits",
    ]
    assert sorted(find_frames(deep)) == sorted(Path(name) for name in night["file"][:4])
    whole = ImageFileCollection(location=str(tmp_path / "west"))
    assert [path.name for path in find_frames(whole)] == ["B.fits", "a 1.fits", "b.fits", "c.fits"]
    few = whole.filter(object="[bc].fits", regex_match=True)
    assert [path.name for path in find_frames(few)] == ["B.fits", "b.fits", "c.fits"]


def test_one_path_and_tables_are_taken_too(night, tmp_path):
    assert len(find_frames(str(tmp_path / "west"))) == 4
    assert len(find_frames(tmp_path / "east" / "a 1.fits")) == 1
    assert sorted(find_frames(night)) == sorted(Path(name) for name in night["file"])
    with pytest.raises(InputError, match="column file"):
        find_frames(Table({"name": ["a"]}))
    with pytest.raises(InputError, match="paths, a table or a collection, got int"):
        find_frames(7)


@pytest.mark.parametrize(
    "values", [{"link": "yes"}, {"null": 1}, {"stacker": 3}, {"registration": None}]
)
def test_settings_of_the_wrong_kind_are_named(values):
    with pytest.raises(InputError, match=next(iter(values))):
        Settings.from_mapping(values)
