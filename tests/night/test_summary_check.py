"""The self-check's place in night.json: numbers and the worst stars, no pictures."""

import json

import numpy as np
from astropy.table import Table

from framesort.files import json_ready
from framesort.night._merge import MergedGroup
from framesort.night._summary import add_merged
from framesort.records import Replacement
from framesort.replacement import ReplacementCheck


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
    return MergedGroup(
        label="L", deep=None, replacement=replacement, check=check, notes=(f"L: {note}",)
    )


def test_check_is_reported_without_its_pictures():
    summary = {"warnings": [], "groups": [{"label": "L"}]}
    add_merged(summary, merged("note"))
    text = json.dumps(json_ready(summary))
    check = json.loads(text)["groups"][0]["check"]
    assert check["flux_ratio"] == 1.01
    assert check["worst"] == [{"x": 1.0, "y": 1.0, "flux": 9.0, "residual": 2.5}]
    assert len(text) < 3000  # the residual alone would be millions of numbers


def test_second_merge_forgets_what_the_first_reported():
    summary = {"warnings": ["of the log"], "groups": [{"label": "L"}]}
    add_merged(summary, merged("9 detections not replaced"))
    add_merged(summary, merged("7 detections not replaced"))
    assert summary["warnings"] == ["of the log", "L: 7 detections not replaced"]
