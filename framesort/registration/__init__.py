"""Star lists to transforms onto one grid.

`register_frames` needs nothing but the star lists; `transform_from_wcs` serves where headers
carry a good WCS. `choose_reference` and `make_grid` say what the grid is.
"""

from framesort.registration._given import place_aligned, place_by_wcs
from framesort.registration._grid import (
    Grid,
    make_grid,
    make_optimal_grid,
    transform_from_wcs,
)
from framesort.registration._reference import add_registration_columns, choose_reference
from framesort.registration._register import register_frames

__all__ = [
    "Grid",
    "add_registration_columns",
    "choose_reference",
    "make_grid",
    "make_optimal_grid",
    "place_aligned",
    "place_by_wcs",
    "register_frames",
    "transform_from_wcs",
]
