"""The connection to a dask.distributed cluster: who is there, what each sees and holds."""

import logging
import os
import socket
import threading
import time
import uuid
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from framesort.errors import InputError, WorkerError
from framesort.workers._far import FileMark, describe_worker, forget_run

__all__ = ["Hub", "open_hub"]

_LOG = logging.getLogger(__name__)

CONNECT_SECONDS = 15.0
"""So long is tried to reach the scheduler, also again where the connection was lost."""

JOIN_SECONDS = 30.0
"""So long is waited for a first worker."""


class Hub:
    """A client of a cluster and what is known of the workers.

    Attributes
    ----------
    address : str
        The scheduler's.
    threads : dict of str to int
        Threads of each worker that can be used.
    run : str
        Under which workers keep files that several tasks need.
    held, stored : dict, set
        Of (worker, mark): such files on the way, and those that have arrived.
    sent : int
        Bytes of files and of large tasks sent.
    """

    def __init__(self, client: Any) -> None:
        self._client = client
        self.address = str(client.scheduler.address)
        self.threads: dict[str, int] = {}
        self.run = uuid.uuid4().hex[:12]
        self.held: dict[tuple[str, FileMark], Any] = {}
        self.stored: set[tuple[str, FileMark]] = set()
        self.lock = threading.Lock()
        self.sent = 0
        self._direct = True
        self._blind: set[tuple[str, str]] = set()
        self._fit: dict[str, bool | None] = {}  # None while it is asked
        self._down_since = 0.0

    def begin(self) -> None:
        """Wait for a worker, and make sure that all compute the same.

        Raises
        ------
        WorkerError
            There is none, or one has other versions.
        """
        until = time.monotonic() + JOIN_SECONDS
        while not (found := self._client.nthreads()):
            if time.monotonic() > until:
                raise WorkerError(
                    f"{self.address}: this scheduler has no workers; start some with "
                    f"`dask worker {self.address} --nthreads 1`"
                )
            time.sleep(0.1)
        for worker, trouble in self._check(list(found)).items():
            if trouble:
                raise WorkerError(f"{worker}: {trouble}")
            self._fit[worker] = True
        self.threads = {w: n for w, n in found.items() if self._fit.get(w)}

    def _check(self, workers: Sequence[str]) -> dict[str, str]:
        """Why each worker cannot be used, "" where it can."""
        here = describe_worker()
        troubles = {}
        answers = self._client.run(describe_worker, workers=list(workers), on_error="return")
        for worker, there in answers.items():
            if not isinstance(there, dict):
                troubles[worker] = (
                    f"this worker of the cluster cannot load framesort {here['framesort']} "
                    f"({type(there).__name__}: {there}); install the same version there"
                )
                continue
            other = [name for name in here if there.get(name) != here[name]]
            troubles[worker] = ""
            if other:
                name = other[0]
                troubles[worker] = (
                    f"this worker of the cluster has {name} {there.get(name, '(none)')}, here it "
                    f"is {here[name]}: results would differ; install the same versions"
                )
        return troubles

    def look(self) -> bool:
        """Renew `threads`; false while the scheduler does not answer.

        Raises
        ------
        WorkerError
            It is lost for good.
        """
        found = None
        if self._client.status == "running":
            with suppress(OSError, TimeoutError):
                found = self._client.nthreads()
        if found is None:
            self._down_since = self._down_since or time.monotonic()
            gone = time.monotonic() > self._down_since + 2 * CONNECT_SECONDS
            if gone or self._client.status == "closed":
                raise WorkerError(
                    f"{self.address}: the scheduler of the cluster is gone; what was measured is "
                    "kept, run again once it is back"
                )
            return False
        self._down_since = 0.0
        new = [worker for worker in found if worker not in self._fit]
        if new:
            self._fit |= dict.fromkeys(new)
            threading.Thread(target=self._meet, args=(new,), daemon=True).start()
        for worker in [worker for worker in list(self._fit) if worker not in found]:
            self._forget(worker)
        self.threads = {w: n for w, n in found.items() if self._fit.get(w)}
        return True

    def _meet(self, workers: list[str]) -> None:
        """In a thread: whether workers that have joined can be used."""
        for worker in workers:
            trouble = "does not answer"
            with suppress(Exception):
                trouble = self._check([worker]).get(worker, trouble)
            if trouble:
                _LOG.warning("%s: not used: %s", worker, trouble)
            self._fit[worker] = not trouble

    def _forget(self, worker: str) -> None:
        """A worker is gone; one of the same address later is another."""
        del self._fit[worker]
        self._blind = {entry for entry in self._blind if entry[0] != worker}
        with self.lock:
            self.stored = {entry for entry in self.stored if entry[0] != worker}
            self.held = {entry: data for entry, data in self.held.items() if entry[0] != worker}

    def is_up(self) -> bool:
        """Whether the scheduler can be reached."""
        return not self._down_since and self._client.status == "running"

    def is_blind(self, worker: str, path: str) -> bool:
        """Whether a worker does not see the folder of a file."""
        return (worker, os.path.dirname(path)) in self._blind

    def make_blind(self, worker: str, paths: Iterable[str]) -> None:
        """Note that a worker does not see files, and no longer holds them."""
        for path in paths:
            if not self.is_blind(worker, path):
                folder = os.path.dirname(path)
                _LOG.debug("%s does not see %s: its files are sent", worker, folder)
                self._blind.add((worker, folder))
        gone = set(paths)
        with self.lock:
            self.stored = {e for e in self.stored if e[0] != worker or e[1].path not in gone}

    def note_stored(self, worker: str, marks: Iterable[FileMark]) -> None:
        """Note that files have arrived that a worker keeps."""
        with self.lock:
            for mark in marks:
                self.stored.add((worker, mark))
                self.held.pop((worker, mark), None)

    def send(self, data: Any, worker: str) -> Any:
        """Bring data to a worker, past the scheduler where that can be."""
        self.sent += len(data)
        if self._direct:
            try:
                return self._client.scatter(data, workers=[worker], direct=True, hash=False)
            except OSError:
                if worker not in self._client.nthreads():
                    raise
                self._direct = False
                _LOG.debug("%s cannot be reached: data go by the scheduler", worker)
        return self._client.scatter(data, workers=[worker], direct=False, hash=False)

    def submit(self, function: Callable[..., Any], *args: Any, worker: str) -> Any:
        """Run a function on a worker, on no other; the cluster's future."""
        return self._client.submit(
            function, *args, workers=[worker], allow_other_workers=False, pure=False
        )

    def fetch(self, future: Any) -> Any:
        """The result of a future that is done."""
        return self._client.gather(future, direct=self._direct)

    def cancel(self, futures: Sequence[Any]) -> None:
        """Forget futures, whatever becomes of them."""
        if futures and self._client.status == "running":
            with suppress(Exception):
                self._client.cancel(futures)

    def end(self) -> None:
        """Have the workers remove what they were sent."""
        if self.stored and self.is_up():
            with suppress(Exception):
                self._client.run(forget_run, self.run, on_error="ignore")


