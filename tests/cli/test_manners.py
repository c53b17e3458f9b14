"""Manners of the program: stopped, mistyped, and quiet about the future of libraries."""

import os
import signal
import subprocess
import sys
import time
from argparse import Namespace

import pytest

from framesort.cli import main
from framesort.cli._commands import _show
from framesort.cli._mistypes import as_typed
from framesort.cli._parser import build_parser
from framesort.errors import InputError
from framesort.night import NightResult
from framesort.records import NightSummary, Note
from framesort.settings import Settings

pytestmark = pytest.mark.slow

DEPRECATED = """
import sys, warnings
import framesort.cli._commands as commands
def old(options):
    warnings.warn("The flux function is deprecated and may be removed", FutureWarning)
    warnings.warn("The log has two clocks")
    return 0
commands.COMMANDS["log"] = old
sys.argv = ["framesort", "log", "x"]
from framesort.cli import main
sys.exit(main())
"""


@pytest.mark.parametrize(("options", "shown"), [([], False), (["-W", "default"], True)])
def test_deprecations_of_libraries_stay_with_programmers(options, shown):
    done = subprocess.run(
        [sys.executable, *options, "-c", DEPRECATED],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert ("deprecated" in done.stderr) == shown
    assert "two clocks" in done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="sends the signal of a terminal")
@pytest.mark.parametrize("after", [0.7, 2.5])
def test_ctrl_c_while_starting_is_one_line(after, tmp_path):
    """The signal goes to the whole group, as a terminal sends it."""
    (tmp_path / "frames").mkdir()
    slow = (
        "import sys\n"
        "import framesort.cli as cli\n"
        "print('ready', flush=True)\n"
        "sys.argv = ['framesort', 'sort', 'frames', '--out', 'o', '--workers', '2']\n"
        "code = cli.main()\n"
        "sys.exit(code)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", slow],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path,
        start_new_session=True,
    ) as running:  # fmt: skip
        assert running.stdout.readline() == "ready\n"
        time.sleep(after)
        ended = running.poll() is not None
        if not ended:
            os.killpg(running.pid, signal.SIGINT)
        _, error = running.communicate(timeout=60)
    if ended:
        pytest.skip("the machine was faster than the signal")
    # 2: it was about to say that there are no frames; -2: it had, and Python was ending (a shell
    # tells that as 130 too).
    assert running.returncode in (130, 2, -signal.SIGINT), error
    assert "Traceback" not in error and len(error.splitlines()) == 1, error


LOG = "time_utc,heater_percent\n2026-02-11T20:00:00Z,0\n2026-02-11T20:00:05Z,60\n"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["nigth", "x", "--out", "o"], "did you mean night instead of nigth?"),
        (["night", "x", "--out", "o", "--heatr", "l.csv"], "--heater instead of --heatr?"),
        (["sort", "x", "--outt", "o"], "required: --out; did you mean --out instead of --outt?"),
        (["swap", "a", "b", "--out", "c", "--brigthest=3"], "mean --brightest"),
        (["plan", "--humidty", "80"], "mean --humidity instead of --humidty?"),
        (["sort", "x", "--out", "o", "--zzz"], "--zzz; `framesort sort --help` shows more"),
        (["--verson"], "framesort --help` shows more"),
        (["night", "x", "--out", "o", "--max-share", "3"], "--max-share must be a number"),
        (["night", "x", "--out", "o", "--zero-point", "a"], "--zero-point must be MAGNITUDE"),
        (["sort", "x", "--out", "o", "--workers", "0"], "--workers must be 1 or more"),
        (["log", "l.csv", "--log-zone", "Phoenix"], "did you mean America/Phoenix?"),
        (["log", "l.csv", "--log-form", "odd"], "--log-form must be one of"),
        (["log", "local.csv"], "without a zone; give --log-zone, for example"),
    ],
)
def test_what_was_meant_in_the_words_of_the_command_line(
    words, message, tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "l.csv").write_text(LOG)
    (tmp_path / "local.csv").write_text(LOG.replace("time_utc", "local").replace("Z,", ","))
    try:
        code = main(words)
    except SystemExit as ended:
        code = ended.code
    error = capsys.readouterr().err
    assert code == 2
    assert message in error
    assert "max_share" not in error and "zero_point" not in error
    assert len(error.strip().splitlines()) == 1, error


def test_names_are_those_of_the_caller(tmp_path):
    with pytest.raises(InputError, match=r"^max_share must be a number"):
        Settings(max_share=3)
    (tmp_path / "s.toml").write_text("max_share = 3\n")
    path = str(tmp_path / "s.toml")
    options = build_parser().parse_args(["sort", "x", "--out", "o", "--settings", path])
    text = f"{path}: max_share must be a number from 0 to 1, got 3"
    assert as_typed(text, options, build_parser()) == text


@pytest.mark.parametrize(
    ("text", "note"),
    [
        (LOG, "All times have their own zone (as Z or +02:00): America/Phoenix was not applied"),
        (LOG.replace("05Z", "05"), "1 times have their own zone"),
        ("t,heater_percent\n1770840000,0\n1770840005,60\n", "Times are plain numbers"),
    ],
)
def test_a_zone_that_is_not_applied_is_reported(text, note, tmp_path, capsys):
    (tmp_path / "l.csv").write_text(text)
    assert main(["log", str(tmp_path / "l.csv"), "--log-zone", "America/Phoenix"]) == 0
    told = capsys.readouterr().err
    assert note in told
    (tmp_path / "l.csv").write_text(LOG.replace("Z", "").replace("time_utc", "time"))
    assert main(["log", str(tmp_path / "l.csv"), "--log-zone", "America/Phoenix"]) == 0
    assert "applied" not in capsys.readouterr().err


def test_only_warnings_that_ask_for_something_are_printed(tmp_path, capsys):
    told = [
        "Rows were read as samples of the heater's power (form='samples').",
        "L: 38 detections not replaced: not stellar.",
        "L: The sharp stack is hardly sharper: 2.00 px against 2.10 px.",
        "Times without a zone were read as UTC; give zone (--log-zone) if they are local.",
    ]
    codes = ("log interpreted", "not stellar", "hardly sharper", "log zone")
    notes = tuple(map(Note, codes, told))
    result = NightResult(folder=tmp_path, table=None, summary=NightSummary(notes=notes))
    _show(result, Namespace(json=True, verbose=False))
    lines = capsys.readouterr().err.splitlines()
    assert [line.removeprefix("framesort: note: ") for line in lines if "note" in line] == [
        told[2],
        "Times without a zone were read as UTC; give --log-zone if they are local.",
    ]
    _show(result, Namespace(json=True, verbose=True))
    assert capsys.readouterr().err.count("note: ") == 4
