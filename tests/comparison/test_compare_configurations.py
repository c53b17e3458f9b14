"""Comparisons of tables with known effects: calls, numbers, refusals."""

import json
from dataclasses import replace

import numpy as np
import pytest
from comparison_tables import make_frames, make_two

from framesort.comparison import (
    Configuration,
    Side,
    SmallestDifference,
    compare_configurations,
    frames_to_settle,
)
from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Comparison


def line(comparison, quantity, *, power=np.nan):
    """The difference of a quantity at a power, or over all."""
    (found,) = (
        one
        for one in comparison.differences
        if one.quantity == quantity and np.array_equal(one.power, power, equal_nan=True)
    )
    return found


def test_halved_blur_and_spike_are_better():
    comparison = compare_configurations(make_two(before=1.6, after=0.8, spikes=(0.04, 0.01)))
    verdict = comparison.verdicts[0]
    assert verdict.call == "better" and verdict.missing == ""
    assert verdict.sentence in comparison.sentence
    growth = line(comparison, "fwhm_growth", power=50)
    truth = np.hypot(1, 1.6 / 2.6) - 1, np.hypot(1, 0.8 / 2.6) - 1
    # Within three standard deviations, which are small enough for it to mean something.
    for interval, true in zip((growth.first, growth.second), truth, strict=True):
        assert abs(interval.value - true) < 3 * interval.error < 0.06
    spike = line(comparison, "spike")
    assert abs(spike.ratio.value - 0.25) < 3 * spike.ratio.error < 0.3
    assert spike.chance_none < 0.01 and spike.frames_needed == 0
    blur = line(comparison, "blur", power=50)
    assert blur.first.low95 < 1.6 < blur.first.high95
    assert blur.second.low95 < 0.8 < blur.second.high95


def test_more_blur_is_worse():
    assert compare_configurations(make_two(before=0.8, after=1.6)).verdicts[0].call == "worse"


def test_less_blur_and_more_spike_is_mixed():
    comparison = compare_configurations(make_two(before=1.6, after=0.6, spikes=(0.01, 0.05)))
    assert comparison.verdicts[0].call == "mixed"


def test_nothing_changed_is_no_difference_with_many_frames_and_unknown_with_few():
    many = compare_configurations(make_two(frames=25, off_frames=30))
    assert many.verdicts[0].call == "no difference"
    few = compare_configurations(make_two(frames=2, off_frames=3))
    assert few.verdicts[0].call == "unknown"
    assert "would settle it." in few.verdicts[0].missing
    assert few.sentence.startswith("Not decided yet: ")


def test_poor_seeing_alone_is_not_called_better():
    # One blur in seeing of 2.2 and 4 pixels: 16 % of FWHM and 5 %, so that the ratio misleads.
    calls = []
    for seed in range(24):
        nights = make_two(
            before=1.3, after=1.3, seed=seed, seeing=2.2, frames=12, off_frames=14,
            second={"seeing": 4.0},
        )  # fmt: skip
        comparison = compare_configurations(nights)
        own = [e.value for e in comparison.effects if e.quantity == "fwhm_growth"]
        assert own[0].low95 > own[1].high95
        (seeing,) = (c for c in comparison.conditions if c.condition == "seeing")
        assert seeing.matters and "common" in seeing.sentence
        calls.append(comparison.verdicts[0].call)
    # At 1 % for each side of two quantities, 3 or more of 24 have a probability of 0.07.
    assert calls.count("better") + calls.count("worse") <= 2


def test_trailed_frames_do_not_decide():
    nights = make_two(frames=6, off_frames=8)
    fwhm = nights[1].table["fwhm"]
    fwhm[np.flatnonzero(nights[1].table["heater_share"])[:2]] *= 1.5
    assert compare_configurations(nights).verdicts[0].call in ("no difference", "unknown")


def test_partly_heated_frames_are_left_out():
    nights = make_two()
    spoilt = nights[1].table.copy()
    rows = np.flatnonzero(spoilt["heater_share"])[:3]
    spoilt["heater_share"][rows] = 0.5
    spoilt["fwhm"][rows] = 9.0
    comparison = compare_configurations([nights[0], replace(nights[1], table=spoilt)])
    assert comparison.configurations[1].part_frames == 3
    assert line(comparison, "blur", power=50).second.high95 < 2.0
    assert [note.code for note in comparison.notes].count("not compared") == 1


def test_pixel_scales_give_arcsec():
    nights = make_two(before=1.5, after=1.5, second={"seeing": 2.6})
    # The second camera has pixels half as large: its widths are twice as many.
    fine = nights[1].table.copy()
    fine["fwhm"] *= 2
    pair = [
        replace(nights[0], pixel_scale=1.4),
        replace(nights[1], pixel_scale=0.7, table=fine),
    ]
    comparison = compare_configurations(pair)
    assert comparison.unit == "arcsec"
    blur = line(comparison, "blur", power=50)
    for interval in (blur.first, blur.second):
        assert abs(interval.value - 2.1) < 3 * interval.error < 0.5
    assert comparison.verdicts[0].call in ("no difference", "unknown")
    assert [c.condition for c in comparison.conditions if c.condition == "pixel scale"]


def test_a_column_that_is_missing_is_a_quantity_that_is_missing():
    nights = make_two()
    for one in nights:
        del one.table["spike_strength"], one.table["spike_angle"]
    nights[0].table["halo"] = np.full(len(nights[0].table), 0.1)
    comparison = compare_configurations(nights)
    assert {one.quantity for one in comparison.differences} == {"fwhm_growth", "blur"}
    assert "spike" not in comparison.sentence


