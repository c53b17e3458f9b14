"""Reasons on frames drawn as images: each fault by itself, among frames without one."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy.table import Table

from framesort.quality import add_quality_columns, measure_transparency
from framesort.records import add_column
from framesort.simulation import Scenario
from framesort.simulation._frames import draw_frame
from framesort.simulation._scenario import Camera, Filter, Nebula, Run, Seeing, Stars
from framesort.simulation._timeline import plan_exposures
from framesort.stars import measure_image
from framesort.tags import tag_frames

QUIET = 8
"""Frames without a fault, which are the reference frames."""


def draw_night():
    """Shots of a plain night, and what is done to the last of them: name, shots."""
    scenario = Scenario(
        start=datetime(2025, 10, 14, 20, tzinfo=UTC),
        seed=5,
        camera=Camera(width=420, height=320, hot_pixels=0, cosmic_rays=0.0),
        stars=Stars(count=260, faintest=10.0, brightest=5e4),
        nebula=Nebula(galaxies=0),
        seeing=Seeing(fwhm=2.8, jitter=0.01, trail=0.1),
        filter=(Filter(name="L"),),
        run=(Run(filter="L", exposure=60.0, count=QUIET + 12),),
    )
    shots = plan_exposures(scenario)
    faults = {
        QUIET: ("cloud", {"transparency": 0.6, "sky": 1.3}),
        QUIET + 1: ("poor focus", {"fwhm": 3.6}),
        QUIET + 2: ("trailed", {"trail": 2.2, "trail_angle": 40.0}),
        QUIET + 3: ("bright sky", {"sky": 4.0}),
        # A heater that the log does not know of: what its stars show is named all the same.
        QUIET + 4: ("spike", {"heating": ((1.0, 100.0),)}),
    }
    wanted = []
    for i, shot in enumerate(shots):
        name, change = faults.get(i, ("", {}))
        if i >= QUIET + 5:  # stars fade, their halos grow
            along = (i - QUIET - 4) / 7
            change = {"transparency": 1 - 0.3 * along, "halo": 0.25 * along}
            name = "dew"
        shots[i] = replace(shot, **change)
        wanted.append(name)
    return scenario, shots, wanted


@pytest.fixture(scope="module")
def tagged():
    scenario, shots, wanted = draw_night()
    qualities = [measure_image(draw_frame(scenario, shot)[0].astype(np.float32)) for shot in shots]
    # Dew is judged in a run of frames, so it has its own group with quiet frames before it.
    dewing = np.array([name == "dew" for name in wanted])
    order = [*range(QUIET), *np.flatnonzero(dewing)]
    return grade(shots, qualities, range(QUIET + 5)), grade(shots, qualities, order), wanted


def grade(shots, qualities, rows):
    """Table of some of the frames, tagged."""
    shots, qualities = [shots[i] for i in rows], [qualities[i] for i in rows]
    table = Table()
    add_column(table, "file", [f"f{i:02d}.fits" for i in range(len(shots))])
    add_column(table, "exposure", np.full(len(shots), 60.0))
    for name, value in (("filter", "L"), ("group", "L"), ("reason", "")):
        add_column(table, name, [value] * len(shots))
    add_column(table, "binning", np.ones(len(shots), dtype=int))
    add_column(table, "heater_share", np.zeros(len(shots)))
    add_quality_columns(table, qualities)
    add_column(table, "transparency", measure_transparency(qualities, ["L"] * len(shots)))
    strength = np.array([quality.spike_raw for quality in qualities])
    add_column(table, "spike_strength", strength - np.median(strength[:QUIET]))
    add_column(table, "spike_strength_err", np.array([q.spike_raw_err for q in qualities]))
    tag_frames(table)
    return table


def test_frames_without_a_fault_are_sharp(tagged):
    table, _, _ = tagged
    assert set(table["grade"][:QUIET]) == {"sharp"}
    assert set(table["reason"][:QUIET]) == {""}


@pytest.mark.parametrize("fault", ["cloud", "poor focus", "trailed", "bright sky", "spike"])
def test_each_fault_has_its_reason_and_no_other(tagged, fault):
    table, _, wanted = tagged
    row = wanted.index(fault)
    codes = str(table["reason"][row]).split("; ")
    assert fault in codes
    assert table["grade"][row] == "usable"
    # A trail and the heater widen stars as well; nothing else may be named.
    also = {"trailed": {"wide stars"}, "spike": {"poor focus", "trailed"}}
    assert set(codes) - {fault} <= also.get(fault, set())


def test_dew_is_named_once_it_can_be_seen(tagged):
    _, table, _ = tagged
    dew = np.array(["dew" in str(reason).split("; ") for reason in table["reason"]])
    # The bend of a fit may lie a frame or two from the truth.
    assert dew[QUIET + 2 :].all()
    assert not dew[: QUIET - 2].any()
    assert "sharp" not in set(table["grade"][dew])
