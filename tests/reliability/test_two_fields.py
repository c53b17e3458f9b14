"""Two fields in one folder: told apart by headers, or found out when frames are placed."""

from pathlib import Path

import numpy as np
import pytest
from small_frames import draw_frame, write_frame

from framesort.cli import main
from framesort.files import read_table
from framesort.night import list_sets, place_frames, process_night, sort_frames
from framesort.settings import Settings

pytestmark = pytest.mark.slow


def two_fields(folder, first, second):
    """Four frames of one field and three of another, with what their headers call them."""
    folder.mkdir()
    for k, (field, name) in enumerate([(1, first)] * 4 + [(2, second)] * 3):
        cards = {"DATE-OBS": f"2026-02-11T20:0{k}:00"} | ({"OBJECT": name} if name else {})
        pixels = draw_frame(k, field=field).astype(np.uint16)
        write_frame(folder / f"{field}-{k}.fits", pixels, **cards)
    return folder


def listed(out, name):
    lines = (out / "sets" / f"{name}.txt").read_text().splitlines()
    return {Path(line).name[0] for line in lines}, len(lines)


def test_targets_that_headers_name_are_each_made(tmp_path, capsys):
    lights, out = two_fields(tmp_path / "lights", "Kite", "Paper Lantern"), tmp_path / "out"
    words = ["night", str(lights), "--out", str(out), "--heater", "0", "--workers", "1", "--quiet"]
    assert main(words) == 0
    told = capsys.readouterr()
    assert "2 targets among the frames: Kite (4 frames), Paper Lantern (3 frames)" in told.err
    assert "2 targets among the frames" in (out / "report.html").read_text(encoding="utf-8")
    assert listed(out, "L-Kite-deep") == ({"1"}, 4)
    assert listed(out, "L-Paper-Lantern-sharp") == ({"2"}, 3)
    for label in ("L-Kite", "L-Paper-Lantern"):
        assert (out / label / "final.fits").exists()
    assert (read_table(out / "frames.ecsv")["matched"] > 20).all()
    assert not list((out / "sets").glob("*unmatched*"))
    assert main([*words, "--overwrite", "--target", "paper lantern"]) == 0
    assert "4 frames of other targets left out" in capsys.readouterr().err
    assert listed(out, "L-deep") == ({"2"}, 3)
    assert not (out / "sets" / "L-Kite-deep.txt").exists()


@pytest.fixture(scope="module")
def mute(tmp_path_factory):
    """A night of two fields whose headers do not tell them apart."""
    folder = tmp_path_factory.mktemp("mute")
    lights = two_fields(folder / "lights", "", "")
    return process_night([lights], out=folder / "out", heater=0.0)


def test_set_lists_hold_only_frames_that_match(mute):
    assert listed(mute.folder, "L-deep") == ({"1"}, 4)
    assert listed(mute.folder, "L-sharp") == ({"1"}, 4)
    assert listed(mute.folder, "L-unmatched") == ({"2"}, 3)
    (group,) = mute.summary.groups
    assert group.deep.frames == group.sharp.frames == 4
    assert mute.status == 1


def test_a_frame_that_does_not_match_is_named_once(mute):
    assert [Path(entry.file).name for entry in mute.summary.left_out] == [
        "2-4.fits", "2-5.fits", "2-6.fits"
    ]  # fmt: skip
    told = " ".join(mute.summary.all_notes)
    assert "2-5.fits" not in told and "not matched" not in told


def test_frames_of_another_target_are_named_with_the_option(mute, tmp_path):
    (note,) = [text for text in mute.summary.all_notes if "match none of the others" in text]
    *_, named = note.split()
    assert "L: 3 frames match none of the others (first: 2-4.fits)" in note
    assert note in (mute.folder / "report.html").read_text(encoding="utf-8").replace("&#39;", "'")
    other = process_night([named], out=tmp_path / "other", heater=0.0)
    assert listed(other.folder, "L-deep") == ({"2"}, 3)
    assert other.summary.groups[0].replaced


def test_placing_again_starts_from_the_sets_as_chosen(mute):
    """What did not match one grid may match another."""
    lights = mute.folder.parent / "lights"
    night = sort_frames([lights], heater=0.0)
    assert len(list_sets(night.table)["L"]["deep"]) == 7  # headers do not tell
    for grid, field, count in (("2-4", "2", 3), ("1-0", "1", 4)):
        settings = Settings(grid=str(lights / f"{grid}.fits"))
        place_frames(night.table, night.qualities, settings=settings)
        names = [Path(file).name for file in list_sets(night.table)["L"]["deep"]]
        assert {name[0] for name in names} == {field} and len(names) == count
        reasons = [str(text) for text in night.table["reason"]]
        assert sum("not matched" in text for text in reasons) == 7 - count
