"""What a run shows in the end: the report and the preview, made by worker processes if it can be.

The libraries that draw are loaded by the workers alone then.
"""

from concurrent.futures import BrokenExecutor, Future
from pathlib import Path
from typing import Any

from framesort.night._run import NightRun
from framesort.workers import own_processes

__all__ = ["NightPages"]


class NightPages:
    """The report and the preview of a result folder.

    Parameters
    ----------
    run : NightRun
        Where to compute and keep.
    folder : path
        The folder of the results.
    """

    def __init__(self, run: NightRun, folder: Path) -> None:
        self._folder, self._cache, self._executor = folder, run.cache, run.executor
        self._pool = own_processes(run.executor)
        self._figures: Future[Any] | None = None

    def draw_ahead(self) -> None:
        """Begin with figures that need the tables only, beside other work of this process.

        They are kept with the measurements; where nothing is kept they are drawn in the end.
        """
        if self._pool is not None and self._cache is not None:
            self._figures = self._pool.submit(_draw_figures, self._folder, self._cache)

    def write(self, *, preview: bool) -> None:
        """Write the report and, if asked for, the preview.

        Raises
        ------
        OutputError
            One cannot be written.
        """
        beside = self._pool.submit(_write_preview, self._folder) if self._pool and preview else None
        try:
            if self._pool is None or self._figures is None:
                _write_report(self._folder, self._cache, executor=self._executor)
            else:
                self._figures.result()
                self._pool.submit(_write_report, self._folder, self._cache).result()
            if beside is not None:
                beside.result()
        except BrokenExecutor:  # a worker was killed
            _write_report(self._folder, self._cache)
            beside = None
        if preview and beside is None:
            _write_preview(self._folder)


def _draw_figures(folder: Path, cache: Path) -> None:
    from framesort.report import keep_figures, read_results

    keep_figures(read_results(folder), cache)


def _write_report(folder: Path, cache: Path | None, **options: Any) -> None:
    from framesort.report import write_report

    write_report(folder, cache=cache, **options)


def _write_preview(folder: Path) -> None:
    from framesort.report import write_preview

    write_preview(folder, folder / "preview.png")
