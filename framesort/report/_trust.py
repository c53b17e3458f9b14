"""Whether a picture can be trusted, judged by its own numbers."""

import math
from dataclasses import dataclass

import numpy as np

from framesort.report._columns import column_texts
from framesort.report._phrases import name_group, percent, plural
from framesort.report._read import GroupSummary, Results

__all__ = ["Check", "Trust", "check_group", "describe_trust"]

_SHARP_ENOUGH = 1.05
"""Final stars this much wider than the sharp stack's still count as equal."""

_LINE_LEFT = 0.2
"""Share of the deep stack's line of light that the final picture may keep."""

_LINE_SEEN = 0.002
"""A line below this share of the stars' light hardly shows in a stretched picture."""

_STARS_LEFT = 0.1
"""Share of stars that may be left as they were without a word of caution."""

_FEW_FRAMES = 3
"""With fewer frames a stack cannot tell a satellite or cosmic ray from the sky (from memory:
rejection needs a majority)."""


@dataclass(frozen=True)
class Check:
    """One thing a picture is judged by: passed, not passed, or not to be judged (None).

    A decisive one is what the picture was made for.
    """

    passed: bool | None
    sentence: str
    decisive: bool = False


def check_group(group: GroupSummary) -> tuple[Check, ...]:
    """Judge a group's final picture by its own numbers.

    Parameters
    ----------
    group : GroupSummary

    Returns
    -------
    checks : tuple of Check
        Empty if there is no final picture.
    """
    if group.stack("final") is None and not group.fwhm:
        return ()
    return (_check_width(group), _check_line(group), _check_left(group), _check_number(group))


def _check_width(group: GroupSummary) -> Check:
    final, sharp = group.fwhm.get("final", math.nan), group.fwhm.get("sharp", math.nan)
    if not math.isfinite(final / sharp if sharp else math.nan):
        return Check(None, "The width of the final stars was not measured.")
    deep = group.fwhm.get("deep", math.nan)
    was = f" (deep stack: {deep:.2f} px)" if math.isfinite(deep) else ""
    return Check(
        final <= _SHARP_ENOUGH * sharp,
        f"Final stars are {final:.2f} px wide, the sharp stack's {sharp:.2f} px{was}.",
        decisive=True,
    )


def _check_line(group: GroupSummary) -> Check:
    deep, final = group.line.get("deep", math.nan), group.line.get("final", math.nan)
    if not (math.isfinite(deep) and math.isfinite(final)):
        return Check(None, "The line of light was not measured in the stacks.")
    if deep < _LINE_SEEN and final < _LINE_SEEN:
        return Check(True, "There is no line of light to speak of, before or after.")
    return Check(
        final <= max(_LINE_LEFT * deep, _LINE_SEEN),
        f"The line of light holds {percent(deep)} of bright stars' light in the deep stack, "
        f"{percent(max(final, 0.0))} in the final picture.",
        decisive=True,
    )


def _check_left(group: GroupSummary) -> Check:
    if group.replaced is None:
        return Check(None, "The number of replaced stars is not known.")
    left, other = group.left or 0, ""
    if group.stars is not None:
        # What was found to be no star is not a star left.
        things = int(np.sum(column_texts(group.stars, "reason") == "not a star"))
        left = max(left - things, 0)
        other = f" {plural(things, 'thing')} found to be no star kept." if things else ""
    stars = f"{plural(group.replaced, 'star')} replaced"
    if not left:
        return Check(group.replaced > 0, f"{stars}, none left as it was.{other}")
    return Check(
        left <= _STARS_LEFT * (left + group.replaced),
        f"{stars}, {left} left as they were (reasons in stars.ecsv).{other}",
    )


def _check_number(group: GroupSummary) -> Check:
    number = group.sharp.frames
    return Check(
        number >= _FEW_FRAMES,
        f"The stars rest on {plural(number, 'frame')}"
        + (
            "."
            if number >= _FEW_FRAMES
            else ", too few to tell a satellite or a cosmic ray from a star."
        ),
    )


@dataclass(frozen=True)
class Trust:
    """A verdict on the night's pictures and its grounds.

    Attributes
    ----------
    verdict : str
        "Yes.", "With care.", "Not as it is." or why there is nothing to judge.
    grounds : tuple of (str, tuple of Check)
        Name of each group ("" if there is but one) and what it was judged by; what speaks
        against it first.
    hint : str
        What to do where there is nothing to judge.
    """

    verdict: str
    grounds: tuple[tuple[str, tuple[Check, ...]], ...] = ()
    hint: str = ""


def describe_trust(results: Results) -> Trust:
    """Whether the pictures can be trusted.

    "Yes." needs every check of every group passed. Stars as wide as before or a line of light
    left mean "Not as it is.", since the picture was made to be rid of them. Anything else that
    failed or could not be judged means "With care.".
    """
    grounds = []
    for group in results.groups:
        checks = check_group(group)
        if checks:
            # Failed before unknown before passed.
            order = sorted(checks, key=lambda check: (check.passed is not False, check.passed or 0))
            grounds.append((name_group(group, results).removeprefix(" of "), tuple(order)))
    found = [check for _, checks in grounds for check in checks]
    if not found:
        return Trust(
            "There is no picture yet.",
            hint="The frames are sorted. `framesort merge` makes the picture from this folder.",
        )
    if all(check.passed is None for check in found):
        verdict = "That was not measured."
    elif any(check.passed is False and check.decisive for check in found):
        verdict = "Not as it is."
    else:
        verdict = "Yes." if all(check.passed for check in found) else "With care."
    return Trust(verdict, tuple(grounds))
