"""Verdict on a final picture from its self-check."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from framesort.records import CHECK_LIMITS, judge_check
from framesort.report._columns import column_texts
from framesort.report._phrases import listing, name_group, percent, plural
from framesort.report._read import GroupResults, Results

__all__ = ["Check", "Trust", "check_group", "describe_trust"]

_SPIKE_LEFT = 0.2
"""Share of the deep stack's spike that the final picture may keep where single stars were not
measured."""

_SPIKE_SEEN = 0.002
"""A spike below this share of the stars' light is hardly visible in a stretched picture."""

_STARS_LEFT = 0.1
"""Share of stars that may remain without replacement before the check fails."""

_PIXELS_OFF = 0.005
"""Share of the pixels that may differ from the sharp stack by more than five sigma; noise alone
gives 1e-6, a few saturated stars some 1e-4."""

_FEW_FRAMES = 3
"""With fewer frames outlier rejection has no majority and cannot remove satellites or cosmic
rays."""


_ADVICE = {
    "star width": "Inspect the brightest stars below; `framesort swap` repeats the replacement "
    "with the two stacks.",
    "star flux": "Use the sharp stack for photometry, not the final picture.",
    "flux scale": "Check that both stacks are linear, unstretched and of one filter.",
    "spike": "Inspect the brightest stars below: a remaining spike shows in the final cutouts.",
    "pixel noise": "Inspect the surroundings of bright stars at full size before a strong stretch.",
    "holes and lumps": "Inspect the places under Self-check at full size.",
    "false stars": "Knots of nebulosity were replaced as stars; the places are under Self-check.",
    "structure": "Compare nebulae and galaxies with the sharp stack; the places are under "
    "Self-check.",
    "better than the sharp stack": "Use the sharp stack where the places under Self-check matter.",
}
"""Action for each failed check of the replacement."""


@dataclass(frozen=True)
class Check:
    """One check of a picture: passed, failed, or not measured (None).

    A decisive failure means that the picture cannot be trusted. `limit` is the criterion in
    words, `advice` the action after a failure.
    """

    name: str
    passed: bool | None
    sentence: str
    advice: str = ""
    decisive: bool = False
    limit: str = ""


def check_group(group: GroupResults, *, beyond: float = math.nan) -> tuple[Check, ...]:
    """Check the final picture of a group.

    Parameters
    ----------
    group : GroupResults
    beyond : float
        Share of its pixels that differ from the sharp stack by more than five sigma.

    Returns
    -------
    checks : tuple of Check
        Empty if there is no final picture.
    """
    if group.stack("final") is None and not group.fwhm:
        return ()
    own = [
        Check(
            judgement.name,
            judgement.passed,
            judgement.sentence,
            advice=_ADVICE.get(judgement.name, ""),
            decisive=judgement.gross,
            limit=judgement.limit,
        )
        for judgement in judge_check(group.check)
    ]
    names = {check.name for check in own}
    # Measurements of the stacks where the self-check of the replacement has none.
    plain = [
        check for check in (_check_width(group), _check_spike(group)) if check.name not in names
    ]
    found = [*plain, *own, _check_residual(beyond), _check_left(group), _check_number(group)]
    return tuple(check for check in found if check is not None)


def _check_width(group: GroupResults) -> Check:
    final, sharp = group.fwhm.get("final", math.nan), group.fwhm.get("sharp", math.nan)
    if not math.isfinite(final / sharp if sharp else math.nan):
        return Check("star width", None, "The FWHM in the final picture was not measured.")
    deep = group.fwhm.get("deep", math.nan)
    before = f" (deep stack: {deep:.2f} px)" if math.isfinite(deep) else ""
    good = final <= (1 + CHECK_LIMITS.width) * sharp
    return Check(
        "star width",
        good,
        f"FWHM {final:.2f} px in the final picture, {sharp:.2f} px in the sharp stack{before}.",
        _ADVICE["star width"],
        not good,
        f"within {100 * CHECK_LIMITS.width:.0f} %",
    )


