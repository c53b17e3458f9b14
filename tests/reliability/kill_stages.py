"""Kills a night at given stages and runs it again, in one process; prints JSON.

python kill_stages.py FRAMES FOLDER
"""

import hashlib
import json
import os
import re
import signal
import sys
import time
from pathlib import Path

from framesort.night import process_night

STAGES = {
    "measuring": lambda out: len(list(out.glob("cache/*.npz"))) >= 2,
    "stacking": lambda out: (out / "night.json").exists(),
    "writing": lambda out: (out / "L" / "stars.fits").exists(),
}


def digests(folder):
    """Content of every file; the time of the run is left out, archives hold theirs inside."""
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        content = path.read_bytes()
        if path.name in ("night.json", "report.html"):
            content = re.sub(rb"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", b"(now)", content)
            content = content.replace(str(folder).encode(), b"(out)")
        found[str(path.relative_to(folder))] = (
            "" if path.suffix == ".npz" else hashlib.blake2b(content).hexdigest()
        )
    return found


def run(frames, out):
    """The whole pipeline."""
    return process_night([frames], out=out, heater=0.0, command="framesort night")


def killed(frames, out, reached):
    """Run in a fork until a stage is reached, then kill it; whether it was still at work."""
    child = os.fork()
    if child == 0:
        try:
            run(frames, out)
        finally:
            os._exit(0)
    while not reached(out) and os.waitpid(child, os.WNOHANG)[0] == 0:
        time.sleep(0.001)
    try:
        os.kill(child, signal.SIGKILL)
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    except (ProcessLookupError, ChildProcessError):
        return False


def main():
    """Everything."""
    frames, base = Path(sys.argv[1]), Path(sys.argv[2])
    run(frames, base / "whole")
    wanted = digests(base / "whole")
    told = {}
    for name, reached in STAGES.items():
        out = base / name
        hit = killed(frames, out, reached)
        before = {path.name: path.stat().st_mtime_ns for path in out.glob("cache/*.npz")}
        run(frames, out)
        now = {path.name: path.stat().st_mtime_ns for path in out.glob("cache/*.npz")}
        got = digests(out)
        told[name] = {
            "hit": hit,
            "kept": len(before),
            "again": sum(now[path] != stamp for path, stamp in before.items()),
            "differs": [n for n in sorted({*wanted, *got}) if wanted.get(n) != got.get(n)],
        }
    print(json.dumps(told))


if __name__ == "__main__":
    main()
