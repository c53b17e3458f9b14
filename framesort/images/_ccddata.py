"""Results of this library as `CCDData`."""

from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.nddata import CCDData, InverseVariance, StdDevUncertainty
from astropy.units import Unit

from framesort.errors import InputError
from framesort.images._input import as_picture
from framesort.images._unit import header_unit
from framesort.images._wcs import wcs_of
from framesort.records import Replacement, Stack

__all__ = ["make_ccddata"]

_SHARP_PIXELS = 4 | 8
"""Bits of a replacement's mask where pixels of the sharp stack were used."""


def make_ccddata(result: Stack | Replacement, *, like: Any = None, sharp: Any = None) -> CCDData:
    """A stack, or the final picture of a star replacement, as `~astropy.nddata.CCDData`.

    Parameters
    ----------
    result : `~framesort.records.Stack` or `~framesort.records.Replacement`
    like : picture or None
        The deep stack of a replacement (CCDData, stack, path): gives header, WCS, unit and,
        if it has one, uncertainty.
    sharp : picture or None
        The sharp stack on the same grid; with uncertainties of both, pixels taken from it have
        its uncertainty, in the deep stack's flux scale.

    Returns
    -------
    `~astropy.nddata.CCDData`
        NaN pixels are masked. Unit that of `like`, else ADU. A stack's uncertainty is the
        inverse variance of its weight, a replacement's the standard deviation of `like`; where
        a star was drawn by its profile it is the deep stack's too.

    Raises
    ------
    InputError
        `result` is neither.
    """
    if isinstance(result, Stack):
        header, data = result.header.copy(), result.data
        uncertainty: Any = InverseVariance(np.asarray(result.weight, dtype=np.float32))
    elif isinstance(result, Replacement):
        base = None if like is None else as_picture(like, name="like")
        header, data = Header() if base is None else base.header.copy(), result.final
        uncertainty = None
        if base is not None and base.weight is not None:
            variance = _variance(base.weight)
            other = None if sharp is None else as_picture(sharp, name="sharp").weight
            if other is not None and other.shape == variance.shape:
                scale = float(result.table.meta.get("flux_scale", 1.0))
                taken = (result.mask & _SHARP_PIXELS) != 0
                variance[taken] = (_variance(other) * scale**2)[taken]
            uncertainty = StdDevUncertainty(np.broadcast_to(np.sqrt(variance), data.shape).copy())
    else:
        raise InputError(f"result must be a Stack or a Replacement, got {type(result).__name__}")
    unit = getattr(like, "unit", None) or Unit(header_unit(header)[0])
    wcs = wcs_of(header, data.ndim) if getattr(like, "wcs", None) is None else like.wcs
    return CCDData(
        np.array(data, dtype=np.float32),
        unit=unit,
        mask=np.isnan(data),
        uncertainty=uncertainty,
        wcs=wcs,
        meta=header,
    )


def _variance(weight: Any) -> Any:
    """NaN where nothing is known."""
    weight = np.asarray(weight, dtype=np.float32)
    return np.divide(
        np.float32(1), weight, out=np.full(weight.shape, np.nan, np.float32), where=weight > 0
    )
