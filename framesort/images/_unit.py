"""The unit of a picture's pixels as the FITS Standard writes it."""

import warnings
from collections.abc import Mapping
from typing import Any

from astropy.units import Unit, UnitsWarning

__all__ = ["header_unit"]

_USUAL = {
    **dict.fromkeys(("e", "e-", "electron", "electrons"), "electron"),
    **dict.fromkeys(("dn", "adus", "adu/pixel", "adu per pixel", "data numbers"), "adu"),
    **dict.fromkeys(("count", "counts"), "count"),
}
"""Units as cameras write them, and as the standard does."""


def header_unit(header: Mapping[str, Any]) -> tuple[str, str]:
    """Value of BUNIT: the header's where it is a unit, else adu.

    Parameters
    ----------
    header : mapping

    Returns
    -------
    unit : str
        As section 4.3 of the FITS Standard 4.0 writes it.
    note : str
        A sentence where the header's own is no unit of that standard; "" without.
    """
    given = str(header.get("BUNIT", "")).strip()
    if not given:
        return "adu", ""
    if given.lower() in _USUAL:
        return _USUAL[given.lower()], ""
    for text in (given, given.lower()):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", UnitsWarning)
                unit = Unit(text)
            return str(unit.to_string("fits")) or "adu", ""
        except (ValueError, TypeError, UnitsWarning):
            continue
    return "adu", f"the frame's BUNIT {given[:30]!r} is no unit of the standard"
