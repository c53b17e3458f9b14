"""Work spread over cores: one way to run many tasks, in order, on any executor."""

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

__all__ = ["Progress", "open_executor", "run_tasks"]

Item = TypeVar("Item")
Result = TypeVar("Result")

Progress = Callable[[Iterable[Any]], Iterable[Any]]
"""Wraps an iterable and passes its items on, as `tqdm.tqdm` does; it may look at ``len``."""


@contextmanager
def open_executor(workers: int | None = None) -> Iterator[Executor | None]:
    """Give a pool of processes, or None for one worker (the caller's own process).

    Parameters
    ----------
    workers : int or None
        Number of processes; None for one a core.

    Raises
    ------
    ValueError
        `workers` is below 1.
    """
    if workers is None:
        workers = (
            len(os.sched_getaffinity(0))
            if hasattr(os, "sched_getaffinity")
            else os.cpu_count() or 1
        )
    if workers < 1:
        raise ValueError(f"workers must be 1 or more, got {workers}")
    if workers == 1:
        yield None
        return
    # Never plain fork: this process may hold threads of numerical libraries.
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        try:
            yield pool
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


class _InOrder:
    """Results of the tasks in their order; has a length, so a progress bar knows the end."""

    def __init__(
        self,
        function: Callable[[Item], Result],
        items: Sequence[Item],
        executor: Executor,
        ahead: int,
    ) -> None:
        self._function, self._items, self._executor, self._ahead = function, items, executor, ahead

    def __len__(self) -> int:
        return len(self._items)

    def __iter__(self) -> Iterator[Any]:
        waiting: list[Future[Any]] = []
        upcoming = iter(self._items)
        try:
            for item in upcoming:
                waiting.append(self._executor.submit(self._function, item))
                if len(waiting) >= self._ahead:
                    yield waiting.pop(0).result()
            while waiting:
                yield waiting.pop(0).result()
        finally:
            for future in waiting:
                future.cancel()


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

    Returns
    -------
    iterator
        Results, lazily. An exception of a task is raised where its result would be.
    """
    results: Any = (
        _Serial(function, items) if executor is None else _InOrder(function, items, executor, ahead)
    )
    return iter(results if progress is None else progress(results))
