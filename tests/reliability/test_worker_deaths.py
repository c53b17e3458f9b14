"""Workers that die, are killed or lose their parent; nothing is lost that another try gives."""

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import pytest

from framesort.errors import WorkerError
from framesort.workers import open_executor, run_tasks


def kill_once(folder, number):
    """Kills its own process at the first try of every third number."""
    mark = Path(folder) / str(number)
    if number % 3 == 0 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def kill_always(number):
    if number == 4:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def stop_once(folder, number):
    """As kill_once, but asked politely."""
    mark = Path(folder) / str(number)
    if number == 2 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(5)
    return number


@pytest.mark.parametrize("task", [kill_once, stop_once])
def test_tasks_of_a_dead_worker_are_done_again(tmp_path, task):
    with open_executor(2) as pool:
        assert list(run_tasks(partial(task, tmp_path), range(8), executor=pool)) == list(range(8))


def never_stop(mark):
    Path(mark).touch()
    while True:
        with suppress(SystemExit):
            time.sleep(30)


@pytest.mark.skipif(not hasattr(signal, "alarm"), reason="needs the alarm of POSIX")
def test_a_worker_that_does_not_heed_the_stop_is_ended(tmp_path):
    mark = tmp_path / "began"
    with pytest.raises(KeyboardInterrupt), open_executor(2) as pool:
        pool.submit(never_stop, mark)
        while not mark.exists():
            time.sleep(0.01)
        raise KeyboardInterrupt


def test_what_dies_twice_is_an_error_or_what_stands_instead():
    with open_executor(2) as pool:
        found = run_tasks(kill_always, range(8), executor=pool, instead=lambda n: -n)
        assert list(found) == [0, 1, 2, 3, -4, 5, 6, 7]
        with pytest.raises(WorkerError, match="a worker process died"):
            list(run_tasks(kill_always, range(8), executor=pool))


def test_a_pool_of_the_user_gives_one_sentence_too():
    with ProcessPoolExecutor(2, mp_context=get_context("forkserver")) as pool:
        with pytest.raises(WorkerError, match="a worker process died"):
            list(run_tasks(kill_always, range(20), executor=pool, ahead=2))


ORPHANS = """
import os, signal, sys, time
from framesort.workers import open_executor, run_tasks
if __name__ == "__main__":
    # A shell that runs the tests in the background has its children ignore Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with open_executor(2) as pool:
        print(*{f.result() for f in [pool.submit(os.getpid) for _ in range(9)]}, flush=True)
        for future in [pool.submit(time.sleep, 60) for _ in range(4)]:
            future.result()
"""


def alive(pid):
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="looks into /proc")
@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGINT])
def test_workers_do_not_outlive_their_parent(tmp_path, blow):
    script = tmp_path / "orphans.py"
    script.write_text(ORPHANS)
    with subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as parent:
        pids = [int(pid) for pid in parent.stdout.readline().split()]
        assert pids and all(alive(pid) for pid in pids)
        time.sleep(0.3)  # so that they are asleep in a task
        parent.send_signal(blow)
        parent.wait(20)
    deadline = time.monotonic() + 10
    while any(alive(pid) for pid in pids) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(alive(pid) for pid in pids)
