"""Nights and configurations of a heater against one another."""

from framesort.comparison._added_blur import AddedBlur, fit_added_blur
from framesort.comparison._compare import compare_configurations
from framesort.comparison._configuration import Configuration, Frames, read_rows
from framesort.comparison._mean_star import FrameStar, combine_mean_stars, measure_mean_star
from framesort.comparison._profiles import StarProfiles, measure_halo
from framesort.comparison._settle import Side, frames_to_settle
from framesort.comparison._star_frames import (
    StarOptions,
    StarsOfFrames,
    measure_stars_of_frames,
)
from framesort.comparison._star_planes import (
    describe_mean_star,
    stack_star_images,
    subtract_added_light,
)
from framesort.comparison._verdict import SmallestDifference

__all__ = [
    "AddedBlur",
    "Configuration",
    "FrameStar",
    "Frames",
    "Side",
    "SmallestDifference",
    "StarOptions",
    "StarProfiles",
    "StarsOfFrames",
    "combine_mean_stars",
    "compare_configurations",
    "describe_mean_star",
    "fit_added_blur",
    "frames_to_settle",
    "measure_halo",
    "measure_mean_star",
    "measure_stars_of_frames",
    "read_rows",
    "stack_star_images",
    "subtract_added_light",
]
