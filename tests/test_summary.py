"""The summary of a night goes to night.json and comes back; a damaged one is named in one line."""

import math

import pytest
from astropy.table import Table

from framesort.errors import InputError
from framesort.files import json_text
from framesort.records import (
    ClockOffset,
    GapVerdict,
    GroupSummary,
    HeaterStep,
    HeaterSummary,
    LeftOut,
    NightPart,
    NightSummary,
    Note,
    ResponsePoint,
    SetSummary,
    Stages,
    TradeOffPoint,
    rows_as,
)


def whole():
    """A summary in which every kind of value occurs."""
    clock = ClockOffset(-5.0, 19.0, False, "The clocks agree: -5 ± 19 s.")
    return NightSummary(
        framesort="0.1.0",
        versions={"numpy": "2.3.1"},
        stages=Stages(sort=True),
        settings={"clip": 3.0, "target": ["M"], "crop": None, "clock_offset": "auto"},
        heater=HeaterSummary(
            log="ring.csv",
            source="log",
            steps=(HeaterStep(start=None, stop="2026-02-11T20:00:00Z", power=0.0),),
            notes=(Note("log rows", "line 3: no time, left out", ["ring.csv"]),),
        ),
        clock=clock,
        nights=(NightPart(night="2026-02-11", frames=2, states={"off": 2}, clock=clock),),
        gap=GapVerdict(gap=300.0, candidates=(("radial", True, -3.0),), fits=(("radial", True),)),
        groups=(
            GroupSummary(
                label="L",
                light_by_angle={"off": [0.0, 1e-5]},
                sharp=SetSummary(frames=2, hours=0.5, fwhm=2.5, depth=3.0, limit_flux=9.0),
                trade_off=(TradeOffPoint(frames=1, heated=0, hours=0.25, fwhm=2.4, depth=4.0),),
                replaced=9,
                left=0,
                fwhm={"deep": 3.0},
                check={"spike_deep": [0.1, 0.01], "worst": [{"x": 1.0}], "one_sky": True},
                notes=(Note("self-check", "L: holes"),),
            ),
        ),
        response=(ResponsePoint(filter="L", exposure=60.0, power=50.0, frames=3, spike=0.1),),
        left_out=(LeftOut(file="a.fits", reason="dew"),),
        notes=(Note("header time", "zone"), Note("log contradicted", "wrong log")),
    )


def test_what_is_written_is_read():
    summary = whole()
    text = json_text(summary.to_plain())
    assert "NaN" not in text
    again = NightSummary.from_json(text)
    assert json_text(again.to_plain()) == text  # NaN is not equal to itself
    assert again.gap == summary.gap and again.clock == summary.clock
    assert again.heater == summary.heater and again.heater.notes[0].files == ("ring.csv",)
    assert math.isnan(again.groups[0].deep.depth)
    assert [note.code for note in again.notes] == ["header time", "log contradicted"]


def test_errors_come_first_among_all_notes():
    assert whole().all_notes == ("wrong log", "zone", "L: holes")


def test_an_empty_object_is_an_empty_summary():
    assert NightSummary.from_json("{}").groups == ()


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("{", "line 1 column 2"),
        ("[1]", "night.json"),
        ('{"groups": [{"label": "L", "sharp": {"frames": "many"}}]}', r"groups\[0\].sharp.frames"),
        ('{"groups": [{"label": "L", "sharp": {"fwhm": "wide"}}]}', r"groups\[0\].sharp.fwhm"),
        ('{"groups": [{}]}', r"groups\[0\].label"),
        ('{"notes": ["plain"]}', r"notes\[0\]"),
        ('{"clock": 3}', "clock"),
        ('{"settings": 3}', "settings"),
        ('{"left_out": [{"file": 3, "reason": "dew"}]}', r"left_out\[0\].file"),
    ],
)
def test_damage_is_named_in_one_line(text, named):
    with pytest.raises(InputError, match=named) as caught:
        NightSummary.from_json(text)
    assert "\n" not in str(caught.value) and str(caught.value).startswith("night.json: ")


def test_rows_of_a_table_as_records():
    table = Table({"frames": [1, 2], "heated": [0, 1], "hours": [0.1, 0.2], "fwhm": [2.0, 2.1],
                   "depth": [3.0, 2.0]})  # fmt: skip
    first, second = rows_as(TradeOffPoint, table)
    assert first == TradeOffPoint(frames=1, heated=0, hours=0.1, fwhm=2.0, depth=3.0)
    assert type(second.frames) is int and type(second.depth) is float