@contextmanager
def open_hub(cluster: Any) -> Iterator[Hub]:
    """Connect to a cluster.

    Parameters
    ----------
    cluster : str or `distributed.Client`
        The scheduler's address, or a client, which stays open.

    Raises
    ------
    InputError
        dask.distributed is not installed, or no scheduler answers there.
    WorkerError
        No worker, or one with other versions.
    """
    try:
        import distributed
    except ImportError as error:
        raise InputError(
            "executor needs dask.distributed: pip install 'framesort[cluster]'"
        ) from error
    with _quiet(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", module="distributed")
        client: Any
        if isinstance(cluster, distributed.Client):
            client, own = cluster, False
        else:
            connect: Any = distributed.Client
            try:
                if isinstance(cluster, str):
                    _reach(cluster)
                client = connect(cluster, timeout=CONNECT_SECONDS, set_as_default=False)
                own = True
            except (OSError, ValueError, TypeError, ImportError) as error:
                raise InputError(
                    f"{cluster}: no scheduler of dask answers there "
                    f"({' '.join(str(error).split())}); start one with `dask scheduler`"
                ) from error
        hub = Hub(client)
        try:
            hub.begin()
            yield hub
        finally:
            hub.end()
            if own:
                client.close(timeout=2)


def _reach(address: str) -> None:
    """Raise OSError or ValueError where nothing listens: a client would try that for long."""
    from distributed.comm.addressing import get_address_host_port

    locate: Any = get_address_host_port
    host, port = locate(address)
    socket.create_connection((host, port), timeout=CONNECT_SECONDS).close()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the log of dask off the screen: what it means for a run is an error of ours."""
    names = ("distributed", "tornado", "asyncio")
    loggers = [
        logging.getLogger(name)
        for name in list(logging.root.manager.loggerDict)
        if name.partition(".")[0] in names
    ]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)
