"""The self-check's place in night.json: numbers and the worst stars, no pictures."""

import json
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.files import json_text
from framesort.night._merge import MergedGroup
from framesort.night._place import PlacedNight
from framesort.night._summary import add_merged, add_placed
from framesort.records import GroupSummary, NightSummary, Note, Replacement, Transform
from framesort.replacement import ReplacementCheck
from framesort.settings import Settings


def merged(note):
    picture = np.zeros((4, 5), dtype=np.float32)
    stars = Table({"x": [1.0, 2.0], "y": [1.0, 2.0], "reason": ["", "no sharp data"]})
    replacement = Replacement(
        final=picture, stars=picture, background=picture, mask=picture.astype(np.uint8), table=stars
    )
    check = ReplacementCheck(
        flux_ratio=1.01,
        worst=Table({"x": [1.0], "y": [1.0], "flux": [9.0], "residual": [2.5]}),
        residual=np.zeros((2000, 3000), dtype=np.float32),
    )
    notes = (Note("self-check", f"L: {note}"),)
    return MergedGroup(label="L", deep=None, replacement=replacement, check=check, notes=notes)


def test_check_is_reported_without_its_pictures():
    summary = add_merged(NightSummary(groups=(GroupSummary(label="L"),)), merged("note"))
    text = json_text(summary.to_plain())
    check = json.loads(text)["groups"][0]["check"]
    assert NightSummary.from_json(text).groups[0].check["flux_ratio"] == 1.01
    assert check["flux_ratio"] == 1.01
    assert check["worst"] == [{"x": 1.0, "y": 1.0, "flux": 9.0, "residual": 2.5}]
    assert len(text) < 5000  # the residual alone would be millions of numbers


def test_second_merge_forgets_what_the_first_reported():
    table = Table({"file": ["a"], "group": ["L"], "grade": ["sharp"], "reason": [""],
                   "sharp_set": [False], "deep_set": [False],
                   "start": [Time("2026-02-11T21:00:00")]})  # fmt: skip
    placed = PlacedNight(grid=None, transforms=(Transform(reason="not matched"),), left_out=())
    night = Note("log zone", "of the log")
    summary = NightSummary(groups=(GroupSummary(label="L"),), notes=(night,))
    for count in (9, 7):
        summary = add_placed(summary, table, placed, Settings(), Path("out"))
        summary = add_merged(summary, merged(f"{count} holes"))
    assert summary.all_notes == ("of the log", "L: 7 holes")
