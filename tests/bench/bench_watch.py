"""How soon `framesort watch` shows a frame, what it costs between frames, and whether it grows.

    python tests/bench/bench_watch.py [--frames 12] [--every 10] [--many 2000]

Prints the seconds from a finished 26 megapixel file to its line (median and longest) while a file
is written every ten seconds, the share of a core used while nothing comes in, and the memory after
200 and after all of many small frames.
"""

import argparse
import resource
import shutil
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from astropy.io import fits

from framesort.night import WatchOptions, watch_night


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


def write_frame(path, pixels, number):
    """Write under another name, then rename: complete at the time of renaming."""
    hdu = fits.PrimaryHDU(pixels)
    minutes = divmod(number, 60)
    hdu.header["DATE-OBS"] = (
        f"2026-02-{11 + minutes[0] // 24:02d}T{minutes[0] % 24:02d}:{minutes[1]:02d}:00"
    )
    hdu.header["EXPTIME"], hdu.header["FILTER"] = 10.0, "L"
    part = path.with_name(f".{path.name}.part")
    hdu.writeto(part)
    part.rename(path)


class Watched:
    """A watch in a thread; `lines` has the time at which each frame was shown."""

    def __init__(self, folder, out, poll=2.0):
        self.lines, self._stop = {}, threading.Event()
        self._thread = threading.Thread(
            target=watch_night,
            args=(folder,),
            kwargs={
                "out": out, "heater": 0.0, "show": self._show, "stop": self._stop,
                "options": WatchOptions(poll=poll),
            },
        )  # fmt: skip
        self._thread.start()

    def _show(self, status, news, troubles):
        for frame in news:
            self.lines[Path(frame.file).name] = time.perf_counter()
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
        write_frame(path, frames[k % 2], k)
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
    folder = base / "many"
    folder.mkdir()
    frames = [draw_frame((300, 400), 150, seed) for seed in range(20)]
    watch = Watched(folder, base / "out-many", poll=0.2)
    memory, seconds = {}, {}
    begin = time.perf_counter()
    for k in range(count):
        write_frame(folder / f"{k:05d}.fits", frames[k % 20], k)
        if k + 1 in (200, count // 2, count):
            watch.wait_for(k + 1)
            memory[k + 1] = resident()
            seconds[k + 1] = time.perf_counter() - begin
    used = time.process_time()
    time.sleep(10)
    idle = (time.process_time() - used) / 10
    watch.end()
    for k in memory:
        print(f"{k} frames of 0.12 Mpx: {memory[k]:.0f} MB resident, {seconds[k]:.0f} s")
    print(f"idle, {count} frames in the folder: {100 * idle:.2f} % of a core")


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
        measure_delay(base, options.frames, options.every)
        measure_growth(base, options.many)
    finally:
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    main()
