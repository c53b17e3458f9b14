"""Manners of the program: stopped, mistyped, and quiet about the future of libraries."""

import os
import signal
import subprocess
import sys
import time

import pytest

from framesort.cli import main

DEPRECATED = """
import sys, warnings
import framesort.cli._commands as commands
from astropy.utils.exceptions import AstropyDeprecationWarning
def old(options):
    warnings.warn("The flux function is deprecated and may be removed", AstropyDeprecationWarning)
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
    assert running.returncode in (130, 2), error  # 2: it was about to say that there are no frames
    assert "Traceback" not in error and len(error.splitlines()) == 1, error
