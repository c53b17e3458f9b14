"""One way to run many tasks, in order, on any executor."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import is_dataclass
from typing import Any, TypeVar

from framesort.errors import WorkerError
from framesort.workers._away import Away
from framesort.workers._pool import Pool

__all__ = ["Progress", "name_task", "run_tasks", "worker_count"]

Item = TypeVar("Item")
Result = TypeVar("Result")

Progress = Callable[[Iterable[Any]], Iterable[Any]]
"""Wraps an iterable and passes its items on, as `tqdm.tqdm` does; it may look at ``len``."""


def name_task(function: Callable[..., Any]) -> str:
    """What a function is known by where its results are kept: its module and name.

    A frozen record, such as a plug-in's, is identified by its values.
    """
    name = getattr(function, "__qualname__", None) or (
        repr(function) if is_dataclass(function) else type(function).__qualname__
    )
    return f"{getattr(function, '__module__', '')}.{name}"


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
        except Exception as error:
            died = self._as_death(error)
        for _, other in waiting:  # alone, so that a further death has one cause
            if not other.done():
                other.exception()
        # dask has tried four workers, but gives up what was beside the task that killed them too.
        for _ in range(2 if isinstance(self._executor, Pool) else 1):
            try:
                return self._submit(item).result()
            except Exception as error:
                died = self._as_death(error)
        if self._instead is None:
            raise WorkerError(_DIED) from died
        return self._instead(item)

    def _as_death(self, error: Exception) -> Exception:
        """The error if it is the death of a worker after which there are others; else it rises."""
        if is_killed(error) or (
            isinstance(error, BrokenExecutor) and isinstance(self._executor, Pool)
        ):
            return error
        if isinstance(error, BrokenExecutor):
            raise WorkerError(_DIED) from error
        raise error


def is_killed(error: BaseException | None) -> bool:
    """Whether dask gave a task up because all workers that tried it died."""
    return type(error).__name__ == "KilledWorker"


_DIED = (
    "a worker process died, killed or out of memory, and so did those that tried again; "
    "run again with fewer workers (--workers 1)"
)


def worker_count(executor: Executor | None) -> int:
    """Tasks that an executor runs side by side; 1 without one, 0 where that is not known."""
    if executor is None:
        return 1
    return int(getattr(executor, "workers", 0) or getattr(executor, "_max_workers", 0))


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
    ahead: int | None = None,
    instead: Callable[[Item], Result] | None = None,
    away: Away | None = None,
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
    ahead : int or None
        At most so many tasks are handed out at a time, which bounds the memory
        that finished results hold. None for two a worker, at least 8.
    instead : callable or None
        Takes an item whose worker died at every try and gives what counts as its result. None makes
        that an error.
    away : Away or None
        How to do the tasks on the cluster of `open_executor`; None: they are done here.

    Returns
    -------
    iterator
        Results, lazily. An exception of a task is raised where its result would be.

    Raises
    ------
    WorkerError
        A worker process died; in a pool of `open_executor`: at all three tries. The cluster is
        lost.
    """
    results: Any
    if away is not None and isinstance(executor, Pool) and executor.hub is not None:
        from framesort.workers._cluster import FarTasks

        results = FarTasks(executor.hub, function, items, away, ahead, instead)
    elif executor is None or (isinstance(executor, Pool) and executor.workers == 1):
        results = _Serial(function, items)
    else:
        ahead = ahead or max(8, 2 * worker_count(executor))
        results = _InOrder(function, items, executor, ahead, instead)
    return iter(results if progress is None else progress(results))
