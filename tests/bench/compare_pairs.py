"""Simulated pairs of nights compared: coverage of ranges, wrong calls, numbers of frames.

    python tests/bench/compare_pairs.py --pairs 40 --first 1 [--unchanged 500] [--methods]
        [--power 300] [--images 6]

A script, not a test. Half of the pairs have no change. Nights are tables without images: the values
that the simulation plans, with the noise of measurements. `--methods` compares other ways to the
same numbers, `--power` simulates pairs with the numbers of frames that `frames_to_settle` gives.
The increase at each night's own seeing is called by its own range, for comparison.
"""

import argparse
import tempfile
import warnings
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from pair_nights import Night, PairOfNights, make_pair, night_table, scenario_of

from framesort.comparison import Configuration, _posterior, compare_configurations, frames_to_settle
from framesort.comparison._configuration import read_rows
from framesort.comparison._differences import Compared, combine, compare_pairs, find_pairs
from framesort.comparison._effects import measure_effects
from framesort.night import sort_frames
from framesort.records import Comparison, Difference, Interval
from framesort.simulation import simulate_night
from framesort.simulation._scenario import Camera, Stars


@dataclass
class Outcome:
    """One pair: where the truth fell, and what was called."""

    changed: bool
    inside: dict[str, list[tuple[bool, bool]]] = field(default_factory=dict)
    call: str = ""
    good: str = ""
    wrong: str = ""
    ratio_call: str = ""

    def note(self, name: str, interval: Interval, truth: float) -> None:
        if np.isfinite(interval.value):
            inside = (
                interval.low <= truth <= interval.high,
                interval.low95 <= truth <= interval.high95,
            )
            self.inside.setdefault(name, []).append(inside)


def true_difference(pair: PairOfNights, line: Difference, seeing: float) -> float:
    """Second less first at the first one's exposure, as a perfect measurement would show it."""
    before = pair.true_blur(line.power, line.exposure)
    after = pair.blur_factor * before
    if line.quantity == "spike":
        return (pair.spike_factor - 1) * pair.true_spike(line.power) * pair.first.spike_scale
    if line.quantity == "blur":
        return after - before
    return float(np.hypot(1, after / seeing) - np.hypot(1, before / seeing))


def _common_seeing(comparison: Comparison, pair: PairOfNights, line: Difference) -> float:
    """Geometric mean of the two medians, of the group's heater-off frames."""
    medians = []
    for one in pair.configurations:
        table = one.table
        off = (table["heater_share"] == 0) & (table["filter"] == line.filter)
        off &= np.abs(table["exposure"] - line.exposure) < 1
        medians.append(np.median(table["fwhm"][off]))
    return float(np.sqrt(medians[0] * medians[1]))


def judge(pair: PairOfNights, comparison: Comparison, *, changed: bool) -> Outcome:
    outcome = Outcome(changed)
    scale_known = pair.first.spike_scale == pair.second.spike_scale
    for line in comparison.differences:
        name = line.quantity
        if name not in ("blur", "fwhm_growth", "spike"):
            continue
        if np.isfinite(line.power):
            if "," in line.filter or not np.isfinite(line.exposure):
                continue
            seeing = _common_seeing(comparison, pair, line)
            outcome.note(name, line.difference, true_difference(pair, line, seeing))
        elif not changed:
            outcome.note(f"{name}, all", line.difference, 0.0)
        elif name != "fwhm_growth" and (name != "spike" or scale_known):
            truth = pair.blur_factor if name == "blur" else pair.spike_factor
            outcome.note(f"{name} ratio", line.ratio, truth)
        if not np.isfinite(line.power) and name == "fwhm_growth":
            low, high = line.difference.low95, line.difference.high95
            outcome.good = "found" if low > 0 or high < 0 else ""
    outcome.call = comparison.verdicts[0].call
    less = pair.blur_factor < 1 or pair.spike_factor < 1
    more = pair.blur_factor > 1 or pair.spike_factor > 1
    wrong = {"better": not less, "worse": not more, "mixed": not (less and more)}
    outcome.wrong = outcome.call if wrong.get(outcome.call, False) else ""
    outcome.ratio_call = _call_by_ratio(comparison)
    return outcome


