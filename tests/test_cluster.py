"""Tasks on a cluster of dask: workers that see the files, do not, die, or compute otherwise."""

import contextlib
import hashlib
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import Executor, Future
from functools import partial
from pathlib import Path

import distributed
import pytest

from framesort.cli import main
from framesort.errors import FrameError, WorkerError
from framesort.workers import Away, open_executor, open_threads, own_processes, run_tasks
from framesort.workers import _cluster as cluster_module
from framesort.workers import _far as far
from framesort.workers import _hub as hub_module

pytestmark = [
    pytest.mark.slow,
    # Of dask itself, in threads that end after the test.
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),
    pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="paths of one process only"),
]


def local_cluster(folder, workers):
    return distributed.LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        dashboard_address=":0",
        local_directory=folder,
    )


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("place")


@pytest.fixture(scope="module")
def cluster(place, tmp_path_factory):
    """Two workers; one has its working folder in `place`, that of its parent when it began."""
    elsewhere = tmp_path_factory.mktemp("dask")
    with contextlib.chdir(place), local_cluster(elsewhere, 1) as cluster:
        with contextlib.chdir(elsewhere), distributed.Client(cluster) as client:
            cluster.scale(2)
            client.wait_for_workers(2, timeout=60)
        yield cluster


@pytest.fixture
def pool(cluster):
    with open_executor(1, cluster=cluster.scheduler_address) as pool:
        yield pool


@pytest.fixture
def files(tmp_path):
    folder = tmp_path / "files"
    folder.mkdir()
    for k in range(12):
        (folder / f"{k:02d}.dat").write_bytes(os.urandom(200_000 + k))
    (folder / "common.dat").write_bytes(os.urandom(300_000))
    return folder


@pytest.fixture
def hidden(files):
    """The same folder under a path that only this process has."""
    number = os.open(files, os.O_RDONLY | os.O_DIRECTORY)
    yield Path(f"/proc/self/fd/{number}")
    os.close(number)


def digest(path):
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def look(paths):
    """What a task finds: its process, the contents of its files, a text with a path."""
    return os.getpid(), [digest(path) for path in paths], f"read {paths[0]} well"


def away(function, files=lambda paths: paths, **more):
    return Away(function=function, files=files, **more)


def none(_):
    return ()


def pairs(folder):
    return [[str(path), str(folder / "common.dat")] for path in sorted(folder.glob("[0-9]*.dat"))]


def same_as_here(found, items):
    assert [result[1:] for result in found] == [look(item)[1:] for item in items]
    assert all(result[0] != os.getpid() for result in found)


def test_workers_that_see_the_files_are_sent_nothing(pool, files):
    items = pairs(files)
    seen = []

    def bar(results):
        assert len(results) == len(items)
        for result in results:
            seen.append(result)
            yield result

    found = list(run_tasks(look, items, executor=pool, away=away(look), progress=bar))
    same_as_here(found, items)
    assert found == seen
    assert len({result[0] for result in found}) == 2
    assert pool.hub.sent == 0


def test_workers_that_do_not_are_sent_each_file_once(pool, hidden):
    items = pairs(hidden)
    same_as_here(run_tasks(look, items, executor=pool, away=away(look)), items)
    sizes = sum(os.path.getsize(path) for path, _ in items)
    common = os.path.getsize(hidden / "common.dat")
    assert pool.hub.sent == sizes + 2 * common  # what all need: once a worker


def test_of_two_workers_one_sees_the_files(pool, place, monkeypatch):
    for k in range(12):
        (place / f"{k:02d}.dat").write_bytes(os.urandom(200_000 + k))
    (place / "common.dat").write_bytes(os.urandom(300_000))
    monkeypatch.chdir(place)
    items = pairs(Path("/proc/self/cwd"))
    found = list(run_tasks(look, items, executor=pool, away=away(look)))
    same_as_here(found, items)
    assert len({result[0] for result in found}) == 2
    assert 500_000 <= pool.hub.sent < sum(os.path.getsize(path) for path, _ in items)


