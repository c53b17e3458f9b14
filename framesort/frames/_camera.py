"""Camera settings from a header: binning, gain, temperature, colour filter array."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from astropy.io.fits import Header

from framesort.frames._headers import header_number

__all__ = [
    "header_binning",
    "header_gain",
    "header_pattern",
    "header_setting",
    "header_temperature",
    "strip_pattern",
]

_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
_PATTERN_KEYWORDS = ("BAYERPAT", "COLORTYP", "CFAPAT", "CFA_PAT", "BAYPAT")
_OFFSET_KEYWORDS = (("XBAYROFF", "BAYOFFX", "BAYROFFX"), ("YBAYROFF", "BAYOFFY", "BAYROFFY"))


def header_binning(header: Mapping[str, Any]) -> int:
    """Pixels read as one along x; 1 where the header has none."""
    text = str(header.get("CCDSUM", "")).split()
    value = header_number({"B": text[0]} if text else header, "B", "XBINNING", "BINNING")
    return int(value) if value >= 1 else 1


def header_setting(header: Mapping[str, Any]) -> str:
    """The camera's gain setting as a text; "" where the header has none."""
    value = header.get("GAIN", header.get("EGAIN", ""))
    try:
        return f"{float(value):g}"  # 120 and 120.0 are one setting
    except (TypeError, ValueError):
        return str(value).strip()


def header_gain(header: Mapping[str, Any], comment: str = "") -> float:
    """Electrons per ADU from the header, else NaN.

    EGAIN is always electrons per ADU. GAIN is the camera's setting in many headers; it counts
    as electrons per ADU only where its `comment` states it or it is not a whole number.
    """
    gain = header_number(header, "EGAIN")
    if not gain > 0:
        gain = header_number(header, "GAIN")
        comment = comment.lower()
        in_electrons = "e" in comment.split("/")[0] and "adu" in comment
        if not gain > 0 or not (in_electrons or gain % 1):
            gain = np.nan
    return gain


def header_temperature(header: Mapping[str, Any]) -> float:
    """Temperature of the sensor in degrees Celsius; NaN where the header has none."""
    return header_number(header, "CCD-TEMP", "CCDTEMP", "DET-TEMP", "SET-TEMP")


def header_pattern(header: Mapping[str, Any]) -> str | None:
    """Colours of an image, as its pixels are stored.

    Returns
    -------
    str or None
        "" for one plane; "RGGB", "BGGR", "GRBG" or "GBRG" for a colour filter array, the
        letters being those of the first two pixels of the first row and of the second row of
        the array; "RGB" for three planes; None for colours in any other form.

    Notes
    -----
    BAYERPAT names the colours of the pattern, XBAYROFF and YBAYROFF the columns and
    rows by which the image begins later; these and their other spellings are common practice,
    no standard. With ROWORDER "TOP-DOWN" the first row stored is the top one, from which the
    pattern is read as well; so it begins with the first row stored in either order.
    """
    if header.get("NAXIS", 2) > 2 and header.get("NAXIS3", 1) > 1:
        return "RGB" if header["NAXIS"] == 3 and header["NAXIS3"] == 3 else None
    for keyword in _PATTERN_KEYWORDS:
        text = str(header.get(keyword, "")).strip().upper()
        if text in ("", "NONE", "MONO", "MONOCHROME", "FALSE", "GRAY", "GREY"):
            continue
        if text not in _PATTERNS:
            return None
        shift = [header_number(header, *names) for names in _OFFSET_KEYWORDS]
        dx, dy = (int(value) % 2 if np.isfinite(value) else 0 for value in shift)
        return "".join(text[2 * ((y + dy) % 2) + (x + dx) % 2] for y in (0, 1) for x in (0, 1))
    return ""


def strip_pattern(header: Header) -> Header:
    """A copy without the cards of a colour filter array, which a stack has no more."""
    plain = header.copy()
    for keyword in (*_PATTERN_KEYWORDS, *_OFFSET_KEYWORDS[0], *_OFFSET_KEYWORDS[1]):
        plain.remove(keyword, ignore_missing=True, remove_all=True)
    return plain
