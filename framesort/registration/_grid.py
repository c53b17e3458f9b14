"""The target grid, and transforms where headers carry a WCS."""

import os
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray
from skimage.transform import ProjectiveTransform

from framesort.errors import InputError
from framesort.files import image_hdu, open_fits
from framesort.images import wcs_of
from framesort.records import PixelMap, Transform, map_by_matrix

__all__ = ["Grid", "make_grid", "make_optimal_grid", "may_bend", "transform_from_wcs"]

WCS_LATTICE = 25  # places a side at which two WCS are compared
LARGEST_DISTORTION = 0.1  # pixels from the nearest projective transform that are not followed
MOST_PIXELS = 2**31
WCS_CARDS = re.compile(
    r"(CTYPE|CRVAL|CRPIX|CDELT|CUNIT|CROTA|CRDER|CSYER)\d[A-Z]?|(CD|PC|PV|PS)\d_\d+[A-Z]?"
    r"|[AB]P?_(ORDER|DMAX|\d_\d)|(CPDIS|CPERR|CQDIS|D2IM\w+|DP|DQ)\d.*"
    r"|(WCSAXES|WCSNAME|LONPOLE|LATPOLE|RADESYS|EQUINOX)[A-Z]?"
)


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
        return wcs_of(self.header) is not None


def make_grid(source: str | os.PathLike[str] | Header) -> Grid:
    """The grid of a frame or of a FITS file given for it.

    Parameters
    ----------
    source : path or `~astropy.io.fits.Header`
        A FITS file (its first image counts), or the header of the reference frame.

    Returns
    -------
    Grid

    Raises
    ------
    InputError
        The file cannot be read, or the header has no NAXIS1, NAXIS2.
    """
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
    return Grid(shape=(ny, nx), header=header)


def make_optimal_grid(grids: Sequence[Grid]) -> Grid:
    """The smallest north-up gnomonic grid that covers all frames of a drift or a mosaic.

    Parameters
    ----------
    grids : sequence of Grid
        Shape and header of each frame; those without a WCS do not count.

    Returns
    -------
    Grid
        At the finest pixel scale of the frames, without distortion; its other cards are the
        first frame's.

    Raises
    ------
    InputError
        No frame has a WCS, or the grid would have more than `MOST_PIXELS` pixels.

    Notes
    -----
    By `reproject.mosaicking.find_optimal_celestial_wcs`.
    """
    # Imported here: it takes a third of a second to load, and sorting does not need it.
    from reproject.mosaicking import find_optimal_celestial_wcs

    known = [(grid, wcs) for grid in grids if (wcs := wcs_of(grid.header)) is not None]
    if not known:
        raise InputError("an optimal grid needs frames with a WCS; none has one")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        wcs, shape = find_optimal_celestial_wcs(
            [(grid.shape, wcs) for grid, wcs in known], negative_lon_cdelt="auto"
        )
    ny, nx = (int(size) for size in shape)
    if ny * nx > MOST_PIXELS:
        raise InputError(
            f"the optimal grid has {nx} x {ny} pixels: the WCS of some frames points elsewhere"
        )
    header = without_wcs(known[0][0].header)
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, nx, ny
    header.update(wcs.to_header())
    return Grid(shape=(ny, nx), header=header)


def without_wcs(header: Header) -> Header:
    """A copy without the cards of a WCS, distortion and alternates included."""
    plain = header.copy()
    for keyword in list(plain):
        if WCS_CARDS.fullmatch(keyword):
            plain.remove(keyword, ignore_missing=True, remove_all=True)
    return plain


def may_bend(header: Header, grid_header: Header) -> bool:
    """Whether two WCS can have more between them than a projective transform.

    A look at the cards: two gnomonic projections without distortion have not.
    """
    return _bends(header) or _bends(grid_header)


def _bends(header: Header) -> bool:
    """Whether a WCS can be anything but a gnomonic projection."""
    kinds = [str(header.get(f"CTYPE{axis}", "")) for axis in (1, 2)]
    distorted = any(name in header for name in ("A_ORDER", "B_ORDER", "CPDIS1", "CQDIS1"))
    return all(kinds) and (
        distorted
        or any(kind[5:] != "TAN" for kind in kinds)
        or any(re.fullmatch(r"PV[12]_\d+", name) for name in header)
    )


def transform_from_wcs(
    header: Header, grid_header: Header, *, shape: tuple[int, int] | None = None
) -> Transform:
    """The transform that two headers with a WCS imply.

    Parameters
    ----------
    header, grid_header : `~astropy.io.fits.Header`
        Of the frame and of the grid; SIP, TPV and other distortions are followed.
    shape : (int, int) or None
        Rows and columns of the frame; None reads NAXIS1 and NAXIS2.

    Returns
    -------
    transform : `~framesort.records.Transform`
        The homography nearest to both WCS on a lattice of 25 x 25 places of the frame;
        without distortion it is exact for two gnomonic projections. `matched` is the number
        of places, `residual` their rms distance. Where a place is more than 0.1 pixel off,
        `pixel_map` holds the exact way, and the residual is 0. Reason "not matched" where a
        header has no WCS on the sky, or the frame lies on the far side of it.

    Raises
    ------
    InputError
        The frame's size is not known or below 2 x 2.
    """
    one, two = wcs_of(header), wcs_of(grid_header)
    if one is None or two is None:
        return Transform(reason="not matched")
    ny, nx = shape if shape is not None else (header.get("NAXIS2", 0), header.get("NAXIS1", 0))
    if nx < 2 or ny < 2:
        raise InputError(f"shape must be at least 2 x 2, got {(ny, nx)}")
    lattice = np.meshgrid(np.linspace(0, nx - 1, WCS_LATTICE), np.linspace(0, ny - 1, WCS_LATTICE))
    xy = np.stack([axis.ravel() for axis in lattice], axis=1)
    pixel_map = PixelMap(frame=one, grid=two)
    try:
        mapped = np.stack(pixel_map.to_grid(*xy.T), axis=1)
    except Exception:  # no convergence of a distortion, or no sky at a place
        return Transform(reason="not matched")
    if not np.isfinite(mapped).all():
        return Transform(reason="not matched")
    found = ProjectiveTransform.from_estimate(xy, mapped)
    if not found:
        return Transform(reason="not matched")
    matrix: NDArray[np.float64] = np.asarray(found.params / found.params[2, 2], dtype=float)
    distance = np.hypot(*(np.stack(map_by_matrix(matrix, *xy.T), axis=1) - mapped).T)
    if distance.max() > LARGEST_DISTORTION:
        return Transform(matrix=matrix, matched=len(xy), residual=0.0, pixel_map=pixel_map)
    return Transform(matrix=matrix, matched=len(xy), residual=float(np.sqrt(np.mean(distance**2))))
