"""Work spread over cores: one way to run many tasks, in order, on any executor."""

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import (
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from contextlib import contextmanager
from dataclasses import is_dataclass
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

from framesort.errors import InputError, WorkerError, hide_deprecations

__all__ = [
    "Progress",
    "core_count",
    "name_task",
    "open_executor",
    "open_threads",
    "own_processes",
    "prepare_workers",
    "run_bands",
    "run_tasks",
]

Item = TypeVar("Item")
Result = TypeVar("Result")

Progress = Callable[[Iterable[Any]], Iterable[Any]]
"""Wraps an iterable and passes its items on, as `tqdm.tqdm` does; it may look at ``len``."""


def core_count() -> int:
    """Number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_bands(
    work: Callable[[int, int], object], rows: int, *, band: int, threads: int | None = None
) -> None:
    """Call ``work(first, last)`` for bands of rows, side by side in threads.

    For compiled loops and array arithmetic, which let go of the interpreter. Bands do not depend on
    the number of threads, so nor do results.

    Parameters
    ----------
    work : callable
        Must change nothing but its own rows.
    rows : int
        Number of rows in all.
    band : int
        Rows of a band.
    threads : int or None
        At most so many; None for one a core.
    """
    parts = [(first, min(first + band, rows)) for first in range(0, rows, band)]
    threads = min(core_count() if threads is None else threads, len(parts))
    if threads < 2:
        for part in parts:
            work(*part)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, *part) for part in parts]:
            done.result()


@contextmanager
def open_executor(workers: int | None = None) -> Iterator[Executor | None]:
    """Give a pool of processes, or None for one worker (the caller's own process).

    Parameters
    ----------
    workers : int or None
        Number of processes; None for one a core.

    Raises
    ------
    InputError
        `workers` is below 1.
    """
    if workers is None:
        workers = core_count()
    if workers < 1:
        raise InputError(f"workers must be 1 or more, got {workers}")
    if workers == 1:
        yield None
        return
    pool = _Pool(workers)
    try:
        yield pool
    except BaseException:
        pool.stop()
        raise
    finally:
        pool.shutdown()


@contextmanager
def open_threads(executor: Executor | None) -> Iterator[Executor | None]:
    """Give as many threads as a pool of `open_executor` has processes; another executor as it is.

    For work that is done in compiled loops, which run side by side in one process: its memory is
    shared, nothing is sent to and fro.
    """
    if not isinstance(executor, _Pool):
        yield executor
        return
    with ThreadPoolExecutor(executor.workers) as threads:
        yield threads


def name_task(function: Callable[..., Any]) -> str:
    """What a function is known by where its results are kept: its module and name.

    A frozen record, such as a plug-in's, is identified by its values.
    """
    name = getattr(function, "__qualname__", None) or (
        repr(function) if is_dataclass(function) else type(function).__qualname__
    )
    return f"{getattr(function, '__module__', '')}.{name}"


def own_processes(executor: Executor | None) -> Executor | None:
    """The executor if it is a pool of `open_executor`, else None.

    For work that gains from more processes on this machine, but is neither fit for threads nor
    worth sending away.
    """
    return executor if isinstance(executor, _Pool) else None


def prepare_workers(modules: Sequence[str]) -> None:
    """Begin to load what the workers of `open_executor` will need, while this process goes on.

    Workers then start in no time and share the memory of these modules. Where the system cannot
    do that, nothing happens.

    Parameters
    ----------
    modules : sequence of str
        Names of modules; they must not start threads that do not survive a fork.
    """
    if sys.platform == "linux":  # elsewhere system libraries may not survive a fork
        multiprocessing.set_forkserver_preload(list(modules))
        _start_server()


def _start_server() -> None:
    """Start the server that forks the workers, deaf to Ctrl-C, which is the parent's to answer.

    A process inherits which signals are held back: the server and the workers never see one, not
    even before they can say that they ignore it.
    """
    from multiprocessing import forkserver, resource_tracker

    resource_tracker.ensure_running()  # where it must be started it lets go of the signal again
    held = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, held)


class _WorkerStopped(SystemExit):
    """Raised inside a worker that is to end, so that it cleans up."""


class _Pool(Executor):
    """A process pool that can be made anew after one of its workers has died."""

    def __init__(self, workers: int) -> None:
        # Never plain fork: this process may hold threads of numerical libraries.
        methods = multiprocessing.get_all_start_methods()
        self._context = multiprocessing.get_context(
            "forkserver" if "forkserver" in methods else "spawn"
        )
        self.workers = workers
        self._others = set(multiprocessing.active_children())
        self._pool = self._make()

    def _make(self) -> ProcessPoolExecutor:
        if self._context.get_start_method() == "forkserver":
            _start_server()
        return ProcessPoolExecutor(
            self.workers, mp_context=self._context, initializer=_start_worker
        )

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        try:
            return self._pool.submit(_run_guarded, fn, args, kwargs)
        except BrokenExecutor:
            self.renew()
            return self._pool.submit(_run_guarded, fn, args, kwargs)

    def renew(self) -> None:
        """Put a fresh pool in the place of a broken one."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = self._make()

    def stop(self) -> None:
        """End the workers now; what they were at is lost."""
        self._forget_cancelled()
        for process in set(multiprocessing.active_children()) - self._others:
            process.terminate()

    def _forget_cancelled(self) -> None:
        """Wait until the pool holds no task that was cancelled.

        It would tell such a task that its worker died, which a cancelled one does not take: an
        error in a thread of the pool. Tasks are taken up, or forgotten where they were
        cancelled, in their order, so it is enough that a last one is no longer waiting.
        """
        try:
            last = self._pool.submit(int)
        except (BrokenExecutor, RuntimeError):  # no thread is left that could stumble
            self._pool.shutdown(wait=False, cancel_futures=True)
            return
        self._pool.shutdown(wait=False, cancel_futures=True)
        until = time.monotonic() + 2.0
        while not (last.running() or last.done()) and time.monotonic() < until:
            time.sleep(0.005)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)


def _run_guarded(fn: Callable[..., Any], args: Any, kwargs: Any) -> Any:
    """A task; a worker that is to end cleans up here and takes no other."""
    try:
        return fn(*args, **kwargs)
    except _WorkerStopped:
        os._exit(1)


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, clean up on termination, and never outlive the parent."""

    def stop(number: int, frame: object) -> None:
        raise _WorkerStopped

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.unraisablehook = _stop_later
    hide_deprecations()
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_follow, args=(parent,), daemon=True).start()
    signal.signal(signal.SIGTERM, stop)  # last: what is raised in here the pool would print


def _stop_later(caught: Any) -> None:
    """Ask again to end where compiled code that called back has swallowed the asking."""
    if issubclass(caught.exc_type, _WorkerStopped):
        threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGTERM)).start()
    else:
        sys.__unraisablehook__(caught)


def _follow(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


class _InOrder:
    """Results of the tasks in their order; has a length, so a progress bar knows the end."""

    def __init__(
        self,
        function: Callable[[Item], Result],
        items: Sequence[Item],
        executor: Executor,
        ahead: int,
        instead: Callable[[Item], Result] | None,
    ) -> None:
        self._function, self._items, self._executor = function, items, executor
        self._ahead, self._instead = ahead, instead

    def __len__(self) -> int:
        return len(self._items)

    def __iter__(self) -> Iterator[Any]:
        waiting: deque[tuple[Any, Future[Any]]] = deque()
        try:
            for item in self._items:
                waiting.append((item, self._submit(item)))
                if len(waiting) >= self._ahead:
                    yield self._take(waiting)
            while waiting:
                yield self._take(waiting)
        finally:
            for _, future in waiting:
                future.cancel()

    def _submit(self, item: Any) -> Future[Any]:
        try:
            return self._executor.submit(self._function, item)
        except BrokenExecutor as error:
            raise WorkerError(_DIED) from error

    def _take(self, waiting: deque[tuple[Any, Future[Any]]]) -> Any:
        """The result of the first task that waits; where its worker died it is tried again.

        A dead worker takes with it every task that was handed out, whichever of them it was
        that killed it. So each is tried twice more, by itself.
        """
        item, future = waiting.popleft()
        try:
            return future.result()
        except BrokenExecutor as error:
            if not isinstance(self._executor, _Pool):
                raise WorkerError(_DIED) from error
        for _, other in waiting:  # alone, so that a further death has one cause
            if not other.done():
                other.exception()
        for _ in range(2):
            try:
                return self._submit(item).result()
            except BrokenExecutor as error:
                died = error
        if self._instead is None:
            raise WorkerError(_DIED) from died
        return self._instead(item)


_DIED = (
    "a worker process died, killed or out of memory, and so did those that tried again; "
    "run again with fewer workers (--workers 1)"
)


class _Serial:
    """The same without an executor."""

    def __init__(self, function: Callable[[Item], Result], items: Sequence[Item]) -> None:
        self._function, self._items = function, items

    def __len__(self) -> int:
        return len(self._items)

    def __iter__(self) -> Iterator[Any]:
        return (self._function(item) for item in self._items)


def run_tasks(
    function: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
    ahead: int = 8,
    instead: Callable[[Item], Result] | None = None,
) -> Iterator[Result]:
    """Apply a function to each item and give the results in the order of the items.

    Parameters
    ----------
    function : callable
        Takes one item. With a process pool it must be importable by name.
    items : sequence
        One task each.
    executor : `~concurrent.futures.Executor` or None
        Where to run; None for this process. dask.distributed's executor works too.
    progress : callable or None
        Wraps the iteration, as `tqdm.tqdm` does.
    ahead : int
        At most so many tasks are handed out at a time, which bounds the memory
        that finished results hold.
    instead : callable or None
        Takes an item whose worker died at every try and gives what counts as its result. None makes
        that an error.

    Returns
    -------
    iterator
        Results, lazily. An exception of a task is raised where its result would be.

    Raises
    ------
    WorkerError
        A worker process died; in a pool of `open_executor`: at all three tries.
    """
    results: Any = (
        _Serial(function, items)
        if executor is None
        else _InOrder(function, items, executor, ahead, instead)
    )
    return iter(results if progress is None else progress(results))