def _call_by_ratio(comparison: Comparison) -> str:
    """The call that increases at each night's own seeing would give: quadrature ignored."""
    own: dict[tuple[str, float, float], list[Interval]] = {}
    for effect in comparison.effects:
        if effect.quantity == "fwhm_growth":
            key = (effect.filter, round(effect.exposure), round(effect.power))
            own.setdefault(key, []).append(effect.value)
    both = [two for two in own.values() if len(two) == 2]
    if not both:
        return "unknown"
    error = np.array([np.hypot(a.error, b.error) for a, b in both])
    change = np.array([b.value - a.value for a, b in both])
    score = float((change / error**2).sum() / np.sqrt((error**-2.0).sum()))
    return "better" if score < -2.33 else "worse" if score > 2.33 else "unknown"


def use_most_likely() -> None:
    """Fix walk, scatter and memory at the point of highest posterior, for comparison."""
    _posterior._weights = lambda log: (np.arange(len(log)) == np.argmax(log)).astype(float)


def run_pair(job: tuple[int, bool], most_likely: bool = False) -> Outcome:
    warnings.simplefilter("error")
    seed, changed = job
    if most_likely:
        use_most_likely()
    pair = make_pair(seed, changed=changed)
    return judge(pair, compare_configurations(pair.configurations), changed=changed)


def print_outcomes(outcomes: list[Outcome]) -> None:
    names = dict.fromkeys(name for one in outcomes for name in one.inside)
    for name in names:
        inside = np.array([pair for one in outcomes for pair in one.inside.get(name, [])])
        share = 100 * inside.mean(axis=0)
        print(f"{name:18s} {len(inside):5d} ranges: {share[0]:.1f} % in 68, {share[1]:.1f} % in 95")
    for changed in (False, True):
        mine = [one for one in outcomes if one.changed == changed]
        calls = Counter(one.call for one in mine)
        wrong = Counter(one.wrong for one in mine if one.wrong)
        ratio = Counter(one.ratio_call for one in mine)
        print(f"{'changed' if changed else 'no change'}: {len(mine)} pairs, calls {dict(calls)}")
        print(f"  wrong: {dict(wrong)}; by increase at each night's seeing: {dict(ratio)}")


def plan_pair(seed: int) -> tuple[float, tuple[int, int], str] | None:
    """A pilot of few frames at one power, and a fresh pair with the frames that it asks for.

    The difference that is to be found is the true one; the scatter is that of the pilot. None
    where the numbers are 0 or above 60, else the probability that was aimed at is 0.8. Returns the
    true difference, the further frames, and "found" or "".
    """
    warnings.simplefilter("error")
    rng = np.random.default_rng([seed, 85])
    common = {
        "filters": ("L",), "exposures": (60.0,), "powers": (float(rng.choice([50, 75])),),
        "jitter": float(rng.uniform(0.01, 0.03)), "walk": float(rng.uniform(0.02, 0.06)),
    }  # fmt: skip
    factor, blur = float(rng.uniform(0.5, 0.9)), float(rng.uniform(1.2, 2.6))
    nights = [
        Night(
            seed=10**7 + 10 * seed + k, blur=blur * (factor if k else 1), spike=0.0,
            fwhm=float(rng.uniform(2.2, 3.6)), frames=int(rng.integers(3, 9)),
            off_frames=int(rng.integers(4, 11)), rounds=int(rng.integers(1, 4)), **common,
        )
        for k in range(2)
    ]  # fmt: skip
    compared = combined_growth(nights)
    before = blur * (common["powers"][0] / 100) ** 0.8
    truth = float(np.hypot(1, factor * before / compared.seeing))
    truth -= float(np.hypot(1, before / compared.seeing))
    more = frames_to_settle(truth, compared.sides, fixed_variance=compared.fixed)
    if not (0 < sum(more) and max(more) <= 60 and min(more) >= 0):
        return None
    longer = [
        replace(
            one,
            seed=one.seed + 5 * 10**6,
            frames=one.frames + more[0],
            off_frames=one.off_frames + more[1],
            # Further frames alternate as those of the pilot did.
            rounds=max(1, round(one.rounds * (one.frames + more[0]) / one.frames)),
        )
        for one in nights
    ]
    low, high = np.quantile(combined_growth(longer).difference, [0.025, 0.975])
    return truth, more, "found" if low > 0 or high < 0 else ""


