"""Frames with a colour filter array: measured on green, taken apart into planes to be stacked."""

from framesort.colour._lattice import green_lattice, restore_quality
from framesort.colour._pattern import check_pattern
from framesort.colour._planes import PLANES, pick_colour
from framesort.colour._reader import GreenReader, PlaneReader
from framesort.colour._stack import PlaneStacks, green_plane, join_stacks

__all__ = [
    "PLANES",
    "GreenReader",
    "PlaneReader",
    "PlaneStacks",
    "check_pattern",
    "green_lattice",
    "green_plane",
    "join_stacks",
    "pick_colour",
    "restore_quality",
]
