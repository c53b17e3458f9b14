"""How well time constants and share law of the heater are found on simulated nights.

    python tests/bench/onset_table.py [--nights 20] [--first 3000] [--cadence 60 300]
        [--tau 0 2 10] [--scale 0.07]

Nights of five hours as plans without images: frames of 52 s every 60 s or of 292 s every 300 s,
4 to 8 changes of power at random moments, spike error 0.004, FWHM scatter 2 %, seeing that walks
6 % an hour, two frames in a hundred trailed. Prints, for each true time constant (warming and
cooling alike) and law, how many nights were given which; coverage of the intervals; processor
time of a night.
"""

import argparse
import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.evidence import fit_onset
from framesort.records import add_column
from framesort.simulation import Scenario
from framesort.simulation._heater import Heater
from framesort.simulation._light import heated_profile
from framesort.simulation._scenario import Filter, Run, Seeing
from framesort.simulation._timeline import heater_trace, plan_exposures

HOURS = 5.0
SPIKE_ERR = 0.004
POWERS = (40.0, 70.0, 100.0)
NEAR = (0.0, 2.0, 10.0)


def draw_events(rng):
    """Changes of power [minute, percent] at random, at least 12 minutes apart."""
    count = int(rng.integers(4, 9))
    while True:
        minutes = np.sort(rng.uniform(15, 60 * HOURS - 15, count))
        if np.diff(minutes).min() > 12:
            break
    power, events = 0.0, []
    for minute in minutes:
        choices = [p for p in (0.0, *POWERS) if p != power]
        chance = np.array([3.0 if p == 0 else 1.0 for p in choices])
        power = float(rng.choice(choices, p=chance / chance.sum()))
        events.append((float(minute), power))
    return tuple(events)


def make_scenario(seed, *, cadence, warming, cooling, law, scale=0.07):
    """The plan of a night."""
    rng = np.random.default_rng([seed, 77])
    return Scenario(
        start=datetime(2026, 1, 20, 19, 0, tzinfo=UTC),
        seed=seed,
        seeing=Seeing(walk=0.06, jitter=0.02),
        heater=Heater(
            events=draw_events(rng),
            warming=warming,
            cooling=cooling,
            share_law=law,
            share_scale=scale,
        ),
        filter=(Filter(name="L"),),
        run=(Run(filter="L", exposure=cadence - 8.0, count=int(3600 * HOURS / cadence)),),
    )


def mixture_width(parts):
    """FWHM of a sum of Moffat profiles (share, fwhm, beta), by bisection."""
    share, fwhm, beta = (np.array(column)[:, None] for column in zip(*parts, strict=True))
    core = fwhm**2 / (4 * (2 ** (1 / beta) - 1))
    height = share * (beta - 1) / core

    def light(radius):
        return (height * (1 + radius**2 / core) ** -beta).sum(axis=0)

    low, high = np.zeros(1), np.full(1, 2 * fwhm.max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        above = light(middle) > 0.5 * light(np.zeros(1))
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return float(2 * low[0])


def measure_plan(scenario, *, spike_err=SPIKE_ERR, trailed=0.02):
    """The table of frames that measuring such a night would give."""
    rng = np.random.default_rng([scenario.seed, 78])
    plan = plan_exposures(scenario)
    fwhm, spike = np.empty(len(plan)), np.empty(len(plan))
    # What lies between 2 and 6 FWHM of a spike, as `spike_strength` measures it.
    length = scenario.heater.spike_length
    seen = np.exp(-2 / length) - np.exp(-6 / length)
    for i, shot in enumerate(plan):
        parts = []
        spike[i] = 0.0
        for share, power in shot.heating:
            width, beta, strength = heated_profile(
                scenario, shot.fwhm, power, shot.exposure, configuration=shot.configuration
            )
            parts.append((share * (1 - strength), width, beta))
            spike[i] += share * strength * seen
        fwhm[i] = mixture_width(parts)
    fwhm *= np.where(rng.uniform(size=len(plan)) < trailed, rng.uniform(1.1, 1.6, len(plan)), 1.0)
    angle = np.radians(2 * scenario.heater.spike_angle)
    vector = spike * np.exp(1j * angle)
    vector = vector + spike_err * (rng.normal(size=len(plan)) + 1j * rng.normal(size=len(plan)))
    start = np.array([shot.start for shot in plan])
    exposure = np.array([shot.exposure for shot in plan])
    share, power = heater_trace(scenario).average(start, start + exposure)
    table = Table()
    add_column(table, "start", Time(start, format="unix", scale="utc"))
    for name, values in (
        ("exposure", exposure), ("filter", [shot.filter for shot in plan]),
        ("heater_share", share), ("heater_power", power), ("fwhm", fwhm),
        ("spike_strength", np.abs(vector)), ("spike_angle", np.degrees(np.angle(vector)) / 2 % 180),
        ("spike_strength_err", np.full(len(plan), spike_err)),
    ):  # fmt: skip
        add_column(table, name, values)
    return table


def name_tau(interval):
    """Which of 0, 2 and 10 minutes a result names; "?" where its 95 % hold several or none."""
    inside = [one for one in NEAR if interval.low95 <= one <= interval.high95]
    return f"{inside[0]:g}" if len(inside) == 1 else "several" if inside else "none"


def judge(found, tau):
    """Nearest of the three to the median; in the 95 and 68 % ranges or not, warming, cooling."""
    rows = []
    for one in (found.both.warming, found.both.cooling):
        edges = (0.75, 4.5)
        nearest = NEAR[int(np.searchsorted(edges, one.value))]
        rows.append((nearest, name_tau(one), one.low95 <= tau <= one.high95,
                     one.low <= tau <= one.high))  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--first", type=int, default=3000)
    parser.add_argument("--cadence", type=float, nargs="+", default=[60.0, 300.0])
    parser.add_argument("--tau", type=float, nargs="+", default=list(NEAR))
    parser.add_argument("--scale", type=float, default=0.07)
    options = parser.parse_args()
    print("cadence tau law     | tau nearest 0/2/10  one of them (95 %)   in 95 %  in 68 % "
          "| law: mixture whole open | cpu s")  # fmt: skip
    for cadence in options.cadence:
        for tau in options.tau:
            for law in ("mixture", "whole"):
                show_cell(options, cadence, tau, law)


def show_cell(options, cadence, tau, law) -> None:
    """One row of the table."""
    rows, laws, seconds = [], [], []
    for k in range(options.nights):
        night = make_scenario(
            options.first + k, cadence=cadence, warming=tau, cooling=tau, law=law,
            scale=options.scale,
        )  # fmt: skip
        table, trace = measure_plan(night), replace(heater_trace(night), source="log")
        begin = time.process_time()
        found = fit_onset(table, trace)
        seconds.append(time.process_time() - begin)
        if found.both is None:  # no effect seen
            laws.append("open")
            continue
        rows += judge(found, tau)
        laws.append(found.both.law or "open")
    nearest = "/".join(f"{sum(row[0] == one for row in rows):2d}" for one in NEAR)
    named = " ".join(
        f"{one}:{sum(row[1] == one for row in rows)}" for one in ("0", "2", "10", "several", "none")
    )
    inside = [np.mean([row[i] for row in rows]) for i in (2, 3)]
    print(
        f"{cadence:5.0f} {tau:5.1f} {law:8s}| {nearest:10s} {named:38s} {inside[0]:5.2f} "
        f"{inside[1]:7.2f} | {laws.count('mixture'):3d} {laws.count('whole'):3d} "
        f"{laws.count('open'):3d} | {np.median(seconds):.2f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
