"""Readings to percent of full power."""

import numpy as np
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.records import Note

__all__ = ["scale_power"]

_TOLERANCE = 1.05
"""Largest measured power relative to full power."""


def scale_power(
    values: NDArray[np.float64],
    words: set[str],
    worded: bool,
    full_power: float | None,
    off_below: float,
    where: str,
    notes: list[Note],
) -> NDArray[np.float64]:
    """Percent of full power, 0..100.

    Parameters
    ----------
    values : (n,) float ndarray
        Readings, finite.
    words : set of str
        Of the column's heading: a percent sign settles the unit.
    worded : bool
        The readings were words for on and off, or percentages.
    full_power : float or None
        Reading at full power; None: 100 for percent, 1 where no reading is above 1 (on and
        off, or a fraction), the highest reading for watts and amperes.
    off_below : float
        Percentages below it become 0.
    where : str
        For messages.
    notes : list of Note
        Gains a sentence where the scale had to be inferred.

    Raises
    ------
    HeaterLogError
        Readings beyond 0..100 of an unknown scale.
    """
    if full_power is not None and not full_power > 0:
        raise HeaterLogError(f"full_power must be above 0, got {full_power}")
    percent = bool(words & {"%", "percent", "pct"}) or worded
    electric = bool(words & {"w", "watt", "watts", "a", "amps", "amp", "current", "ma"})
    top = float(values.max())
    if full_power is None:
        if percent:
            full_power = 100.0
        elif electric and top > 0:
            full_power = top
            text = (
                f"The highest reading, {top:g}, is assumed to be full power; "
                "otherwise give full_power (--full-power)."
            )
            notes.append(Note("log assumption", text))
        elif top <= 1.0:
            full_power = 1.0
            if np.any((values > 0) & (values < 1)):
                text = "No reading is above 1: they were read as fractions of full power."
                notes.append(Note("log assumption", text))
        else:
            full_power = 100.0
    power = values * (100.0 / full_power)
    if power.max() > 100 * _TOLERANCE:
        raise HeaterLogError(
            f"{where}: readings up to {top:g} are not percent; give the reading at full power "
            "with full_power (--full-power)"
        )
    if power.min() < -5:
        raise HeaterLogError(
            f"{where}: a heater power cannot be negative, got {values.min():g}; "
            "name the right column with value_column (--value-column)"
        )
    power = np.clip(power, 0.0, 100.0)
    power[power < off_below] = 0.0
    return power
