"""Effects against those of the first configuration, at equal power."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from framesort.comparison._configuration import LEVEL
from framesort.comparison._effects import BLUR, KERNEL_BLUR, Drawn, signed_root
from framesort.comparison._settle import Side, frames_to_settle
from framesort.records import Difference, Effect, Interval

__all__ = ["Compared", "as_effects", "as_interval", "combine", "compare_pairs", "find_pairs"]

Floats = NDArray[np.float64]

_EXPOSURE_DOUBT = 0.3
"""Scatter of the exponent with which an effect grows with exposure, where exposures differ."""

_FILTER_DOUBT = 0.1
"""Relative scatter of an effect between filters, where filters differ."""

_POWER_EXPONENT = {BLUR: 2.0, KERNEL_BLUR: 2.0, "spike": 3.0, "halo": 2.0}
"""Largest exponents with which quantities commonly grow with power; 1 for others. A spike appears
above some power and then grows fast."""

_SCALE = 0.08
"""Relative uncertainty of a spike's share, which depends on the profile of the stars: scatter of
measured over true shares on simulated nights."""

_SCALE_SEEING = 0.3
"""Difference of seeing, as a natural logarithm, from which two such uncertainties are independent;
with equal seeing they are the same and drop out of ratio and sign."""


@dataclass(frozen=True)
class Pair:
    """The effect of one power in the first configuration and in another, draw by draw."""

    first: Drawn
    second: Drawn
    doubt: float = 0.0

    @property
    def seeing(self) -> float:
        """Common FWHM with the heater off: geometric mean of the two."""
        return float(np.sqrt(self.first.seeing * self.second.seeing))


@dataclass(frozen=True)
class Compared:
    """Draws of one quantity in two configurations, and what their uncertainty rests on.

    Attributes
    ----------
    quantity, filter, exposure, power
        As in `records.Difference`.
    first, second : (n,) float ndarray
        Draws of the effects.
    sides : tuple of Side
    fixed : float
        Variance of the difference that more frames do not lower.
    seeing : float
        Common FWHM with the heater off.
    powers : tuple of float
        Powers that are in it.
    """

    quantity: str
    filter: str
    exposure: float
    power: float
    first: Floats
    second: Floats
    sides: tuple[Side, ...] = ()
    fixed: float = 0.0
    seeing: float = np.nan
    powers: tuple[float, ...] = field(default=())

    @property
    def difference(self) -> Floats:
        """Draws of second less first."""
        return self.second - self.first

    def needed(self, *, level: float = 0.95) -> tuple[int, int]:
        """Further frames in each configuration, see `frames_to_settle`."""
        return frames_to_settle(
            float(np.median(self.difference)), self.sides, fixed_variance=self.fixed, level=level
        )

    def record(self, configuration: str, reference: str) -> Difference:
        """As a record."""
        difference = self.difference
        first = as_interval(self.first)
        below = float(np.mean(difference < 0))
        chance = max(2 * min(below, 1 - below), 1 / len(difference))
        found = np.quantile(difference, 0.025) > 0 or np.quantile(difference, 0.975) < 0
        frames, off = (0, 0) if found else self.needed()
        known = first.low95 > 0
        return Difference(
            configuration=configuration,
            reference=reference,
            quantity=self.quantity,
            filter=self.filter,
            exposure=self.exposure,
            power=self.power,
            first=first,
            second=as_interval(self.second),
            difference=as_interval(difference),
            ratio=as_interval(self.second / self.first) if known else Interval(),
            chance_none=chance,
            frames_needed=frames,
            off_frames_needed=off,
        )


def as_interval(draws: Floats) -> Interval:
    """Median and central ranges of draws."""
    low95, low, value, high, high95 = np.quantile(draws, [0.025, 0.16, 0.5, 0.84, 0.975])
    return Interval(
        value=float(value),
        low=float(low),
        high=float(high),
        low95=float(low95),
        high95=float(high95),
    )


def _growth(squared: Floats, seeing: float) -> Floats:
    """Increase of FWHM by a blur added in quadrature to `seeing`."""
    return np.asarray(np.sqrt(np.maximum(1 + squared / seeing**2, 0.01)) - 1)


def _shown(quantity: str) -> tuple[str, ...]:
    """Quantities of the records that follow from a fitted one."""
    return {BLUR: ("fwhm_growth", "blur"), KERNEL_BLUR: ("kernel_blur",)}.get(quantity, (quantity,))


def _derive(shown: str, draws: Floats, seeing: float) -> Floats:
    if shown == "fwhm_growth":
        return _growth(draws, seeing)
    return signed_root(draws) if shown in ("blur", "kernel_blur") else draws


def as_effects(name: str, drawn: Sequence[Drawn]) -> list[Effect]:
    """Records of a configuration's effects, each at its own seeing."""
    return [
        Effect(
            configuration=name,
            quantity=shown,
            filter=one.filter,
            exposure=one.exposure,
            power=one.power,
            frames=one.frames,
            off_frames=one.off_frames,
            value=as_interval(_derive(shown, one.draws, one.seeing)),
        )
        for one in drawn
        for shown in _shown(one.quantity)
    ]


def _unlike(first: Drawn, second: Drawn) -> tuple[int, float]:
    """How unlike filter and exposure are: 0 equal, 1 the exposure, 2 the filter, 3 both."""
    apart = abs(np.log(second.exposure / first.exposure))
    return int(apart > 0.03) + 2 * int(first.filter != second.filter), float(apart)


