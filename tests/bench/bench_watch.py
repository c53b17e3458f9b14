"""How soon `framesort watch` shows a frame, what it costs between frames, and whether it grows.

    python tests/bench/bench_watch.py [--frames 12] [--every 10] [--many 2000]

Prints the seconds from a finished 26 megapixel file to its line (median and longest) while a file
is written every ten seconds, the share of a core used while nothing comes in, and of many small
frames of one field, with a heater log that grows: memory on the way, and seconds per frame at the
beginning and at the end.
"""

import argparse
import resource
import shutil
import tempfile
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits

from framesort.night import WatchOptions, watch_night

BEGIN = datetime(2026, 2, 11, 18)
APART = 15.0
"""Seconds between the starts of small frames."""

STRETCH = 40
"""Small frames after which the heater is switched."""

AHEAD = 16
"""Most small frames that wait to be measured."""


def draw_frame(shape, stars, seed):
    """A frame of stars in noise, unsigned 16 bits."""
    rng = np.random.default_rng(seed)
    pixels = rng.normal(1000, 20, shape)
    y, x = np.mgrid[-8:9, -8:9]
    profile = np.exp(-(x * x + y * y) / (2 * 1.4**2))
    for _ in range(stars):
        row, column = rng.integers(9, shape[0] - 9), rng.integers(9, shape[1] - 9)
        pixels[row - 8 : row + 9, column - 8 : column + 9] += profile * rng.exponential(3000)
    return np.clip(pixels, 0, 65535).astype(np.uint16)


def draw_field(shape, stars, seed):
    """Positions and fluxes of the stars of a field that is larger than a frame."""
    rng = np.random.default_rng(seed)
    rows, columns = (rng.uniform(15, size - 15, stars) for size in shape)
    return rows, columns, 400.0 / rng.uniform(0.005, 1, stars)


def draw_field_frame(field, shape, seed, *, heated):
    """A frame of the field, shifted by up to 3 pixels; heated: wider stars with a spike."""
    rng = np.random.default_rng(seed)
    pixels = rng.normal(1000, 20, shape).astype(np.float32)
    y, x = np.mgrid[-10:11, -10:11]
    width = 1.7 if heated else 1.4
    dy, dx = rng.uniform(-3, 3, 2)
    for row, column, peak in zip(*field, strict=True):
        at = round(row + dy), round(column + dx)
        v, u = y - (row + dy - at[0]), x - (column + dx - at[1])
        profile = np.exp(-(u * u + v * v) / (2 * width**2)) * (1.4 / width) ** 2
        if heated:
            along, across = u * 0.8 + v * 0.6, v * 0.8 - u * 0.6
            profile += 0.02 * np.exp(-(across**2) / 2) * np.exp(-np.abs(along) / 5)
        pixels[at[0] - 10 : at[0] + 11, at[1] - 10 : at[1] + 11] += peak * profile
    return np.clip(pixels, 0, 65535).astype(np.uint16)


def write_frame(path, pixels, start):
    """Write under another name, then rename: complete at the time of renaming."""
    hdu = fits.PrimaryHDU(pixels)
    hdu.header["DATE-OBS"] = start.isoformat()
    hdu.header["EXPTIME"], hdu.header["FILTER"] = 10.0, "L"
    part = path.with_name(f".{path.name}.part")
    hdu.writeto(part)
    part.rename(path)


class Watched:
    """A watch in a thread; `lines` has the time at which each frame was shown."""

    def __init__(self, folder, out, heater=0.0):
        self.lines, self.off, self._stop = {}, 0, threading.Event()
        self._thread = threading.Thread(
            target=watch_night,
            args=(folder,),
            kwargs={
                "out": out, "heater": heater, "show": self._show, "stop": self._stop,
                "options": WatchOptions(),
            },
        )  # fmt: skip
        self._thread.start()

    def _show(self, status, news, troubles):
        for frame in news:
            self.lines[Path(frame.file).name] = time.perf_counter()
        self.off = sum(frame.heater_state == "off" for frame in status.frames)
        self.status = status
        for text in troubles:
            print(" ", text)

    def wait_for(self, count):
        while len(self.lines) < count and self._thread.is_alive():
            time.sleep(0.05)

    def end(self):
        self._stop.set()
        self._thread.join()


def measure_delay(base, count, every):
    folder = base / "lights"
    folder.mkdir()
    frames = [draw_frame((4176, 6248), 3000, seed) for seed in range(2)]
    watch, finished = Watched(folder, base / "out"), {}
    for k in range(count):
        begin = time.perf_counter()
        path = folder / f"{k:04d}.fits"
        write_frame(path, frames[k % 2], BEGIN + timedelta(seconds=every * k))
        finished[path.name] = time.perf_counter()
        time.sleep(max(every - (time.perf_counter() - begin), 0))
    watch.wait_for(count)
    used = time.process_time()
    time.sleep(10)
    idle = (time.process_time() - used) / 10
    watch.end()
    delays = [watch.lines[name] - finished[name] for name in sorted(finished)][1:]
    first = watch.lines["0000.fits"] - finished["0000.fits"]
    print(f"26 Mpx, a frame every {every:g} s: first line after {first:.2f} s, then")
    print(f"  {np.median(delays):.2f} s (median of {len(delays)}), {max(delays):.2f} s (longest)")
    print(f"idle, {count} frames in the folder: {100 * idle:.2f} % of a core")


def measure_growth(base, count):
    folder, log = base / "many", base / "ring.csv"
    folder.mkdir()
    log.write_text("time,power\n")
    field = draw_field((300, 400), 150, 1)
    watch = Watched(folder, base / "out-many", heater=log)
    memory, times = {}, []
    for k in range(count):
        heated = k // STRETCH % 2 == 1
        start = BEGIN + timedelta(seconds=APART * k)
        with open(log, "a") as stream:
            for second in (-3, 4, 11):
                stamp = (start + timedelta(seconds=second)).isoformat()
                stream.write(f"{stamp}Z,{60 if heated else 0}\n")
        frame = draw_field_frame(field, (300, 400), k, heated=heated)
        watch.wait_for(k - AHEAD)
        write_frame(folder / f"{k:05d}.fits", frame, start)
        if k + 1 in (200, count // 2, count):
            watch.wait_for(k + 1)
            memory[k + 1] = resident()
    times = sorted(watch.lines.values())
    waits = []
    for _ in range(3):
        used = time.process_time()
        time.sleep(10)
        waits.append((time.process_time() - used) / 10)
    watch.end()
    for k, size in memory.items():
        print(f"{k} frames of 0.12 Mpx: {size:.0f} MB resident")
    some = min(200, count // 2)
    parts = (
        ("first", times[:some]),
        (f"from {2 * some} on", times[2 * some : 3 * some]),
        ("last", times[-some:]),
    )
    for name, part in parts:
        if len(part) < some:
            continue
        print(f"{name} {some}: {1e3 * (part[-1] - part[0]) / (some - 1):.0f} ms per frame")
    known = sum(np.isfinite(frame.transparency) for frame in watch.status.frames)
    shown = len(watch.status.frames)
    print(f"of the last {shown} frames {watch.off} heater-off, {known} with transparency")
    print(f"idle, {count} frames in the folder: {100 * np.median(waits):.2f} % of a core")


def resident():
    """Resident memory of this process, MB; the largest so far where the system has no /proc."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--every", type=float, default=10.0)
    parser.add_argument("--many", type=int, default=2000)
    options = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="framesort-watch-"))
    try:
        if options.frames:
            measure_delay(base, options.frames, options.every)
        if options.many:
            measure_growth(base, options.many)
    finally:
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    main()