def combined_growth(nights: list[Night]) -> Compared:
    """The increase of FWHM over all powers of two nights."""
    rng = np.random.default_rng(0)
    drawn = [
        measure_effects(
            read_rows(Configuration(str(one.seed), night_table(one))),
            scale=1.0,
            spike_angle=np.nan,
            rng=rng,
        )
        for one in nights
    ]
    lines = compare_pairs(find_pairs(*drawn), rng)
    return combine([one for one in lines if one.quantity == "fwhm_growth"])


def print_power(plans: list[tuple[float, tuple[int, int], str] | None]) -> None:
    made = [one for one in plans if one is not None]
    found = sum(one[2] == "found" for one in made)
    heated = np.median([one[1][0] for one in made])
    off = np.median([one[1][1] for one in made])
    print(
        f"power: {found} of {len(made)} found, {100 * found / len(made):.0f} % where 80 % were "
        f"aimed at; median of further frames {heated:g} heated, {off:g} heater-off"
    )


def draw_pair(seed: int) -> str:
    """A pair as images of 600 x 450 pixels, measured; every other one without a change."""
    warnings.simplefilter("ignore")
    rng = np.random.default_rng([seed, 86])
    factor = 1.0 if seed % 2 else float(rng.uniform(0.3, 0.8))
    blur, spike = float(rng.uniform(1.6, 2.8)), float(rng.uniform(0.03, 0.08))
    configurations = []
    for k, name in enumerate(("before", "after")):
        night = Night(
            seed=2 * seed + k, blur=blur * (factor if k else 1), spike=spike * (factor if k else 1),
            fwhm=float(rng.uniform(2.2, 3.2)), frames=6, off_frames=8, powers=(75.0,),
        )  # fmt: skip
        scenario = replace(
            scenario_of(night),
            sky_seed=seed,
            camera=Camera(width=600, height=450, hot_pixels=40),
            stars=Stars(count=500, brightest=3e5),
        )
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "night"
            simulate_night(scenario, folder)
            night_sorted = sort_frames([folder / "frames"], heater=folder / "heater_power.csv")
        configurations.append(Configuration(name, night_sorted.table))
    comparison = compare_configurations(configurations)
    lines = {one.quantity: one for one in comparison.differences if np.isfinite(one.power)}
    true = blur * 0.75**0.8 * configurations[0].scale
    found, light = lines["blur"], lines["spike"]
    return (
        f"pair {seed}: factor {factor:.2f}, {comparison.verdicts[0].call}; blur true {true:.2f}, "
        f"{factor * true:.2f}, found {found.first.value:.2f} ± {found.first.error:.2f}, "
        f"{found.second.value:.2f} ± {found.second.error:.2f} {comparison.unit}; spike found "
        f"{light.first.value:.4f} ± {light.first.error:.4f}, {light.second.value:.4f} ± "
        f"{light.second.error:.4f}, ratio {light.ratio.value:.2f} ± {light.ratio.error:.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pairs", type=int, default=40)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--unchanged", type=int, default=0, help="further pairs without a change")
    parser.add_argument("--methods", action="store_true", help="fixed walk and scatter as well")
    parser.add_argument("--power", type=int, default=0, help="pairs of planned size")
    parser.add_argument("--images", type=int, default=0, help="pairs drawn as images")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    half = options.pairs // 2
    jobs = [(options.first + k, True) for k in range(half)]
    jobs += [(options.first + k, False) for k in range(half + options.unchanged)]
    with ProcessPoolExecutor(options.workers) as pool:
        if jobs:
            print_outcomes(list(pool.map(run_pair, jobs, chunksize=4)))
        for line in pool.map(draw_pair, range(options.first, options.first + options.images)):
            print(line, flush=True)
        if options.methods:
            print("walk and scatter fixed at their most likely values:")
            # In processes of their own, which are changed for good.
            with ProcessPoolExecutor(options.workers) as fixed:
                print_outcomes(list(fixed.map(run_pair, jobs, [True] * len(jobs), chunksize=4)))
        if options.power:
            seeds = range(options.first, options.first + options.power)
            print_power(list(pool.map(plan_pair, seeds, chunksize=4)))


if __name__ == "__main__":
    main()
