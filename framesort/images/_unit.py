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
"""What cameras write, and how the same is said so that it is understood."""


def header_unit(header: Mapping[str, Any]) -> tuple[str, str]:
    """What BUNIT is to say: as the header has it where that is a unit, else adu.

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
    told = str(header.get("BUNIT", "")).strip()
    if not told:
        return "adu", ""
    if told.lower() in _USUAL:
        return _USUAL[told.lower()], ""
    for text in (told, told.lower()):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", UnitsWarning)
                unit = Unit(text)
            return str(unit.to_string("fits")) or "adu", ""
        except (ValueError, TypeError, UnitsWarning):
            continue
    return "adu", f"the frame's BUNIT {told[:30]!r} is no unit of the standard"
