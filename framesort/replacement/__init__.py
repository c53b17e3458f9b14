"""Star replacement: the deep stack with the sharp stack's stars.

`replace_stars` is the entry point, `ReplacementOptions` holds what can be chosen, `check_pair`
checks beforehand whether two stacks suit it, `measure_replacement` checks the result, and
`read_places` reads lists of places to keep or to force.
"""

from framesort.replacement._checks import PairCheck, check_pair
from framesort.replacement._high_level import replace_stars
from framesort.replacement._layers import MASK_BITS
from framesort.replacement._measure import measure_replacement
from framesort.replacement._options import ReplacementOptions
from framesort.replacement._places import read_places
from framesort.replacement._replacement_check import ReplacementCheck
from framesort.replacement._units import natural_unit, scale_check, scale_replacement
from framesort.replacement._verdict import STAR_REASONS

__all__ = [
    "MASK_BITS",
    "STAR_REASONS",
    "PairCheck",
    "ReplacementCheck",
    "ReplacementOptions",
    "check_pair",
    "measure_replacement",
    "natural_unit",
    "read_places",
    "replace_stars",
    "scale_check",
    "scale_replacement",
]
