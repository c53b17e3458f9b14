"""Faults that are made while a watch runs; `kill_watch.py` prints what came of each."""

import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from astropy.io import fits
from watch_forks import ODD, Watch, caches, commands

__all__ = ["FAULTS", "one_fault"]


class Stage:
    """A folder, frames to put into it, a watch over it."""

    def __init__(self, base: Path, night: Path) -> None:
        self.base, self.lights, self.out = base, base / "lights", base / "out"
        self.lights.mkdir(parents=True)
        self.frames = sorted((night / "frames").glob("*.fits"))
        self.log = (night / "heater_power.csv").read_bytes()
        self.copied = 0

    def start(self, *more: str) -> Watch:
        """Start a watch."""
        self.watch = Watch(self.lights, self.out, *more)
        return self.watch

    def copy(self, number: int = 1) -> Path:
        """Copy further frames in, and wait until each was shown."""
        for _ in range(number):
            path = self.lights / self.frames[self.copied].name
            part = path.with_suffix(".part")
            shutil.copy(self.frames[self.copied], part)
            part.rename(path)
            self.copied += 1
        return path

    def goes_on(self, shown: int) -> bool:
        """Whether another frame is shown after so many."""
        before = self.watch.until(lambda: self.watch.frames >= shown)
        self.copy()
        return before and self.watch.until(lambda: self.watch.frames >= shown + 1)

    def says(self, text: str, seconds: float = 15.0) -> bool:
        """Whether a text is said on standard error."""
        return self.watch.until(lambda: any(text in line for line in self.watch.errors), seconds)


FAULTS: dict[str, tuple[Callable[[Stage], bool], str]] = {}


def fault(name: str, line: str) -> Callable[[Callable[[Stage], bool]], Callable[[Stage], bool]]:
    """A fault with the words that its line must hold; "" where nothing is to be said."""

    def keep(function: Callable[[Stage], bool]) -> Callable[[Stage], bool]:
        FAULTS[name] = (function, line)
        return function

    return keep


@fault("file in parts", "")
def _parts(stage: Stage) -> bool:
    stage.start("--heater", "0")
    content = stage.frames[-1].read_bytes()
    for first in range(0, len(content), 100_000):
        with open(stage.lights / "parts.fits", "ab") as stream:
            stream.write(content[first : first + 100_000])
        time.sleep(0.4)
    return stage.goes_on(1)


@fault("measured, then renamed", "renamed")
def _renamed(stage: Stage) -> bool:
    watch = stage.start("--heater", "0")
    path = stage.copy()
    watch.until(lambda: watch.frames == 1)
    path.rename(stage.lights / "other.fits")
    return stage.goes_on(2)


@fault("measured, then deleted", "removed")
def _deleted(stage: Stage) -> bool:
    watch = stage.start("--heater", "0")
    path = stage.copy()
    watch.until(lambda: watch.frames == 1)
    path.unlink()
    return stage.says("removed") and stage.goes_on(1)


@fault("deleted while it is written", "before it was complete")
def _unfinished(stage: Stage) -> bool:
    stage.start("--heater", "0")
    half = stage.lights / "half.fits"
    half.write_bytes(stage.frames[-1].read_bytes()[:-5000])
    time.sleep(3.0)
    half.unlink()
    return stage.says("before it was complete") and stage.goes_on(0)


@fault("same name written again", "written again")
def _again(stage: Stage) -> bool:
    watch = stage.start("--heater", "0")
    path = stage.copy()
    watch.until(lambda: watch.frames == 1)
    path.write_bytes(stage.frames[-1].read_bytes())
    return stage.goes_on(2)


@fault("times of files an hour ahead, an hour back", "")
def _times(stage: Stage) -> bool:
    stage.start("--heater", "0")
    for hour in (3600, -3600):
        part = stage.lights / "next.part"
        shutil.copy(stage.frames[-1], part)
        os.utime(part, (time.time() + hour,) * 2)
        part.rename(stage.lights / f"{hour}.fits")
        time.sleep(1.0)
    return stage.goes_on(2)


@fault("disk full", "No space left")
def _full(stage: Stage) -> bool:
    stage.out.mkdir()
    call = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(stage.out)]
    if subprocess.run(call, capture_output=True).returncode:
        raise OSError("mounting is not allowed")
    log = stage.base / "ring.csv"
    log.write_bytes(stage.log)
    try:
        watch = stage.start("--heater", str(log), *commands(stage.base / "told"), "--goal", "3")
        stage.copy()
        watch.until(lambda: watch.frames == 1)
        try:
            with open(stage.out / "ballast", "wb", buffering=0) as stream:
                while True:
                    stream.write(bytes(4096))
        except OSError:
            pass
        stage.copy(3)
        named = watch.until(lambda: watch.frames == 4) and stage.says("No space left")
        kept = len(caches(stage.out))
        (stage.out / "ballast").unlink()
        on = stage.goes_on(4) and stage.goes_on(5)
        saved = len(caches(stage.out)) == kept + 2
        watch.end()
        log_known = all(f["heater_state"] != "unknown" for f in watch.status()["frames"])
        return named and on and saved and log_known
    finally:
        stage.watch.end()
        subprocess.run(["umount", str(stage.out)], check=True)