def test_every_quantity_has_its_difference():
    nights = make_two(before=1.5, after=1.5, frames=12, off_frames=14)
    rng = np.random.default_rng(3)
    for k, one in enumerate(nights):
        n, heated = len(one.table), one.table["heater_share"] > 0
        one.table["halo"] = 0.1 + heated * (0.05 - 0.03 * k) + rng.normal(0, 0.004, n)
        one.table["eccentricity"] = 0.3 + 0.1 * heated + rng.normal(0, 0.02, n)
        one.table["transparency"] = np.exp(-0.05 * heated + rng.normal(0, 0.005, n))
        blur = np.where(heated, 2.0 - k, 0.0)
        one.table["kernel_blur_squared"] = blur + rng.normal(0, 0.2, n)
        one.table["spike_length"] = np.where(heated, 12.0 + k, np.nan) + rng.normal(0, 0.5, n)
    comparison = compare_configurations(nights)
    for quantity, first, second in (
        ("halo", 0.05, 0.02),
        ("eccentricity", 0.1, 0.1),
        ("flux_loss", 1 - np.exp(-0.05), 1 - np.exp(-0.05)),
        ("kernel_blur", np.sqrt(2), 1.0),
        ("spike_length", 12.0, 13.0),
    ):
        found = line(comparison, quantity, power=50)
        assert abs(found.first.value - first) < 3.5 * found.first.error
        assert abs(found.second.value - second) < 3.5 * found.second.error
        assert found.difference.low95 < second - first < found.difference.high95
        assert found.difference.error < 0.4 * max(first, second)


def test_other_exposures_are_compared_with_wider_ranges():
    same = compare_configurations(make_two(frames=12, off_frames=12))
    other = compare_configurations(make_two(frames=12, off_frames=12, second={"exposure": 120.0}))
    assert line(other, "blur").difference.error > 1.5 * line(same, "blur").difference.error
    (exposure,) = (c for c in other.conditions if c.condition == "exposure")
    assert exposure.matters and (exposure.first, exposure.second) == (60, 120)


def test_the_same_frames_give_the_same_result_in_any_order():
    nights = make_two()
    mixed = [replace(one, table=one.table[::-1]) for one in nights]
    # As texts, since NaN is not equal to itself.
    assert repr(compare_configurations(mixed)) == repr(compare_configurations(nights))


def test_records_survive_json():
    comparison = compare_configurations(make_two())
    text = json.dumps(comparison.to_plain())
    assert repr(Comparison.from_json(text)) == repr(comparison)


def refuse(nights, words, kind=InputError):
    with pytest.raises(kind, match=words) as caught:
        compare_configurations(nights)
    assert "\n" not in str(caught.value)


def test_refusals():
    nights = make_two()
    refuse(nights[:1], "two configurations")
    refuse([nights[0], replace(nights[1], name="before")], "'before' twice")
    refuse([nights[0], replace(nights[0], name="again")], "18 frames in common")
    half = replace(nights[0], name="half", table=nights[0].table[9:])
    refuse([nights[0], half], "9 frames in common")
    bare = nights[1].table.copy()
    del bare["heater_power"]
    refuse([nights[0], replace(nights[1], table=bare)], "'heater_power'")
    heated = nights[1].table[nights[1].table["heater_share"] > 0]
    refuse([nights[0], replace(nights[1], table=heated)], "heater-off", NotEnoughFramesError)
    other = Configuration("after", make_frames(seed=2, blur=1.0, power=80.0, day=1))
    refuse([nights[0], other], "no power in common.* 50 % and 80 % ", NotEnoughFramesError)


def test_other_cameras_need_pixel_scales():
    nights = make_two()
    for one, width in zip(nights, (1200, 4000), strict=True):
        one.table["width"], one.table["height"], one.table["binning"] = width, 900, 1
    refuse(nights, "different cameras")
    for one, scale in zip(nights, (1.4, 1.4), strict=True):
        one.table["pixel_scale"] = scale
    assert compare_configurations(nights).unit == "arcsec"


def test_smallest_difference_is_the_users():
    nights = make_two(before=1.3, after=1.15, frames=25, off_frames=30)
    wide = compare_configurations(nights, smallest=SmallestDifference(growth=0.2))
    assert wide.verdicts[0].call == "no difference"


def test_three_configurations_are_compared_with_the_first():
    nights = make_two(before=1.6, after=1.6)
    third = Configuration("strap", make_frames(seed=77, blur=0.5, spike=0.03, day=2))
    comparison = compare_configurations([*nights, third])
    assert [v.configuration for v in comparison.verdicts] == ["after", "strap"]
    assert comparison.verdicts[1].call == "better"


def test_frames_to_settle_against_the_formula():
    # A standard error of d / 2.8 finds d at 95 % in 80 % of cases (1.96 + 0.84).
    heated, off = frames_to_settle(0.05, [Side(0.0009, 4, 4)] * 2)
    assert heated == off
    error = np.sqrt(2 * 0.0009 * 4 / (4 + heated))
    before = np.sqrt(2 * 0.0009 * 4 / (3 + heated))
    assert error < 0.05 / 2.80 < before
    assert frames_to_settle(0.5, [Side(0.0009, 4, 4)] * 2) == (0, 0)
    assert frames_to_settle(0.0, [Side(0.0009, 4, 4)] * 2) == (-1, -1)
    assert frames_to_settle(0.05, [Side(0.0009, 4, 4)] * 2, fixed_variance=0.001) == (-1, -1)
    with pytest.raises(InputError, match="level"):
        frames_to_settle(0.05, [Side(0.0009, 4, 4)] * 2, level=1)