def _check_spike(group: GroupResults) -> Check:
    deep, final = group.spike.get("deep", math.nan), group.spike.get("final", math.nan)
    if not (math.isfinite(deep) and math.isfinite(final)):
        return Check("spike", None, "The spike was not measured in the stacks.")
    if deep < _SPIKE_SEEN and abs(final) < _SPIKE_SEEN:
        return Check("spike", True, "Neither the deep stack nor the final picture has a spike.")
    good = abs(final) <= max(_SPIKE_LEFT * deep, _SPIKE_SEEN)
    return Check(
        "spike",
        good,
        f"The spike contains {percent(deep)} of the light of bright stars in the deep stack, "
        f"{percent(max(final, 0.0))} in the final picture.",
        _ADVICE["spike"],
        not good,
        f"{100 * _SPIKE_LEFT:.0f} % of the deep stack's",
    )


def _check_residual(beyond: float) -> Check | None:
    if not math.isfinite(beyond):
        return None
    share = percent(beyond) if beyond > 0.0005 else "Less than 0.1 %"
    return Check(
        "agreement with the sharp stack",
        beyond <= _PIXELS_OFF,
        f"{share} of the pixels differ from the sharp stack by more than 5 sigma.",
        "Inspect the residual under Self-check at full size.",
    )


def _check_left(group: GroupResults) -> Check:
    if group.replaced is None:
        return Check("stars replaced", None, "The number of replaced stars is not known.")
    left, other = group.left or 0, ""
    if group.stars is not None:
        nonstellar = int(np.sum(column_texts(group.stars, "reason") == "not stellar"))
        left = max(left - nonstellar, 0)
        if nonstellar:
            other = f" {plural(nonstellar, 'non-stellar detection')} not replaced."
    stars = f"{plural(group.replaced, 'star')} replaced"
    if not left:
        return Check("stars replaced", group.replaced > 0, f"{stars}, none left.{other}")
    return Check(
        "stars replaced",
        left <= _STARS_LEFT * (left + group.replaced),
        f"{stars}, {left} not replaced (reasons in stars.ecsv).{other}",
        "Stars that are not replaced keep the FWHM and spike of the deep stack: inspect them.",
    )


def _check_number(group: GroupResults) -> Check:
    number = group.sharp.frames
    return Check(
        "frames in the sharp stack",
        number >= _FEW_FRAMES,
        f"The sharp stack consists of {plural(number, 'frame')}"
        + (
            "."
            if number >= _FEW_FRAMES
            else ", too few to distinguish satellites and cosmic rays from stars."
        ),
        "Take more heater-off frames with this filter.",
    )


@dataclass(frozen=True)
class Trust:
    """Verdict on the final pictures of a night and its grounds.

    Attributes
    ----------
    verdict : str
        "Yes.", "With care.", "No." or why there is no verdict.
    grounds : tuple of (str, tuple of Check)
        Name of each group ("" if there is only one) and its checks, failures first.
    hint : str
        Action where there is no picture.
    """

    verdict: str
    grounds: tuple[tuple[str, tuple[Check, ...]], ...] = ()
    hint: str = ""

    @property
    def shortcomings(self) -> tuple[tuple[str, Check], ...]:
        """Group and check of everything that failed or was not measured."""
        return tuple((n, c) for n, checks in self.grounds for c in checks if c.passed is not True)

    @property
    def summary(self) -> str:
        """Checks passed by every group, in one sentence; "" if there are none."""
        names: dict[str, bool] = {}
        for _, checks in self.grounds:
            for check in checks:
                names[check.name] = names.get(check.name, True) and check.passed is True
        passed = [name for name, good in names.items() if good]
        if not passed:
            return ""
        where = " in every group" if len(self.grounds) > 1 else ""
        return f"Passed{where}: {listing(passed)}."


def describe_trust(
    results: Results, checks_of: Mapping[str, tuple[Check, ...]] | None = None
) -> Trust:
    """Whether the final pictures can be trusted; `checks_of` are checks made before, by label.

    "Yes." requires that every check of every group passed. A decisive failure gives "No.": wide
    stars, a remaining spike, or structure that the sharp stack alone shows better. Any other
    failure or missing measurement gives "With care.".
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
            "No final picture yet.",
            hint="The frames are sorted; `framesort merge` makes the final picture.",
        )
    if all(check.passed is None for check in found):
        verdict = "Not measured."
    elif any(check.passed is False and check.decisive for check in found):
        verdict = "No."
    else:
        verdict = "Yes." if all(check.passed for check in found) else "With care."
    return Trust(verdict, tuple(grounds))
