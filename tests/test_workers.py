"""Tasks in order on any executor."""

import os
import signal
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from framesort.workers import open_executor, own_processes, run_bands, run_each, run_tasks


def slow_square(number):
    time.sleep(0.01 if number % 3 == 0 else 0)
    if number == 99:
        raise ValueError("ninety-nine")
    return number * number


@pytest.mark.parametrize("workers", [1, 2])
def test_order_is_kept(workers):
    with open_executor(workers) as pool:
        assert list(run_tasks(slow_square, range(20), executor=pool)) == [n * n for n in range(20)]


def test_progress_sees_every_result_and_the_length():
    seen = []

    def bar(results):
        assert len(results) == 5
        for result in results:
            seen.append(result)
            yield result

    with ThreadPoolExecutor(2) as pool:
        assert list(run_tasks(slow_square, range(5), executor=pool, progress=bar)) == seen


def test_an_error_comes_where_its_result_would():
    with ThreadPoolExecutor(2) as pool:
        results = run_tasks(slow_square, [2, 99, 3], executor=pool)
        assert next(results) == 4
        with pytest.raises(ValueError, match="ninety-nine"):
            next(results)


def test_few_tasks_are_out_at_a_time():
    out = []

    class Counting(ThreadPoolExecutor):
        def submit(self, *args, **kwargs):
            out.append(1)
            return super().submit(*args, **kwargs)

    with Counting(2) as pool:
        results = run_tasks(slow_square, range(50), executor=pool, ahead=4)
        next(results)
        assert len(out) == 4


@pytest.mark.parametrize(("workers", "expected"), [(2, 8), (12, 24)])
def test_no_worker_waits_for_a_task(workers, expected):
    out = []

    class Counting(ThreadPoolExecutor):
        def submit(self, *args, **kwargs):
            out.append(1)
            return super().submit(*args, **kwargs)

    with Counting(workers) as pool:
        next(run_tasks(slow_square, range(50), executor=pool))
        assert len(out) == expected


def test_no_worker_is_refused():
    with pytest.raises(ValueError, match="workers must be 1 or more, got 0"), open_executor(0):
        pass


@pytest.mark.parametrize("threads", [1, 2, 5, None])
def test_bands_cover_every_row_once(threads):
    seen = np.zeros(103, int)

    def work(first, last):
        assert last - first <= 10
        seen[first:last] += 1

    run_bands(work, 103, band=10, threads=threads)
    assert (seen == 1).all()


def test_an_error_in_a_band_is_not_lost():
    def work(first, last):
        if first == 20:
            raise ValueError("twenty")

    with pytest.raises(ValueError, match="twenty"):
        run_bands(work, 100, band=10, threads=2)


def test_bands_within_bands_are_all_done():
    def squares(number):
        return run_each(lambda k: run_each(lambda m: (number, k, m), range(5)), range(4))

    assert run_each(squares, range(30)) == [
        [[(number, k, m) for m in range(5)] for k in range(4)] for number in range(30)
    ]


def test_threads_for_bands_stay():
    def running():
        return {v for v in threading.enumerate() if v.name.startswith("framesort-bands")}

    run_bands(lambda *_: time.sleep(0.01), 8, band=1, threads=3)
    before = running()
    run_bands(lambda *_: time.sleep(0.01), 8, band=1, threads=3)
    assert before and running() >= before and len(running()) <= max(2, os.cpu_count())


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork")
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")
def test_bands_are_done_in_a_fork_as_well():
    run_bands(lambda *_: time.sleep(0.01), 8, band=1, threads=2)
    child = os.fork()
    if not child:
        seen = np.zeros(8)

        def work(first, last):
            seen[first:last] += 1

        run_bands(work, 8, band=1, threads=2)
        os._exit(0 if (seen == 1).all() else 1)
    assert os.waitpid(child, 0)[1] == 0


def test_only_a_pool_of_the_user_counts_as_such():
    with ThreadPoolExecutor(1) as threads, open_executor(2) as pool:
        assert own_processes(pool) is pool
        assert own_processes(threads) is None
        assert own_processes(None) is None


def test_stopping_by_ctrl_c_leaves_no_error_behind(monkeypatch):
    """Tasks that were cancelled are forgotten before the workers end, at whatever moment."""
    stumbled = []
    monkeypatch.setattr(threading, "excepthook", stumbled.append)
    threads = set(threading.enumerate())
    for held in (0.0, 0.4):
        with pytest.raises(KeyboardInterrupt), open_executor(2) as pool:
            results = run_tasks(time.sleep, [0.0, *[30.0] * 9], executor=pool, ahead=8)
            next(results)
            time.sleep(held)
            results.close()  # as when an exception passes through
            raise KeyboardInterrupt
    for thread in set(threading.enumerate()) - threads:
        thread.join(20)
    assert stumbled == []


@pytest.mark.skipif(sys.platform != "linux", reason="workers are prepared on Linux only")
def test_server_and_workers_do_not_hear_ctrl_c():
    with open_executor(2) as pool:
        held = pool.submit(signal.pthread_sigmask, signal.SIG_BLOCK, []).result()
    assert signal.SIGINT in held
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
