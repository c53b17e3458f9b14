"""`framesort watch` in a fork: what `kill_watch.py` and its faults start, kill and look at."""

import json
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import framesort.live._commands
import framesort.night
import framesort.stars
from framesort.cli import main as run_command
from framesort.night import watch_night
from framesort.stars import measure_image

__all__ = ["ODD", "Watch", "caches", "commands", "count", "prepare"]

COUNTED = [Path("counted")]
ODD = 17.0
"""A corner pixel of this value makes the measurer fail."""


def counted(image: Any, **options: Any) -> Any:
    """The built-in measurer; each use is written down."""
    if image[0, 0] == ODD:
        raise ValueError("an odd frame")
    quality = measure_image(image, **options)
    with open(COUNTED[0], "a") as stream:
        stream.write("x")
    return quality


def watch_and_dump(*args: Any, **options: Any) -> Any:
    """`watch_night`, the last status written down."""
    status = watch_night(*args, **options)
    plain = {
        "frames": [vars(frame) for frame in status.frames],
        "minutes": [vars(one) for one in status.minutes],
        "heater": status.heater,
        "events": [vars(event) for event in status.events],
    }
    Path(f"{options['out']}.status.json").write_text(json.dumps(plain))
    return status


class Watch:
    """`framesort watch` in a fork of this process."""

    def __init__(self, folder: Path, out: Path, *more: str) -> None:
        self.out, self.printed, self.said = out, Path(f"{out}.out"), Path(f"{out}.err")
        words = ["watch", str(folder), "--out", str(out), "--workers", "1", "--poll", "0.1", *more]
        self.ended: int | None = None
        self.pid = os.fork()
        if self.pid == 0:
            status = 70
            try:
                os.setsid()
                for number, path in ((1, self.printed), (2, self.said)):
                    os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
                status = run_command(words)
            finally:
                os._exit(status)

    @property
    def frames(self) -> int:
        """Lines of frames so far."""
        return self.printed.read_text().count(".fits") if self.printed.exists() else 0

    @property
    def errors(self) -> list[str]:
        """Lines on standard error."""
        lines = self.said.read_text().splitlines() if self.said.exists() else []
        return [line for line in lines if "note: " not in line]

    def until(self, what: Callable[[], bool], seconds: float = 30.0) -> bool:
        """Wait for something; false if it does not come."""
        end = time.monotonic() + seconds
        while not what():
            if time.monotonic() > end or self.poll() is not None:
                return what()
            time.sleep(0.02)
        return True

    def poll(self) -> int | None:
        """Exit status, None while it runs."""
        if self.ended is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            self.ended = os.waitstatus_to_exitcode(status) if pid else None
        return self.ended

    def end(self, number: int = signal.SIGTERM, seconds: float = 90.0) -> int | None:
        """Send a signal and wait; the exit status, None if it had to be killed after that."""
        if self.poll() is None:
            os.kill(self.pid, number)
        end = time.monotonic() + seconds
        while self.poll() is None and time.monotonic() < end:
            time.sleep(0.01)
        if self.ended is None:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
            self.ended = -signal.SIGKILL
            return None
        return self.ended

    def status(self) -> dict[str, Any]:
        """The last status of a watch that ended by itself."""
        path = Path(f"{self.out}.status.json")
        found: dict[str, Any] = json.loads(path.read_text()) if path.exists() else {}
        return found


def commands(told: Path) -> list[str]:
    """Options by which a line is written for each event."""
    script = f"echo \\\"$FRAMESORT_EVENT $FRAMESORT_MESSAGE\\\" >> '{told}'"
    kinds = ("goal", "frame-bad", "dew", "cloud", "forgotten")
    return [word for kind in kinds for word in ("--on", kind, f'sh -c "{script}"')]


def caches(out: Path) -> dict[str, int]:
    """Kept measurements with the inode of each: another one if it was written anew."""
    return {path.name: path.stat().st_ino for path in (out / "cache").glob("*.npz")}


def count() -> int:
    """Measurements so far."""
    return COUNTED[0].stat().st_size if COUNTED[0].exists() else 0


def prepare(base: Path, night: Path) -> None:
    """Count measurements, dump the last status, and load everything that a watch needs."""
    COUNTED[0] = base / "counted"
    framesort.stars.measure_image = counted
    framesort.night.watch_night = watch_and_dump
    framesort.live._commands.LONGEST = 3.0
    words = ["sort", str(night / "frames"), "--heater", "0", "--out", str(base / "warm")]
    run_command([*words, "--workers", "1"])
    COUNTED[0].unlink()
