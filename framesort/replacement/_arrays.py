"""Kinds of arrays; docstrings say what their axes are."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.stars import MeshMap, WholeMap

__all__ = ["Array", "Floats", "Image", "Map", "Mask"]

Array = NDArray[Any]
"""Floats of either precision, or whatever the docstring says."""

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

Map = MeshMap | WholeMap
"""A smooth map of an image, given by rows."""
