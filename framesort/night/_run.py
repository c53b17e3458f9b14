"""What every step of a run takes: the settings, and where to compute, report and keep."""

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from astropy.table import Table

from framesort.frames import FrameReader, Masters, make_reader, read_masters
from framesort.night._kept import KeptStacks
from framesort.plugins import Plugin, find_plugin
from framesort.records import Note
from framesort.settings import Settings
from framesort.workers import Progress

__all__ = ["NightRun", "StageProgress"]

StageProgress = Callable[[str], Progress]
"""Gives the progress callable of a stage, from the stage's name in plain words."""


@dataclass(frozen=True, kw_only=True)
class NightRun:
    """One run over a night.

    Attributes
    ----------
    settings : Settings
        Paths of master frames are absolute.
    executor : `~concurrent.futures.Executor` or None
        Where to compute; None for this process.
    progress : callable or None
        Takes a stage's name, gives a callable that wraps its iteration.
    cache : path or None
        Folder for measurements; None to keep none.
    scratch : path or None
        Folder for temporary files.
    kept : KeptStacks or None
        Stacks of earlier runs; None to make all again.
    loops : tuple of str
        Subpackages whose compiled loops it will need: compiled at once in the first run.
    """

    settings: Settings = field(default_factory=Settings)
    executor: Executor | None = None
    progress: StageProgress | None = None
    cache: Path | None = None
    scratch: Path | None = None
    kept: KeptStacks | None = None
    loops: tuple[str, ...] = ("stars",)
    _readers: dict[tuple[str, ...], tuple[FrameReader, list[Note]]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def masters(self) -> Masters:
        """The master frames of the settings, read once."""
        settings = self.settings
        return read_masters(
            bias=settings.bias,
            dark=settings.dark,
            flat=settings.flat,
            flat_has_bias=settings.flat_has_bias,
        )

    @cached_property
    def star_measurer(self) -> Plugin:
        """The registered star measurer of the settings."""
        return find_plugin("star_measurer", self.settings.star_measurer)

    def reader(self, table: Table) -> tuple[FrameReader, list[Note]]:
        """The reader of a table's frames, and what was assumed of the masters.

        Rows without a group are not calibrated.

        Raises
        ------
        InputError
            A master does not fit a frame.
        """
        files = tuple(str(row["file"]) for row in table if row["group"])
        if files not in self._readers:  # headers are read once, not by every step
            self._readers.clear()  # a watch makes a reader for every few frames
            self._readers[files] = make_reader(files, self.masters)
        reader, notes = self._readers[files]
        return reader, list(notes)

    def stage(self, name: str) -> Progress | None:
        """The progress callable of one stage."""
        return None if self.progress is None else self.progress(name)
