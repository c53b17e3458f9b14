"""What a test night is to give: powers, exposures, precision; and the drift it is planned for."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError

__all__ = ["DriftModel", "ExperimentGoal"]

_OVERHEAD = 0.15
"""Time lost between frames, as a share of the exposure (common practice)."""

_CLOSEST = 2.5
"""Powers closer than this, in percent, are evaluated as one."""

_SETTLED = 3.0
"""Time constants to wait: 5 % of the change is left, 1 % of the FWHM of a growth of 20 %."""


@dataclass(frozen=True, kw_only=True)
class DriftModel:
    """Scatter and drift of the FWHM that a test night is planned for.

    Attributes
    ----------
    scatter : float
        Standard deviation of log FWHM from frame to frame.
    drift : float
        Standard deviation of the random walk of log FWHM over an hour.
    spike_scatter : float
        Standard deviation of a frame's spike strength, a share of the star's light.
    """

    scatter: float = 0.02
    drift: float = 0.06
    spike_scatter: float = 0.006

    def __post_init__(self) -> None:
        for name in ("scatter", "spike_scatter"):
            value = getattr(self, name)
            if not 0 < value < math.inf:
                raise InputError(f"{name} must be above 0, got {value:g}")
        if not 0 <= self.drift < math.inf:
            raise InputError(f"drift must be at least 0, got {self.drift:g}")


@dataclass(frozen=True, kw_only=True)
class ExperimentGoal:
    """What a test night is to give.

    Attributes
    ----------
    powers : tuple of float
        Heater powers, percent, ascending; the first is 0.
    exposures : tuple of float
        Exposures, seconds.
    precision : float
        Wanted standard deviation of the FWHM's growth at each power, percent of the FWHM. With
        two configurations, of the difference of their growth at common seeing.
    spike_precision : float or None
        Wanted standard deviation of the spike, percent of the star's light; None for any.
    minutes : float
        Longest sequence, pause included.
    overhead : float or None
        Seconds between frames; None for 15 % of the exposure.
    switch : float
        Seconds that switching the heater takes, during which no frame is exposed.
    settle : float
        Time constant of the heater's effect, minutes; three of them are waited after a switch.
    configurations : int
        1, or 2: before and after a change.
    pause : float
        Minutes between the two configurations.
    growth : float
        Expected growth of the FWHM at the highest power, percent; less at lower powers in
        proportion. Used for `onset` and for two configurations.
    onset : bool
        Add the steps for time constants and for the effect of a heater share.
    fewest : int
        Frames at each power, at least; `framesort.evidence` needs 3.

    Raises
    ------
    InputError
        A value is outside its range; the message names it.
    """

    powers: tuple[float, ...] = (0.0, 25.0, 50.0, 75.0, 100.0)
    exposures: tuple[float, ...] = (60.0,)
    precision: float = 2.0
    spike_precision: float | None = None
    minutes: float = 480.0
    overhead: float | None = None
    switch: float = 30.0
    settle: float = 0.0
    configurations: int = 1
    pause: float = 0.0
    growth: float = 20.0
    onset: bool = False
    fewest: int = 3

    def __post_init__(self) -> None:
        object.__setattr__(self, "powers", tuple(sorted(float(p) for p in self.powers)))
        object.__setattr__(self, "exposures", tuple(sorted(float(e) for e in self.exposures)))
        self._check_powers()
        self._check_exposures()
        for name in ("precision", "spike_precision", "minutes", "growth"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise InputError(f"{name} must be above 0 and finite, got {value:g}")
        for name in ("overhead", "switch", "settle", "pause"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < math.inf:
                raise InputError(f"{name} must be at least 0, got {value:g}")
        if self.configurations not in (1, 2):
            raise InputError(f"configurations must be 1 or 2, got {self.configurations}")
        if self.pause and self.configurations == 1:
            raise InputError("pause is for two configurations")
        if self.onset and self.configurations == 2:
            raise InputError("onset is for one configuration: plan it for a night of its own")
        if self.fewest < 1:
            raise InputError(f"fewest must be at least 1, got {self.fewest}")

    def _check_powers(self) -> None:
        wrong = [power for power in self.powers if not 0 <= power <= 100]
        if wrong:
            raise InputError(f"powers must be from 0 to 100 percent, got {wrong[0]:g}")
        if 0.0 not in self.powers:
            raise InputError("powers must contain 0: growth is relative to heater-off frames")
        if len(self.powers) < 2:
            raise InputError("powers must contain one above 0")
        for low, high in zip(self.powers, self.powers[1:], strict=False):
            if high - low <= _CLOSEST:
                raise InputError(
                    f"powers must be more than {_CLOSEST:g} percent apart, got {low:g} and {high:g}"
                )

    def _check_exposures(self) -> None:
        if not self.exposures:
            raise InputError("exposures must contain one, in seconds")
        for exposure in self.exposures:
            if not 0 < exposure <= 3600:
                raise InputError(f"exposures must be above 0 and at most 3600 s, got {exposure:g}")
        if len(set(self.exposures)) < len(self.exposures):
            raise InputError("exposures must differ from one another")

    @property
    def wait(self) -> float:
        """Minutes to wait after a switch."""
        return _SETTLED * self.settle

    @property
    def longest(self) -> float:
        """Minutes for the sequence of one configuration."""
        return (self.minutes - self.pause) / self.configurations

    def frame_minutes(self, exposure: int) -> float:
        """Minutes from frame to frame, for the exposure of that number."""
        seconds = self.exposures[exposure]
        overhead = _OVERHEAD * seconds if self.overhead is None else self.overhead
        return (seconds + overhead) / 60

    def expected_growth(self) -> NDArray[np.float64]:
        """Expected growth at each power, a share; in proportion to power."""
        power = np.array(self.powers)
        return np.asarray(self.growth / 100 * power / power[-1])