def test_another_file_of_the_same_path_is_not_taken_for_it(files):
    path = files / "01.dat"
    mark = far.mark_file(str(path))
    task = far.pack_task(digest, str(path), [str(path)])
    kind, found = far.unpack_answer(far.run_far(task, [mark], [None], [False], "run"))
    assert (kind, found) == ("done", digest(path))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert far.mark_file(str(path)).size == mark.size
    answer = far.unpack_answer(far.run_far(task, [mark], [None], [False], "run"))
    assert answer == ("missing", [str(path)])


def fail(path):
    raise FrameError(f"{path}: cannot be read as FITS")


def test_an_error_names_the_file_as_it_is_here(pool, hidden):
    path = str(hidden / "03.dat")
    results = run_tasks(fail, [path], executor=pool, away=away(fail, lambda path: [path]))
    with pytest.raises(FrameError, match=f"^{path}: cannot be read as FITS$"):
        list(results)


def test_a_file_that_is_gone_is_answered_here(pool, files):
    items = [str(files / "01.dat"), str(files / "none.dat")]
    found = run_tasks(
        os.path.exists, items, executor=pool, away=away(os.path.exists, lambda path: [path])
    )
    assert list(found) == [True, False]


def double(number):
    return os.getpid(), 2 * number


def test_what_is_known_is_not_sent_and_results_are_finished_here(pool):
    known = {1: "one"}
    how = away(double, none, before=known.get, after=lambda n, found: (os.getpid(), *found))
    found = list(run_tasks(double, range(4), executor=pool, away=how))
    assert found[1] == "one"
    for number in (0, 2, 3):
        assert found[number][0] == os.getpid() != found[number][1]
        assert found[number][2] == 2 * number


def length(values):
    return len(values)


def test_large_arguments_go_past_the_scheduler(pool):
    items = [bytes(3_000_000 + k) for k in range(3)]
    found = run_tasks(length, items, executor=pool, away=away(length, none))
    assert list(found) == [len(item) for item in items]
    assert pool.hub.sent > 9_000_000


def test_all_else_is_done_here(pool):
    assert own_processes(pool) is None
    with open_threads(pool) as threads:
        assert threads.submit(os.getpid).result() == os.getpid()
    workers = {
        result[0] for result in run_tasks(double, range(4), executor=pool, away=away(double, none))
    }
    assert os.getpid() not in workers
    assert {result[0] for result in run_tasks(double, range(4), executor=pool)} == {os.getpid()}


class Dask(Executor):
    """Gives tasks up as dask does: the one that kills workers and, once, what was beside it."""

    def __init__(self):
        self.given = Counter()

    def submit(self, function, item):
        self.given[item] += 1
        future = Future()
        if item == 4 or (item == 3 and self.given[3] == 1):
            future.set_exception(distributed.KilledWorker("key", None, 3))
        else:
            future.set_result(function(item))
        return future


def test_an_executor_of_dask_loses_one_task_only():
    found = run_tasks(abs, range(6), executor=Dask(), instead=lambda n: -n)
    assert list(found) == [0, 1, 2, 3, -4, 5]
    with pytest.raises(WorkerError, match="a worker process died"):
        list(run_tasks(abs, [4], executor=Dask()))


def one_line(capsys, *words):
    """Exit status and the one line of a command."""
    status = main(list(words))
    out, err = capsys.readouterr()
    assert out == ""
    [line] = err.splitlines()
    return status, line


def test_no_scheduler_no_dask_no_such_address(tmp_path, files, capsys, monkeypatch):
    monkeypatch.setattr(hub_module, "CONNECT_SECONDS", 0.5)
    out = tmp_path / "out"
    call = ["sort", str(files), "--out", str(out), "--heater", "0", "--workers", "1", "--executor"]
    for address in ("tcp://127.0.0.1:9", "nonsense", "ftp://127.0.0.1:9"):
        status, line = one_line(capsys, *call, address)
        assert status == 2
        assert line.startswith(f"framesort: {address}: no scheduler of dask answers there")
    monkeypatch.setitem(sys.modules, "distributed", None)
    status, line = one_line(capsys, *call, "tcp://127.0.0.1:9")
    assert (status, line) == (
        2,
        "framesort: --executor needs dask.distributed: pip install 'framesort[cluster]'",
    )
    assert not out.exists()


