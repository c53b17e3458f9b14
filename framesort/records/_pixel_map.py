"""Frame pixels to grid pixels over the sky, for frames with optical distortion."""

import warnings
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

__all__ = ["PixelMap", "map_by_matrix"]

Floats = NDArray[np.float64]


def map_by_matrix(matrix: NDArray[Any], x: Any, y: Any) -> tuple[Floats, Floats]:
    """Positions after a homogeneous (3, 3) matrix."""
    px, py = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    m = matrix
    w = m[2, 0] * px + m[2, 1] * py + m[2, 2]
    return (m[0, 0] * px + m[0, 1] * py + m[0, 2]) / w, (m[1, 0] * px + m[1, 1] * py + m[1, 2]) / w


@dataclass(frozen=True, kw_only=True, eq=False)
class PixelMap:
    """Two WCS, through which frame pixels land on the grid.

    Attributes
    ----------
    frame, grid : `~astropy.wcs.WCS`
        Of the frame and of the grid, distortion included.
    correction : (3, 3) float ndarray
        Projective transform of grid pixels that follows the WCS: what stars show of the errors
        of the WCS, and a crop of the grid.
    """

    frame: WCS
    grid: WCS
    correction: Floats = field(default_factory=lambda: np.eye(3))

    def followed_by(self, matrix: Floats) -> "PixelMap":
        """The same map with another projective transform of the grid after it."""
        return replace(self, correction=matrix @ self.correction)

    def to_grid(self, x: Any, y: Any) -> tuple[Floats, Floats]:
        """Frame positions to grid positions, pixels."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sky = self.frame.pixel_to_world(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
            return map_by_matrix(self.correction, *self.grid.world_to_pixel(sky))

    def to_frame(self, x: Any, y: Any) -> tuple[Floats, Floats]:
        """Grid positions to frame positions, pixels."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sky = self.grid.pixel_to_world(*map_by_matrix(np.linalg.inv(self.correction), x, y))
            px, py = self.frame.world_to_pixel(sky)
            return np.asarray(px, dtype=float), np.asarray(py, dtype=float)

    def cards(self) -> str:
        """Both WCS as FITS cards: equal for equal maps."""
        return "".join(wcs.to_header_string(relax=True) for wcs in (self.frame, self.grid))
