"""Pictures from paths, arrays, `CCDData`, HDUs and stacks."""

import os
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.images._files import read_picture
from framesort.images._picture import Picture
from framesort.records import Stack

__all__ = ["as_picture"]


def as_picture(source: Any, *, name: str = "image") -> Picture:
    """Make a picture of a path, an array, a `CCDData`, an HDU or a stack.

    Parameters
    ----------
    source : path, array_like, `~astropy.nddata.CCDData`, HDU, `~framesort.records.Stack` or Picture
        [y, x] or [plane, y, x]. A mask (True where a pixel must not be used), also that of a
        masked array, makes NaN. An uncertainty becomes the weight; a unit is kept by name in
        the card BUNIT; a WCS goes into the header.
    name : str
        What messages call it, where it has no file name.

    Raises
    ------
    InputError
        It is none of these, or has another shape.
    """
    if isinstance(source, Picture):
        return source
    if isinstance(source, str | os.PathLike):
        return read_picture(source)
    if isinstance(source, Stack):
        return Picture(
            data=source.data,
            header=source.header.copy(),
            weight=source.weight,
            saturation=source.saturation,
            name=name,
        )
    header = Header(getattr(source, "header", None) or getattr(source, "meta", None) or {})
    mask = getattr(source, "mask", None)
    weight = None
    values = source
    if not isinstance(source, np.ndarray) and hasattr(source, "data"):
        values = source.data
        weight = _weight(getattr(source, "uncertainty", None))
        _add_wcs(header, getattr(source, "wcs", None))
    unit = getattr(source, "unit", None)
    if unit is not None:
        header["BUNIT"] = str(unit)
    try:
        data = np.array(values, dtype=np.float32)  # a copy: the caller's pixels are not changed
    except (TypeError, ValueError) as error:
        raise InputError(
            f"{name}: not a picture; give a path, an array, a CCDData, an HDU or a stack, "
            f"got {type(source).__name__}"
        ) from error
    if mask is not None and mask is not np.ma.nomask:
        try:
            data[np.broadcast_to(np.asarray(mask, dtype=bool), data.shape)] = np.nan
        except ValueError:
            raise InputError(
                f"{name}: mask must have the shape {data.shape}, got {np.shape(mask)}"
            ) from None
    data[np.isinf(data)] = np.nan
    if weight is not None and weight.ndim == 3:
        weight = weight.min(axis=0)
    return Picture(
        data=data,
        header=header,
        weight=weight,
        saturation=_level(header),
        name=name,
        stored=str(np.asarray(values).dtype),
    )


def _level(header: Header) -> float:
    value = header.get("SATURATE", np.inf)
    return float(value) if isinstance(value, int | float) and value > 0 else np.inf


def _weight(uncertainty: Any) -> NDArray[np.float32] | None:
    """Inverse variance of any of astropy's uncertainties; 0 where it is unknown."""
    kind = getattr(uncertainty, "uncertainty_type", None)
    if kind not in ("std", "var", "ivar"):
        return None
    values = np.asarray(uncertainty.array, dtype=float)
    if kind == "ivar":
        weight = values
    else:
        variance = values**2 if kind == "std" else values
        weight = np.divide(1.0, variance, out=np.zeros_like(variance), where=variance > 0)
    return np.where(np.isfinite(weight) & (weight > 0), weight, 0).astype(np.float32)


def _add_wcs(header: Header, wcs: Any) -> None:
    """The cards of a WCS, in front of those that the header may hold."""
    if wcs is None or not hasattr(wcs, "to_header"):
        return
    header.update(wcs.to_header(relax=True))
