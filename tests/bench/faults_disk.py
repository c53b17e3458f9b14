"""Full disks, folders that cannot be written, files that vanish, little memory, Ctrl-C.

    python tests/bench/faults_disk.py --out /tmp/faults_disk        # as root, on Linux

Each fault is real: a small tmpfs, a read-only mount, another user, a limit on memory, a signal.
Printed for each: exit status, seconds, what was said on standard error, what was left behind.
Faults whose means are missing (mounting, being root) are named as not tried.
"""

import argparse
import atexit
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

import framesort.cli._commands
import framesort.report  # noqa: F401
from framesort.cli import main as run_command

NOBODY = 65534


def draw_frames(folder: Path, count: int = 6) -> Path:
    """Small frames with forty stars each."""
    folder.mkdir(parents=True)
    places = np.random.default_rng(1)
    y, x = np.mgrid[:120, :160].astype(float)
    sky = np.full(y.shape, 400.0)
    for _ in range(40):
        at, to, flux = places.uniform(8, 152), places.uniform(8, 112), 10 ** places.uniform(3, 4.5)
        sky += flux / 10.6 * np.exp(-((x - at) ** 2 + (y - to) ** 2) / 3.38)
    for k in range(count):
        data = (sky + np.random.default_rng(k).normal(0, 8, sky.shape)).astype(np.uint16)
        header = fits.Header(
            {"DATE-OBS": f"2026-02-11T20:{k:02d}:00", "EXPTIME": 60.0, "FILTER": "L"}
        )
        fits.PrimaryHDU(data, header).writeto(folder / f"{k}.fits")
    return folder


def run(
    words: list[str],
    place: Path,
    *,
    inside: Callable[[], None] = lambda: None,
    meanwhile: Callable[[int], None] = lambda pid: None,
) -> dict[str, Any]:
    """Run a command in a fork; `inside` prepares the fork, `meanwhile` acts while it runs."""
    said = place / "said.txt"
    begin = time.monotonic()
    pid = os.fork()
    if pid == 0:
        status = 70
        try:
            os.setsid()
            handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
            os.dup2(handle, 2)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            inside()
            status = run_command(words)
        except SystemExit as end:
            status = int(str(end.code))
        finally:
            atexit._run_exitfuncs()  # as at the end of a program of its own
            os._exit(status)
    meanwhile(pid)
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    lines = [line for line in said.read_text().splitlines() if "note: Ro" not in line]
    return {"status": status, "seconds": round(time.monotonic() - begin, 1), "said": lines}


def left_in(folder: Path) -> list[str]:
    """Temporary files that are left."""
    if not folder.is_dir():
        return []
    return [str(p.relative_to(folder)) for p in folder.rglob("*")
            if (p.name.startswith(".") and p.name != ".lock") or p.suffix == ".part"]  # fmt: skip


def mount(kind: str, place: Path, options: str) -> bool:
    """Mount; false where that is not allowed."""
    place.mkdir(parents=True, exist_ok=True)
    call = ["mount", "-t", kind, "-o", options, kind, str(place)]
    return subprocess.run(call, capture_output=True).returncode == 0


def unmount(place: Path) -> None:
    """Take a mount away again."""
    subprocess.run(["umount", str(place)], check=True, capture_output=True)


def night(frames: Path, out: Path, *more: str) -> list[str]:
    """The words of the command."""
    return ["night", str(frames), "--heater", "0", "--out", str(out), "--workers", "1", *more]


def wait_for(path: Path, pid: int) -> None:
    """Until a file is there, or the process has ended."""
    while not path.exists() and Path(f"/proc/{pid}/fd").exists():
        time.sleep(0.002)


def full_disk(base: Path, frames: Path) -> dict[str, Any]:
    """Runs on disks of several sizes; the next run, with space, ends like any other."""
    told = {}
    for size in ("20k", "100k", "300k", "600k", "1m"):
        disk = base / f"disk-{size}"
        if not mount("tmpfs", disk, f"size={size}"):
            return {"not tried": "mounting is not allowed"}
        try:
            found = run(night(frames, disk / "out"), base)
            found["left"] = left_in(disk / "out")
            found["frames.ecsv whole"] = _whole(disk / "out" / "frames.ecsv")
            subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
            found["again, with space"] = run(night(frames, disk / "out"), base)["status"]
            told[size] = found
        finally:
            unmount(disk)
    return told


def _whole(path: Path) -> bool | str:
    if not path.exists():
        return "not there"
    return path.read_bytes().endswith(b"\n") and path.read_bytes().startswith(b"# %ECSV")


def read_only(base: Path, frames: Path) -> dict[str, Any]:
    """A file system that is mounted for reading."""
    disk = base / "read-only"
    if not mount("tmpfs", disk, "size=8m"):
        return {"not tried": "mounting is not allowed"}
    try:
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        return run(night(frames, disk / "out"), base)
    finally:
        unmount(disk)


