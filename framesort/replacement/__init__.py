"""Star replacement: the deep stack with the sharp stack's stars.

`replace_stars` is the door, `measure_replacement` checks what it reached, and `read_places`
reads lists of places to leave alone or to force.
"""

from framesort.replacement._compose import MASK_BITS
from framesort.replacement._high_level import replace_stars
from framesort.replacement._measure import ReplacementCheck, measure_replacement
from framesort.replacement._places import read_places
from framesort.replacement._verdict import REASONS

__all__ = [
    "MASK_BITS",
    "REASONS",
    "ReplacementCheck",
    "measure_replacement",
    "read_places",
    "replace_stars",
]
