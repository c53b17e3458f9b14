"""Series of a simulated night as they become known, and what a judgement makes of them."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np

from framesort.live import LiveFrame

WORTHLESS = 0.66
"""Share of the light in a dew halo that the measured flux of a star does not see."""

HALO_OF_LOSS = 0.6
"""Share of light in the halo for each unit lost, as `framesort.simulation` draws dew."""


@dataclass(frozen=True, kw_only=True)
class Series:
    """What was measured on a night's frames, and the truth.

    `transparency` has a row for each moment: what was known of all frames after frame k.
    """

    kind: str
    seed: int
    start: np.ndarray
    exposure: float
    fwhm: np.ndarray
    half_flux_radius: np.ndarray
    sky: np.ndarray
    noise: np.ndarray
    stars: np.ndarray
    transparency: np.ndarray
    share: np.ndarray
    power: np.ndarray
    airmass: np.ndarray
    loss: np.ndarray
    truth: np.ndarray

    def save(self, path: Path) -> None:
        np.savez_compressed(path, **asdict(self))

    @classmethod
    def load(cls, path: Path) -> "Series":
        with np.load(path) as kept:
            values = {key: kept[key] for key in kept.files}
        return cls(
            **{key: value.item() if value.ndim == 0 else value for key, value in values.items()}
        )

    @property
    def star_loss(self) -> np.ndarray:
        """Share of the measured flux of stars that dew costs: light lost, and light in the halo."""
        return 1 - (1 - self.loss) * (1 - WORTHLESS * HALO_OF_LOSS * self.loss)

    def every(self, step: int) -> "Series":
        """One frame of so many."""
        rows = np.arange(0, len(self.start), step)
        parts = {
            name: value[rows]
            for name, value in asdict(self).items()
            if isinstance(value, np.ndarray) and value.ndim == 1
        }
        return replace(self, **parts, transparency=self.transparency[np.ix_(rows, rows)])

    def frames(self, last: int, without: Sequence[str] = ()) -> list[LiveFrame]:
        """The frames as they were known after frame `last`; fields named in `without` are NaN."""
        found = []
        for k in range(last + 1):
            share = self.share[k]
            values = {
                "fwhm": self.fwhm[k],
                "halo": self.half_flux_radius[k] / self.fwhm[k],
                "transparency": self.transparency[last, k],
                "sky": self.sky[k],
                "airmass": self.airmass[k],
            }
            known = {name: float(value) for name, value in values.items() if name not in without}
            found.append(
                LiveFrame(
                    file=f"{k:03d}.fits",
                    start=float(self.start[k]),
                    exposure=self.exposure,
                    filter="L",
                    group="L",
                    heater_state="off" if share <= 0 else "on" if share >= 1 else "part",
                    heater_power=float(self.power[k]),
                    heater_share=float(share),
                    **known,
                )
            )
        return found


Method = Callable[[Sequence[LiveFrame]], float]
"""Takes the frames so far, gives the probability (or another measure) of dew."""


def score_night(series: Series, method: Method, without: Sequence[str] = ()) -> np.ndarray:
    """What a method says after each frame."""
    return np.array(
        [method(series.frames(k, without)) for k in range(len(series.start))], dtype=float
    )


@dataclass
class Rates:
    """Counts over nights of one kind."""

    nights: int = 0
    false_calls: int = 0
    called: int = 0
    in_time: int = 0
    stars_in_time: int = 0
    ahead: list[float] = field(default_factory=list)


def count_night(series: Series, scores: np.ndarray, threshold: float, rates: Rates) -> None:
    """Add a night; dew is called when two scores running are above the threshold."""
    above = scores > threshold
    call = above & np.append(False, above[:-1])
    minute = (series.start + series.exposure) / 60
    false = call & ~(series.loss > 0)
    rates.nights += 1
    rates.false_calls += int((false & ~np.append(False, false[:-1])).sum())
    right = np.flatnonzero(call & (series.loss > 0))
    if not (series.loss > 0).any() or len(right) == 0:
        return
    rates.called += 1
    when = float(minute[right[0]])
    late, stars_late = (
        float(minute[np.argmax(loss >= 0.1)]) if (loss >= 0.1).any() else np.inf
        for loss in (series.loss, series.star_loss)
    )
    rates.in_time += when < late
    rates.stars_in_time += when < stars_late
    if np.isfinite(late):
        rates.ahead.append(late - when)


def count_rates(
    nights: Sequence[Series], scores: Sequence[np.ndarray], threshold: float
) -> dict[str, Rates]:
    """Rates of each kind of night."""
    rates: dict[str, Rates] = {}
    for series, values in zip(nights, scores, strict=True):
        count_night(series, values, threshold, rates.setdefault(series.kind, Rates()))
    return rates


def choose_threshold(nights: Sequence[Series], scores: Sequence[np.ndarray]) -> float:
    """The lowest threshold of those tried without any false call."""
    values = np.unique(np.concatenate([one[np.isfinite(one)] for one in scores]))
    for threshold in np.quantile(values, np.linspace(0.3, 1, 141)):
        if not sum(one.false_calls for one in count_rates(nights, scores, threshold).values()):
            return float(threshold)
    return float(values[-1])


def print_rates(name: str, rates: dict[str, Rates]) -> None:
    """One line: dew called in time, minutes ahead, false calls by kind of night."""
    dew = rates.get("dew", Rates())
    ahead = f"{np.median(dew.ahead):5.1f}" if dew.ahead else "    -"
    false = ", ".join(f"{kind} {one.false_calls}/{one.nights}" for kind, one in rates.items())
    print(
        f"{name:28} dew called {dew.called}/{dew.nights}, before 10 % of the light {dew.in_time}, "
        f"of star flux {dew.stars_in_time}; {ahead} min ahead; false calls/nights: {false}"
    )