def as_nobody(base: Path, frames: Path) -> dict[str, Any]:
    """A user who may not write into the folder; one who may not read a frame."""
    if os.geteuid() != 0:
        return {"not tried": "needs root, to become another user"}

    def become() -> None:
        os.setgid(NOBODY)
        os.setuid(NOBODY)

    closed = base / "closed"
    closed.mkdir(mode=0o755)
    writing = run(night(frames, closed / "out"), base, inside=become)
    mine = base / "of-nobody"
    shutil.copytree(frames, mine / "frames")
    (mine / "frames" / "3.fits").chmod(0)
    for path in (mine, *mine.rglob("*")):
        os.chown(path, NOBODY, NOBODY)
    os.chown(mine / "frames" / "3.fits", 0, 0)
    reading = run(night(mine / "frames", mine / "out"), base, inside=become)
    return {"folder": writing, "frame": reading}


def vanishing(base: Path, frames: Path) -> dict[str, Any]:
    """Frames that go, or are written to, after they were measured."""
    told = {}
    for name in ("vanishes", "changes", "cut short"):
        place = base / name.replace(" ", "-")
        shutil.copytree(frames, place / "frames")
        out, victim = place / "out", place / "frames" / "2.fits"

        def act(pid: int, out: Path = out, victim: Path = victim, name: str = name) -> None:
            wait_for(out / "night.json", pid)
            if name == "vanishes":
                victim.unlink()
            elif name == "changes":
                victim.write_bytes(victim.read_bytes().replace(b"20:02:00", b"20:02:01"))
            else:
                os.truncate(victim, 9000)

        told[name] = run(night(place / "frames", out), base, meanwhile=act)
        told[name]["report"] = (out / "report.html").exists()
    return told


def little_memory(base: Path, frames: Path) -> dict[str, Any]:
    """Address space for the process is limited to little more than it has."""
    large = base / "large"
    large.mkdir()
    for path in sorted(frames.iterdir()):  # 15 MB each as float32
        with fits.open(path) as hdus:
            fits.writeto(large / path.name, np.tile(hdus[0].data, (16, 12)), hdus[0].header)
    told = {}
    for megabytes in (4, 40, 120):

        def limit(megabytes: int = megabytes) -> None:
            pages = int(Path("/proc/self/statm").read_text().split()[0])
            size = pages * resource.getpagesize() + megabytes * 2**20
            resource.setrlimit(resource.RLIMIT_AS, (size, size))

        found = run(night(large, base / f"memory-{megabytes}"), base, inside=limit)
        found["left"] = left_in(base / f"memory-{megabytes}")
        told[f"{megabytes} MiB more"] = found
    return told


def two_runs(base: Path, frames: Path) -> dict[str, Any]:
    """A second run into the folder of a first one that is at work."""
    second: dict[str, Any] = {}

    def act(pid: int) -> None:
        wait_for(base / "shared" / ".lock", pid)
        other = base / "other"
        other.mkdir()
        second.update(run(night(frames, base / "shared"), other))

    return {"first": run(night(frames, base / "shared"), base, meanwhile=act), "second": second}


def control_c(base: Path, frames: Path) -> dict[str, Any]:
    """Ctrl-C while frames are measured by two workers, and while pictures are written."""
    told = {}
    for name, mark in (("measuring", "cache"), ("stacking", "night.json")):
        out = base / f"stopped-{name}"

        def act(pid: int, path: Path = out / mark) -> None:
            wait_for(path, pid)
            os.killpg(pid, signal.SIGINT)  # as a terminal does: to the whole group

        words = night(frames, out)
        words[words.index("--workers") + 1] = "2"
        found = run(words, base, meanwhile=act)
        found["left"] = left_in(out)
        found["again"] = run(night(frames, out), base)["status"]
        told[name] = found
    return told


FAULTS = (full_disk, read_only, as_nobody, vanishing, little_memory, two_runs, control_c)


def main() -> int:
    """Try every fault, or those named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("faults_disk"))
    parser.add_argument("--only", nargs="*", default=[f.__name__ for f in FAULTS])
    options = parser.parse_args()
    warm = options.out.absolute() / "warm"
    shutil.rmtree(warm, ignore_errors=True)
    # Loads and compiles everything, so that a fork needs nothing from disk.
    run_command(night(draw_frames(warm / "frames"), warm / "out"))
    for fault in FAULTS:
        if fault.__name__ not in options.only:
            continue
        base = options.out.absolute() / fault.__name__
        shutil.rmtree(base, ignore_errors=True)
        frames = draw_frames(base / "frames")
        print(json.dumps({fault.__name__: fault(base, frames)}, indent=1), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
