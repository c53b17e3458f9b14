"""Pictures of mean stars for the page of a comparison."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.records import Comparison, MeanStar
from framesort.report._comparison_figures import power_levels, same_power
from framesort.report._phrases import name_filter
from framesort.report._pictures import encode_picture
from framesort.report._residual import LIMIT, residual_colours

__all__ = ["StarTable", "make_star_tables"]

_FAINTEST = 3e-4
"""Light that is black in the pictures of mean stars, as a share of the centre."""

_STRONGEST = 0.02
"""Difference of full colour, as a share of the centre."""


@dataclass(frozen=True, kw_only=True)
class StarPicture:
    """A picture of a mean star; `source` is "" where there is none."""

    source: str = ""
    side: int = 0
    alt: str = ""


@dataclass(frozen=True, kw_only=True)
class StarTable:
    """Pictures of mean stars: a column for each power, a row for each configuration."""

    title: str
    powers: tuple[str, ...]
    rows: tuple[tuple[str, int | None, tuple[StarPicture, ...]], ...]


def make_star_tables(comparison: Comparison, images: NDArray[Any]) -> list[StarTable]:
    """Pictures of the mean stars, a table for each filter and exposure.

    Parameters
    ----------
    comparison : Comparison
    images : (n, ny, nx) ndarray
        One for each of `Comparison.stars`, by its number.
    """
    pairs = dict.fromkeys((star.filter, star.exposure) for star in comparison.stars)
    return [_star_table(comparison, images, *pair) for pair in pairs]


def _star_table(
    comparison: Comparison, images: NDArray[Any], filter_name: str, exposure: float
) -> StarTable:
    stars = [s for s in comparison.stars if (s.filter, s.exposure) == (filter_name, exposure)]
    powers = power_levels(stars)
    names = [one.name for one in comparison.configurations]
    rows: list[tuple[str, int | None, tuple[StarPicture, ...]]] = []
    for number, name in enumerate(names):
        shown = [_star_picture(_find(stars, name, power), stars, images) for power in powers]
        rows.append((name, number, tuple(shown)))
    for name in names[1:]:
        pictures = [
            _difference_picture(stars, images, names[0], name, power) if power else StarPicture()
            for power in powers
        ]
        if any(picture.source for picture in pictures):
            rows.append((f"{name} less {names[0]}", None, tuple(pictures)))
    return StarTable(
        title=name_filter(filter_name, exposure),
        powers=tuple("heater off" if power == 0 else f"{power:.0f} %" for power in powers),
        rows=tuple(rows),
    )


def _find(stars: Sequence[MeanStar], name: str, power: float) -> MeanStar | None:
    mine = [s for s in stars if s.configuration == name and same_power(s.power, power)]
    return mine[0] if mine else None


def _star_picture(
    star: MeanStar | None, stars: Sequence[MeanStar], images: NDArray[Any]
) -> StarPicture:
    """A mean star on a logarithmic scale of its configuration's centre with the heater off."""
    if star is None:
        return StarPicture()
    off = _find(stars, star.configuration, 0.0)
    centre = float(np.nanmax(images[(star if off is None else off).image]))
    light = np.maximum(images[star.image] / centre, _FAINTEST)
    shown = 1 - np.log(light) / math.log(_FAINTEST)
    alt = f"Mean star of {star.configuration} at {star.power:.0f} %"
    return _encode(np.nan_to_num(shown), alt)


def _difference_picture(
    stars: Sequence[MeanStar], images: NDArray[Any], first: str, second: str, power: float
) -> StarPicture:
    """What heat adds in the second configuration less what it adds in the first."""
    added = []
    for name in (first, second):
        off, on = _find(stars, name, 0.0), _find(stars, name, power)
        if off is None or on is None:
            return StarPicture()
        added.append((images[on.image] - images[off.image]) / np.nanmax(images[off.image]))
    colours = residual_colours(np.nan_to_num(LIMIT * (added[1] - added[0]) / _STRONGEST))
    return _encode(colours, f"{second} less {first} at {power:.0f} %")


def _encode(shown: NDArray[Any], alt: str) -> StarPicture:
    upright = np.clip(shown, 0, 1)
    return StarPicture(source=encode_picture(upright, quality=90), side=shown.shape[0], alt=alt)
