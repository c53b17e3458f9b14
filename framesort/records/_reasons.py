"""Why a frame is marked or left out: one registry of codes and sentences."""

from dataclasses import dataclass

__all__ = ["REASONS", "Reason", "add_reason"]


@dataclass(frozen=True)
class Reason:
    """Why a frame or a star was turned down or marked: a code of plain words and a sentence."""

    code: str
    sentence: str


def _reasons(*pairs: tuple[str, str]) -> dict[str, Reason]:
    return {code: Reason(code, sentence) for code, sentence in pairs}


REASONS: dict[str, Reason] = _reasons(
    ("unreadable", "The file could not be read as an image."),
    (
        "not measured",
        "Measuring the frame failed: the process ran out of memory or was killed.",
    ),
    (
        "measurer failed",
        "Star measurement failed on this frame; a warning gives the cause.",
    ),
    (
        "wrong checksum",
        "Pixels or header were changed after their checksum was written. The frame is used.",
    ),
    ("calibration frame", "A dark, flat or bias, not an exposure of the sky."),
    (
        "colour frame",
        "Colours in a form that is not read; an array of 2 x 2 in R, G, B or three planes is.",
    ),
    (
        "no start time",
        "The header has no start time, so no heater log can be applied.",
    ),
    ("no exposure time", "The header has no exposure time."),
    ("odd exposure time", "The header gives an exposure of more than a day."),
    (
        "too large",
        "The image is larger than --max-size, or than the night's other frames by far; its pixels "
        "were not read.",
    ),
    ("other target", "The frame shows another target than the one requested."),
    ("own product", "A stack or picture that framesort itself wrote, not an exposure."),
    (
        "odd pixel values",
        "Pixel values are far beyond what a camera gives: BSCALE or BZERO may be wrong.",
    ),
    ("few stars", "Too few stars were found to measure the frame or to place it on the grid."),
    ("heated", "The heater was on during the whole exposure."),
    (
        "part heated",
        "The heater was on during a part of the exposure; a fifth already spoils the stars.",
    ),
    (
        "heated but sharp",
        "The heater was on, but the stars are as narrow as with it off and show no spike.",
    ),
    (
        "too blurred",
        "Its stars are so wide that the deep stack is deeper without it, or wider "
        "than --deep-max-fwhm.",
    ),
    ("state unknown", "No heater log covers the exposure and the stars do not show the state."),
    ("spike", "Bright stars carry a spike beyond that of heater-off frames."),
    ("wide stars", "Stars are wider than in the night's heater-off frames."),
    ("trailed", "Stars are longer in one direction than in the night's heater-off frames."),
    (
        "tilted field",
        "Stars are wide towards one side of the image only, as a tilted camera makes them.",
    ),
    ("poor focus", "Stars are wide with the heater off and no trail."),
    ("cloud", "Matched stars are much fainter than in the night's best frames."),
    ("dew", "Heater off, stars fade and their halos grow from frame to frame."),
    ("bright sky", "The background is much brighter than on the night's other frames."),
    ("no heater-off reference", "No heater-off frame of this group exists to compare with."),
    ("not matched", "The stars could not be matched with those of the target grid."),
    (
        "mirrored",
        "The image is a mirror image of the target grid; it was turned over and used.",
    ),
    ("vanished", "The file was there at the start but not when its pixels were needed."),
    ("changed", "The file was changed while the run was reading it."),
    ("added by user", "Put into the set by the user."),
    ("excluded by user", "Taken out of the set by the user."),
)
"""The registry of reasons of frames; codes are what the `reason` column holds."""


def add_reason(existing: str, code: str) -> str:
    """Append a reason's code to a cell of the `reason` column, once.

    Raises
    ------
    KeyError
        The code is not in `REASONS`.
    """
    code = REASONS[code].code
    codes = [part for part in existing.split("; ") if part]
    return "; ".join(codes if code in codes else [*codes, code])
