"""Names and values as text."""

import json
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["StrPath", "json_ready", "json_text", "safe_name"]

StrPath = str | os.PathLike[str]


def safe_name(text: str, *, fallback: str = "none") -> str:
    """A file or folder name made of a header's text; it cannot lead elsewhere.

    >>> safe_name("../../Ha 3nm")
    'Ha-3nm'
    """
    name = re.sub(r"[^\w.+-]+", "-", text.strip()).strip("-.")
    # Bytes, since file systems count them, and room for an ending.
    return name.encode(errors="ignore")[:64].decode(errors="ignore").strip("-.") or fallback


def json_ready(value: Any) -> Any:
    """Plain values for JSON: NaN and infinities become null, arrays lists, times text."""
    if isinstance(value, Mapping):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [json_ready(item) for item in value]
    if isinstance(value, np.generic):
        return json_ready(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, Path):
        return str(value)
    return value


def json_text(value: Any, *, indent: int | None = 1) -> str:
    """JSON in letters as they are.

    Control characters, and bytes of file names that are no letters, become escapes.
    """
    plain = json_ready(value)
    text = json.dumps(plain, indent=indent, ensure_ascii=False, allow_nan=False)
    # Also what would steer a terminal: JSON leaves the upper half of control characters.
    return re.sub("[\x7f-\x9f\ud800-\udfff]", lambda sign: f"\\u{ord(sign[0]):04x}", text)
