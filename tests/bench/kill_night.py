"""Kill `framesort night` at random moments and run it again: the results must be the same.

    python tests/bench/kill_night.py --kills 50 --out /tmp/kill_night

One small simulated night is sorted and merged once undisturbed. Then, in a new folder each
time, the same command is started, killed with SIGKILL after a random time (the whole process
group, the parent alone, or one worker alone, in turn) and started again. Written down: the
stage in which it was killed, what differs from the undisturbed run, how many frames the second
run measured that were measured before, and what temporary files are left. With --workers 1 the
command runs in a fork of a process that has the libraries loaded, which takes less time.
"""

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

from framesort.cli import main as main_of_framesort

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 23
[camera]
width = 400
height = 320
[stars]
count = 260
faintest = 8.0
brightest = 1e5
[seeing]
fwhm = 2.8
[mount]
dither = 6.0
flip = 12.0
[heater]
events = [[9.8, 100], [14.0, 0]]
[[filter]]
name = "L"
sky = 6.0
[[filter]]
name = "Ha"
stars = 0.2
sky = 0.4
[[run]]
filter = "L"
exposure = 60.0
count = 12
[[run]]
filter = "Ha"
exposure = 60.0
count = 6
"""
WHOM = ("group", "parent", "worker")
ONE_THREAD = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}


def make_night(folder: Path) -> Path:
    """The simulated night's folder, with one frame packed so that scratch files are used."""
    scenario = folder / "scenario.toml"
    scenario.write_text(SCENARIO)
    night = folder / "input"
    call = [sys.executable, "-m", "framesort", "simulate", str(scenario), "--out", str(night)]
    subprocess.run([*call, "--workers", "1"], check=True, capture_output=True)
    for name in ("003-L.fits", "009-L.fits", "014-Ha.fits"):
        subprocess.run(["gzip", "-n", str(night / "frames" / name)], check=True)
    return night


def command(night: Path, workers: int) -> list[str]:
    """The call; its folder is relative, so that every run has the same words."""
    return [
        *(sys.executable, "-m", "framesort", "night", str(night / "frames")),
        *("--heater", str(night / "heater_power.csv"), "--out", "out", f"--workers={workers}"),
    ]


