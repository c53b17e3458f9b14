"""Time zones by IANA name or fixed offset."""

import re
from datetime import timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, available_timezones

from framesort.errors import InputError

__all__ = ["find_zone", "offset_seconds"]

_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?([0-5]\d))?", re.ASCII | re.IGNORECASE)

_LARGEST_OFFSET = 15
"""Hours; offsets of time zones lie within 14 hours of UTC."""


def offset_seconds(text: str) -> int | None:
    """Seconds east of UTC of "Z", "+02:00", "-0700", "UTC-7"; None if it is no fixed offset."""
    if text.strip().upper() in ("Z", "UTC", "GMT"):
        return 0
    match = _OFFSET.fullmatch(text.strip())
    if match is None or int(match[2]) > _LARGEST_OFFSET:
        return None
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    return -seconds if match[1] == "-" else seconds


def find_zone(name: str, *, error: type[InputError] = InputError) -> tzinfo:
    """A time zone by IANA name or fixed offset.

    Raises
    ------
    InputError
        There is no such zone; `error` is the class that is raised.
    """
    seconds = offset_seconds(name)
    if seconds is not None:
        return timezone(timedelta(seconds=seconds))
    try:
        return ZoneInfo(name)
    except (OSError, ValueError, KeyError) as cause:  # KeyError: ZoneInfoNotFoundError
        place = name.strip().replace(" ", "_").lower()
        near = sorted(z for z in available_timezones() if z.rpartition("/")[2].lower() == place)
        raise error(
            f"zone {name!r} is not known; "
            + (f"did you mean {near[0]}? Else " if near else "")
            + "give an IANA name such as Europe/Berlin or an offset such as -07:00"
        ) from cause
