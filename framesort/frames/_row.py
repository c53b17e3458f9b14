"""One frame's cells of the table, from its header."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header

from framesort.files import drop_unreadable, image_hdu, open_fits
from framesort.frames._camera import (
    header_binning,
    header_gain,
    header_pattern,
    header_setting,
)
from framesort.frames._headers import (
    LONGEST_EXPOSURE,
    header_date_order,
    header_exposure,
    header_number,
    header_start,
    is_calibration,
    local_start,
    pixel_scale,
)
from framesort.frames._kept import KeptHeaders
from framesort.frames._masters import saturation_level
from framesort.frames._sky import Site, header_site
from framesort.frames._targets import header_place
from framesort.frames._weather import header_weather
from framesort.records import PRODUCT_CARD, add_reason

__all__ = ["FrameRow", "read_row"]

_OWN = (PRODUCT_CARD, "FSLAYER", "FSVERS")
"""Cards of products of this library; older ones have one of the latter two."""


@dataclass
class FrameRow:
    """One frame's cells before they become columns; `start` in seconds since 1970."""

    file: str
    start: float | None = None
    exposure: float = np.nan
    filter: str = "none"
    width: int = 0
    height: int = 0
    binning: int = 1
    gain: float = np.nan
    setting: str = ""
    pattern: str = ""
    saturation: float = np.nan
    pixel_scale: float = np.nan
    air_temperature: float = np.nan
    humidity: float = np.nan
    power: float = np.nan
    reason: str = ""
    note: str = ""
    object: str = ""
    place: tuple[float, float] = (np.nan, np.nan)
    site: Site | None = None
    day_first: bool | None = None


def read_row(
    power_keyword: str | None,
    day_first: bool | None,
    zone: tzinfo | None,
    kept: KeptHeaders | None,
    path: str,
) -> FrameRow:
    """What the header of a file says, or was found to say before; never raises.

    Parameters
    ----------
    power_keyword, day_first : str or None, bool or None
        As for `framesort.frames.read_frames`.
    zone : `~datetime.tzinfo` or None
        Of the camera's clock.
    kept : KeptHeaders or None
        Where what headers say is kept.
    path : str
        The file; one that cannot be understood has the reason "unreadable".
    """
    key = "" if kept is None else kept.header_key(path)
    try:
        known = kept.get(key) if kept is not None else None
        if known is not None:
            return _row_from(known, path)
    except Exception:  # kept by something else: any damage surfaces as some exception
        pass
    try:
        row = _understand_header(power_keyword, day_first, zone, path)
    except Exception:  # any damage to a file surfaces here as some exception
        return FrameRow(path, reason=add_reason("", "unreadable"))
    if kept is not None:
        kept.put(key, asdict(row))
    return row


def _row_from(known: Mapping[str, Any], path: str) -> FrameRow:
    """The row of a file from what `asdict` and JSON left of it."""
    row = FrameRow(**known)
    if row.file != path or set(known) != set(vars(row)):
        raise ValueError(f"{path}: what is kept of its header is not whole")
    row.site = None if row.site is None else Site(**known["site"])
    row.place = (float(known["place"][0]), float(known["place"][1]))
    return row


def _understand_header(
    power_keyword: str | None, day_first: bool | None, zone: tzinfo | None, path: str
) -> FrameRow:
    row = FrameRow(path)
    with open_fits(path) as hdus:
        header = image_hdu(hdus).header
        primary = drop_unreadable(hdus[0].header)
        # An image in an extension often leaves the camera's cards in the primary header.
        merged = {key: primary[key] for key in primary if key} | {
            key: header[key] for key in header if key
        }
    row.width, row.height = int(merged["NAXIS1"]), int(merged["NAXIS2"])
    pattern = header_pattern(merged)
    row.pattern = pattern or ""
    plain = "none" if pattern == "" else "colour"
    row.filter = str(merged.get("FILTER", "")).strip() or plain
    start, row.note = header_start(merged, day_first=day_first)
    if start is None and not row.note:
        start, row.note = local_start(merged, zone)
    row.start = None if start is None else float(start.unix)
    row.day_first = header_date_order(merged)
    row.exposure = header_exposure(merged)
    row.binning, row.setting = header_binning(merged), header_setting(merged)
    row.gain = header_gain(merged, header.comments["GAIN"] if "GAIN" in header else "")
    row.saturation = saturation_level(merged)
    row.air_temperature, row.humidity = header_weather(_with_comments(primary, header))
    row.pixel_scale = pixel_scale(merged)
    row.site = header_site(_with_comments(primary, header))
    row.object, row.place = str(merged.get("OBJECT", "")).strip(), header_place(merged)
    if power_keyword is not None:
        row.power = header_number(merged, power_keyword.upper())
    if any(keyword in merged for keyword in _OWN):
        row.reason = add_reason("", "own product")
    elif is_calibration(merged, Path(path).name):
        row.reason = add_reason("", "calibration frame")
    elif pattern is None:
        row.reason = add_reason("", "colour frame")
    elif not row.exposure > 0:
        row.exposure, row.reason = np.nan, add_reason("", "no exposure time")
    elif row.exposure > LONGEST_EXPOSURE:
        row.exposure, row.reason = np.nan, add_reason("", "odd exposure time")
    elif row.start is None:
        row.reason = add_reason("", "no start time")
    return row


def _with_comments(primary: Header, image: Header) -> Header:
    """Cards of both headers, those of the image first, with their comments."""
    both = primary.copy()
    if image is not primary:
        both.extend(image, update=True)
    return both
