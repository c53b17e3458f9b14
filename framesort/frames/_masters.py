"""Master bias, dark and flat frames, and which of them fit a frame."""

import hashlib
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.errors import FrameError, InputError
from framesort.files import read_image
from framesort.frames._camera import (
    header_binning,
    header_pattern,
    header_setting,
    header_temperature,
)
from framesort.frames._headers import header_exposure, header_number

__all__ = ["CameraSetup", "Master", "Masters", "read_masters"]

StrPath = str | os.PathLike[str]

WARMER = 2.0
"""Degrees by which a master's sensor may differ: dark current doubles within about six."""

SAME_EXPOSURE = 0.02
"""Exposures closer than this share are one exposure."""


@dataclass(frozen=True, kw_only=True)
class CameraSetup:
    """Camera settings that master and frame must share, from a header.

    `setting` is the gain's, "" where unknown; `temperature` in degrees Celsius and `exposure`
    in seconds are NaN where unknown; `filter` "" where unknown; `pattern` as `header_pattern`.
    """

    shape: tuple[int, int]
    binning: int = 1
    setting: str = ""
    temperature: float = np.nan
    exposure: float = np.nan
    filter: str = ""
    pattern: str = ""

    @classmethod
    def of_header(cls, header: Mapping[str, Any]) -> "CameraSetup":
        """Read a header."""
        return cls(
            shape=(int(header["NAXIS2"]), int(header["NAXIS1"])),
            binning=header_binning(header),
            setting=header_setting(header),
            temperature=header_temperature(header),
            exposure=header_exposure(header),
            filter=str(header.get("FILTER", "")).strip(),
            pattern=header_pattern(header) or "",
        )


@dataclass(frozen=True, kw_only=True)
class Master:
    """One master frame; its pixels stay on disk.

    Attributes
    ----------
    path : str
        FITS file.
    kind : str
        "bias", "dark" or "flat".
    camera : CameraSetup
        Of its header.
    digest : str
        Of the file's content.
    level : float
        Median, ADU.
    norm : (4,) tuple of float
        Mean of the pixels at even and odd columns of even, then of odd rows, ADU, by which a
        flat is divided: the four are one number without a filter array, and those of one
        colour are one number with it.
    """

    path: str
    kind: str
    camera: CameraSetup
    digest: str
    level: float
    norm: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Masters:
    """The masters given; false if there is none.

    With `flat_has_bias` the flats still hold bias (and dark, which is neglected).
    """

    bias: tuple[Master, ...] = ()
    dark: tuple[Master, ...] = ()
    flat: tuple[Master, ...] = ()
    flat_has_bias: bool = False

    def __bool__(self) -> bool:
        return bool(self.bias or self.dark or self.flat)

    @property
    def all(self) -> tuple[Master, ...]:
        """Bias, dark, flat."""
        return (*self.bias, *self.dark, *self.flat)

    def choose(
        self, camera: CameraSetup, name: str
    ) -> tuple[Master | None, Master | None, Master | None]:
        """The bias, dark and flat of a frame; None where none of that kind was given.

        Raises
        ------
        InputError
            None of a kind fits the frame; the message names the difference.
        """
        bias = _choose(self.bias, camera, name)
        flat = _choose(self.flat, camera, name)
        dark = _choose(self.dark, camera, name, scaled=bool(self.bias))
        if self.flat_has_bias and flat is not None and bias is None:
            raise InputError(f"{flat.path}: holds its bias, which needs a master bias to subtract")
        return bias, dark, flat


def _choose(
    masters: Sequence[Master], camera: CameraSetup, name: str, *, scaled: bool = True
) -> Master | None:
    if not masters:
        return None
    troubles = [_trouble(master, camera, scaled) for master in masters]
    fitting = [m for m, trouble in zip(masters, troubles, strict=True) if not trouble]
    if not fitting:
        others = f" (nor does any other of {len(masters)})" if len(masters) > 1 else ""
        raise InputError(
            f"{masters[0].path}: this master {masters[0].kind} does not fit {name}: "
            f"{troubles[0]}{others}"
        )
    if masters[0].kind == "dark":
        fitting.sort(key=lambda m: abs(np.log(m.camera.exposure / camera.exposure)))
        fitting = [m for m in fitting if m.camera.exposure == fitting[0].camera.exposure]
    elif masters[0].kind == "flat" and any(m.camera.filter == camera.filter for m in fitting):
        fitting = [m for m in fitting if m.camera.filter == camera.filter]
    if len(fitting) > 1:
        raise InputError(
            f"{fitting[0].path} and {Path(fitting[1].path).name}: both fit {name}; give one "
            f"master {masters[0].kind} for it"
        )
    return fitting[0]


