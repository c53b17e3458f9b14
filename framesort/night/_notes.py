"""What is said of a star replacement: its own remarks, and those of the check of the picture."""

from collections.abc import Sequence

from framesort.replacement import ReplacementCheck

__all__ = ["join_notes"]

_MEASURED = ("hardly sharper", "rest on few")
"""What both speak of, by its words. The fit guesses it beforehand, the check measures pictures."""


def join_notes(fit: Sequence[str], check: ReplacementCheck | None) -> tuple[str, ...]:
    """Remarks of the replacement and its check; where both judge one thing, the check's holds.

    Parameters
    ----------
    fit : sequence of str
        Notes of `replace_stars`.
    check : ReplacementCheck or None
        What `measure_replacement` found; None where nothing was checked.
    """
    if check is None:
        return tuple(fit)
    own = [note for note in fit if not any(words in note for words in _MEASURED)]
    return (*own, *check.notes)
