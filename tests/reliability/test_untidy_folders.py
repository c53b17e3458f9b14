"""Folders as they are: earlier results among the frames, clocks that are wrong, odd dates."""

import json
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits
from small_frames import draw_frame, write_frame

from framesort.cli import main
from framesort.errors import HeaderWarning, InputError
from framesort.files import read_table
from framesort.frames import find_frames, header_start, read_frames
from framesort.night import process_night, sort_frames

pytestmark = pytest.mark.slow

QUIET = ["--heater", "0", "--workers", "1", "--quiet"]


def frames(folder, count=5, **first):
    """Sound frames, the first with other cards."""
    folder.mkdir(parents=True)
    for k in range(count):
        cards = {"DATE-OBS": f"2026-02-11T20:{k:02d}:00"} | (first if k == 0 else {})
        write_frame(folder / f"{k}.fits", draw_frame(k).astype(np.uint16), **cards)
    return folder


# Products among the frames --------------------------------------------------------------------


@pytest.fixture(scope="module")
def with_result(tmp_path_factory):
    """A folder of frames with the result of a run in it."""
    lights = frames(tmp_path_factory.mktemp("own") / "lights")
    process_night([lights], out=lights / "result", heater=0.0)
    return lights


def test_every_product_is_known_by_its_card(with_result):
    products = sorted((with_result / "result" / "L").glob("*.fits"))
    assert len(products) == 7
    assert {path.stem: fits.getheader(path)["FSPROD"] for path in products} == {
        "deep": "stack", "sharp": "stack", "final": "final", "stars": "stars",
        "background": "background", "mask": "mask", "residual": "residual",
    }  # fmt: skip
    assert list(read_frames(products)["reason"]) == ["own product"] * 7


def test_products_among_the_frames_are_left_out(with_result, tmp_path, capsys):
    assert main(["sort", str(with_result), "--out", str(tmp_path / "other"), *QUIET]) == 0
    assert "7 stacks and pictures that framesort wrote" in capsys.readouterr().err
    assert len(read_table(tmp_path / "other" / "frames.ecsv")) == 5


def test_products_alone_are_refused(with_result):
    with pytest.raises(InputError, match="7 files are stacks and pictures that framesort wrote"):
        sort_frames([with_result / "result" / "L"], heater=0.0)


@pytest.mark.parametrize("out", ["lights", "."])
def test_results_do_not_go_where_the_frames_lie(tmp_path, capsys, out):
    lights = frames(tmp_path / "lights", 2)
    assert main(["night", str(lights), "--out", str(tmp_path / out), *QUIET]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "give another --out" in told
    assert sorted(path.name for path in tmp_path.iterdir()) == ["lights"]
    assert len(list(lights.iterdir())) == 2
    with pytest.raises(InputError, match="give another --out"):
        find_frames([str(lights / "*.fits")], exclude=lights)


def test_no_frame_named():
    with pytest.raises(InputError, match="no frame was named"):
        sort_frames([])


# Times that cannot be --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keyword", "value"),
    [
        ("EXPTIME", 1e12),
        ("EXPTIME", 86401.0),
        *(
            ("DATE-OBS", f"{year}-02-11T20:00:00")
            for year in ("5000", "9999", "0001", "-0001", "2100")
        ),
        ("DATE-OBS", "1970-01-01T00:00:00"),
        ("DATE-OBS", ""),
    ],
)
def test_one_frame_of_another_age_does_not_end_the_night(tmp_path, capfd, keyword, value):
    lights = frames(tmp_path / "lights", 4, **{keyword: value})
    status = main(["sort", str(lights), "--out", str(tmp_path / "out"), *QUIET])
    told = capfd.readouterr().err
    assert "fault" not in told and "Warning" not in told
    table = read_table(tmp_path / "out" / "frames.ecsv")
    row = table[[str(file).endswith("0.fits") for file in table["file"]]][0]
    if keyword == "EXPTIME":
        assert status == 1 and "0.fits: odd exposure time" in told
        assert not row["deep_set"]
    else:
        assert status == 0 and bool(row["start"].mask)
        assert value == "" or "not a year from 1972 to 2099" in told
    night = json.loads((tmp_path / "out" / "night.json").read_text())["nights"][0]
    assert night["first"].startswith("2026-02-11T20:0")
    assert night["last"] == "2026-02-11T20:03:00.000"


