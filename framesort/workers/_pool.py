"""A pool of processes that survives the death of its workers."""

import gc
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
)
from contextlib import ExitStack, contextmanager
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any

from framesort.errors import InputError, hide_deprecations
from framesort.workers._cores import core_count
from framesort.workers._garbage import keep_modules
from framesort.workers._heap import tune_heaps

if TYPE_CHECKING:
    from framesort.workers._hub import Hub

__all__ = ["Pool", "open_executor", "open_threads", "own_processes", "prepare_workers"]

STOP_SECONDS = 3
"""A worker that was asked to end has so long to clean up; then the system ends it."""


@contextmanager
def open_executor(workers: int | None = None, *, cluster: Any = None) -> Iterator[Executor | None]:
    """Give a pool of processes, or None for one worker (the caller's own process).

    Parameters
    ----------
    workers : int or None
        Number of processes; None for one a core.
    cluster : str, `distributed.Client` or None
        A running dask.distributed cluster that frames are measured on, by the address of its
        scheduler or by a client. Workers read the files that they see under the same path, and
        are sent others. All else is done in the pool, or in this process.

    Raises
    ------
    InputError
        `workers` is below 1. dask.distributed is not installed, no scheduler answers.
    WorkerError
        The cluster has no workers, or some that could give other results.
    """
    if workers is None:
        workers = core_count()
    if workers < 1:
        raise InputError(f"workers must be 1 or more, got {workers}")
    if workers == 1 and cluster is None:
        yield None
        return
    with ExitStack() as stack:
        hub = None
        if cluster is not None:
            from framesort.workers._hub import open_hub

            hub = stack.enter_context(open_hub(cluster))
        pool = Pool(workers, hub)
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
    if not isinstance(executor, Pool):
        yield executor
        return
    with ThreadPoolExecutor(executor.workers) as threads:
        yield threads


def own_processes(executor: Executor | None) -> Executor | None:
    """The executor if it is a pool of `open_executor` with several processes, else None.

    For work that gains from more processes on this machine, but is neither fit for threads nor
    worth sending away.
    """
    return executor if isinstance(executor, Pool) and executor.workers > 1 else None


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
        multiprocessing.set_forkserver_preload(["framesort.workers._server", *modules])
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


class Pool(Executor):
    """A process pool that can be made anew after one of its workers has died.

    With a `hub`, tasks that may be done elsewhere go to its cluster, see `run_tasks`.
    """

    def __init__(self, workers: int, hub: "Hub | None" = None) -> None:
        # Never plain fork: this process may hold threads of numerical libraries.
        methods = multiprocessing.get_all_start_methods()
        self._context = multiprocessing.get_context(
            "forkserver" if "forkserver" in methods else "spawn"
        )
        self.workers = workers
        self.hub = hub
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
    tune_heaps()
    keep_modules()
    gc.enable()

    def stop(number: int, frame: object) -> None:
        if hasattr(signal, "alarm"):  # the pool takes an exception between two tasks for a result
            signal.alarm(STOP_SECONDS)
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
