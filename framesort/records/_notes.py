"""Notes: what the user should know of a step, each with a code that says what to do about it."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

__all__ = ["NOTES", "Note", "NoteKind", "as_notes", "unique_notes"]

Severity = Literal["info", "warning", "error"]


@dataclass(frozen=True)
class NoteKind:
    """What all notes of one code have in common.

    Attributes
    ----------
    severity : {"info", "warning", "error"}
        "info" needs no action, "warning" asks for a look, "error" puts the result in doubt.
    advice : str
        What to do.
    """

    severity: Severity
    advice: str


_READ = "Nothing to do: this is how the log was read, and `framesort log` shows what came of it."
_ASSUMED = (
    "Nothing to do if that is right; `framesort log` shows how the log was understood and how to "
    "say it otherwise."
)
_ZONE = "Nothing to do if the bars below stand at the right times; if not, name the zone."
_CHECK = "Look at Self-check below: it shows the places, the residual, and the worst stars."
_PROFILES = (
    "Look at the picture closely: longer or more frames, or a field with more stars, give the "
    "profiles a better footing."
)
_MIRROR = (
    "Nothing to do, unless it surprises you: something in the light path or a program turned the "
    "image over."
)
_PAIR = "Give the two linear stacks of one field and filter, the deep one first."

NOTES: dict[str, NoteKind] = {
    # Heater log and clock
    "log contradicted": NoteKind(
        "error", "Give the right log, mend this one, or leave it out, and sort again."
    ),
    "log covers no frame": NoteKind(
        "error", "Give the right log, mend this one, or leave it out, and sort again."
    ),
    "log interpreted": NoteKind("info", _READ),
    "log assumption": NoteKind("warning", _ASSUMED),
    "log zone": NoteKind("warning", _ZONE),
    "log rows": NoteKind("warning", "Look at these lines of the log."),
    "log gap": NoteKind("warning", "Give a heater log that covers the whole night."),
    "current ambiguous": NoteKind(
        "warning",
        "Log the heater by itself, or give the current it takes at full power (`--full-current`).",
    ),
    "states from stars": NoteKind("warning", "Give a heater log that covers the whole night."),
    "states unknown": NoteKind("warning", "Give a heater log that covers the whole night."),
    # Frames
    "header time": NoteKind("warning", _ZONE),
    "header date": NoteKind(
        "warning", "Have the capture program write DATE-OBS by the standard, in UTC."
    ),
    "calibration frames": NoteKind(
        "info", "Nothing to do; keep calibration frames in a folder of their own."
    ),
    "own products": NoteKind("warning", "Keep results in a folder of their own."),
    "other targets": NoteKind(
        "warning", "Run again with `--target` and the name of such a target to make its picture."
    ),
    "several targets": NoteKind(
        "warning", "Nothing to do if that is right; `--target` takes one of them."
    ),
    "calibration assumed": NoteKind(
        "info", "Nothing to do: said so that you know how frames were calibrated."
    ),
    "filter array": NoteKind(
        "warning", "Nothing to do if the colours of the picture are right; else mend the header."
    ),
    "not measured": NoteKind("warning", "Run again with fewer workers; what was measured is kept."),
    "not kept": NoteKind(
        "warning",
        "Make room on the disk, or let the folder be written to; the next run measures these "
        "frames again.",
    ),
    "wrong checksum": NoteKind(
        "warning",
        "Compare these files with their originals. Nothing to do if a program changed them on "
        "purpose and left the old checksum in place.",
    ),
    "stars not averaged": NoteKind(
        "warning",
        "Put the frames back where they were when the night was sorted, or compare without "
        "pixels. Frames of a one-shot-colour camera are not averaged.",
    ),
    "changed": NoteKind(
        "warning", "Leave the frames alone until the run has ended; then run again."
    ),
    # Registration and stacking
    "other field": NoteKind(
        "warning", "Make a picture of the other field with the list named here, or do without it."
    ),
    "mirrored": NoteKind("info", _MIRROR),
    "not stacked": NoteKind(
        "warning", "Keep the frames in place and unchanged until the run has ended; run again."
    ),
    "not matched": NoteKind("warning", "Look at the frame: another field, or too few stars."),
    "flux scale unknown": NoteKind("warning", "Look at this frame: cloud, or another field."),
    "no common area": NoteKind("warning", "Aim the frames at the same field."),
    "no sharp stack": NoteKind("warning", "Take heater-off frames with this filter and exposure."),
    # Star replacement
    "stars not replaced": NoteKind("warning", _PROFILES),
    "few profile stars": NoteKind("warning", _PROFILES),
    "hardly sharper": NoteKind(
        "warning",
        "Look at the star width through the night: focus or seeing may have spoilt the heater-off "
        "frames. The picture gains little from them.",
    ),
    "stacks apart": NoteKind("info", "Nothing to do: the shift is taken into account."),
    "other nebula": NoteKind(
        "warning", "Take both stacks with one filter, or look at the brightest stars closely."
    ),
    "no sharp data": NoteKind(
        "warning", "Aim the heater-off frames like the others: these stars lie outside them."
    ),
    "not stellar": NoteKind(
        "info",
        "Nothing to do: galaxies, knots of nebula and the like stay as the deep stack shows them.",
    ),
    "kept by user": NoteKind("info", "Nothing to do."),
    "less round": NoteKind(
        "warning", "Look at guiding, wind and balance in the heater-off frames."
    ),
    "flux differs": NoteKind("warning", "Take both stacks with one filter."),
    "self-check": NoteKind("warning", _CHECK),
    # Two stacks made elsewhere
    "stretched": NoteKind("warning", _PAIR),
    "same picture": NoteKind("warning", _PAIR),
    "wrong order": NoteKind("warning", _PAIR),
    "not aligned": NoteKind("warning", _PAIR),
    "partial cover": NoteKind(
        "warning", "Aim both sets at the same field, or give stacks that cover more."
    ),
    "places outside": NoteKind(
        "warning", "Check the list of places: x, y in pixels of the deep stack."
    ),
    "coarse pixels": NoteKind("warning", "Use FITS or TIFF with 32 bits a pixel."),
    "several pages": NoteKind(
        "warning", "Save the other pages as files of their own if you meant them."
    ),
    # The report's own
    "summary unreadable": NoteKind("warning", "Run the night again to have its summary."),
    "thin sharp set": NoteKind(
        "warning", "Take more heater-off frames, or accept usable frames into the sharp set."
    ),
    # Configurations compared
    "not compared": NoteKind(
        "info", "Nothing to do; whole exposures with one heater state give the most."
    ),
    "scale unknown": NoteKind("info", "Nothing to do. With --pixel-scale widths are in arcsec."),
    # A plug-in's
    "plug-in": NoteKind(
        "warning", "Look at what it names; the rest of the night is not touched by it."
    ),
}
"""Every code of a note."""


class Note(str):
    """A sentence for the user with a code. It is a `str`: it prints and compares as its text.

    Parameters
    ----------
    code : str
        A key of `NOTES`.
    text : str
        What, where, and what to do where the advice of the code does not say it.
    files : iterable of str
        Files it is about, where it names them.

    Raises
    ------
    KeyError
        The code is not in `NOTES`.
    """

    code: str
    files: tuple[str, ...]

    def __new__(cls, code: str, text: str, files: Iterable[str] = ()) -> "Note":
        NOTES[code]  # an unknown code is a defect
        note = super().__new__(cls, text)
        note.code, note.files = code, tuple(files)
        return note

    def __getnewargs__(self) -> tuple[str, str, tuple[str, ...]]:  # type: ignore[override]
        return self.code, str(self), self.files

    def __repr__(self) -> str:
        return f"Note({self.code!r}, {str(self)!r})"

    @property
    def severity(self) -> Severity:
        """That of its code: "info", "warning" or "error"."""
        return NOTES[self.code].severity

    @property
    def advice(self) -> str:
        """What to do about it."""
        return NOTES[self.code].advice

    def to_plain(self) -> dict[str, Any]:
        """As night.json and ``--json`` have it: code, severity, text, files."""
        return {
            "code": self.code,
            "severity": self.severity,
            "text": str(self),
            "files": list(self.files),
        }

    def within(self, name: str) -> "Note":
        """The same note of a group or night: "NAME: text"; itself where the name is empty."""
        return Note(self.code, f"{name}: {self}", self.files) if name else self


def as_notes(texts: Iterable[str], code: str = "plug-in") -> list[Note]:
    """Notes as they are; plain texts, as a plug-in gives, under a code."""
    return [text if isinstance(text, Note) else Note(code, str(text)) for text in texts]


def unique_notes(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Each text once, the first of equal ones."""
    return tuple(dict.fromkeys(notes))
