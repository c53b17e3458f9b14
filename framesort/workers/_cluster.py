"""Tasks on the workers of a dask.distributed cluster, which may not see this machine's files.

Each task goes to a worker of this module's choice, because a file that is sent must go to the
worker that will read it, and because the one task that ends its worker can be told from those
beside it only by being run alone.
"""

import logging
import queue
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from framesort.errors import WorkerError
from framesort.workers._away import Away
from framesort.workers._far import FileMark, mark_file, pack_task, run_far, unpack_answer
from framesort.workers._hub import Hub
from framesort.workers._tasks import is_killed

__all__ = ["FarTasks"]

_LOG = logging.getLogger(__name__)

SENDERS = 4
"""Files that are read and sent at a time."""

LOOK_SECONDS = 0.5
"""So often it is looked who is still there."""

WAIT_SECONDS = 60.0
"""So long is waited for a worker where none is left; a nanny's new one takes a few seconds."""

MOST_DEATHS = 3
"""Workers that a task may end, as in the pool of processes of one machine."""

MOST_FAILURES = 5
"""Times that a task may come to nothing otherwise: lost on the way, or not to be sent."""

LARGE = 1 << 20
"""Bytes of a packed task above which it goes to its worker past the scheduler."""


@dataclass(eq=False)
class _Job:
    number: int
    item: Any
    attempt: int = 0
    deaths: int = 0
    failures: int = 0
    looked: bool = False  # for a result that there is already
    worker: str = ""
    future: Any = None
    unseen: set[str] = field(default_factory=set)  # files that its worker does not see
    kept: list[FileMark] = field(default_factory=list)  # files that its worker is to keep


class _File(NamedTuple):
    """A file of a task: its bytes where they are sent, and whether further tasks need it."""

    mark: FileMark
    data: Any
    keep: bool


@dataclass
class _Raised:
    """A task's exception, raised where its result would be."""

    error: BaseException


class FarTasks:
    """Results of tasks on a cluster in their order; has a length, so a bar knows the end."""

    def __init__(
        self,
        hub: Hub,
        function: Callable[[Any], Any],
        items: Sequence[Any],
        away: Away,
        ahead: int | None,
        instead: Callable[[Any], Any] | None,
    ) -> None:
        self._hub, self._function, self._items, self._away = hub, function, items, away
        self._ahead, self._instead = ahead, instead

    def __len__(self) -> int:
        return len(self._items)

    def __iter__(self) -> Iterator[Any]:
        loop = _Loop(self._hub, self._function, self._items, self._away, self._instead)
        try:
            yield from loop.run(self._ahead)
        finally:
            loop.close()