def _trouble(master: Master, frame: CameraSetup, scaled: bool) -> str:
    """Why a master does not fit a frame; "" if it does."""
    own, kind = master.camera, master.kind
    if own.shape != frame.shape:
        return f"{own.shape[1]} x {own.shape[0]} pixels against {frame.shape[1]} x {frame.shape[0]}"
    if own.binning != frame.binning:
        return f"binning {own.binning} against {frame.binning}"
    if own.setting and frame.setting and own.setting != frame.setting:
        return f"gain {own.setting} against {frame.setting}"
    if own.pattern and frame.pattern and own.pattern != frame.pattern:
        return f"filter array {own.pattern} against {frame.pattern}"
    if kind == "flat":
        if own.filter and frame.filter and own.filter != frame.filter:
            return f"filter {own.filter} against {frame.filter}"
        return ""
    if abs(own.temperature - frame.temperature) > WARMER:
        return f"sensor at {own.temperature:g} °C against {frame.temperature:g} °C"
    if kind == "dark":
        if not (own.exposure > 0 and frame.exposure > 0):
            return "its exposure time is not known"
        if not scaled and abs(own.exposure / frame.exposure - 1) > SAME_EXPOSURE:
            return (
                f"{own.exposure:g} s against {frame.exposure:g} s, and it can be scaled only with "
                "a master bias (--bias)"
            )
    return ""


def read_masters(
    *,
    bias: Iterable[StrPath] = (),
    dark: Iterable[StrPath] = (),
    flat: Iterable[StrPath] = (),
    flat_has_bias: bool = False,
) -> Masters:
    """Read master frames: header, content and level of each.

    Parameters
    ----------
    bias, dark, flat : iterable of path
        FITS files of one plane, each a master already combined. A dark may hold the bias or
        not, which follows from its level. Several of a kind may be given, say a flat for each
        filter, a dark for each exposure.
    flat_has_bias : bool
        The flats still hold their bias; none was subtracted when they were made.

    Raises
    ------
    InputError
        A file cannot be read, has several planes, or a flat is not above zero.
    """
    kinds = {"bias": bias, "dark": dark, "flat": flat}
    found = {
        kind: tuple(_read_master(os.fspath(path), kind) for path in paths)
        for kind, paths in kinds.items()
    }
    return Masters(**found, flat_has_bias=flat_has_bias)


def _read_master(path: str, kind: str) -> Master:
    try:
        pixels, header = read_image(path)
        with open(path, "rb") as stream:
            digest = hashlib.file_digest(stream, "blake2b").hexdigest()[:32]
    except (FrameError, OSError) as error:
        text = str(error) if path in str(error) else f"{path}: {error}"
        raise InputError(f"master {kind}: {text}") from error
    if pixels.ndim != 2:
        raise InputError(f"{path}: a master {kind} must have one plane, got {len(pixels)}")
    camera = CameraSetup.of_header(header)
    level = float(np.nanmedian(pixels)) if np.isfinite(pixels).any() else np.nan
    if not np.isfinite(level) or (kind == "flat" and not level > 0):
        raise InputError(f"{path}: no master {kind}, its median is {level:g}")
    norm = _norm(pixels, camera.pattern) if kind == "flat" else (1.0, 1.0, 1.0, 1.0)
    return Master(path=path, kind=kind, camera=camera, digest=digest, level=level, norm=norm)


def _norm(flat: NDArray[np.float32], pattern: str) -> tuple[float, float, float, float]:
    """Mean of a flat, of each colour on its own with a filter array."""
    cells = [flat[y::2, x::2] for y in (0, 1) for x in (0, 1)]
    total = np.array([np.nansum(cell, dtype=float) for cell in cells])
    count = np.array([np.isfinite(cell).sum() for cell in cells], dtype=float)
    letters = np.array(list(pattern or "LLLL"))
    same = letters[:, None] == letters
    one, two, three, four = (same @ total) / np.maximum(same @ count, 1)
    return float(one), float(two), float(three), float(four)


def saturation_level(header: Mapping[str, Any]) -> float:
    """Level at which pixels saturate, ADU; NaN where the header has none."""
    return header_number(header, "SATURATE", "SATLEVEL", "DATAMAX")
