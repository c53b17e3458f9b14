"""Notes on a star replacement: its own, and those of the self-check."""

from collections.abc import Sequence

from framesort.replacement import ReplacementCheck

__all__ = ["join_notes"]

_MEASURED = ("hardly sharper", "rest on few")
"""Words of notes that both give. The fit predicts, the check measures the final image."""


def join_notes(fit: Sequence[str], check: ReplacementCheck | None) -> tuple[str, ...]:
    """Notes of the replacement and its check; if both judge one thing, the check's counts.

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
