"""What to do about each reason, and the notes of a night."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from framesort.records import REASONS, Note, unique_notes
from framesort.report._columns import column_texts
from framesort.report._read import Results

__all__ = [
    "ADVICE",
    "ReasonCount",
    "count_reasons",
    "list_notes",
    "split_notes",
]

ADVICE = {
    "unreadable": "Copy the file again from the camera's computer, or leave it out.",
    "measurer failed": "Mend the plug-in that measures stars, or do without it.",
    "not measured": "Run again with fewer workers; what was measured is kept.",
    "wrong checksum": "Compare the file with its original; nothing to do if a program changed it "
    "on purpose and left the old checksum in place.",
    "calibration frame": "Nothing to do; keep calibration frames in a folder of their own.",
    "colour frame": "Give frames as the camera wrote them, with a colour filter array of 2 x 2 in "
    "R, G, B, or with three planes.",
    "no start time": "Have the capture program write DATE-OBS into the header.",
    "no exposure time": "Have the capture program write EXPTIME into the header.",
    "odd exposure time": "Have the capture program write EXPTIME in seconds into the header.",
    "too large": "Give a larger --max-size if these are frames and there is memory for them.",
    "other target": "Nothing to do, unless it surprises you: run again with `--target` and this "
    "target's name to make its picture.",
    "own product": "Nothing to do; keep results in a folder of their own.",
    "odd pixel values": "Look at BSCALE and BZERO in the header, or save the frame again from the "
    "program that wrote it.",
    "few stars": "Look at the frame: cloud, dew, a closed cover, or a very short exposure.",
    "heated": "Nothing to do: the frame still gives its faint light.",
    "heated but sharp": "Nothing to do; `--max-power 0` keeps heated frames out of the sharp set.",
    "too blurred": "Less heater power; `--deep-max-fwhm` sets another limit.",
    "part heated": "Switch the heater between exposures, not during one.",
    "state unknown": "Give a heater log that covers the whole night.",
    "spike": "Nothing to do: its stars are not used. Less power makes the spike weaker.",
    "wide stars": "If the heater was on, less power helps; if not, look at focus and seeing.",
    "trailed": "Look at guiding, wind and balance at that time.",
    "tilted field": "Look at what holds the camera: it bends or has come loose.",
    "poor focus": "Focus again when the temperature has changed.",
    "cloud": "Nothing to do: the frame counts for less or not at all.",
    "dew": "Switch the heater on earlier, or take the heater-off frames at the start.",
    "bright sky": "Twilight (sun_altitude above -18), Moon (moon_altitude above 0) or a lamp.",
    "no heater-off reference": "Take at least a few heater-off frames with every filter and "
    "exposure.",
    "not matched": "Look at the frame: another field, or too few stars.",
    "mirrored": "Nothing to do, unless it surprises you: a mirror more in the light path, or a "
    "program that wrote the rows the other way round.",
    "vanished": "Keep the frames in place until the run has ended.",
    "changed": "Leave the frames alone until the run has ended; then run again.",
    "added by user": "Nothing to do.",
    "excluded by user": "Nothing to do.",
}
"""Code of `REASONS` to what to do about it."""


@dataclass(frozen=True)
class ReasonCount:
    """A reason, what it means, on how many frames it stands, and what to do."""

    code: str
    sentence: str
    number: int
    advice: str


def count_reasons(results: Results) -> tuple[ReasonCount, ...]:
    """Reasons in the table and among the files left out, the most frequent first.

    Codes that are not in the registry are kept as they are, without explanation.
    """
    cells = list(column_texts(results.table, "reason"))
    listed = set(column_texts(results.table, "file"))
    cells += [e.reason for e in results.summary.left_out if e.file not in listed]
    counter = Counter(code for cell in cells for code in cell.split("; ") if code)
    return tuple(
        ReasonCount(code, REASONS[code].sentence, number, ADVICE.get(code, ""))
        for code, number in counter.most_common()
        if code in REASONS
    )


def list_notes(results: Results) -> tuple[Note, ...]:
    """Every note of the night, its groups and its heater log, then what the numbers warn of."""
    notes = list(results.summary.all_notes)
    notes += [note for note in results.summary.heater.notes if note not in notes]
    for group in results.groups:
        unknown = group.states.get("unknown", 0)
        if unknown:
            text = f"{group.label}: the heater state of {unknown} frames is not known."
            notes.append(Note("states unknown", text))
        short = group.sharp.hours / group.deep.hours if group.deep.hours else math.nan
        if group.sharp.frames and short < 0.05:
            text = (
                f"{group.label}: the stars come from {100 * short:.0f} % of the exposure "
                "time, so faint stars are noisier than the background around them."
            )
            notes.append(Note("thin sharp set", text))
    return unique_notes(notes)


def split_notes(notes: Sequence[Note]) -> tuple[list[Note], list[Note]]:
    """Those that ask for something, and those with nothing to do."""
    return (
        [note for note in notes if note.severity != "info"],
        [note for note in notes if note.severity == "info"],
    )