def _doubt(first: Drawn, second: Drawn) -> float:
    """Relative scatter by which the effects may differ, as their settings are not the same."""
    kind, apart = _unlike(first, second)
    power = _POWER_EXPONENT.get(first.quantity, 1.0) * np.log(second.power / first.power)
    exponent = 2.0 if first.quantity in (BLUR, KERNEL_BLUR) else 1.0
    exposure = exponent * _EXPOSURE_DOUBT * apart if kind % 2 else 0.0
    filters = exponent * _FILTER_DOUBT if kind > 1 else 0.0
    return float(np.sqrt(power**2 + exposure**2 + filters**2))


def find_pairs(first: Sequence[Drawn], second: Sequence[Drawn]) -> list[Pair]:
    """Match powers: equal filter and exposure, and only where there are none the nearest."""
    pairs = []
    for quantity in dict.fromkeys(one.quantity for one in first):
        mine = [one for one in first if one.quantity == quantity]
        other = [one for one in second if one.quantity == quantity]
        near = [
            (_unlike(a, b), a, b) for a in mine for b in other if abs(a.power - b.power) <= LEVEL
        ]
        exact = [Pair(a, b, _doubt(a, b)) for (kind, _), a, b in near if kind == 0]
        if not exact and near:
            best = min(rank for rank, _, _ in near)
            exact = [Pair(a, b, _doubt(a, b)) for rank, a, b in near if rank == best]
        pairs += exact
    return pairs


def _second_draws(pair: Pair, rng: np.random.Generator) -> tuple[Floats, Floats, float]:
    """Draws of both with what they may differ by, and the relative size of that."""
    first, second, doubt = pair.first.draws, pair.second.draws, pair.doubt
    if pair.first.quantity == "spike":
        # The part of the scale's uncertainty that is common to both.
        common = np.exp(rng.normal(0, _SCALE, len(first)))
        first, second = first * common, second * common
        apart = abs(np.log(pair.second.seeing / pair.first.seeing)) / _SCALE_SEEING
        doubt = float(np.hypot(doubt, np.sqrt(2) * _SCALE * min(1.0, apart)))
    if doubt > 0:
        second = second * np.exp(rng.normal(0, doubt, len(second)))
    return first, second, doubt


def compare_pairs(pairs: Sequence[Pair], rng: np.random.Generator) -> list[Compared]:
    """Each pair in the quantities of the records, with FWHM at the seeing common to both."""
    compared = []
    for pair in pairs:
        first, second, doubt = _second_draws(pair, rng)
        one, other = pair.first, pair.second
        for shown in _shown(one.quantity):
            a, b = (_derive(shown, draws, pair.seeing) for draws in (first, second))
            # Variance in the shown quantity: that of the fitted one times the squared slope.
            slopes = [
                (_spread(s) / max(_spread(d), 1e-12)) ** 2 for s, d in ((a, first), (b, second))
            ]
            compared.append(
                Compared(
                    shown,
                    one.filter if one.filter == other.filter else f"{one.filter}, {other.filter}",
                    one.exposure if _unlike(one, other)[0] % 2 == 0 else np.nan,
                    (one.power + other.power) / 2,
                    a,
                    b,
                    tuple(
                        Side(max(slope * x.variance, 1e-12), x.frames, x.off_frames)
                        for slope, x in zip(slopes, (one, other), strict=True)
                    ),
                    float(np.median(b) * doubt) ** 2,
                    pair.seeing,
                    ((one.power + other.power) / 2,),
                )
            )
    return compared


def _spread(draws: Floats) -> float:
    low, high = np.quantile(draws, [0.16, 0.84])
    return float(high - low) / 2


def combine(compared: Sequence[Compared]) -> Compared:
    """One quantity over all powers, filters and exposures: means weighted by precision.

    The weights ``1 / s^2`` of the differences are the same for both configurations, so that
    nothing but the change makes the two means differ.
    """
    if len(compared) == 1:
        return replace(compared[0], power=np.nan, filter="", exposure=np.nan)
    weight = np.array([1 / max(_spread(one.difference), 1e-12) ** 2 for one in compared])
    weight /= weight.sum()
    first = np.tensordot(weight, [one.first for one in compared], 1)
    second = np.tensordot(weight, [one.second for one in compared], 1)
    sides = []
    for k in range(2):
        mine = [one.sides[k] for one in compared]
        # Powers share their heater-off frames: effects are not independent of one another.
        draws = (first, second)[k]
        total = sum(w * w * s.variance for w, s in zip(weight, mine, strict=True))
        whole = sum(
            w * w * _spread((one.first, one.second)[k]) ** 2
            for w, one in zip(weight, compared, strict=True)
        )
        inflation = _spread(draws) ** 2 / max(whole, 1e-20)
        frames = round(float(weight @ [s.frames for s in mine]))
        off = round(float(weight @ [s.off_frames for s in mine]))
        sides.append(Side(max(float(total * inflation), 1e-12), max(frames, 1), off))
    return Compared(
        compared[0].quantity,
        "",
        np.nan,
        np.nan,
        first,
        second,
        tuple(sides),
        float(weight**2 @ [one.fixed for one in compared]),
        float(np.exp(weight @ np.log([one.seeing for one in compared]))),
        tuple(sorted({power for one in compared for power in one.powers})),
    )
