"""What the scripts of this folder share: simulated frames, and watching a command at work.

Memory is the sum of PSS (shared pages counted once) over a process and all it started, looked at
every third of a second (more often takes a fifth of a core, which a command that uses all cores
feels and one that uses one does not); from /proc, so Linux only.
"""

import json
import os
import platform
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from astropy.io import fits

FULL_SIZE = (4176, 6248)
WEIGH = 3  # memory is looked at every so many times that the threads are


def machine():
    """One line on where this runs, the load included."""
    model, memory = platform.processor() or platform.machine(), 0.0
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                model = line.split(":")[1].strip()
                break
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemTotal"):
                memory = int(line.split()[1]) / 2**20
        load = " ".join(f"{value:.1f}" for value in os.getloadavg())
    except OSError:
        load = "unknown"
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return (
        f"{model}, {cores} cores, {memory:.1f} GiB, {platform.system()} {platform.release()}, "
        f"Python {platform.python_version()}, numpy {np.__version__}; load {load}"
    )


def look_at_family(root, *, weigh=True):
    """PSS in MiB (None unless asked for), core seconds by process, threads that run or wait."""
    parents, seconds = {}, {}
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            fields = (entry / "stat").read_text().rsplit(")", 1)[-1].split()
        except OSError:
            continue
        parents[int(entry.name)] = int(fields[1])
        seconds[int(entry.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    family, memory, ready = {root}, 0, 0
    for _ in range(4):
        family |= {pid for pid, parent in parents.items() if parent in family}
    for pid in family:
        try:
            if weigh:  # the kernel walks all pages for it
                lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
                memory += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
            for task in Path(f"/proc/{pid}/task").iterdir():
                state = (task / "stat").read_text().rsplit(")", 1)[-1].split()[0]
                ready += state in "RD"
        except OSError:
            continue
    return (
        memory / 1024 if weigh else None,
        {pid: seconds[pid] for pid in family if pid in seconds},
        ready,
    )


def watch(command, request=None, *, env=None):
    """Run a command in a process of its own and watch it and what it starts.

    `request` is handed in as JSON on stdin; the last line of stdout is read as JSON. Returns
    seconds by the clock, core seconds, peak memory (MiB), the moments looked at as (unix time,
    threads ready to run, memory or None), and what the command said.
    """
    begin = time.perf_counter()
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env
    ) as process:
        process.stdin.write("" if request is None else json.dumps(request))
        process.stdin.close()
        peak, spent, moments = 0.0, {}, []
        while process.poll() is None:
            weigh = len(moments) % WEIGH == 0
            memory, seconds, ready = look_at_family(process.pid, weigh=weigh)
            moments.append((time.time(), ready, memory))
            peak = max(peak, memory or 0.0)
            spent |= seconds
            time.sleep(0.1)
        clock = time.perf_counter() - begin
        output = process.stdout.read()
    if process.returncode:
        raise SystemExit(f"{' '.join(map(str, command))} failed with {process.returncode}")
    lines = output.strip().splitlines()
    said = json.loads(lines[-1]) if lines and lines[-1].startswith("{") else {}
    return {
        "seconds": clock,
        "core": sum(spent.values()),
        "memory": peak,
        "moments": moments,
        "said": said,
    }


def run_child(script, task, *, one_thread=False, **request):
    """Run one task of a script in a process of its own, see `serve_child`.

    With `one_thread` libraries of linear algebra use one, as `limit_library_threads` has it.
    """
    names = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS") if one_thread else ()
    env = dict.fromkeys(names, "1") | os.environ
    return watch([sys.executable, script, "--child"], {"task": task, **request}, env=env)


def serve_child(tasks):
    """In a child: run the task that stdin names and print what it returns as JSON. Else False."""
    if "--child" not in sys.argv:
        return False
    request = json.load(sys.stdin)
    print(json.dumps(tasks[request.pop("task")](**request) or {}))
    return True


def show(name, result):
    print(
        f"{name:34s} {result['seconds']:7.1f} s, {result['core']:7.1f} core seconds, "
        f"peak memory {result['memory']:6.0f} MiB in all",
        flush=True,
    )


def show_ratio(name, result, other, other_name):
    print(
        f"{name} against {other_name}: {other['seconds'] / result['seconds']:.1f} times as fast by "
        f"the clock, {other['core'] / result['core']:.1f} by core seconds, with "
        f"{result['memory'] / other['memory']:.2f} of the memory",
        flush=True,
    )


def disk_speed(folder, size=2**28):
    """Bytes a second written (flushed) and read again past the page cache where that can be had."""
    path, block = Path(folder) / "speed.bin", os.urandom(2**22)
    begin = time.perf_counter()
    with open(path, "wb") as stream:
        for _ in range(size // len(block)):
            stream.write(block)
        stream.flush()
        os.fsync(stream.fileno())
        wrote = size / (time.perf_counter() - begin)
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    begin = time.perf_counter()
    with open(path, "rb", buffering=0) as stream:
        buffer = bytearray(2**22)
        while stream.readinto(buffer):
            pass
    read = size / (time.perf_counter() - begin)
    path.unlink()
    return wrote, read


def memory_speed(size=2**27):
    """Bytes a second that one core copies from memory to memory (read and written)."""
    one = np.ones(size // 8)
    other = np.empty_like(one)
    best = 0.0
    for _ in range(5):
        begin = time.perf_counter()
        np.copyto(other, one)
        best = max(best, 2 * size / (time.perf_counter() - begin))
    return best


def _stamp(radius, x, y, fwhm):
    """A Moffat star of total light 1 (index 3; Moffat 1969, A&A 3, 455) about a whole pixel."""
    a2 = fwhm**2 / 4 / (2 ** (1 / 3) - 1)
    offsets = np.arange(-radius, radius + 1)
    r2 = (offsets[:, None] - y) ** 2 + (offsets - x) ** 2
    return 2 / np.pi / a2 * (1 + r2 / a2) ** -3


def draw_frame(shape, stars, background, *, fwhm, line, turn, shift, rng):
    """One exposure: 16 bit, sky, nebula, stars, noise, hot pixels; `line` of light or 0."""
    ny, nx = shape
    image = background + rng.standard_normal(shape, dtype=np.float32) * np.float32(15)
    c, s = np.cos(turn), np.sin(turn)
    middle = np.array([nx - 1, ny - 1]) / 2
    for x, y, flux in stars:
        dx, dy = np.array([x, y]) - middle
        px, py = middle[0] + c * dx - s * dy + shift[0], middle[1] + s * dx + c * dy + shift[1]
        radius = 24 if flux > 1e5 else 12
        ix, iy = round(px), round(py)
        if not (radius <= ix < nx - radius and radius <= iy < ny - radius):
            continue
        part = image[iy - radius : iy + radius + 1, ix - radius : ix + radius + 1]
        part += flux * (1 - line) * _stamp(radius, px - ix, py - iy, fwhm)
        if line:
            steps = np.arange(-radius, radius + 1)
            along = np.rint(steps * np.tan(np.deg2rad(30))).astype(int) + radius
            part[along, steps + radius] += flux * line / len(steps)
    hot = rng.integers(0, shape, (shape[0] * shape[1] // 50_000, 2))
    image[hot[:, 0], hot[:, 1]] += 5000
    return np.clip(image, 0, 65535).astype(np.uint16)


def _write_frame(task):
    """One frame of `make_night`, by a process of its own."""
    path, header, shape, stars, background, off, seed = task
    rng = np.random.default_rng(seed)
    pixels = draw_frame(
        shape,
        stars,
        background,
        fwhm=2.8 if off else 3.5,
        line=0.0 if off else 0.08,
        turn=np.deg2rad(rng.uniform(-0.1, 0.1)),
        shift=rng.uniform(-15, 15, 2),
        rng=rng,
    )
    if "BAYERPAT" in header:  # an even colour of the light: red and blue weaker than green
        for rows, columns in ((0, 0), (1, 1)):
            pixels[rows::2, columns::2] = pixels[rows::2, columns::2] * 0.7
    fits.writeto(path, pixels, header, overwrite=True)


def make_night(folder, count, shape, seed=1, filters=("Ha",), pattern=""):
    """A night of dithered frames, one in four with the heater off, and its log; the paths.

    `filters` take turns, four frames each; `pattern` makes it a colour camera's.
    """
    rng = np.random.default_rng(seed)
    ny, nx = shape
    number = max(150, ny * nx // 6500)
    stars = np.column_stack(
        [
            rng.uniform(0, nx, number),
            rng.uniform(0, ny, number),
            np.minimum(10 ** (3.0 + rng.exponential(0.5, number)), 3e6),
        ]
    )
    y, x = np.ogrid[:ny, :nx]
    nebula = 60 * np.exp(-(((x - nx / 2) / (nx / 4)) ** 2 + ((y - ny / 3) / (ny / 4)) ** 2))
    background = (1000 + nebula + 30 * x / nx).astype(np.float32)
    folder = Path(folder)
    log = ["time,power"]
    tasks = []
    begin = 1_768_000_000
    for k in range(count):
        off = k % 4 == 0
        start = begin + 310 * k
        header = fits.Header(
            {
                "DATE-OBS": time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(start)),
                "EXPTIME": 300.0,
                "FILTER": filters[k // 4 % len(filters)],
                "IMAGETYP": "light",
                "BUNIT": "adu",
                "EGAIN": 1.0,
                "SATURATE": 65535,
            }
        )
        if pattern:
            header["BAYERPAT"] = pattern
            del header["FILTER"]
        path = folder / f"frame_{k:04d}.fits"
        tasks.append((path, header, shape, stars, background, off, [seed, k]))
        for second in (start - 4, start + 302):
            stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(second))
            log.append(f"{stamp},{0 if off else 60}")
    with ProcessPoolExecutor() as pool:
        for _ in pool.map(_write_frame, tasks):
            pass
    (folder / "heater.csv").write_text("\n".join(log) + "\n")
    return [str(task[0]) for task in tasks]
