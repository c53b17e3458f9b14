"""Measurements kept between runs: one file a frame, found again by what the frame holds."""

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.errors import OutputError
from framesort.files import open_whole
from framesort.quality._columns import NUMBERS
from framesort.records import REASONS, SPIKE_BINS, STAR_COLUMNS, FrameQuality, empty_star_list

__all__ = ["cache_key", "load_quality", "save_quality"]

FORMAT = 12
"""Raised whenever a measurement changes: older files are then measured anew."""

_NUMBERS = (*NUMBERS, "saturation")


def cache_key(content: bytes | memoryview, settings: dict[str, Any]) -> str:
    """Digest of a file's content and the settings of the measurement."""
    # Processors have instructions for this one: half the time of others. It keeps frames apart,
    # it keeps no secret.
    digest = hashlib.sha1(content, usedforsecurity=False).hexdigest()
    record = json.dumps({"content": digest, "format": FORMAT, **settings}, sort_keys=True)
    return hashlib.blake2b(record.encode(), digest_size=20).hexdigest()


def save_quality(folder: Path, key: str, quality: FrameQuality) -> str:
    """Write a measurement; why that failed, "" where it did not: no reason to stop."""
    table = quality.star_list
    arrays: dict[str, Any] = {f"star_{name}": np.asarray(table[name]) for name in STAR_COLUMNS}
    meta = {name: table.meta[name] for name in table.meta if isinstance(table.meta[name], float)}
    record = json.dumps(
        {"key": key, "stars": quality.stars, "reason": quality.reason, "meta": meta}
    )
    try:
        with open_whole(folder / f"{key}.npz") as stream:
            np.savez(
                stream,
                record=np.frombuffer(record.encode(), dtype=np.uint8),
                numbers=np.array([getattr(quality, name) for name in _NUMBERS]),
                spike_profile=quality.spike_profile,
                spike_profile_err=quality.spike_profile_err,
                **arrays,
            )
    except OutputError as error:
        return str(error).replace(f"{folder / key}.npz", str(folder))
    return ""


def load_quality(folder: Path, key: str) -> FrameQuality | None:
    """The measurement kept under a key; None where there is none or it is damaged."""
    try:
        # Opened here: numpy leaves a damaged file open.
        with (
            open(folder / f"{key}.npz", "rb") as stream,
            np.load(stream, allow_pickle=False) as kept,
        ):
            record = json.loads(kept["record"].tobytes())
            if record["key"] != key or (record["reason"] and record["reason"] not in REASONS):
                return None
            numbers = kept["numbers"].astype(float)
            profiles = [kept["spike_profile"], kept["spike_profile_err"]]
            columns = {name: kept[f"star_{name}"] for name in STAR_COLUMNS}
    except Exception:  # a damaged or foreign file shows as almost any exception
        return None
    sizes = {column.shape for column in columns.values()}
    if (
        numbers.shape != (len(_NUMBERS),)
        or any(profile.shape != (SPIKE_BINS,) for profile in profiles)
        or len(sizes) != 1
        or len(next(iter(sizes))) != 1
    ):
        return None
    table = empty_star_list()
    stars = Table(columns)
    for name in STAR_COLUMNS:
        stars[name].info.description = table[name].info.description
        stars[name].unit = table[name].unit
    stars.meta.update(record["meta"])
    return FrameQuality(
        stars=int(record["stars"]),
        reason=str(record["reason"]),
        spike_profile=profiles[0],
        spike_profile_err=profiles[1],
        star_list=stars,
        **dict(zip(_NUMBERS, (float(number) for number in numbers), strict=True)),
    )
