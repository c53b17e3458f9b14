"""Notes of a run: collected from warnings, logged, and joined where two steps say one thing."""

import logging
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager

from framesort.errors import FramesortWarning
from framesort.records import Note, as_notes
from framesort.replacement import ReplacementCheck

__all__ = ["collect_warnings", "join_notes", "log_notes"]

_LEVELS = {"info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}

_MEASURED = ("hardly sharper", "few profile stars")
"""Codes of notes that both give. The fit predicts, the check measures the final image."""


@contextmanager
def collect_warnings() -> Iterator[list[Note]]:
    """Collect this library's warnings as notes; complete when the block has ended.

    A `Note` given to `warnings.warn` keeps its code; the text of a plug-in becomes one of its
    own. Warnings of other libraries are given again when the block has ended.
    """
    notes: list[Note] = []
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", FramesortWarning)
            yield notes
    finally:
        for warning in caught:
            if isinstance(warning.message, FramesortWarning):
                notes += as_notes(warning.message.args[:1])
            else:
                warnings.warn_explicit(
                    warning.message, warning.category, warning.filename, warning.lineno
                )


def log_notes(logger: logging.Logger, notes: Iterable[Note]) -> None:
    """Log each note at the level of its severity."""
    for note in notes:
        logger.log(_LEVELS[note.severity], "%s", note)


def join_notes(fit: Sequence[Note], check: ReplacementCheck | None) -> tuple[Note, ...]:
    """Notes of the replacement and its check; if both judge one thing, the check's counts.

    Parameters
    ----------
    fit : sequence of Note
        Notes of `replace_stars`.
    check : ReplacementCheck or None
        What `measure_replacement` found; None where nothing was checked.
    """
    if check is None:
        return tuple(fit)
    return (*(note for note in fit if note.code not in _MEASURED), *check.notes)
