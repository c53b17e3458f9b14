"""A night on a cluster of dask: the bits of one machine, whatever the workers see or suffer."""

import os
import signal
from pathlib import Path

import distributed
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from framesort.frames import make_reader, read_masters
from framesort.night import merge_groups, place_frames, process_night, sort_frames
from framesort.quality import measure_frames
from framesort.settings import Settings
from framesort.workers import open_executor

pytestmark = [
    pytest.mark.slow,
    # Of dask itself, in threads that end after the test.
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),
]

SCENARIO = """
start = 2026-03-04T20:00:00Z
seed = 5
[camera]
width = 320
height = 256
hot_pixels = 40
[stars]
count = 180
faintest = 10.0
brightest = 1e5
[seeing]
fwhm = 2.8
jitter = 0.02
[mount]
dither = 6.0
[heater]
events = [[6.8, 100]]
[calibration]
darks = 1
[[filter]]
name = "L"
sky = 6.0
diffuse = 2.0
filaments = 1.5
[[run]]
filter = "L"
exposure = 60.0
count = 10
"""


@pytest.fixture(scope="module")
def night(draw_night):
    return draw_night(SCENARIO)


@pytest.fixture(scope="module")
def settings(night):
    return Settings(dark=tuple(str(path) for path in night.folder.glob("**/*dark*.fits")))


@pytest.fixture(scope="module")
def alone(night, settings, tmp_path_factory):
    out = tmp_path_factory.mktemp("alone")
    process_night([night.frames], out=out, heater=night.log, settings=settings)
    return out


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=":0",
        local_directory=tmp_path_factory.mktemp("dask"),
    ) as cluster:
        yield cluster


def same_table(folder, table):
    """The columns of the table of frames."""
    kept = Table.read(folder / "frames.ecsv")
    for name in {"fwhm", "stars", "spike_strength", "weight_deep", "reason", "grade"}:
        np.testing.assert_array_equal(np.asarray(kept[name]), np.asarray(table[name]), name)


def pixels(folder, name):
    """Every image of a FITS file of the night's only group."""
    with fits.open(folder / "L" / f"{name}.fits") as hdus:
        return [np.array(hdu.data) for hdu in hdus if hdu.data is not None]


def same(folder, name, *arrays):
    kept = pixels(folder, name)
    assert len(kept) >= len(arrays) > 0
    for mine, other in zip(kept, arrays, strict=False):
        np.testing.assert_array_equal(mine, other, name)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="a path of one process only")
def test_frames_are_sent_and_a_worker_is_killed(night, settings, alone, cluster, tmp_path):
    with distributed.Client(cluster, set_as_default=False) as client:
        victim = next(iter(client.run(os.getpid).values()))
    stages = []

    def progress(stage):
        def bar(results):
            for number, result in enumerate(results):
                if stage == "measuring stars" and number == 1:
                    os.kill(victim, signal.SIGKILL)
                stages.append(stage)
                yield result

        return bar

    folder = os.open(night.folder, os.O_RDONLY | os.O_DIRECTORY)
    hidden = Path(f"/proc/self/fd/{folder}")
    dark = tuple(str(hidden / Path(path).relative_to(night.folder)) for path in settings.dark)
    assert dark
    options = {"settings": Settings(dark=dark), "progress": progress}
    try:
        with open_executor(1, cluster=cluster.scheduler_address) as pool:
            options["executor"] = pool
            found = sort_frames([hidden / "frames"], heater=night.log, **options)
            placed = place_frames(found.table, found.qualities, **options)
            [group] = merge_groups(found.table, found.qualities, placed, **options)
            frames = [os.path.getsize(row["file"]) for row in found.table]
            darks = [os.path.getsize(path) for path in dark]
            assert pool.hub.sent >= sum(frames) + 2 * sum(darks)
            # Those that lay ready on the dead worker, and its dark for the one that came instead.
            assert pool.hub.sent <= sum(frames) + 3 * max(frames) + 3 * sum(darks)
    finally:
        os.close(folder)
    assert stages.count("measuring stars") == len(frames) == 10
    same_table(alone, found.table)
    for name in ("deep", "sharp"):
        stack = getattr(group, name)
        same(alone, name, stack.data, stack.weight, stack.coverage)
    same(alone, "final", group.replacement.final)


def test_measurements_are_kept_and_found_again(night, settings, cluster, tmp_path):
    """The cache belongs to the caller: what one run left, the other does not measure again."""
    frames = sorted(night.frames.glob("*-L.fits"))
    read = make_reader(frames, read_masters(dark=settings.dark))[0]

    def kept():
        return {path.name: path.stat().st_mtime_ns for path in tmp_path.glob("*.npz")}

    measure_frames(frames, cache=tmp_path / "here", read=read)
    with open_executor(1, cluster=cluster.scheduler_address) as pool:
        first = measure_frames(frames, cache=tmp_path, executor=pool, read=read)
        before = kept()
        assert before.keys() == {path.name for path in tmp_path.glob("here/*.npz")}
        assert len(before) == 10
        for executor in (None, pool):
            again = measure_frames(frames, cache=tmp_path, executor=executor, read=read)
            assert [q.fwhm for q in again] == [q.fwhm for q in first]
        assert kept() == before
        assert pool.hub.sent == 0


def test_an_executor_of_dask(night, settings, alone, cluster, tmp_path):
    """The executor of a client, as of any other library."""
    with distributed.Client(cluster, set_as_default=False) as client:
        process_night(
            [night.frames],
            out=tmp_path / "out",
            heater=night.log,
            settings=settings,
            executor=client.get_executor(),
        )
    same_table(alone, Table.read(tmp_path / "out" / "frames.ecsv"))
    for name in ("deep", "sharp", "final", "stars", "background"):
        same(alone, name, *pixels(tmp_path / "out", name))
