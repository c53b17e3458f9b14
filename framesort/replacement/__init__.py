"""Star replacement: the deep stack with the sharp stack's stars.

`replace_stars` is the door; `read_places` reads lists of places to leave alone or to force.
"""

from framesort.replacement._compose import MASK_BITS
from framesort.replacement._high_level import REASONS, replace_stars
from framesort.replacement._places import read_places

__all__ = ["MASK_BITS", "REASONS", "read_places", "replace_stars"]