def _with_log(stage: Stage, spoil: Callable[[Path], None], *, begin: bool = True) -> bool:
    """A log to which something happens after the second of six frames; every state is known."""
    log = stage.base / "ring.csv"
    if begin:
        log.write_bytes(stage.log)
    watch = stage.start("--heater", str(log))
    stage.copy(2)
    watch.until(lambda: watch.frames == 2)
    time.sleep(0.5)
    spoil(log)
    on = stage.goes_on(2)
    time.sleep(2.5)
    on = on and stage.goes_on(3)
    watch.end()
    return on and all(f["heater_state"] == "off" for f in watch.status()["frames"])


@fault("log cut short and written again", "")
def _cut(stage: Stage) -> bool:
    def spoil(log: Path) -> None:
        log.write_bytes(stage.log[:3000])
        time.sleep(0.5)
        log.write_bytes(stage.log)

    return _with_log(stage, spoil)


@fault("log rotated", "began anew")
def _rotated(stage: Stage) -> bool:
    def spoil(log: Path) -> None:
        log.rename(log.with_suffix(".1"))
        head = stage.log.splitlines(keepends=True)
        log.write_bytes(b"".join([head[0], *head[-5:]]))

    return _with_log(stage, spoil)


@fault("log missing at the start", "cannot be read")
def _missing(stage: Stage) -> bool:
    return _with_log(stage, lambda log: log.write_bytes(stage.log) and None, begin=False)


@fault("log with unreadable rows", "left out")
def _rows(stage: Stage) -> bool:
    rows = stage.log.splitlines(keepends=True)
    spoilt = b"".join([*rows[:40], b"\x00\xff\xfe#!\r\n", b"2026-99-11,abc\n", *rows[40:]])
    return _with_log(stage, lambda log: log.write_bytes(spoilt) and None)


@fault("log that is no log", "heater log")
def _no_log(stage: Stage) -> bool:
    log = stage.base / "ring.csv"
    log.write_bytes(b"\x89PNG\n\x00\x01\n\x02\n\x03\nnothing\n")
    stage.start("--heater", str(log))
    return stage.says("heater log") and stage.goes_on(0)


@fault("folder goes and comes back", "cannot be read")
def _folder(stage: Stage) -> bool:
    watch = stage.start("--heater", "0")
    stage.copy(2)
    watch.until(lambda: watch.frames == 2)
    stage.lights.rename(stage.base / "away")
    named = stage.says("cannot be read")
    (stage.base / "away").rename(stage.lights)
    return named and stage.goes_on(2)


def _with_command(stage: Stage, command: str) -> bool:
    stage.start("--heater", "0", "--goal", "2", "--on", "goal", command)
    stage.copy(3)
    return stage.goes_on(3)


@fault("command fails", "status 3")
def _fails(stage: Stage) -> bool:
    return _with_command(stage, "sh -c 'exit 3'") and stage.says("status 3")


@fault("command is missing", "cannot be run")
def _no_command(stage: Stage) -> bool:
    return _with_command(stage, "/no/such/command") and stage.says("cannot be run")


@fault("command hangs, during the watch", "ended after")
def _hangs(stage: Stage) -> bool:
    return _with_command(stage, "sh -c 'sleep 300; true'") and stage.says("ended after")


@fault("command hangs, at the end", "ended after")
def _hangs_last(stage: Stage) -> bool:
    on = _with_command(stage, "sh -c 'trap \"\" TERM; sleep 301; true'")
    begin = time.monotonic()
    return on and stage.watch.end() == 0 and time.monotonic() - begin < 6.0


@fault("measurer fails on a frame", "an odd frame")
def _measurer(stage: Stage) -> bool:
    stage.start("--heater", "0")
    with fits.open(stage.frames[-1]) as hdus:
        pixels = hdus[0].data.copy()
        pixels[0, 0] = ODD
        fits.PrimaryHDU(pixels, hdus[0].header).writeto(stage.lights / "odd.fits")
    return stage.goes_on(1)


@fault("no FITS file by its content", "")
def _text(stage: Stage) -> bool:
    stage.start("--heater", "0")
    (stage.lights / "text.fits").write_text("no frame\n")
    return stage.goes_on(1)


@contextmanager
def tried(base: Path, night: Path) -> Iterator[Stage]:
    """A stage whose watch is ended whatever happens."""
    stage = Stage(base, night)
    try:
        yield stage
    finally:
        stage.watch.end()


def one_fault(name: str, base: Path, night: Path) -> bool:
    """Make a fault; print a row; whether all was as it should be."""
    act, line = FAULTS[name]
    try:
        with tried(base, night) as stage:
            on = act(stage)
    except OSError as error:
        print(f"| {name} | not tried: {error} | |", flush=True)
        return True
    lines = [
        text.replace(str(base), "").removeprefix("framesort: warning: ")
        for text in stage.watch.errors
    ]
    about = [text for text in lines if line and line in text]
    listed = {f["file"] for f in stage.watch.status().get("frames", [])}
    there = {str(path) for path in stage.lights.glob("*.fits")}
    good = (
        on
        and stage.watch.ended == 0
        and bool(line) == bool(about)
        and len(lines) == len(set(lines))
        and listed == there
    )
    verdict = "as it should be" if good else f"WRONG (on {on}, status {stage.watch.ended}, "
    verdict += "" if good else f"{len(about)} lines about it, frames {len(listed ^ there)} off)"
    print(f"| {name} | {verdict} | {'; '.join(lines)} |", flush=True)
    return good
