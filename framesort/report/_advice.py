"""What to do about each reason and each shortcoming of a night."""

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from framesort.records import REASONS
from framesort.report._columns import as_dicts, column_texts
from framesort.report._read import Results

__all__ = [
    "ADVICE",
    "Notice",
    "ReasonCount",
    "count_reasons",
    "list_notices",
    "split_notices",
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


_WARNINGS = (
    (r"stars contradict the heater|heater log .*covers no frame", "Give the right log, mend "
     "this one, or leave it out, and sort again."),
    (r"stars were replaced: their profiles|stars not replaced", "Look at the picture closely: "
     "longer or more frames, or a field with more stars, give the profiles a better footing."),
    (r"of the sharp stack's (width|flux)|that the scaled sharp stack has|deep stack's spike remain|"
     r"pixel noise beside|Holes: |not stellar by their profile|In scales of 2 to 16|"
     r"nearer to the sky",
     "Look at Self-check below: it shows the places, the residual, and the worst stars."),
    (r"can be attributed to the heater|steps are ambiguous", "Log the heater by itself, or give "
     "the current it takes at full power (`--full-current`)."),
    (r"^(Heater log: )?Rows were read as|supply current are the heater's|treated as slews|repeat "
     r"the time and value|outside the list of intervals", "Nothing to do: this is how the log was "
     "read, and `framesort log` shows what came of it."),
    (r"never showed that time|malformed|out of order|left out, \w+ row", "Look at these lines of "
     "the log."),
    (r"holds the bias by its level|scaled by .* for frames of", "Nothing to do: said so "
     "that you know how frames were calibrated."),
    (r"too coarse for faint light|values .* in 16 bits", "Use FITS or TIFF with 32 bits a pixel."),
    (r"mirror images? of", "Nothing to do, unless it surprises you: something in the light path or "
     "a program turned the image over."),
    (r"of the deep stack; stars beyond", "Aim both sets at the same field, or "
     "give stacks that cover more."),
    (r"pages was taken", "Save the other pages as files of their own if you meant them."),
    (r"not stellar", "Nothing to do: galaxies, knots of nebula and the like stay as the deep stack "
     "shows them."),
    (r"not replaced: no sharp data", "Aim the heater-off frames like the others: these "
     "stars lie outside them."),
    (r"not replaced", "Nothing to do, unless these stars matter: the reasons are in stars.ecsv."),
    (r"hardly sharper", "Look at the star width through the night: focus or seeing may have spoilt "
     "the heater-off frames. The picture gains little from them."),
    (r"checksum", "Compare these files with their originals. Nothing to do if a program changed "
     "them on purpose and left the old checksum in place."),
    (r"darks?, flats?", "Nothing to do; keep calibration frames in a folder of their own."),
    (r"no sharp stack", "Take heater-off frames with this filter and exposure."),
    (r"flux scale", "Look at this frame: cloud, or another field."),
    (r"no common area", "Aim the frames at the same field."),
    (r"\bclock\b", "Set the clocks of camera and logger by the network before the night."),
    (r"\bzone\b|read as UTC", "Nothing to do if the bars below stand at the right times; if not, "
     "name the zone."),
    (r"full[ _]power|full_current|assumed to be off|were read as", "Nothing to do if that is "
     "right; `framesort log` shows how the log was understood and how to say it otherwise."),
    (r"unknown|not known", "Give a heater log that covers the whole night."),
)  # fmt: skip
"""Words of a warning, and what to do about it; the first that fits counts."""

_OTHERWISE = "Look at what it names; the rest of the night is not touched by it."
"""Where no words fit. A test asks for better words for every warning that is known."""


@dataclass(frozen=True)
class ReasonCount:
    """A reason, what it means, on how many frames it stands, and what to do."""

    code: str
    sentence: str
    number: int
    advice: str


@dataclass(frozen=True)
class Notice:
    """A warning and what to do about it ("" if the warning contains it)."""

    sentence: str
    advice: str = ""


def count_reasons(results: Results) -> tuple[ReasonCount, ...]:
    """Reasons in the table and among the files left out, the most frequent first.

    Codes that are not in the registry are kept as they are, without explanation.
    """
    cells = list(column_texts(results.table, "reason"))
    listed = set(column_texts(results.table, "file"))
    for entry in as_dicts(results.summary.get("left_out")):
        if str(entry.get("file", "")) not in listed:
            cells.append(str(entry.get("reason", "")))
    counter = Counter(code for cell in cells for code in cell.split("; ") if code)
    return tuple(
        ReasonCount(code, REASONS[code].sentence, number, ADVICE.get(code, ""))
        for code, number in counter.most_common()
        if code in REASONS
    )


def _advice_for(sentence: str) -> str:
    """What to do about a warning, by its words or by the reason it names."""
    for words, advice in _WARNINGS:
        if re.search(words, sentence, re.IGNORECASE):
            return advice
    for code in REASONS:
        named = re.search(rf"\b{re.escape(code)}\b", sentence, re.IGNORECASE)
        if named and not ADVICE.get(code, "").startswith("Nothing"):
            return ADVICE.get(code, "")
    return _OTHERWISE


def asks_for_something(sentence: str) -> bool:
    """Whether a warning of a night leaves the user something to do or to look at."""
    return bool(split_notices([Notice(sentence, _advice_for(sentence))])[0])


def list_notices(results: Results) -> tuple[Notice, ...]:
    """Every warning of the night and of its heater log, then what the numbers warn of."""
    notices = [Notice(text, _advice_for(text)) for text in results.warnings]
    heater = results.summary.get("heater")
    if isinstance(heater, dict):
        notes = heater.get("notes")
        notices += [
            Notice(
                f"Heater log: {text}",
                advice
                if (advice := _advice_for(text)) != _OTHERWISE
                else "Check with `framesort log` how the log was understood.",
            )
            for text in (notes if isinstance(notes, list) else [])
            if isinstance(text, str) and text.strip() and text.strip() not in results.warnings
        ]
    for group in results.groups:
        unknown = group.states.get("unknown", 0)
        if unknown:
            notices.append(
                Notice(
                    f"{group.label}: the heater state of {unknown} frames is not known.",
                    ADVICE["state unknown"],
                )
            )
        short = group.sharp.hours / group.deep.hours if group.deep.hours else math.nan
        if group.sharp.frames and short < 0.05:
            notices.append(
                Notice(
                    f"{group.label}: the stars come from {100 * short:.0f} % of the exposure "
                    "time, so faint stars are noisier than the background around them.",
                    "Take more heater-off frames, or accept usable frames into the sharp set.",
                )
            )
    seen = dict.fromkeys(notices)
    return tuple(seen)


def split_notices(notices: Sequence[Notice]) -> tuple[list[Notice], list[Notice]]:
    """Those that ask for something, and those with nothing to do."""
    # "Nothing to do if ..." asks for a look.
    idle = [notice for notice in notices if re.match("Nothing to do[:;.,]", notice.advice)]
    return [notice for notice in notices if notice not in idle], idle
