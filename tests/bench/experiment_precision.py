"""Test nights as planned, simulated as tables: is the growth measured as precisely as predicted?

    python tests/bench/experiment_precision.py [--seeds 200] [--first 4000]

Each night has a random walk and scatter of log FWHM and a known growth at each power;
`framesort.evidence.estimate_response` measures it. Printed for each power: the standard deviation
of the measured log growth over all seeds, the predicted one, their ratio (its own error is
1 / sqrt(2 seeds)), and the mean deviation from the truth.
"""

import argparse

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.evidence import estimate_response
from framesort.planning import DriftModel, ExperimentGoal, plan_experiment
from framesort.planning._orders import find_shortest
from framesort.planning._steps import list_steps

T0 = 1710442800.0
OVERHEAD = 0.15


def frames_of(steps):
    """Start [min], power, exposure and configuration of each frame of a sequence."""
    rows = [
        (
            row["begin_minute"] + k * row["exposure"] * (1 + OVERHEAD) / 60,
            *row["power", "exposure", "configuration"],
        )
        for row in steps
        for k in range(row["frames"])
    ]
    return np.array(rows).T


def draw_fwhm(rng, minutes, power, drift, growth, seeing=2.8):
    """FWHM of each frame; `growth` at full power, a share, at the seeing of 2.8.

    Blur adds in quadrature, so that growth is smaller in poorer seeing.
    """
    step = np.sqrt(np.diff(minutes, prepend=minutes[0]) / 60)
    base = seeing * np.exp(np.cumsum(drift.drift * step * rng.normal(size=len(minutes))))
    blur2 = seeing**2 * ((1 + growth * power / 100) ** 2 - 1)
    return np.sqrt(base**2 + blur2) * np.exp(rng.normal(0, drift.scatter, len(minutes)))


def draw_log_growth(rng, minutes, power, drift, growth):
    """FWHM of each frame with a growth that does not depend on seeing."""
    step = np.sqrt(np.diff(minutes, prepend=minutes[0]) / 60)
    walk = np.cumsum(drift.drift * step * rng.normal(size=len(minutes)))
    return (
        2.8 * np.exp(walk + rng.normal(0, drift.scatter, len(minutes))) * (1 + growth * power / 100)
    )


def as_night(minutes, power, exposure, fwhm):
    table = Table()
    table["file"] = [f"f{k:03d}.fits" for k in range(len(minutes))]
    table["start"] = Time(T0 + 60 * minutes, format="unix")
    table["exposure"], table["filter"] = exposure, "L"
    table["heater_share"], table["heater_power"] = (power > 0).astype(float), power
    table["fwhm"] = fwhm
    return table


def measure(steps, drift, seeds, growth=0.2):
    """Deviation of log growth from the truth: (seeds, exposures x powers), and the stated error."""
    minutes, power, exposure, _ = frames_of(steps)
    found, stated = [], []
    for seed in seeds:
        fwhm = draw_log_growth(np.random.default_rng(seed), minutes, power, drift, growth)
        points = estimate_response(as_night(minutes, power, exposure, fwhm)).points
        points = points[points["power"] > 0]
        found.append(np.log(points["fwhm_growth"]) - np.log1p(growth * points["power"] / 100))
        stated.append(points["fwhm_growth_err"] / points["fwhm_growth"])
    return np.array(found), np.array(stated)


def measure_difference(steps, drift, seeds, growth=0.2):
    """Difference of two equal configurations' log growth at common seeing: (seeds, powers)."""
    minutes, power, exposure, configuration = frames_of(steps)
    found = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        fwhm = draw_fwhm(rng, minutes, power, drift, growth)
        square, seeing = [], []
        for part in (1, 2):
            mine = configuration == part
            night = as_night(minutes[mine], power[mine], exposure[mine], fwhm[mine])
            points = estimate_response(night).points
            square.append(points["fwhm_growth"][points["power"] > 0] ** 2 - 1)
            seeing.append(np.exp(np.mean(np.log(fwhm[mine & (power == 0)]))))
        common = np.sqrt(seeing[0] * seeing[1])
        both = [s * (w / common) ** 2 for s, w in zip(square, seeing, strict=True)]
        found.append(0.5 * (np.log1p(both[1]) - np.log1p(both[0])))
    return np.array(found)


def show(name, found, predicted, powers, stated=None):
    spread = np.sqrt(np.mean((found - found.mean(0)) ** 2, axis=0) * len(found) / (len(found) - 1))
    print(name)
    for k, power in enumerate(powers):
        line = f"  {power:3g} %: scatter {100 * spread[k]:.2f} %, predicted {predicted[k]:.2f} %, "
        line += (
            f"ratio {100 * spread[k] / predicted[k]:.2f}, mean {100 * found[:, k].mean():+.2f} %"
        )
        if stated is not None:
            line += f", stated {100 * np.sqrt(np.mean(stated[:, k] ** 2)):.2f} %"
        print(line, flush=True)
    return 100 * spread / predicted


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=4000)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    ratios = []
    for walk, precision in ((0.02, 2), (0.06, 2), (0.06, 1), (0.15, 2)):
        drift, goal = DriftModel(drift=walk), ExperimentGoal(precision=precision)
        plan = plan_experiment(goal, drift=drift)
        name = f"drift {100 * walk:g} %/h, {precision} %: {plan.order}, {plan.frames} frames, "
        name += f"{plan.minutes:.0f} min"
        found, stated = measure(plan.table, drift, seeds)
        ratios.append(show(name, found, plan.precision["fwhm_error"], goal.powers[1:], stated))
        first = find_shortest(
            goal, drift, order="ascending", exposures=np.array([0]), rng=np.random.default_rng(0)
        )
        short = [plan.frames // 5 + (k < plan.frames % 5) for k in range(5)]
        same = first.with_level(np.repeat(np.arange(5), short))
        found, _ = measure(list_steps(same, None), drift, seeds)
        show(
            f"  as many frames, ascending: {same.minutes:.0f} min",
            found,
            100 * same.errors[0],
            goal.powers[1:],
        )
    drift, goal = DriftModel(), ExperimentGoal(configurations=2, pause=20)
    plan = plan_experiment(goal, drift=drift)
    found = measure_difference(plan.table, drift, seeds)
    name = f"two configurations, pause 20 min: {plan.frames} frames, {plan.minutes:.0f} min"
    ratios.append(show(name, found, plan.precision["fwhm_error"], goal.powers[1:]))
    everything = np.concatenate(ratios)
    print(f"ratio of scatter to prediction: {everything.min():.2f} to {everything.max():.2f}")


if __name__ == "__main__":
    main()
