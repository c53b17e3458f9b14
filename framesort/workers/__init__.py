"""Work spread over cores and machines: many tasks, in order, on any executor."""

from framesort.workers._away import Away
from framesort.workers._cores import core_count, free_memory, run_bands, run_each
from framesort.workers._garbage import loading_modules, no_search, skip_last_search
from framesort.workers._heap import limit_library_threads, release_memory, tune_heaps
from framesort.workers._pool import open_executor, open_threads, own_processes, prepare_workers
from framesort.workers._tasks import Progress, name_task, run_tasks, worker_count

__all__ = [
    "Away",
    "Progress",
    "core_count",
    "free_memory",
    "limit_library_threads",
    "loading_modules",
    "name_task",
    "no_search",
    "open_executor",
    "open_threads",
    "own_processes",
    "prepare_workers",
    "release_memory",
    "run_bands",
    "run_each",
    "run_tasks",
    "skip_last_search",
    "tune_heaps",
    "worker_count",
]
