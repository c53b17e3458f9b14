"""The pipeline: calls the subpackages in order, passes table and images on, computes nothing.

`process_night` does all of it into a folder, `sort_night` and `merge_night` a half each.
`sort_frames`, `place_frames` and `merge_groups` do the same without writing, for a
pipeline that keeps its own files.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from framesort.night._folder import read_logs, read_sorted
from framesort.night._kept import KeptStacks
from framesort.night._lists import list_sets
from framesort.night._merge import MergedGroup, merge_groups
from framesort.night._pipeline import NightResult, merge_night, process_night, sort_night
from framesort.night._place import PlacedNight, place_frames
from framesort.night._run import NightRun, StageProgress
from framesort.night._sort import SortedNight, sort_frames

if TYPE_CHECKING:
    from framesort.night._compare import ComparedNights, CompareOptions, compare_nights
    from framesort.night._swap import SwapOptions, SwapResult, swap_images, swap_stars
    from framesort.night._watch import WatchOptions, watch_night

__all__ = [
    "CompareOptions",
    "ComparedNights",
    "KeptStacks",
    "MergedGroup",
    "NightResult",
    "NightRun",
    "PlacedNight",
    "SortedNight",
    "StageProgress",
    "SwapOptions",
    "SwapResult",
    "WatchOptions",
    "compare_nights",
    "list_sets",
    "merge_groups",
    "merge_night",
    "place_frames",
    "process_night",
    "read_logs",
    "read_sorted",
    "sort_frames",
    "sort_night",
    "swap_images",
    "swap_stars",
    "watch_night",
]

_LATER = {
    **dict.fromkeys(("ComparedNights", "CompareOptions", "compare_nights"), "_compare"),
    **dict.fromkeys(("SwapOptions", "SwapResult", "swap_images", "swap_stars"), "_swap"),
    **dict.fromkeys(("WatchOptions", "watch_night"), "_watch"),
}
"""Names that sorting and merging do without, to the module that is loaded when one is used."""


def __getattr__(name: str) -> Any:
    if name in _LATER:
        return getattr(import_module(f"{__name__}.{_LATER[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_LATER})
