"""The page of the running night: parts that are escaped text, and the file that holds them."""

import math
import re
import time
import zlib
from dataclasses import asdict
from datetime import UTC, datetime, tzinfo
from functools import cache
from pathlib import PurePath
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from framesort import __version__
from framesort.files import json_text
from framesort.live._chart import draw_timeline
from framesort.live._script import SCRIPT
from framesort.live._status import LiveFrame, LiveStatus
from framesort.pages import page_environment, page_style, script_hash
from framesort.records import HEATER_STATES

__all__ = ["POLICY", "encode_parts", "encode_status", "render_parts", "render_status"]

SECTIONS = {
    "now": "Now",
    "hints": "What you could do",
    "events": "Events",
    "minutes": "Exposure by filter",
    "sky": "Dew, cloud, focus",
    "timeline": "The night so far",
    "star": "Brightest star",
    "frames": "Last frames",
}
"""Parts of the page, and their headings."""

_ALONE = ("title", "time", "sentence")
_RECENT = 8
_EVENTS = 12

POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; connect-src 'self'; "
    f"script-src '{script_hash(SCRIPT)}'; base-uri 'none'; form-action 'none'"
)
"""Content security policy: nothing is loaded, one script runs, and that asks its own server."""

_PICTURE = re.compile(r"data:image/png;base64,[A-Za-z0-9+/]+={0,2}")
_HIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control characters, those that reverse the direction of text, and bytes that are no letters."""


def _clean(text: str, length: int = 200) -> str:
    """A text of someone else on one line, shortened."""
    text = _HIDDEN.sub("\N{REPLACEMENT CHARACTER}", str(text))
    return text if len(text) <= length else text[: length - 1] + "…"


def _name(path: str) -> str:
    """The name of a file without its folders, its ending kept."""
    name = _HIDDEN.sub("\N{REPLACEMENT CHARACTER}", PurePath(path.replace("\\", "/")).name)
    return name if len(name) <= 60 else name[:40] + "…" + name[-19:]


def _number(value: float, digits: int = 2) -> str:
    if not math.isfinite(value):
        return "–"
    if abs(value) >= 1e6:  # not a measurement; its digits would fill the page
        return f"{value:.0e}".replace("-", "−")
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def _with_unit(value: float, unit: str, digits: int = 0) -> str:
    text = _number(value, digits)
    return text if text == "–" else f"{text}\N{NO-BREAK SPACE}{unit}"


def _percent(value: float, digits: int = 0) -> str:
    return _with_unit(100 * value, "%", digits)


def _change(ratio: float) -> str:
    """A ratio as a change in percent."""
    return ("+" if ratio >= 1 else "") + _percent(ratio - 1) if math.isfinite(ratio) else "–"


def _width(share: float) -> str:
    return f"{100 * min(max(share, 0.0), 1.0) if math.isfinite(share) else 0:.1f}"


def _state(text: str) -> str:
    return text if text in HEATER_STATES else "unknown"


def _kind(text: str) -> str:
    return text if text in ("dew", "forgotten", "goal", "cloud", "frame-bad") else "other"


def _moment(seconds: float, zone: tzinfo) -> datetime | None:
    try:
        return datetime.fromtimestamp(seconds, tz=zone)
    except (ValueError, OverflowError, OSError):
        return None


def _duration(seconds: float) -> str:
    """Minutes, or hours and minutes; "" where it is not known or before now."""
    if not 0 <= seconds < 48 * 3600:
        return ""
    hours, minutes = divmod(int(seconds // 60), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def _sky_sentences(status: LiveStatus) -> list[str]:
    sky, sentences = status.sky, []
    if math.isfinite(sky.loss) and sky.loss >= 0.01:
        sentences.append(f"Light lost by now: {_percent(sky.loss)}.")
    if math.isfinite(sky.minutes_to_loss):
        sentences.append(
            f"By the trend, dew costs a tenth of the light in {sky.minutes_to_loss:.0f} min."
            if sky.minutes_to_loss > 0
            else "Dew already costs a tenth of the light."
        )
    return sentences


def _heater_state(text: str) -> str:
    """The state in the words "off" or "on, 60 %"."""
    return _state(text.partition(",")[0].strip())


def _recent(status: LiveStatus) -> list[LiveFrame]:
    return list(status.frames[: -_RECENT - 1 : -1])


def _context(status: LiveStatus, zone: tzinfo) -> dict[str, Any]:
    star_last, star_off = (
        star if _PICTURE.fullmatch(star) else "" for star in (status.star_last, status.star_off)
    )
    return {
        "status": status,
        "heater_state": _heater_state(status.heater),
        "since": _duration(status.time - status.switched),
        "last": status.frames[-1] if status.frames else None,
        "probabilities": [(name, getattr(status.sky, name)) for name in ("dew", "cloud", "focus")],
        "sky_sentences": _sky_sentences(status),
        "timeline": draw_timeline(status, zone=zone),
        "words": HEATER_STATES,
        "events_list": list(status.events[: -_EVENTS - 1 : -1]),
        "events_more": max(len(status.events) - _EVENTS, 0),
        "star_last": star_last,
        "star_off": star_off,
        "recent": _recent(status),
    }


@cache
def _environment(zone: tzinfo) -> Environment:
    environment = page_environment("framesort.live")

    def clock(seconds: float) -> str:
        moment = _moment(seconds, zone)
        return "–" if moment is None else f"{moment:%H:%M}"

    def iso(seconds: float) -> str:
        moment = _moment(seconds, UTC)
        return "" if moment is None else f"{moment:%Y-%m-%dT%H:%M:%SZ}"

    environment.filters |= {
        "change": _change,
        "clean": _clean,
        "clock": clock,
        "file": _name,
        "iso": iso,
        "kind": _kind,
        "known": math.isfinite,
        "number": _number,
        "percent": _percent,
        "state": _state,
        "unit": _with_unit,
        "width": _width,
    }
    return environment


def render_parts(status: LiveStatus, *, zone: tzinfo = UTC) -> dict[str, Markup]:
    """The parts of the page that change, as HTML by the id of their place.

    Parameters
    ----------
    status : `LiveStatus`
        State of the night. Its texts are shown as text, whatever they hold.
    zone : `~datetime.tzinfo`
        Of the times shown.

    Returns
    -------
    parts : dict of str to `~markupsafe.Markup`
        "" for a part that has nothing to show.
    """
    template = _environment(zone).get_template("live_parts.html")
    macros = template.make_module(_context(status, zone))
    return {name: getattr(macros, f"part_{name}")().strip() for name in (*_ALONE, *SECTIONS)}


def _mark(html: str) -> str:
    """A short name of a part's content: the page replaces only parts whose mark has changed."""
    return f"{zlib.crc32(html.encode()):08x}"