def start(words: list[str], place: Path) -> Any:
    """The command in a process group of its own."""
    if "--workers=1" in words:
        return Warm(words, place)
    place.mkdir(parents=True, exist_ok=True)
    return subprocess.Popen(
        words,
        cwd=place,
        env=os.environ | ONE_THREAD,
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


class Warm:
    """The command in a fork of this process, in which the libraries are loaded already."""

    def __init__(self, words: list[str], place: Path) -> None:
        place.mkdir(parents=True, exist_ok=True)
        self.returncode: int | None = None
        self.said = place / "said.txt"
        self.pid = os.fork()
        if self.pid == 0:
            status = 70
            try:
                os.setsid()
                os.chdir(place)
                said = os.open(self.said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                os.dup2(said, 2)
                os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
                status = main_of_framesort(words[3:])
            finally:
                os._exit(status)

    def wait(self, timeout: float) -> int:
        """As that of a Popen."""
        deadline = time.monotonic() + timeout
        while self.returncode is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
            elif time.monotonic() > deadline:
                raise subprocess.TimeoutExpired("framesort", timeout)
            else:
                time.sleep(0.005)
        return self.returncode

    def communicate(self, timeout: float = 600) -> tuple[str, str]:
        """As that of a Popen."""
        self.wait(timeout)
        return "", self.said.read_text() if self.said.exists() else ""

    def kill(self) -> None:
        """As that of a Popen."""
        os.kill(self.pid, signal.SIGKILL)


def digests(folder: Path) -> dict[str, str]:
    """Content of every file of a result folder; the time of the run is left out."""
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        content = path.read_bytes()
        if path.name in ("night.json", "report.html"):
            content = re.sub(rb"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", b"(now)", content)
        if path.suffix == ".npz":  # a zip archive holds the time at which it was made
            content = b""
        found[str(path.relative_to(folder))] = hashlib.blake2b(content).hexdigest()
    return found


def temporary(folder: Path) -> list[str]:
    """Files and folders that no finished run should leave."""
    names = [path for path in folder.rglob("*") if path.name != ".lock"]
    return [str(p) for p in names if p.name.startswith(".") or p.suffix == ".part"]


def children(pid: int) -> list[int]:
    """All processes of a session, by /proc."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[3]) == pid:
                found.append(int(entry.name))
    return found


def stage_of(folder: Path) -> str:
    """How far a run had come, by what stands in its folder."""
    if not (folder / "frames.ecsv").exists():
        return "measuring" if list(folder.glob("cache/*.npz")) else "starting"
    if not (folder / "night.json").exists():
        return "writing the table"
    stages = json.loads((folder / "night.json").read_text())["stages"]
    if stages["merge"]:
        return "finished"
    if (folder / "report.html").exists():
        return "last word"
    if (folder / "preview.png").exists():
        return "report"
    made = sorted(str(path.relative_to(folder)) for path in folder.glob("*/*.fits"))
    return f"merging, {len(made)} pictures written"


def kill(process: Any, whom: str, rng: random.Random) -> bool:
    """Kill the group, the parent alone, or a worker (or the server that forks them)."""
    if whom == "group":
        os.killpg(process.pid, signal.SIGKILL)
    elif whom == "parent":
        process.kill()
    else:
        others = [pid for pid in children(process.pid) if pid != process.pid]
        if not others:
            return False
        os.kill(rng.choice(others), signal.SIGKILL)
    return True


def one_trial(
    night: Path,
    place: Path,
    whom: str,
    moment: float,
    wanted: dict[str, str],
    rng: random.Random,
    workers: int,
) -> dict[str, Any]:
    """Start, kill, look, start again, compare."""
    shutil.rmtree(place, ignore_errors=True)
    out = place / "out"
    process = start(command(night, workers), place)
    hit = False
    try:
        process.wait(moment)
    except subprocess.TimeoutExpired:
        hit = kill(process, whom, rng)
    said = process.communicate(timeout=300)[1]
    first, stage = process.returncode, stage_of(out) if out.exists() else "starting"
    deadline = time.monotonic() + 10  # orphans end by themselves
    while children(process.pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    orphans = len(children(process.pid))
    kept = {path.name: path.stat().st_mtime_ns for path in out.glob("cache/*.npz")}
    left = temporary(out) if out.exists() else []
    again = None
    if first != 0:
        second = start(command(night, workers), place)
        said = second.communicate(timeout=600)[1]
        again = second.returncode
    now = {path.name: path.stat().st_mtime_ns for path in out.glob("cache/*.npz")}
    got = digests(out)
    names = sorted(set(wanted) | set(got))
    return {
        "killed": whom if hit else "nobody",
        "after": round(moment, 2),
        "stage": stage,
        "first": first,
        "second": again,
        "measured before": len(kept),
        "measured again": sum(now.get(name) != stamp for name, stamp in kept.items()),
        "left by the killed": len(left),
        "orphans": orphans,
        "left at the end": temporary(out),
        "differs": [name for name in names if wanted.get(name) != got.get(name)],
        "said": said.strip().splitlines()[-1:] if again not in (0, None) else [],
    }


def main() -> int:
    """Run the trials; exit status 1 if any of them ended otherwise than it should."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("kill_night"))
    parser.add_argument("--workers", type=int, default=2, choices=(1, 2))
    options = parser.parse_args()
    workers = options.workers
    rng = random.Random(options.seed)
    options.out = options.out.absolute()
    shutil.rmtree(options.out, ignore_errors=True)
    options.out.mkdir(parents=True)
    night = make_night(options.out)
    if workers == 1:
        import framesort.cli._commands  # loads everything
        import framesort.report  # noqa: F401
    whole: list[float] = []
    for name in ("first", "undisturbed"):  # the first run also compiles what was not compiled
        begin = time.monotonic()
        process = start(command(night, workers), options.out / name)
        process.communicate()
        whole.append(time.monotonic() - begin)
        if process.returncode != 0:
            raise SystemExit(f"the undisturbed run ended with status {process.returncode}")
    wanted = digests(options.out / "undisturbed" / "out")
    twice = digests(options.out / "first" / "out")
    unlike = [name for name in wanted if wanted[name] != twice.get(name)]
    print(f"undisturbed: {whole[-1]:.1f} s, {len(wanted)} files; two such runs differ in {unlike}")
    results = []
    for k in range(options.kills):
        # Spread over the whole run; each share of it gets its kill whatever the seed.
        moment = whole[-1] * 1.05 * (k + rng.random()) / options.kills
        whom = "group" if workers == 1 else WHOM[k % 3]
        found = one_trial(night, options.out / "trial", whom, moment, wanted, rng, workers)
        results.append(found)
        print(json.dumps(found | {"differs": len(found["differs"])}), flush=True)
    # Killed between its last word and its end, a run is done: the second one is refused.
    bad = [
        r
        for r in results
        if r["second"] not in ((0, None, 2) if r["stage"] == "finished" else (0, None))
        or r["differs"]
        or r["orphans"]
        or r["measured again"]
        or r["left at the end"]
    ]
    (options.out / "kills.json").write_text(json.dumps(results, indent=1))
    print(json.dumps({
        "kills": len(results),
        "killed": Counter(str(r["killed"]) for r in results),
        "first run ended well all the same": sum(r["first"] == 0 for r in results),
        "stages": Counter(str(r["stage"]) for r in results),
        "measured before": sum(int(str(r["measured before"])) for r in results),
        "measured again": sum(int(str(r["measured again"])) for r in results),
        "killed runs that left temporary files": sum(bool(r["left by the killed"])
                                                     for r in results),
        "not as they should be": len(bad),
    }, indent=1))  # fmt: skip
    return int(bool(bad))


if __name__ == "__main__":
    raise SystemExit(main())
