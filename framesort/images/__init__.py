"""Pictures in and out: FITS and TIFF files, arrays, `CCDData`; one plane or three.

`as_picture` takes every kind of input, `write_picture` writes files, `make_ccddata` returns
`CCDData` to other Python code.
"""

from framesort.images._ccddata import make_ccddata
from framesort.images._files import check_name, read_picture, write_picture
from framesort.images._input import as_picture
from framesort.images._picture import Picture
from framesort.images._tiff import is_tiff
from framesort.images._unit import header_unit
from framesort.images._wcs import wcs_of

__all__ = [
    "Picture",
    "as_picture",
    "check_name",
    "header_unit",
    "is_tiff",
    "make_ccddata",
    "read_picture",
    "wcs_of",
    "write_picture",
]
