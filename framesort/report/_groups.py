"""What the page shows of one group: pictures, stars, and the self-check of its replacement."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from framesort.report._phrases import name_group
from framesort.report._pictures import Comparison, compare_pictures, read_stack
from framesort.report._read import GroupResults, Results
from framesort.report._stars import cut_stars
from framesort.report._strips import (
    ResidualPicture,
    Strip,
    failed_strips,
    make_strips,
    residual_picture,
    worst_strips,
)
from framesort.report._trust import Check, check_group

__all__ = ["GroupPage", "show_groups"]


@dataclass(frozen=True, kw_only=True)
class GroupPage:
    """Pictures of one group on the page. `shape` is that of the grid, (0, 0) if unknown."""

    group: GroupResults
    name: str = ""
    shape: tuple[int, int] = (0, 0)
    comparisons: tuple[Comparison, ...] = ()
    alone: tuple[Comparison, ...] = ()
    alone_name: str = ""
    stars: tuple[Strip, ...] = ()
    checks: tuple[Check, ...] = ()
    residual: ResidualPicture | None = None
    failed_places: tuple[Strip, ...] = ()
    worst: tuple[Strip, ...] = ()


def show_groups(results: Results) -> list[GroupPage]:
    """Pictures and checks of every group, in order."""
    longest = _longest_side(sum(g.stack("final") is not None for g in results.groups))
    return [
        _show_group(group, name_group(group, results).removeprefix(" of "), longest)
        for group in results.groups
    ]


def _longest_side(number: int) -> int:
    """Longest side of a whole-field picture; smaller for many groups to limit the file size."""
    return 1400 if number <= 2 else 1000 if number <= 4 else 700


def _show_group(group: GroupResults, name: str, longest: int) -> GroupPage:
    """Pictures and stars of a group; a single picture where there is nothing to compare."""
    deep, final = read_stack(group, "deep"), read_stack(group, "final")
    if deep is None or final is None or deep.shape != final.shape:
        only = final if final is not None else deep
        alone = () if only is None else compare_pictures(only, only, longest=longest)[:1]
        return GroupPage(
            group=group,
            name=name,
            alone=alone,
            alone_name="final picture" if only is final else "deep stack",
            checks=check_group(group),
        )
    stars = group.stars
    comparisons = compare_pictures(
        deep, final, stars=stars, longest=longest, window=(longest * 11 // 35, longest // 2)
    )
    shape = deep.shape[-2], deep.shape[-1]
    sharp = read_stack(group, "sharp")
    residual = residual_picture(final, sharp, scale=group.flux_scale, longest=longest // 2)
    known = {"deep": deep, "sharp": sharp, "final": final}
    held = replace(group, pixels={name: p for name, p in known.items() if p is not None})
    return GroupPage(
        group=group,
        name=name,
        shape=shape,
        comparisons=comparisons,
        stars=_bright_strips(held, shape),
        checks=check_group(group, beyond=math.nan if residual is None else residual.beyond),
        residual=residual,
        failed_places=failed_strips(held, height=shape[0]),
        worst=worst_strips(held, height=shape[0]),
    )


def _bright_strips(group: GroupResults, shape: Sequence[int]) -> tuple[Strip, ...]:
    if group.stars is None or not len(group.stars):
        return ()
    cutouts = cut_stars(group, group.stars, shape=(shape[0], shape[1]))
    return make_strips(cutouts, [f"x {c.x:.0f}, y {c.y:.0f}" for c in cutouts])
