"""Whether a picture can be trusted, judged by its own numbers."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from framesort.records import CHECK_LIMITS, judge_check
from framesort.report._columns import column_texts
from framesort.report._phrases import listing, name_group, percent, plural
from framesort.report._read import GroupSummary, Results

__all__ = ["Check", "Trust", "check_group", "describe_trust"]

_SPIKE_LEFT = 0.2
"""Share of the deep stack's spike that the final picture may keep where the stars one by one were
not measured."""

_SPIKE_SEEN = 0.002
"""A spike below this share of the stars' light hardly shows in a stretched picture."""

_STARS_LEFT = 0.1
"""Share of stars that may be left as they were without a word of caution."""

_PIXELS_OFF = 0.005
"""Share of the picture that may differ from the sharp stack by more than five times the noise;
chance alone gives a millionth, a few saturated stars some ten-thousandths."""

_FEW_FRAMES = 3
"""With fewer frames a stack cannot tell a satellite or cosmic ray from the sky (from memory:
rejection needs a majority)."""


_ADVICE = {
    "star width": "Look at the stars side by side; `framesort swap` with the two stacks tries it "
    "anew.",
    "star flux": "Do not measure brightness on the final picture; take the sharp stack for that.",
    "flux scale": "Are both stacks linear, of one filter, and free of stretches?",
    "spike": "Look at the brightest stars side by side: what is left stands in the final row.",
    "pixel noise": "Look around bright stars at full size before stretching hard.",
    "holes and lumps": "The places are shown under Self-check: look there at full size.",
    "false stars": "Knots of nebula were taken for stars; the places are shown under Self-check.",
    "structure": "Hold nebula and galaxies against the sharp stack; the places are shown under "
    "Self-check.",
    "better than the sharp stack": "Take the sharp stack where the places under Self-check matter.",
}
"""What to do about each line of the replacement's own check."""


@dataclass(frozen=True)
class Check:
    """One thing a picture is judged by: passed, not passed, or not to be judged (None).

    A decisive failure means that the picture is not to be trusted. `limit` is what is asked,
    `advice` what to do if it failed.
    """

    name: str
    passed: bool | None
    sentence: str
    advice: str = ""
    decisive: bool = False
    limit: str = ""


def check_group(group: GroupSummary, *, beyond: float = math.nan) -> tuple[Check, ...]:
    """Judge a group's final picture by its own numbers.

    Parameters
    ----------
    group : GroupSummary
    beyond : float
        Share of its pixels that differ from the sharp stack by more than five times the noise.

    Returns
    -------
    checks : tuple of Check
        Empty if there is no final picture.
    """
    if group.stack("final") is None and not group.fwhm:
        return ()
    own = [
        Check(
            line.name,
            line.passed,
            line.sentence,
            advice=_ADVICE.get(line.name, ""),
            decisive=line.gross,
            limit=line.limit,
        )
        for line in judge_check(group.check)
    ]
    names = {check.name for check in own}
    # What the stacks' own measurements tell, where the replacement's check does not.
    plain = [
        check for check in (_check_width(group), _check_spike(group)) if check.name not in names
    ]
    found = [*plain, *own, _check_residual(beyond), _check_left(group), _check_number(group)]
    return tuple(check for check in found if check is not None)


def _check_width(group: GroupSummary) -> Check:
    final, sharp = group.fwhm.get("final", math.nan), group.fwhm.get("sharp", math.nan)
    if not math.isfinite(final / sharp if sharp else math.nan):
        return Check("star width", None, "The width of the final stars was not measured.")
    deep = group.fwhm.get("deep", math.nan)
    was = f" (deep stack: {deep:.2f} px)" if math.isfinite(deep) else ""
    good = final <= (1 + CHECK_LIMITS.width) * sharp
    return Check(
        "star width",
        good,
        f"Final stars are {final:.2f} px wide, the sharp stack's {sharp:.2f} px{was}.",
        _ADVICE["star width"],
        not good,
        f"within {100 * CHECK_LIMITS.width:.0f} %",
    )


