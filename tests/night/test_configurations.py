"""Nights, parts of a night and frames by a table as configurations."""

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time

from framesort.errors import InputError
from framesort.files import write_table, write_text
from framesort.night._configurations import read_configurations
from framesort.records import NightSummary

BEGIN = Time("2026-03-01T20:00:00", scale="utc").unix


def write_sorted(folder, *, frames=10, begin=BEGIN):
    """The table of a night of a frame a minute; the last could not be used."""
    number = np.arange(frames)
    table = Table({
        "file": [f"/lights/{folder.name}-{k:02d}.fits" for k in number],
        "start": Time(begin + 60.0 * number, format="unix", scale="utc"),
        "exposure": np.full(frames, 50.0),
        "filter": np.full(frames, "L"),
        "group": np.full(frames, "L-50s"),
        "fwhm": np.full(frames, 3.0),
        "heater_share": (number % 2).astype(float),
        "grade": [*["sharp"] * (frames - 1), ""],
        "sharp_set": np.zeros(frames, dtype=bool),
        "deep_set": np.zeros(frames, dtype=bool),
        "weight_sharp": np.ones(frames),
        "weight_deep": np.ones(frames),
    })  # fmt: skip
    folder.mkdir(parents=True)
    write_table(folder / "frames.ecsv", table)
    write_text(folder / "night.json", "{}")
    return folder


@pytest.fixture
def night(tmp_path):
    return write_sorted(tmp_path / "one")


def test_folders_are_configurations(night, tmp_path):
    other = write_sorted(tmp_path / "two", begin=BEGIN + 86400)
    first, second = read_configurations([night, other])
    assert (first.name, second.name) == ("one", "two")
    assert len(first.table) == 9  # the unusable frame is left out
    assert first.summary == NightSummary()


def test_names_given(night, tmp_path):
    other = write_sorted(tmp_path / "two", begin=BEGIN + 86400)
    found = read_configurations([night, other], names=("bare", "taped"))
    assert [one.name for one in found] == ["bare", "taped"]
    with pytest.raises(InputError, match="1 given for 2 configurations"):
        read_configurations([night, other], names=("bare",))
    with pytest.raises(InputError, match="bare is given twice"):
        read_configurations([night, other], names=("bare", "bare"))


def test_folders_of_one_name_differ(tmp_path):
    folders = [write_sorted(tmp_path / part / "result", begin=BEGIN) for part in "ab"]
    names = [one.name for one in read_configurations(folders)]
    assert names == [str(folder) for folder in folders]


def test_split_by_time(night):
    before, after = read_configurations([night], split=("2026-03-01T20:05:00",))
    assert (before.name, after.name) == ("before 20:05", "from 20:05")
    assert (len(before.table), len(after.table)) == (5, 4)  # 20:05 itself begins the second
    zoned = read_configurations([night], split=("2026-03-01T21:05:00+01:00",))
    assert [len(one.table) for one in zoned] == [5, 4]


def test_split_twice(night):
    parts = read_configurations([night], split=("2026-03-01T20:06", "2026-03-01T20:03"))
    assert [len(part.table) for part in parts] == [3, 3, 3]


@pytest.mark.parametrize("time", ["2026-03-01T19:00", "2026-03-02T04:00"])
def test_split_outside_the_night(night, time):
    with pytest.raises(InputError, match=r"no frame .* the night is from 2026-03-01 20:00"):
        read_configurations([night], split=(time,))


def test_split_is_for_one_night(night, tmp_path):
    other = write_sorted(tmp_path / "two", begin=BEGIN + 86400)
    with pytest.raises(InputError, match="--split is for one night, got 2"):
        read_configurations([night, other], split=("2026-03-01T20:05",))


def test_frames_by_a_table(night, tmp_path):
    table = tmp_path / "frames.csv"
    rows = [f"one-{k:02d}.fits,{'taped' if k >= 4 else 'bare'}" for k in range(1, 8)]
    table.write_text("file,configuration\n" + "\n".join(rows) + "\n")
    bare, taped = read_configurations([night], by=table)
    assert (bare.name, len(bare.table), taped.name, len(taped.table)) == ("bare", 3, "taped", 4)


def test_another_column_of_a_table(night, tmp_path):
    table = tmp_path / "frames.csv"
    table.write_text("file,ring\none-01.fits,old\none-02.fits,new\n")
    assert [c.name for c in read_configurations([night], by=f"{table}:ring")] == ["old", "new"]
    with pytest.raises(InputError, match="no column configuration; it has file, ring"):
        read_configurations([night], by=table)


def test_tables_that_do_not_serve(night, tmp_path):
    with pytest.raises(InputError, match="no such table"):
        read_configurations([night], by=tmp_path / "none.csv")
    other = tmp_path / "other.csv"
    other.write_text("file,configuration\nelsewhere.fits,bare\n")
    with pytest.raises(InputError, match="names no frame"):
        read_configurations([night], by=other)
    binary = tmp_path / "binary.csv"
    binary.write_bytes(bytes(range(128, 256)))
    with pytest.raises(InputError, match="cannot be read as a table"):
        read_configurations([night], by=binary)


def test_one_night_alone_is_refused(night):
    with pytest.raises(InputError, match="needs two nights, or one with --split"):
        read_configurations([night])


def test_folder_that_was_not_sorted(night, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"holds no frames\.ecsv"):
        read_configurations([night, tmp_path / "empty"])
