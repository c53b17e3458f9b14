"""Rows of star cutouts and the pictures of the self-check for the page."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.records import CHECK_LIMITS, check_rows, judge_check
from framesort.report._columns import as_number
from framesort.report._phrases import format_number
from framesort.report._pictures import encode_picture
from framesort.report._read import GroupResults
from framesort.report._residual import LIMIT, measure_residual, residual_colours, shrink_residual
from framesort.report._stars import StarCutout, cut_places, shade_cutout

__all__ = [
    "ResidualPicture",
    "Strip",
    "failed_strips",
    "make_strips",
    "residual_picture",
    "worst_strips",
]

_WORST = 10

_OF_A_KIND = 3
"""Places shown of each kind of failure."""

_KINDS = (
    ({"holes and lumps"}, "blemishes", "sigma", "{:+.0f} sigma", 0.0, "hole or lump"),
    ({"spike"}, "spikes", "sigma", "{:+.1f} sigma", CHECK_LIMITS.spike_sigma, "spike"),
    (
        {"structure", "better than the sharp stack"},
        "worse",
        "ratio",
        "error {:.1f} times that of the sharp stack",
        1.0,
        "structure",
    ),
    ({"false stars"}, "false_stars", "sigma", "{:.0f} sigma", 0.0, "non-stellar profile"),
)
"""Names of the checks, the table of their places, its column and format, the smallest value
shown, and the label."""


@dataclass(frozen=True, kw_only=True)
class Strip:
    """Cutouts of one star: name and data URI of each, and a caption."""

    pictures: tuple[tuple[str, str], ...]
    side: int
    caption: str


@dataclass(frozen=True, kw_only=True)
class ResidualPicture:
    """The residual of the whole field as a data URI.

    `beyond` is the share of pixels in which it exceeds five times the noise.
    """

    source: str
    width: int
    height: int
    caption: str
    beyond: float


def make_strips(cutouts: Sequence[StarCutout], captions: Sequence[str]) -> tuple[Strip, ...]:
    """Strips of cutouts, each with its caption."""
    strips = []
    for cutout, caption in zip(cutouts, captions, strict=True):
        shades = shade_cutout(cutout)
        strips.append(
            Strip(
                pictures=tuple(
                    (name, encode_picture(rgb, quality=85)) for name, rgb in shades.items()
                ),
                side=next(iter(shades.values())).shape[0],
                caption=caption,
            )
        )
    return tuple(strips)


def worst_strips(group: GroupResults, *, height: int) -> tuple[Strip, ...]:
    """The replaced stars with the largest residuals, the largest first."""
    rows = [
        row
        for row in check_rows(group.check, "worst")[:_WORST]
        if np.isfinite([as_number(row.get("x")), as_number(row.get("y"))]).all()
    ]
    fwhm = group.fwhm.get("deep", np.nan)
    half = int(np.clip(6 * fwhm, 12, 30)) if np.isfinite(fwhm) else 18
    cutouts: list[StarCutout] = []
    captions: list[str] = []
    for row in rows:
        x, y = as_number(row["x"]), as_number(row["y"])
        found = cut_places(group, [(x, y)], height=height, half=half, scale=group.flux_scale)
        if found:
            cutouts += found
            captions.append(
                f"x {x:.0f}, y {y:.0f}: {format_number(as_number(row.get('flux')), 0)} ADU, "
                f"{format_number(as_number(row.get('residual')), 1)} sigma"
            )
    return make_strips(cutouts, captions)


def failed_strips(group: GroupResults, *, height: int) -> tuple[Strip, ...]:
    """Places of failed checks, a few of each kind, the strongest first."""
    failed = {check.name for check in judge_check(group.check) if check.passed is False}
    kinds = [kind for kind in _KINDS if failed & kind[0]]
    cutouts: list[StarCutout] = []
    captions: list[str] = []
    for _, name, column, template, least, label in kinds:
        rows = [
            row
            for row in check_rows(group.check, name)
            if abs(as_number(row.get(column))) > least
            and np.isfinite([as_number(row.get("x")), as_number(row.get("y"))]).all()
        ]
        rows.sort(key=lambda row: -abs(as_number(row[column])))
        for row in rows[:_OF_A_KIND]:
            x, y = as_number(row["x"]), as_number(row["y"])
            found = cut_places(group, [(x, y)], height=height, half=24, scale=group.flux_scale)
            cutouts += found
            captions += [
                f"x {x:.0f}, y {y:.0f}: {label}, {template.format(as_number(row[column]))}"
                for _ in found
            ]
    return make_strips(cutouts, captions)


def residual_picture(
    final: NDArray[Any], sharp: NDArray[Any] | None, *, scale: float, longest: int
) -> ResidualPicture | None:
    """The residual of the whole field, None without a sharp stack of the same shape."""
    if sharp is None or sharp.shape != final.shape:
        return None
    whole = measure_residual(final, sharp, scale=scale)
    known = np.isfinite(whole)
    beyond = float((np.abs(whole[known]) > LIMIT).mean()) if known.any() else np.nan
    step = max(1, -(-max(final.shape[-2:]) // longest))
    shown = shrink_residual(whole, longest=longest)
    return ResidualPicture(
        source=encode_picture(residual_colours(shown), quality=60),
        width=shown.shape[1],
        height=shown.shape[0],
        caption="" if step == 1 else f"Binned {step} x {step}. ",
        beyond=beyond,
    )