class _Loop:
    """Hands out tasks and takes in what becomes of them; all state is changed in one thread."""

    def __init__(
        self,
        hub: Hub,
        function: Callable[[Any], Any],
        items: Sequence[Any],
        away: Away,
        instead: Callable[[Any], Any] | None,
    ) -> None:
        self._hub, self._function, self._items = hub, function, items
        self._away, self._instead = away, instead
        count = Counter(path for item in items for path in dict.fromkeys(away.files(item)))
        self._common = {path for path, times in count.items() if times > 1}
        self._new: Iterator[_Job] = (_Job(k, item) for k, item in enumerate(items))
        self._begun = 0
        self._again: deque[_Job] = deque()
        self._busy: dict[str, list[_Job]] = {}
        self._results: dict[int, Any] = {}
        self._events: queue.SimpleQueue[tuple[str, _Job, int, Any]] = queue.SimpleQueue()
        self._threads = ThreadPoolExecutor(SENDERS, thread_name_prefix="framesort-send")
        self._looked = 0.0
        self._empty_since = 0.0

    def run(self, ahead: int | None) -> Iterator[Any]:
        """Give the results in order."""
        given = 0
        self._look_around()
        while given < len(self._items):
            most = max(ahead or 0, 3 * sum(self._hub.threads.values()))
            if self._hub.is_up():
                self._hand_out(given + most)
            if given in self._results:
                result = self._results.pop(given)
                given += 1
                if isinstance(result, _Raised):
                    raise result.error
                yield result
                continue
            with suppress(queue.Empty):
                kind, job, attempt, value = self._events.get(timeout=LOOK_SECONDS)
                if attempt == job.attempt:  # else it was given up meanwhile
                    getattr(self, f"_on_{kind}")(job, value)
            if time.monotonic() > self._looked + LOOK_SECONDS:
                self._look_around()

    def close(self) -> None:
        """Forget what is still out."""
        jobs = [job for jobs in self._busy.values() for job in jobs]
        self._hub.cancel([job.future for job in jobs if job.future is not None])
        self._threads.shutdown(wait=False, cancel_futures=True)

    def _hand_out(self, until: int) -> None:
        """Give work to whoever has none, first what is tried again."""
        held = {jobs[0].worker for jobs in self._busy.values() if jobs and jobs[0].deaths}
        for suspect in [job for job in self._again if job.deaths]:
            others = [worker for worker in self._hub.threads if worker not in held]
            if not others:
                break
            worker = min(others, key=self._load)
            held.add(worker)  # it takes no more, so that this one will be alone there
            if not self._busy.get(worker):
                self._again.remove(suspect)
                self._give(suspect, worker)
        while True:
            others = [w for w in self._hub.threads if w not in held and self._load(w) <= 0]
            job = self._next(until) if others else None
            if job is None:
                return
            self._give(job, min(others, key=self._load))

    def _next(self, until: int) -> _Job | None:
        """A task that failed, else a new one, else None."""
        for job in self._again:
            if not job.deaths:
                self._again.remove(job)
                return job
        if self._begun >= min(until, len(self._items)):
            return None
        self._begun += 1
        return next(self._new)

    def _load(self, worker: str) -> float:
        """Tasks a thread beyond those that are worked on; one more lies ready."""
        threads = self._hub.threads[worker]
        return (len(self._busy.get(worker, ())) - threads) / threads

    def _give(self, job: _Job, worker: str) -> None:
        if worker != job.worker:
            job.unseen = set()
        job.worker, job.future, job.kept = worker, None, []
        job.attempt += 1
        self._busy.setdefault(worker, []).append(job)
        self._threads.submit(self._prepare, job, job.attempt)

    def _take_back(self, job: _Job) -> None:
        """Off its worker; what may still come of this attempt does not count."""
        self._busy[job.worker].remove(job)
        job.attempt += 1
        job.future = None

    # In a thread: whatever reads, sends or waits.

    def _prepare(self, job: _Job, attempt: int) -> None:
        try:
            event = self._prepared(job)
        except Exception as error:
            event = ("failed", error)
        self._events.put((event[0], job, attempt, event[1]))

    def _prepared(self, job: _Job) -> tuple[str, Any]:
        if self._away.before is not None and not job.looked:
            found = self._away.before(job.item)
            job.looked = True
            if found is not None:
                return "done", found
        paths = list(dict.fromkeys(self._away.files(job.item)))
        try:
            marks = [mark_file(path) for path in paths]
            files = [self._file(job, mark) for mark in marks]
        except OSError:  # the answer is that of one machine: gone, unreadable
            return "done", self._function(job.item)
        task: Any = pack_task(self._away.function, job.item, paths)
        if len(task) > LARGE:
            task = self._hub.send(task, job.worker)
        return "ready", (task, files)

    def _file(self, job: _Job, mark: FileMark) -> _File:
        """A file of a task, with its bytes where the worker does not see it."""
        keep = mark.path in self._common
        if mark.path not in job.unseen and not self._hub.is_blind(job.worker, mark.path):
            return _File(mark, None, keep)
        if not keep:
            return _File(mark, self._hub.send(_read(mark), job.worker), False)
        with self._hub.lock:
            place = (job.worker, mark)
            held = self._hub.held.get(place)
            if held is None and place not in self._hub.stored:
                held = self._hub.held[place] = self._hub.send(_read(mark), job.worker)
        return _File(mark, held, keep)

    def _fetch(self, job: _Job, attempt: int, future: Any) -> None:
        try:
            kind, value = unpack_answer(self._hub.fetch(future))
        except Exception as error:
            kind, value = "failed", error
        if kind == "done" and self._away.after is not None:
            try:
                value = self._away.after(job.item, value)
            except Exception as error:
                kind, value = "error", error
        self._events.put((kind, job, attempt, value))

    # In the loop: what has happened.

    def _on_ready(self, job: _Job, value: tuple[Any, list[_File]]) -> None:
        task, files = value
        attempt = job.attempt
        marks = [file.mark for file in files]
        data, keep = [file.data for file in files], [file.keep for file in files]
        job.kept = [file.mark for file in files if file.keep and file.data is not None]
        try:
            job.future = self._hub.submit(
                run_far, task, marks, data, keep, self._hub.run, worker=job.worker
            )
        except Exception as error:  # the scheduler went just now
            self._on_failed(job, error)
            return
        job.future.add_done_callback(
            lambda future: self._events.put(("finished", job, attempt, future))
        )

    def _on_finished(self, job: _Job, future: Any) -> None:
        if future.status == "finished":
            self._threads.submit(self._fetch, job, job.attempt, future)
        elif future.status == "error":
            error = future.exception()
            if is_killed(error):
                self._died(job)
            else:
                self._on_failed(job, error)
        else:  # its data are lost, or the scheduler was
            self._on_failed(job, None)

    def _on_done(self, job: _Job, value: Any) -> None:
        self._hub.note_stored(job.worker, job.kept)
        self._take_back(job)
        self._results[job.number] = value

    def _on_error(self, job: _Job, error: BaseException) -> None:
        self._on_done(job, _Raised(error))

    def _on_missing(self, job: _Job, paths: list[str]) -> None:
        """The worker does not see files: they are sent from now on."""
        worker = job.worker
        self._take_back(job)
        job.unseen |= set(paths)
        self._hub.make_blind(worker, paths)
        self._again.appendleft(job)

    def _on_failed(self, job: _Job, error: BaseException | None) -> None:
        worker = job.worker
        self._take_back(job)
        self._look_around()
        if worker in self._hub.threads and self._hub.is_up():
            job.failures += 1
        if job.failures >= MOST_FAILURES:
            cause = "lost on the way" if error is None else f"{type(error).__name__}: {error}"
            raise WorkerError(
                f"{worker}: this worker of the cluster cannot do its task ({cause})"
            ) from error
        self._again.appendleft(job)

    def _died(self, job: _Job) -> None:
        """Its worker died: it is tried again, alone on another."""
        self._take_back(job)
        job.deaths += 1
        if job.deaths < MOST_DEATHS:
            self._again.append(job)
        elif self._instead is not None:
            self._results[job.number] = self._instead(job.item)
        else:
            raise WorkerError(
                f"{job.worker}: this worker of the cluster died, killed or out of memory, as did "
                f"{MOST_DEATHS - 1} others that tried the same; see what they have logged"
            )

    def _look_around(self) -> None:
        """Who is still there; take back what the others had."""
        up = self._hub.look()
        self._looked = time.monotonic()
        if not up:
            return
        for worker in [worker for worker in self._busy if worker not in self._hub.threads]:
            for job in list(self._busy[worker]):
                if job.future is None:
                    self._take_back(job)
                    self._again.appendleft(job)
                else:
                    self._hub.cancel([job.future])
                    self._died(job)
            del self._busy[worker]
        if self._hub.threads:
            self._empty_since = 0.0
        elif not self._empty_since:
            self._empty_since = time.monotonic()
        elif time.monotonic() > self._empty_since + WAIT_SECONDS:
            raise WorkerError(
                f"{self._hub.address}: no worker of the cluster is left; "
                "start some, and run again: what was measured is kept"
            )


def _read(mark: FileMark) -> Any:
    """A file's bytes as they lie on the way in one piece."""
    data = np.fromfile(mark.path, dtype=np.uint8)
    if data.size != mark.size:
        raise OSError(f"{mark.path}: changes while it is read")
    return data
