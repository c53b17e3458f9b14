"""What a star replacement may miss: one set for its own check, the report and the messages."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["CHECK_LIMITS", "CheckLimits", "Judgement", "check_rows", "judge_check"]


@dataclass(frozen=True)
class CheckLimits:
    """Largest differences, and the ratio of widths, that still count as good.

    Attributes
    ----------
    narrower : float
        Largest ratio of FWHM, sharp stack over deep stack, at which the sharp one is sharper.
    width : float
        Relative difference in FWHM between the final stars and the sharp stack's.
    flux : float
        Relative difference in the median flux of replaced stars from the sharp stack's.
    sure : float
        Errors that a difference in a median width or flux must have to count.
    scale : float
        Relative difference of the flux scale from the one that coarse structure shows.
    noise : float
        Relative difference in pixel noise beside replaced stars from the deep stack's; less is not
        seen in a stretched picture (common practice).
    spike_sigma : float
        Standard deviations of the residual along the spike beside one of the brightest stars, of
        either sign.
    spike_share : float
        Share of the deep stack's spike that may remain, of either sign.
    blemish_sigma : float
        Standard deviations from which a hole or lump counts.
    false_stars : float
        Share of the replaced entries that are no stars by their profile in the sharp stack.
    structure : float
        Wrong structure in scales of 2 to 16 pixels, in units of the sharp stack's noise.
    structure_gross : float
        The same from which the picture is not to be trusted: the sharp stack alone is better.
    better : float
        Least share of the picture that must be nearer to the sky than the sharp stack is.
    better_gross : float
        The same below which the picture is not to be trusted.
    gross : float
        Times the limits of width, flux and spike beyond which the picture is not to be trusted.
    """

    narrower: float = 0.97
    width: float = 0.03
    flux: float = 0.02
    sure: float = 3.0
    scale: float = 0.05
    noise: float = 0.2
    spike_sigma: float = 5.0
    spike_share: float = 0.05
    blemish_sigma: float = 7.0
    false_stars: float = 0.05
    structure: float = 0.7
    structure_gross: float = 1.0
    better: float = 0.9
    better_gross: float = 0.5
    gross: float = 4.0


CHECK_LIMITS = CheckLimits()
"""The limits in use."""


@dataclass(frozen=True)
class Judgement:
    """One line of the self-check.

    Attributes
    ----------
    name : str
        What is judged.
    passed : bool or None
        Within its limit; None if it could not be judged.
    sentence : str
        The value, in words.
    limit : str
        The limit, in words.
    gross : bool
        So far beyond that the picture is not to be trusted.
    """

    name: str
    passed: bool | None
    sentence: str
    limit: str = ""
    gross: bool = False


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def check_rows(check: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    """Rows of a table of the self-check, or of its plain form; none where it is not there."""
    value = check.get(name)
    if value is not None and hasattr(value, "colnames"):
        return [dict(zip(value.colnames, map(float, row), strict=True)) for row in value.iterrows()]
    return [row for row in value if isinstance(row, Mapping)] if isinstance(value, list) else []


def judge_check(check: Mapping[str, Any]) -> tuple[Judgement, ...]:
    """Judge the self-check of a star replacement, line by line.

    Parameters
    ----------
    check : mapping
        Attributes of `framesort.replacement.ReplacementCheck` by name, or what night.json has of
        them (tables as lists of rows). What is not in it is not judged.

    Returns
    -------
    tuple of Judgement
    """
    lines = (
        *(_judge_stars(check, what) for what in ("width", "flux")),
        _judge_scale(check),
        _judge_spike(check),
        _judge_noise(check),
        _judge_blemishes(check),
        _judge_false_stars(check),
        _judge_structure(check),
        _judge_better(check),
    )
    return tuple(line for line in lines if line is not None)


def _judge_stars(check: Mapping[str, Any], what: str) -> Judgement | None:
    rows = check_rows(check, "star_bins")
    rows = [r for r in rows if math.isfinite(_number(r.get(f"{what}_ratio")))]
    if not rows:
        return None
    limit = getattr(CHECK_LIMITS, what)
    ratios, worst = [], 0.0
    for row in rows:
        ratio, error = _number(row[f"{what}_ratio"]), _number(row[f"{what}_error"])
        ratios.append(f"{ratio:.3f} ± {error:.3f}")
        if abs(ratio - 1) > CHECK_LIMITS.sure * error:
            worst = max(worst, abs(ratio - 1))
    order = ", bright to faint" if len(rows) > 1 else ""
    sharp, deep = (_number(check.get(f"fwhm_{name}")) for name in ("sharp", "deep"))
    pixels = (
        f" of {sharp:.2f} px (deep stack: {deep:.2f} px)" if math.isfinite(sharp + deep) else ""
    )
    return Judgement(
        f"star {what}",
        worst <= limit,
        f"Isolated stars have {', '.join(ratios)} of the sharp stack's {what}"
        f"{pixels if what == 'width' else ''}{order}.",
        f"within {100 * limit:.0f} %",
        worst > CHECK_LIMITS.gross * limit,
    )


def _judge_scale(check: Mapping[str, Any]) -> Judgement | None:
    ratio, error = _number(check.get("scale_ratio")), _number(check.get("scale_error"))
    if not math.isfinite(ratio + error) or check.get("one_sky") is False:
        return None
    off = abs(ratio - 1)
    bad = off > CHECK_LIMITS.scale and off > CHECK_LIMITS.sure * error
    return Judgement(
        "flux scale",
        not bad,
        f"Coarse structure of the deep stack has {ratio:.3f} ± {error:.3f} of the flux that the "
        "scaled sharp stack has.",
        f"within {100 * CHECK_LIMITS.scale:.0f} %",
        bad and off > 2 * CHECK_LIMITS.scale,
    )


def _judge_spike(check: Mapping[str, Any]) -> Judgement | None:
    rows = check_rows(check, "spikes")
    if not rows:
        return None
    left, error = _number(check.get("spike_left")), _number(check.get("spike_error"))
    limit = CHECK_LIMITS.spike_share
    if not math.isfinite(left):
        return Judgement(
            "spike", True, "The deep stack shows no spike beside its brightest stars.", ""
        )
    all_over = abs(left) > limit and abs(left) > CHECK_LIMITS.sure * error
    one = [row for row in rows if abs(_number(row.get("sigma"))) > CHECK_LIMITS.spike_sigma]
    shares = [abs(_number(row.get("share"))) for row in one]
    most = max((share for share in shares if math.isfinite(share)), default=0.0)
    strongest = max(rows, key=lambda row: abs(_number(row.get("sigma"))))
    many = f", and it is seen beside {len(one)} of them" if one else ""
    return Judgement(
        "spike",
        not (all_over or one),
        f"Beside the {len(rows)} brightest stars {100 * left:.1f} ± {100 * error:.1f} % of the "
        f"deep stack's spike remain; at most {_number(strongest.get('sigma')):+.1f} times the "
        f"noise{many}.",
        f"{100 * limit:.0f} %, {CHECK_LIMITS.spike_sigma:.0f} times the noise",
        (all_over and abs(left) > CHECK_LIMITS.gross * limit)
        or most > 3 * CHECK_LIMITS.gross * limit,
    )


def _judge_noise(check: Mapping[str, Any]) -> Judgement | None:
    ratio, before = (_number(check.get(f"noise_ratio{end}")) for end in ("", "_deep"))
    # Starlight has noise of its own, which the deep stack shows as well.
    relative = ratio / before if before > 0 else ratio
    if not math.isfinite(relative):
        return None
    return Judgement(
        "pixel noise",
        abs(relative - 1) <= CHECK_LIMITS.noise,
        f"The pixel noise beside replaced stars is {relative:.2f} of the deep stack's.",
        f"within {100 * CHECK_LIMITS.noise:.0f} %",
    )


def _judge_blemishes(check: Mapping[str, Any]) -> Judgement | None:
    if "blemishes" not in check or check.get("one_sky") is False:
        return None
    rows = check_rows(check, "blemishes")
    values = [_number(row.get("sigma")) for row in rows]
    holes = sum(value < 0 for value in values)
    sentence = "No hole or lump remains."
    if rows:
        worst = max(rows, key=lambda row: abs(_number(row.get("sigma"))))
        sentence = (
            f"Holes: {holes}, lumps: {len(rows) - holes}; the strongest is "
            f"{_number(worst.get('sigma')):+.0f} times the noise at "
            f"x {_number(worst.get('x')):.0f}, y {_number(worst.get('y')):.0f}."
        )
    return Judgement(
        "holes and lumps", not rows, sentence, f"{CHECK_LIMITS.blemish_sigma:.0f} times the noise"
    )


def _judge_false_stars(check: Mapping[str, Any]) -> Judgement | None:
    share, chains = _number(check.get("false_share")), _number(check.get("chains"))
    if not math.isfinite(share):
        return None
    string = f" They lie in {chains:.0f} clusters or chains." if chains > 0 else ""
    return Judgement(
        "false stars",
        share <= CHECK_LIMITS.false_stars and not chains > 0,
        f"{100 * share:.1f} % of the replaced entries with S/N 10 or more are not stellar by their "
        f"profile in the sharp stack.{string}",
        f"{100 * CHECK_LIMITS.false_stars:.0f} %, and no chains",
    )


def _judge_structure(check: Mapping[str, Any]) -> Judgement | None:
    if check.get("one_sky") is False:
        return Judgement(
            "structure",
            True,
            "Deep and sharp stack show different nebulae: structure was not compared.",
        )
    error = _number(check.get("structure_error"))
    if not math.isfinite(error):
        return None
    return Judgement(
        "structure",
        error <= CHECK_LIMITS.structure,
        f"In scales of 2 to 16 px the picture differs from the sharp stack by {error:.2f} of that "
        "stack's noise, beyond noise.",
        f"{CHECK_LIMITS.structure:.1f}",
        error > CHECK_LIMITS.structure_gross,
    )


def _judge_better(check: Mapping[str, Any]) -> Judgement | None:
    share, gain = _number(check.get("better_share")), _number(check.get("gain"))
    if not math.isfinite(share) or check.get("one_sky") is False:
        return None
    return Judgement(
        "better than the sharp stack",
        share >= CHECK_LIMITS.better,
        f"In {100 * share:.0f} % of the field the picture is nearer to the sky than the sharp "
        f"stack by itself; its error is {gain:.2f} of that stack's.",
        f"at least {100 * CHECK_LIMITS.better:.0f} %",
        share < CHECK_LIMITS.better_gross,
    )
