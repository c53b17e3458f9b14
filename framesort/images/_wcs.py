"""The sky coordinates of a header, where it has them."""

import warnings

from astropy.io.fits import Header
from astropy.wcs import WCS

__all__ = ["wcs_of"]

_DATES = ("DATE-OBS", "DATE-AVG", "DATE-BEG", "DATE-END", "MJD-OBS")


def wcs_of(header: Header, axes: int = 2) -> WCS | None:
    """The WCS on the sky of a header, of its first two axes; None where there is none.

    With three axes the planes have no coordinate, and there is none that a `CCDData` takes.
    """
    if axes != 2:
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            cards = header.copy()
            for keyword in _DATES:  # a date that astropy cannot read must not cost the WCS
                cards.remove(keyword, ignore_missing=True, remove_all=True)
            wcs = WCS(cards, naxis=2)
            return wcs if wcs.has_celestial else None
    except Exception:  # wcslib reports a bad header by many exceptions; then there is no WCS
        return None
