"""What was right about one sorted night, and the rates over many; used by simulated_nights.py."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.night import SortedNight
from framesort.records import ClockOffset, HeaterTrace, column_values
from framesort.simulation import Scenario
from framesort.simulation._light import frame_shape
from framesort.simulation._profiles import profile_width
from framesort.simulation._timeline import plan_exposures

OFF, STRONG = 0.005, 50.0
"""Heater share below which a frame is off; power from which its state must be found."""

VISIBLE = 0.01
"""Share of the light between 2 and 6 FWHM from which a spike must be found."""


def _has(reasons: Any, code: str) -> np.ndarray:
    return np.array([code in str(reason).split("; ") for reason in reasons], dtype=bool)


@dataclass
class NightRates:
    """Counts of one night: pairs (right, of how many) and lists of deviations."""

    kind: str
    scenario: Scenario
    truth: Table
    counts: dict[str, tuple[int, int]] = field(default_factory=dict)
    lists: dict[str, list[float]] = field(default_factory=dict)
    table: Any = None

    def count(self, name: str, right: Any) -> None:
        right = np.asarray(right, dtype=bool)
        self.counts[name] = (int(right.sum()), right.size)

    def forget(self) -> None:
        """Drop what is large before the numbers are handed on."""
        self.table = self.truth = self.scenario = None

    def add_log(self, night: SortedNight) -> None:
        """Judge a night sorted with the log of power samples."""
        table, truth = night.table, self.truth
        self.table = table
        share = np.asarray(truth["heater_share"], dtype=float)
        if self.scenario.heater.events:
            wanted = np.where(share < OFF, "off", np.where(share > 1 - OFF, "on", "part"))
            self.count("state, power log", np.asarray(table["heater_state"]) == wanted)
            error = column_values(table, "heater_share") - share
            self.lists["share, power log"] = [float(e) for e in error]
            self._lines("log", table)
            self._response(night)
        self._reasons(table)

    def _drawn_spike(self) -> np.ndarray:
        """Share of the light in the spike between 2 and 6 FWHM, where it is measured."""
        length = self.scenario.heater.spike_length
        seen = np.exp(-2 / length) - np.exp(-6 / length)
        return np.asarray(self.truth["spike_share"], dtype=float) * seen

    def _lines(self, name: str, table: Table) -> None:
        strength, error = column_values(table, "spike_strength"), column_values(
            table, "spike_strength_err"
        )  # fmt: skip
        seen = strength > 3 * error
        known = np.isfinite(strength)
        wanted = self._drawn_spike()
        cold = np.asarray(self.truth["heater_share"], dtype=float) < OFF
        self.count(f"false spike, {name}", seen[known & cold])
        self.count(f"missed spike, {name}", ~seen[known & (wanted >= VISIBLE)])
        turn = column_values(table, "spike_angle") - np.asarray(self.truth["spike_angle"])
        off = np.abs((turn + 90) % 180 - 90)
        self.lists[f"spike angle, {name}"] = [float(a) for a in off[seen & (wanted >= VISIBLE)]]

    def _reasons(self, table: Table) -> None:
        reasons = table["reason"]
        remarks = [str(r).split("; ") for r in self.truth["remarks"]]
        cold = np.asarray(self.truth["heater_share"], dtype=float) < OFF
        clear = np.asarray(self.truth["transparency"], dtype=float)
        clear = clear / np.percentile(clear, 90)
        dewing = np.array(["dew" in r for r in remarks]) & cold
        clouded = np.array(["cloud" in r for r in remarks])
        dew, cloud = _has(reasons, "dew"), _has(reasons, "cloud")
        # Before a tenth of the light is gone nobody could tell.
        self.count("dew found", dew[dewing & (clear < 0.9)])
        self.count("dew falsely named", dew[cold & ~dewing])
        self.count("cloud found", cloud[clouded & (clear < 0.75)])
        self.count("cloud falsely named", cloud[~clouded & ~dewing])
        width = np.asarray(self.truth["fwhm_unheated"], dtype=float)
        windy = np.array([("wind" in r) or ("trail" in r) for r in remarks])
        if cold.sum() >= 5:
            usual = np.median(width[cold])
            blurred, sharp = width > 1.2 * usual, width < 1.03 * usual
            focus = _has(reasons, "poor focus") | _has(reasons, "wide stars")
            steady = cold & ~windy & ~dewing
            self.count("wide stars found", focus[steady & blurred])
            self.count("wide stars falsely named", focus[steady & sharp])
            trail = np.asarray(self.truth["trail"], dtype=float) / width
            named = _has(reasons, "trailed")
            self.count("trail found", named[windy & (trail > 0.8)])
            self.count("trail falsely named", named[cold & ~windy & (trail < 0.4)])

    def _response(self, night: SortedNight) -> None:
        if night.response is None:
            return
        truth, table = self.truth, night.table
        share = np.asarray(truth["heater_share"], dtype=float)
        power = np.asarray(truth["heater_power"], dtype=float)
        growth = np.log(np.asarray(truth["fwhm"]) / np.asarray(truth["fwhm_unheated"]))
        exposure = np.asarray(truth["exposure"], dtype=float)
        measured = np.isfinite(column_values(table, "fwhm"))
        deviations, spikes = [], []
        for row in night.response.points:
            if row["power"] == 0:
                continue
            mine = (np.asarray(truth["filter"]) == row["filter"]) & measured
            mine &= np.abs(exposure - row["exposure"]) < 0.5
            mine &= (np.abs(power - row["power"]) < 2.5) & (share > 0.98)
            error = row["fwhm_growth_err"] / row["fwhm_growth"]
            deviations.append((np.log(row["fwhm_growth"]) - growth[mine].mean()) / error)
            spikes.append((row["spike"] - self._drawn_spike()[mine].mean()) / row["spike_err"])
        self.lists["growth"] = [float(d) for d in deviations]
        self.lists["spike"] = [float(d) for d in spikes if np.isfinite(d)]
        self.lists["limit"] = []
        for row in night.response.highest_acceptable:
            wanted = self._true_limit(str(row["filter"]), float(row["exposure"]))
            if np.isfinite(row["power_low"]) or np.isinf(row["power_low"]):
                low, high = row["power_low"], row["power_high"]
                top = 100.0 if np.isinf(wanted) else wanted
                self.lists["limit"].append(float(low <= top <= high))

    def _true_limit(self, filter_name: str, exposure: float) -> float:
        """Power at which the stars drawn are 5 % wider."""
        shots = [
            shot
            for shot in plan_exposures(self.scenario)
            if shot.filter == filter_name and abs(shot.exposure - exposure) < 0.5
        ]
        usual = float(np.median([shot.fwhm for shot in shots]))
        shot = replace(shots[0], fwhm=usual, halo=0.0, trail=0.0)
        widths = []
        powers = np.arange(0.0, 101.0, 2.5)
        for power in powers:
            shape = frame_shape(self.scenario, replace(shot, heating=((1.0, float(power)),)))
            widths.append(profile_width(shape))
        grown = np.array(widths) / widths[0]
        return float(np.interp(1.05, grown, powers)) if grown[-1] > 1.05 else np.inf

    def add_current(self, trace: HeaterTrace) -> None:
        """Judge what the supply current was understood to say."""
        share = np.asarray(self.truth["heater_share"], dtype=float)
        start = self.truth["start"].unix
        found, _ = trace.average(start, start + np.asarray(self.truth["exposure"], dtype=float))
        known = np.isfinite(found)
        self.count("share within 0.1, current", np.abs(found - share)[known] <= 0.1)
        self.count("unknown, current", ~known)

    def add_stars(self, night: SortedNight) -> None:
        """Judge a night sorted without a log."""
        state = np.asarray(night.table["heater_state"], dtype=str)
        share = np.asarray(self.truth["heater_share"], dtype=float)
        power = np.asarray(self.truth["heater_power"], dtype=float)
        cold, hot = share < OFF, power >= STRONG
        on = np.isin(state, ["on", "part"])
        self.count("off right, stars", (state == "off")[cold])
        self.count("off called heated, stars", on[cold])
        self.count("heated right, stars", on[hot])
        self.count("heated called off, stars", (state == "off")[hot])
        self.count("unknown, stars", state == "unknown")
        chance = column_values(night.table, "heated_probability")
        known = np.isfinite(chance) & (cold | hot)
        self.lists["chance"] = [float(c) for c in chance[known]]
        self.lists["heated"] = [float(h) for h in hot[known]]
        if self.scenario.heater.events:
            self._lines("stars", night.table)
        self.count("heated in the sharp set, stars", (power >= STRONG)[night.table["sharp_set"]])

    def add_clock(self, ahead: float, clock: ClockOffset) -> None:
        """Judge the offset found for a log whose clock is ahead by so many seconds."""
        cadence = float(np.median(np.diff(self.truth["start"].unix)))
        name = "clock found" if ahead else "clock left alone"
        told = abs(clock.seconds + ahead) <= cadence if np.isfinite(clock.seconds) else False
        before = self.counts.get(name, (0, 0))
        good = (told and clock.significant) if ahead else not clock.significant
        self.counts[name] = (before[0] + int(good), before[1] + 1)
        wrong = clock.significant and abs(clock.seconds + ahead) > cadence
        before = self.counts.get("clock wrong", (0, 0))
        self.counts["clock wrong"] = (before[0] + int(wrong), before[1] + 1)
        if np.isfinite(clock.seconds) and clock.significant:
            self.lists.setdefault("clock error", []).append((clock.seconds + ahead) / clock.error)
            self.lists.setdefault("clock frames", []).append((clock.seconds + ahead) / cadence)

    def line(self) -> str:
        """One line on this night."""
        told = [f"{name} {a}/{n}" for name, (a, n) in self.counts.items() if n]
        told += [
            f"{name} {' '.join(f'{d:+.1f}' for d in self.lists.get(name, []))}"
            for name in ("growth", "spike", "limit", "clock frames")
        ]
        return f"{self.kind}: " + "; ".join(told)


def print_rates(nights: list[NightRates]) -> None:
    """The table of rates over all nights."""
    names = list(dict.fromkeys(name for night in nights for name in night.counts))
    print(f"\n{len(nights)} nights")
    for name in sorted(names):
        right = sum(night.counts.get(name, (0, 0))[0] for night in nights)
        total = sum(night.counts.get(name, (0, 0))[1] for night in nights)
        if total:
            print(f"| {name} | {100 * right / total:.1f} % | {right} of {total} |")
    gathered = {
        name: np.array([value for night in nights for value in night.lists.get(name, [])])
        for name in dict.fromkeys(name for night in nights for name in night.lists)
    }
    for name in ("growth", "spike", "clock error"):
        values = gathered.get(name, np.empty(0))
        if values.size:
            print(
                f"| {name}: within one sigma | {100 * np.mean(np.abs(values) < 1):.0f} % | of "
                f"{values.size}; mean {values.mean():+.2f} sigma, within 2: "
                f"{100 * np.mean(np.abs(values) < 2):.0f} % |"
            )
    if gathered.get("limit", np.empty(0)).size:
        limit = gathered["limit"]
        print(f"| 5 % power within its range | {100 * limit.mean():.0f} % | of {limit.size} |")
    for name in ("share, power log", "spike angle, log", "clock frames"):
        values = np.abs(gathered.get(name, np.empty(0)))
        if values.size:
            print(f"| {name} | median {np.median(values):.3g}, largest {values.max():.3g} | |")
    chance, heated = gathered.get("chance"), gathered.get("heated")
    if chance is not None and chance.size:
        for low, high in (
            (0, 0.01),
            (0.01, 0.1),
            (0.1, 0.5),
            (0.5, 0.9),
            (0.9, 0.99),
            (0.99, 1.01),
        ):
            here = (chance >= low) & (chance < high)
            if here.any():
                print(
                    f"| chance {low:g} to {min(high, 1):g} | heated in truth "
                    f"{100 * heated[here].mean():.1f} % | mean chance "
                    f"{100 * chance[here].mean():.1f} %, {here.sum()} frames |"
                )