@pytest.mark.parametrize("name", ["framesort", "numpy", "Python"])
def test_other_versions_are_refused(cluster, monkeypatch, name):
    own = far.describe_worker()
    monkeypatch.setattr(far, "LIBRARIES", (*far.LIBRARIES,))
    if name == "framesort":
        monkeypatch.setattr(far, "__version__", "9.9")
    elif name == "numpy":
        monkeypatch.setattr(far, "version", lambda library: f"9.9.{library}")
    else:
        monkeypatch.setattr(far.platform, "python_version_tuple", lambda: ("9", "9", "0"))
    with pytest.raises(
        WorkerError, match=f"^tcp://.*: this worker of the cluster has {name} {own[name]}, "
    ):
        with open_executor(1, cluster=cluster.scheduler_address):
            pass


def test_no_worker(tmp_path, monkeypatch):
    monkeypatch.setattr(hub_module, "JOIN_SECONDS", 0.2)
    with local_cluster(tmp_path, 0) as cluster:
        with pytest.raises(WorkerError, match="this scheduler has no workers"):
            with open_executor(1, cluster=cluster.scheduler_address):
                pass


def start(folder, module, *words, env=None):
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.{module}", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **(env or {})},
        cwd=folder,
    )


@pytest.fixture
def machines(tmp_path):
    """Starts a scheduler and workers by their commands; gives the address and the processes."""
    running = []

    def begin(env=None):
        about = tmp_path / "scheduler.json"
        words = ("--scheduler-file", str(about), "--no-dashboard")
        running.append(
            start(tmp_path, "dask_scheduler", *words, "--port", "0", "--host", "127.0.0.1")
        )
        words = ("--scheduler-file", str(about), "--no-dashboard", "--nthreads", "1")
        running.append(
            start(
                tmp_path, "dask_worker", *words, "--local-directory", str(tmp_path / "w"), env=env
            )
        )
        while not about.exists():
            time.sleep(0.05)
        return distributed.Client(scheduler_file=str(about), set_as_default=False), running

    yield begin
    for process in running[::-1]:
        process.terminate()
    for process in running:
        process.wait(20)


def test_a_scheduler_that_is_lost_on_the_way(machines, monkeypatch):
    monkeypatch.setattr(hub_module, "CONNECT_SECONDS", 2.0)
    client, (scheduler, _) = machines()
    address = client.scheduler.address
    client.close()
    with pytest.raises(WorkerError, match="the scheduler of the cluster is gone"):
        with open_executor(1, cluster=address) as pool:
            results = run_tasks(time.sleep, [0.2] * 99, executor=pool, away=away(time.sleep, none))
            for number, _ in enumerate(results):
                if number == 2:
                    scheduler.kill()


def test_a_worker_without_this_library(machines, tmp_path):
    other = tmp_path / "other" / "framesort"
    other.mkdir(parents=True)
    (other / "__init__.py").write_text("__version__ = '0.0.1'\n")
    client, _ = machines({"PYTHONPATH": str(other.parent)})
    with client:
        with pytest.raises(
            WorkerError, match=r"(cannot load|has) framesort .* install the same version"
        ):
            with open_executor(1, cluster=client):
                pass


# Last, since a cluster may have fewer workers afterwards.


def kill_once(folder, number):
    """Kills its own process at the first try of every fifth number."""
    mark = Path(folder) / f"killed-{number}"
    if number % 5 == 1 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def kill_always(number):
    if number == 4:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_tasks_of_a_dead_worker_are_done_again(pool, tmp_path):
    task = partial(kill_once, tmp_path)
    found = run_tasks(task, range(9), executor=pool, away=away(task, none))
    assert list(found) == list(range(9))


def test_the_task_that_kills_every_worker_is_the_only_one_lost(pool, monkeypatch):
    how = away(kill_always, none)
    found = run_tasks(kill_always, range(9), executor=pool, away=how, instead=lambda n: -n)
    assert list(found) == [0, 1, 2, 3, -4, 5, 6, 7, 8]
    monkeypatch.setattr(cluster_module, "MOST_DEATHS", 1)
    with pytest.raises(WorkerError, match="worker of the cluster died, killed or out of memory"):
        list(run_tasks(kill_always, range(9), executor=pool, away=how))
