"""A night on a dask.distributed cluster: workers that see the frames, and workers that do not.

    python tests/bench/bench_cluster.py [--frames N] [--rows N] [--columns N] [--workers 1 2 4]

The cluster is of this machine (LocalCluster in a process of its own, one thread a worker), so where
there are more workers than cores the figures show only what the cluster itself costs. Frames that
workers do not see have a path that only the calling process has (/proc/self/fd, Linux). Core
seconds are those of this process and of the scheduler's, workers not counted.

Further: what a task costs that does nothing, and files of 52 MB of which only the size is asked;
seconds of one core and bytes of a frame in stacking, for the choice of where to stack; and whether
all results are the same to the bit.
"""

import argparse
import os
import pickle
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from tools import machine, make_night

from framesort.night import process_night
from framesort.quality import measure_frames
from framesort.records import Transform
from framesort.stacking import stack_frames
from framesort.workers import Away, open_executor, run_tasks


def measure(frames, executor):
    return measure_frames(frames, executor=executor)


def alone(path):
    return [path]


def run_night(folder, log, executor):
    """The final picture of a whole night."""
    from astropy.io import fits

    with tempfile.TemporaryDirectory() as out:
        result = process_night([folder], out=out, heater=log, executor=executor)
        [group] = result.summary.groups
        return fits.getdata(Path(out) / group.label / "final.fits").tobytes()


@contextmanager
def cluster_of(count):
    """The address of a cluster in another process, and that process."""
    words = [sys.executable, __file__, "--serve", str(count)]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        yield process.stdout.readline().strip(), process
        process.stdin.close()


def serve(count):
    import distributed

    with distributed.LocalCluster(
        n_workers=count, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()


class Costs:
    """Clock, core seconds here and of the scheduler, bytes sent, between two looks."""

    def __init__(self, process, hub):
        self._process, self._hub = process, hub
        self._before = self._now()

    def _now(self):
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        scheduler = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        return np.array([time.perf_counter(), time.process_time(), scheduler, self._hub.sent])

    def show(self, name, count):
        clock, here, scheduler, sent = (self._now() - self._before) / count
        print(
            f"  {name:38s} {clock * 1e3:7.1f} ms each, of a core {here * 1e3:5.1f} ms here and "
            f"{scheduler * 1e3:4.1f} ms in the scheduler; {sent / 1e6:6.2f} MB sent",
            flush=True,
        )


def on_cluster(count, night, frames, hidden, local, whole):
    """One cluster of `count` workers."""
    with cluster_of(count) as (address, process), open_executor(cluster=address) as pool:
        print(f"\n{count} workers of the cluster", flush=True)
        measure(frames[: 2 * count], pool)  # so that libraries and compiled loops are loaded
        costs = Costs(process, pool.hub)
        list(run_tasks(abs, range(400), executor=pool, away=Away(function=abs, files=none)))
        costs.show("a task that does nothing", 400)
        for name, folder in (("seen", night), ("sent", hidden)):
            size = Away(function=os.path.getsize, files=alone)
            items = [str(folder / big.name) for big in sorted(night.glob("*.big"))]
            costs = Costs(process, pool.hub)
            list(run_tasks(os.path.getsize, items, executor=pool, away=size))
            costs.show(f"files of 52 MB, {name}", len(items))
            names = [str(folder / os.path.basename(frame)) for frame in frames]
            costs = Costs(process, pool.hub)
            found = measure(names, pool)
            costs.show(f"measuring, frames {name}", len(frames))
            same = all(a.fwhm == b.fwhm for a, b in zip(found, local, strict=True))
            costs = Costs(process, pool.hub)
            same = run_night(folder, night / "heater.csv", pool) == whole and same
            costs.show(f"whole night, frames {name}", 1)
            print(f"  measurements and final picture: {'the same' if same else 'OTHER'}")


def none(_):
    return ()


def show_stacking(frames, shape):
    """What stacking takes of a core and of the network, a frame."""
    transforms = [Transform(matrix=np.eye(3), matched=9, residual=0.0)] * len(frames)
    sets = {"deep": np.ones(len(frames)), "sharp": (np.arange(len(frames)) % 4 == 0).astype(float)}
    stack_frames(frames[:2], transforms[:2], sets={"deep": np.ones(2)}, shape=shape)
    begin = time.process_time()
    stack_frames(frames, transforms, sets=sets, shape=shape)
    core = (time.process_time() - begin) / len(frames)
    pixels = shape[0] * shape[1]
    print(
        f"\nstacking here: {core * 1e3:.0f} ms of a core a frame ({core / pixels * 1e9:.1f} ns a "
        f"pixel); its rows are {2 * pixels / 1e6:.1f} MB: {2 * pixels / 0.117e9 * 1e3:.0f} ms at "
        f"1 Gbit/s, {2 * pixels / 1.17e9 * 1e3:.0f} ms at 10 Gbit/s; what comes back is "
        f"{20 * pixels / 1e6:.0f} MB a night of two sets"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--rows", type=int, default=1044)
    parser.add_argument("--columns", type=int, default=1562)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2, 4])
    parser.add_argument("--serve", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve is not None:
        return serve(options.serve)
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        night = Path(folder)
        shape = (options.rows, options.columns)
        frames = make_night(night, options.frames, shape)
        size = os.path.getsize(frames[0])
        print(f"{options.frames} frames of {shape[0] * shape[1] / 1e6:.1f} megapixels, "
              f"{size / 1e6:.2f} MB each")  # fmt: skip
        with open_executor() as pool:
            whole = run_night(night, night / "heater.csv", pool)  # loads and compiles
            for name, executor in (("in this process", None), ("in a pool", pool)):
                begin = time.perf_counter()
                found = measure(frames, executor)
                each = (time.perf_counter() - begin) / len(frames)
                print(f"measuring {name}: {each * 1e3:.0f} ms each")
            begin = time.perf_counter()
            run_night(night, night / "heater.csv", pool)
            print(f"whole night without a cluster: {time.perf_counter() - begin:.1f} s")
        answers = [len(pickle.dumps(quality)) for quality in found]
        stars = [quality.stars for quality in found]
        print(f"an answer: {np.mean(answers) / 1e3:.0f} kB, {sum(answers) / sum(stars):.0f} a star")
        show_stacking(frames, shape)
        for k in range(6):
            pixels = np.random.default_rng(k).integers(0, 255, 52_000_000, dtype=np.uint8)
            pixels.tofile(night / f"{k}.big")
        number = os.open(night, os.O_RDONLY | os.O_DIRECTORY)
        for count in options.workers:
            on_cluster(count, night, frames, Path(f"/proc/self/fd/{number}"), found, whole)
        os.close(number)


if __name__ == "__main__":
    main()
