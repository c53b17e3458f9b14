"""The target grid, and transforms where headers carry a WCS."""

import os
import warnings
from dataclasses import dataclass, field

import numpy as np
from astropy.io.fits import Header
from astropy.utils.exceptions import AstropyWarning
from astropy.wcs import WCS
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.files import image_hdu, open_fits
from framesort.records import Transform

__all__ = ["Grid", "make_grid", "transform_from_wcs"]

WCS_LATTICE = 25  # places a side at which two WCS are compared


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Where stacks are made.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns (ny, nx).
    header : `~astropy.io.fits.Header`
        Of the frame or file that the grid was taken from, WCS included where known.
    """

    shape: tuple[int, int]
    header: Header = field(default_factory=Header)

    @property
    def has_wcs(self) -> bool:
        """Whether the header places the grid on the sky."""
        return _celestial(self.header) is not None


def make_grid(source: str | os.PathLike[str] | Header, *, margin: int = 0) -> Grid:
    """The grid of a frame or of a FITS file given for it.

    Parameters
    ----------
    source : path or `~astropy.io.fits.Header`
        A FITS file (its first image counts), or the header of the reference frame.
    margin : int
        Pixels added on each side; the WCS moves along. Transforms onto the unwidened grid
        must then be shifted by as much.

    Returns
    -------
    Grid

    Raises
    ------
    InputError
        The file cannot be read, or the header has no NAXIS1, NAXIS2; or `margin` is negative.
    """
    if margin < 0:
        raise InputError(f"margin must be 0 or more, got {margin}")
    if isinstance(source, Header):
        header, name = source.copy(), "header"
    else:
        name = str(source)
        try:
            with open_fits(source) as hdus:
                header = image_hdu(hdus).header.copy()
        except InputError as error:
            raise InputError(f"{name}: {error}") from error
        except Exception as error:  # any damage to a file surfaces as some exception of the reader
            raise InputError(f"{name}: cannot be read as a grid ({error})") from error
    nx, ny = header.get("NAXIS1"), header.get("NAXIS2")
    if not (isinstance(nx, int) and isinstance(ny, int) and nx > 0 and ny > 0):
        raise InputError(f"{name}: a grid needs NAXIS1 and NAXIS2, got {nx} and {ny}")
    if margin:
        header["NAXIS1"], header["NAXIS2"] = nx + 2 * margin, ny + 2 * margin
        for axis in (1, 2):
            if f"CRPIX{axis}" in header:
                header[f"CRPIX{axis}"] += margin
    return Grid(shape=(ny + 2 * margin, nx + 2 * margin), header=header)


def _celestial(header: Header) -> WCS | None:
    """The header's WCS if it has one on the sky, else None."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # A date that astropy cannot read must not cost the WCS.
            cards = header.copy()
            for keyword in ("DATE-OBS", "DATE-AVG", "DATE-BEG", "DATE-END", "MJD-OBS"):
                cards.remove(keyword, ignore_missing=True, remove_all=True)
            wcs = WCS(cards, naxis=2)
            return wcs if wcs.has_celestial else None
    except Exception:  # wcslib reports a bad header by many exceptions; then there is no WCS
        return None


def transform_from_wcs(
    header: Header, grid_header: Header, *, shape: tuple[int, int] | None = None
) -> Transform:
    """The transform that two headers with a WCS imply.

    Parameters
    ----------
    header, grid_header : `~astropy.io.fits.Header`
        Of the frame and of the grid; SIP and other distortions are followed.
    shape : (int, int) or None
        Rows and columns of the frame; None reads NAXIS1 and NAXIS2.

    Returns
    -------
    transform : `~framesort.records.Transform`
        The homography nearest to both WCS on a lattice of 25 x 25 places of the frame;
        without distortion it is exact for two gnomonic projections. `matched` is the number
        of places, `residual` their rms distance: above some 0.1 pixel the distortion wants
        `reproject` instead. Reason "not matched" where a header has no WCS on the sky, or
        the frame lies on the far side of it.

    Raises
    ------
    InputError
        The frame's size is not known or below 2 x 2.
    """
    one, two = _celestial(header), _celestial(grid_header)
    if one is None or two is None:
        return Transform(reason="not matched")
    ny, nx = shape if shape is not None else (header.get("NAXIS2", 0), header.get("NAXIS1", 0))
    if nx < 2 or ny < 2:
        raise InputError(f"shape must be at least 2 x 2, got {(ny, nx)}")
    lattice = np.meshgrid(np.linspace(0, nx - 1, WCS_LATTICE), np.linspace(0, ny - 1, WCS_LATTICE))
    xy = np.stack([axis.ravel() for axis in lattice], axis=1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", AstropyWarning)
            sky = one.pixel_to_world(*xy.T)
            mapped = np.stack(two.world_to_pixel(sky), axis=1)
    except Exception:  # no convergence of a distortion, or no sky at a place
        return Transform(reason="not matched")
    if not np.isfinite(mapped).all():
        return Transform(reason="not matched")
    matrix = _homography(xy, mapped)
    transform = Transform(matrix=matrix, matched=len(xy))
    distance = np.hypot(*(np.stack(transform.map_points(*xy.T), axis=1) - mapped).T)
    return Transform(matrix=matrix, matched=len(xy), residual=float(np.sqrt(np.mean(distance**2))))


def _homography(src: NDArray[np.float64], dst: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least-squares homography from the linear equations on normalised coordinates.

    Hartley & Zisserman, Multiple View Geometry, sections 4.1 and 4.4.4 (from memory).
    """
    sides, normal = [], []
    for xy in (src, dst):
        centre, size = xy.mean(axis=0), float(xy.std()) or 1.0
        sides.append(
            np.array(
                [[1 / size, 0, -centre[0] / size], [0, 1 / size, -centre[1] / size], [0, 0, 1]]
            )
        )
        normal.append((xy - centre) / size)
    p, q = normal
    one, zero = np.ones((len(p), 1)), np.zeros((len(p), 3))
    design = np.vstack(
        [np.hstack([p, one, zero, -p * q[:, :1]]), np.hstack([zero, p, one, -p * q[:, 1:]])]
    )
    solution = np.linalg.lstsq(design, q.T.ravel(), rcond=None)[0]
    matrix = np.linalg.inv(sides[1]) @ np.append(solution, 1.0).reshape(3, 3) @ sides[0]
    return np.asarray(matrix / matrix[2, 2], dtype=float)