def test_a_clock_in_the_far_future_is_not_remarked_on_by_others(tmp_path):
    # The ERFA library warns of years that its table of leap seconds does not reach.
    lights = frames(tmp_path / "lights", 3, **{"DATE-OBS": "2045-02-11T20:00:00"})
    run = [sys.executable, "-m", "framesort", "sort", str(lights), "--out", str(tmp_path / "out")]
    done = subprocess.run([*run, *QUIET], capture_output=True, text=True)
    assert "Warning" not in done.stderr and "dubious" not in done.stderr
    assert "2045-02-11" in (tmp_path / "out" / "night.json").read_text()


def undated(folder):
    """Four sound frames that do not tell when they began."""
    folder.mkdir()
    for k in range(4):
        path = write_frame(folder / f"{k}.fits", draw_frame(k).astype(np.uint16))
        fits.delval(path, "DATE-OBS")
    return folder


@pytest.mark.parametrize(("power", "state"), [("0", "off"), ("40", "on")])
def test_a_power_that_was_given_holds_for_frames_without_times(tmp_path, capfd, power, state):
    lights, out = undated(tmp_path / "lights"), tmp_path / "out"
    quiet = ["--workers", "1", "--quiet"]
    assert main(["sort", str(lights), "--out", str(out), "--heater", power, *quiet]) in (0, 3)
    table = read_table(out / "frames.ecsv")
    assert list(table["heater_state"]) == [state] * 4
    assert list(table["heater_power"]) == [float(power)] * 4
    assert "no frame" not in capfd.readouterr().err


def test_a_log_does_not_cover_frames_without_times(tmp_path, capfd):
    lights = undated(tmp_path / "lights")
    log = tmp_path / "ring.csv"
    log.write_text("time_utc,heater_percent\n2026-02-11T20:00:00Z,0\n2026-02-11T21:00:00Z,100\n")
    out = str(tmp_path / "out")
    # Two workers: the report's tables, whose times are all masked, go to other processes.
    status = main(["sort", str(lights), "--out", out, "--heater", str(log), "--workers", "2"])
    assert status == 1
    told = capfd.readouterr().err
    assert "ring.csv cannot be applied: no frame has a start time" in told
    assert "another night" not in told


# Dates in the old form -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "day_first", "start"),
    [
        ("02/11/2026 20:15:00", None, None),
        ("02/11/26", None, None),
        ("02/11/2026 20:15:00", True, "2026-11-02T20:15:00.000"),
        ("02/11/2026", False, "2026-02-11T00:00:00.000"),
        ("13/02/2026", False, "2026-02-13T00:00:00.000"),
        ("02/13/2026", True, "2026-02-13T00:00:00.000"),
        ("11.11.2026", None, "2026-11-11T00:00:00.000"),
        # Year-2000 agreement of 1997, sec. 3.1: DD/MM/YY means day first and 19YY.
        ("02/11/98", None, "1998-11-02T00:00:00.000"),
    ],
)
def test_order_of_day_and_month(text, day_first, start):
    time, note = header_start({"DATE-OBS": text}, day_first=day_first)
    assert (None if time is None else time.isot) == start
    if start is None:
        assert "--day-first or --no-day-first settles it" in note


def test_dates_that_may_be_either_way_are_reported_once(tmp_path):
    paths = [
        write_frame(tmp_path / f"{k}.fits", draw_frame(k), **{"DATE-OBS": f"02/11/2026 20:0{k}"})
        for k in range(3)
    ]
    with pytest.warns(HeaderWarning, match="3 of 3 headers.*--day-first") as caught:
        table = read_frames(paths)
    assert len(caught) == 1
    assert table["start"].mask.all()
    with pytest.warns(HeaderWarning, match="read month first"):
        table = read_frames(paths, day_first=False)
    assert list(table["night"]) == ["2026-02-11"] * 3


def test_one_date_decides_for_the_others(tmp_path):
    paths = [
        write_frame(tmp_path / f"{k}.fits", draw_frame(k), **{"DATE-OBS": f"{k}/11/2026 20:00"})
        for k in (12, 13)
    ]
    with pytest.warns(HeaderWarning, match="2 of 2 headers.*read day first"):
        table = read_frames(paths)
    assert list(table["night"]) == ["2026-11-12", "2026-11-13"]
