"""Target of a frame from its header: by name and by position on the sky."""

import re
import warnings
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import chain
from typing import Any

import numpy as np
from astropy.coordinates import Angle
from astropy.wcs import WCS
from numpy.typing import NDArray

from framesort.errors import InputError

__all__ = ["choose_targets", "header_place", "name_targets", "same_name"]

UNNAMED = "unnamed"
UNKNOWN_FIELD = 1.0
"""Degrees over which a field counts where the image scale is not known."""

SAME_FIELD = 0.25
"""Two names at places closer than this share of the field's diagonal are one target."""


def same_name(text: str) -> str:
    """What two spellings of an object's name have in common.

    >>> same_name("NGC 7000") == same_name("ngc-7000")
    True
    """
    return re.sub(r"[\W_]+", "", text.casefold())


def header_place(header: Mapping[str, Any]) -> tuple[float, float]:
    """Position of the image on the sky: its centre by WCS, else RA and DEC, OBJCTRA and OBJCTDEC.

    Returns
    -------
    ra, dec : float
        Degrees; NaN where the header has none.
    """
    if str(header.get("CTYPE1", ""))[:2] == "RA" and "CRVAL1" in header:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                middle = [(float(header[f"NAXIS{k}"]) - 1) / 2 for k in (1, 2)]
                ra, dec = WCS(header, naxis=2).pixel_to_world_values(*middle)
            if np.isfinite(ra) and -90 <= dec <= 90:
                return float(ra), float(dec)
        except Exception:  # a damaged WCS is the same as none here
            pass
    for names in (("RA", "DEC"), ("OBJCTRA", "OBJCTDEC")):
        ra, dec = (_degrees(header.get(name), hours=k == 0) for k, name in enumerate(names))
        if np.isfinite(ra) and -90 <= dec <= 90:
            return ra, dec
    return np.nan, np.nan


def _degrees(value: Any, *, hours: bool) -> float:
    """A number of degrees, or a text "hh mm ss" or "dd mm ss"."""
    try:
        return float(value)
    except (TypeError, ValueError):
        pass
    try:
        return float(Angle(str(value), unit="hourangle" if hours else "deg").deg)
    except Exception:  # the parser raises several kinds
        return np.nan


def name_targets(
    objects: Sequence[str], places: Sequence[tuple[float, float]], fields: Sequence[float]
) -> list[str]:
    """Name the target of each frame.

    Frames of one name whose fields do not overlap are different targets; two names at one
    place are one. Without positions in the headers the name decides; a frame with neither belongs
    to the others where these are one target.

    Parameters
    ----------
    objects : sequence of str
        OBJECT of each frame; "" where the header has none. Spaces, signs and capitals do
        not count.
    places : sequence of (float, float)
        ra, dec of each frame, degrees; NaN where not known.
    fields : sequence of float
        Diagonal of each frame, degrees; NaN where not known.

    Returns
    -------
    list of str
        One a frame; all "" where no header has a name and the frames are one target.
    """
    keys = [same_name(text) for text in objects]
    sky = _unit_vectors(places)
    field = np.asarray(fields, dtype=float)
    width = float(np.nanmedian(field)) if np.isfinite(field).any() else UNKNOWN_FIELD
    known: NDArray[np.bool_] = np.asarray(np.isfinite(sky).all(axis=1))
    parts: list[list[int]] = []
    for key in dict.fromkeys(keys):
        here = [i for i in range(len(keys)) if keys[i] == key]
        spots = _together([i for i in here if known[i]], sky, width)
        loose = [i for i in here if not known[i]]
        if spots:
            spots[0] += loose
        parts += spots or [loose]
    parts = _join_same_field(parts, sky, known, width)
    silent = [part for part in parts if not any(keys[i] for i in part)]
    if len(parts) - len(silent) == 1 and not any(known[i] for part in silent for i in part):
        parts = [list(chain(*parts))]
    return _names(parts, objects, keys)


def choose_targets(
    names: Sequence[str], objects: Sequence[str], wanted: Sequence[str]
) -> tuple[list[str], NDArray[np.bool_]]:
    """Take frames of some targets together as one field.

    Parameters
    ----------
    names : sequence of str
        From `name_targets`.
    objects : sequence of str
        OBJECT of each frame.
    wanted : sequence of str
        Names of targets, or objects.

    Returns
    -------
    names : list of str
        One a frame: the first of `wanted`, or "" for a frame of another target.
    others : (n,) bool ndarray
        Those of other targets.

    Raises
    ------
    InputError
        A name is that of no target.
    """
    keys = [{same_name(name), same_name(text)} for name, text in zip(names, objects, strict=True)]
    chosen = np.zeros(len(keys), dtype=bool)
    for text in wanted:
        mine = np.array([same_name(text) in those for those in keys], dtype=bool)
        if not same_name(text) or not mine.any():
            known = ", ".join(dict.fromkeys(name for name in names if name)) or "none"
            raise InputError(f"--target {text}: no such target among the frames; known: {known}")
        chosen |= mine
    return [wanted[0] if mine else "" for mine in chosen], ~chosen


def _unit_vectors(places: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    ra, dec = np.radians(np.asarray(places, dtype=float).reshape(-1, 2)).T
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)


def _apart(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Degrees between two directions."""
    return float(np.degrees(2 * np.arcsin(min(1.0, float(np.linalg.norm(one - other)) / 2))))


def _together(rows: list[int], sky: NDArray[np.float64], reach: float) -> list[list[int]]:
    """Frames whose fields touch, over others perhaps, the largest part first."""
    parts: list[list[int]] = []
    for row in rows:
        near = [p for p in parts if any(_apart(sky[row], sky[i]) <= reach for i in p)]
        parts = [p for p in parts if p not in near] + [sorted([row, *chain(*near)])]
    return sorted(parts, key=lambda part: (-len(part), part))


def _join_same_field(
    parts: list[list[int]], sky: NDArray[np.float64], known: NDArray[np.bool_], width: float
) -> list[list[int]]:
    """Join parts of different names whose middles fall together."""
    joined: list[list[int]] = []
    for part in parts:
        middle = sky[[i for i in part if known[i]]].sum(axis=0)
        for other in joined:
            there = sky[[i for i in other if known[i]]].sum(axis=0)
            if middle.any() and there.any():
                ends = [v / np.linalg.norm(v) for v in (middle, there)]
                if _apart(ends[0], ends[1]) <= SAME_FIELD * width:
                    other += part
                    break
        else:
            joined.append(list(part))
    return joined


def _names(parts: list[list[int]], objects: Sequence[str], keys: Sequence[str]) -> list[str]:
    names = [""] * len(objects)
    taken: set[str] = set()
    for part in sorted(parts, key=min):
        spellings = Counter(objects[i].strip() for i in part if keys[i])
        if not spellings and len(parts) == 1:
            continue
        base = min(spellings, key=lambda text: (-spellings[text], text)) if spellings else UNNAMED
        name, number = base, 2
        while same_name(name) in taken:
            name, number = f"{base} {number}", number + 1
        taken.add(same_name(name))
        for i in part:
            names[i] = name
    return names