def _check_spike(group: GroupSummary) -> Check:
    deep, final = group.line.get("deep", math.nan), group.line.get("final", math.nan)
    if not (math.isfinite(deep) and math.isfinite(final)):
        return Check("spike", None, "The spike was not measured in the stacks.")
    if deep < _SPIKE_SEEN and abs(final) < _SPIKE_SEEN:
        return Check("spike", True, "There is no spike to speak of, before or after.")
    good = abs(final) <= max(_SPIKE_LEFT * deep, _SPIKE_SEEN)
    return Check(
        "spike",
        good,
        f"The spike holds {percent(deep)} of bright stars' light in the deep stack, "
        f"{percent(max(final, 0.0))} in the final picture.",
        _ADVICE["spike"],
        not good,
        f"{100 * _SPIKE_LEFT:.0f} % of the deep stack's",
    )


def _check_residual(beyond: float) -> Check | None:
    if not math.isfinite(beyond):
        return None
    told = percent(beyond) if beyond > 0.0005 else "Less than 0.1 %"
    return Check(
        "likeness to the sharp stack",
        beyond <= _PIXELS_OFF,
        f"{told} of the picture differs from the sharp stack by more than five times the noise.",
        "The picture of what is left, under Self-check, shows where: look there at full size.",
    )


def _check_left(group: GroupSummary) -> Check:
    if group.replaced is None:
        return Check("stars replaced", None, "The number of replaced stars is not known.")
    left, other = group.left or 0, ""
    if group.stars is not None:
        # What was found to be no star is not a star left.
        things = int(np.sum(column_texts(group.stars, "reason") == "not stellar"))
        left = max(left - things, 0)
        other = f" {plural(things, 'thing')} found to be no star kept." if things else ""
    stars = f"{plural(group.replaced, 'star')} replaced"
    if not left:
        return Check("stars replaced", group.replaced > 0, f"{stars}, none left as it was.{other}")
    return Check(
        "stars replaced",
        left <= _STARS_LEFT * (left + group.replaced),
        f"{stars}, {left} left as they were (reasons in stars.ecsv).{other}",
        "The stars left keep their width and spike: look where they stand.",
    )


def _check_number(group: GroupSummary) -> Check:
    number = group.sharp.frames
    return Check(
        "frames under the stars",
        number >= _FEW_FRAMES,
        f"The stars rest on {plural(number, 'frame')}"
        + (
            "."
            if number >= _FEW_FRAMES
            else ", too few to tell a satellite or a cosmic ray from a star."
        ),
        "Take more heater-off frames with this filter.",
    )


@dataclass(frozen=True)
class Trust:
    """A verdict on the night's pictures and its grounds.

    Attributes
    ----------
    verdict : str
        "Yes.", "With care.", "No." or why there is nothing to judge.
    grounds : tuple of (str, tuple of Check)
        Name of each group ("" if there is but one) and what it was judged by; what speaks
        against it first.
    hint : str
        What to do where there is nothing to judge.
    """

    verdict: str
    grounds: tuple[tuple[str, tuple[Check, ...]], ...] = ()
    hint: str = ""

    @property
    def shortcomings(self) -> tuple[tuple[str, Check], ...]:
        """Name of the group and check of everything that failed or could not be judged."""
        return tuple((n, c) for n, checks in self.grounds for c in checks if c.passed is not True)

    @property
    def summary(self) -> str:
        """What was passed by every group, in one sentence; "" if nothing was."""
        names: dict[str, bool] = {}
        for _, checks in self.grounds:
            for check in checks:
                names[check.name] = names.get(check.name, True) and check.passed is True
        passed = [name for name, good in names.items() if good]
        if not passed:
            return ""
        where = " in every group" if len(self.grounds) > 1 else ""
        return f"Checked and good{where}: {listing(passed)}."


def describe_trust(
    results: Results, checks_of: Mapping[str, tuple[Check, ...]] | None = None
) -> Trust:
    """Whether the pictures can be trusted; `checks_of` holds the checks by label where made.

    "Yes." needs every check of every group passed. A decisive failure means "No.": wide stars, a
    spike left, or structure that the sharp stack by itself shows better. Anything else that failed
    or could not be judged means "With care.".
    """
    grounds = []
    for group in results.groups:
        checks = (checks_of or {}).get(group.label) or check_group(group)
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
        verdict = "No."
    else:
        verdict = "Yes." if all(check.passed for check in found) else "With care."
    return Trust(verdict, tuple(grounds))
