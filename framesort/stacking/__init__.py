"""Resample, normalise, reject, combine: stacks of any number of frames in bounded memory."""

from framesort.stacking._arrays import stack_arrays
from framesort.stacking._cover import (
    common_cover,
    count_cover,
    find_bad_edges,
    largest_common_rectangle,
    largest_rectangle,
)
from framesort.stacking._files import read_stack, write_stack
from framesort.stacking._normalise import measure_flux_scales
from framesort.stacking._options import Execution, FrameValues, StackMethod
from framesort.stacking._resample import resample_image
from framesort.stacking._stack import stack_frames

__all__ = [
    "Execution",
    "FrameValues",
    "StackMethod",
    "common_cover",
    "count_cover",
    "find_bad_edges",
    "largest_common_rectangle",
    "largest_rectangle",
    "measure_flux_scales",
    "read_stack",
    "resample_image",
    "stack_arrays",
    "stack_frames",
    "write_stack",
]