def _age(status: LiveStatus) -> float | None:
    """Seconds since the status was made; None if not known."""
    return round(time.time() - status.time, 1) if math.isfinite(status.time) else None


def encode_parts(status: LiveStatus, *, zone: tzinfo = UTC) -> str:
    """The parts of the page as one line of JSON, each with its mark."""
    parts = {name: [_mark(html), html] for name, html in render_parts(status, zone=zone).items()}
    return json_text({"parts": parts, "age": _age(status)}, indent=None)


def encode_status(status: LiveStatus) -> str:
    """The plain values as JSON: names as in `LiveStatus`, times in seconds since 1970 UTC.

    NaN and infinities become null. The pictures of stars are data URIs as in the record.
    """
    return json_text(asdict(status))


def render_status(status: LiveStatus, *, zone: tzinfo = UTC, events: str = "") -> str:
    """The page of the running night: one HTML file that loads nothing.

    Parameters
    ----------
    status : `LiveStatus`
        State of the night. File names, headers and logs are shown as text, whatever they hold.
    zone : `~datetime.tzinfo`
        Of the times shown, UTC by default.
    events : str
        Address of the server-sent events that renew the page, relative to its own; "" for a
        page that stays as it is.

    Returns
    -------
    page : str
        HTML that can be written as UTF-8. Its content security policy admits its only script,
        by its hash.
    """
    parts = render_parts(status, zone=zone)
    age = _age(status)
    moment = _moment(status.time, zone) or datetime.now(tz=zone)
    template = _environment(zone).get_template("live.html")
    return template.render(
        parts=parts,
        marks={name: _mark(html) for name, html in parts.items()},
        sections=list(SECTIONS.items()),
        age="" if age is None or not events else age,
        events=events,
        policy=POLICY,
        zone=moment.tzname() or "UTC",
        version=__version__,
        style=page_style("framesort.live", "live.css"),
        script=Markup(SCRIPT),
    )
