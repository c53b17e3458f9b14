"""Sequences of a test night: errors against closed forms, a second path, and simulated nights."""

import json

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from scipy.optimize import least_squares

from framesort import files
from framesort.errors import InputError, OutputError
from framesort.evidence import estimate_response
from framesort.planning import (
    DriftModel,
    ExperimentGoal,
    compare_orders,
    format_checklist,
    plan_experiment,
    predict_dew,
    write_experiment,
)
from framesort.planning._exchange import EXCHANGED, improve_sequence
from framesort.planning._onset import mean_response, plan_onset
from framesort.planning._orders import ORDERS, find_shortest
from framesort.planning._sequence import Trial, growth_errors

GOAL = ExperimentGoal()


def walk_covariance(hours, walk, noise):
    """Covariance of a random walk from the first time on, with independent noise."""
    hours = hours - hours[0]
    return walk**2 * np.minimum(hours[:, None], hours) + np.diag(noise**2)


@pytest.fixture(scope="module")
def plan():
    return plan_experiment(GOAL)


def trial_of(level, *, goal=GOAL, drift=None):
    level = np.array(level)
    exposure = np.zeros(len(level), dtype=int)
    return Trial("given", level, exposure, goal, drift or DriftModel())


def frames_of(steps, overhead=0.15):
    """Minute and power of each frame of a table of steps."""
    rows = [
        (row["begin_minute"] + k * row["exposure"] * (1 + overhead) / 60, row["power"])
        for row in steps
        for k in range(row["frames"])
    ]
    return np.array(rows).T


def test_without_drift_errors_are_those_of_two_means():
    level = np.array([0, 1, 1, 0, 2, 2, 2, 0, 0])
    drift = DriftModel(scatter=0.03, drift=0.0)
    found = growth_errors(np.arange(9) / 40, level, 3, drift=drift, assumed=0.0)
    assert found == pytest.approx(0.03 * np.sqrt([1 / 2 + 1 / 4, 1 / 3 + 1 / 4]), rel=1e-12)


def test_with_known_drift_errors_are_those_of_the_evidence():
    rng = np.random.default_rng(3)
    level = rng.permutation(np.repeat(np.arange(4), 5))
    hours = np.cumsum(rng.uniform(0.01, 0.1, 20))
    found = growth_errors(hours, level, 4, drift=DriftModel(scatter=0.02, drift=0.1), assumed=0.1)
    design = np.column_stack([np.ones(20), *(level == k for k in (1, 2, 3))]).astype(float)
    covariance = walk_covariance(hours, 0.1, np.full(20, 0.02))
    best = np.linalg.inv(design.T @ np.linalg.inv(covariance) @ design)
    assert found == pytest.approx(np.sqrt(np.diag(best))[1:], rel=1e-9)
    # Weights for another drift are never better.
    other = growth_errors(hours, level, 4, drift=DriftModel(scatter=0.02, drift=0.1), assumed=0.02)
    assert np.all(other > found)


def test_a_power_or_off_without_frames_has_no_error():
    hours = np.arange(4) / 40
    for level in ([1, 1, 2, 2], [0, 0, 1, 1]):
        assert np.isinf(growth_errors(hours, np.array(level), 3, drift=DriftModel())).all()


def test_the_plan_reaches_the_precision_and_the_times_fit(plan):
    assert plan.reached and plan.precision["fwhm_error"].max() <= 2.0
    assert plan.precision["frames"].min() >= 3  # as `estimate_response` needs
    steps = plan.table
    end = steps["begin_minute"] + steps["frames"] * 1.15
    switched = np.diff(steps["power"]) != 0
    # Half a minute for each switch; minutes are rounded to hundredths.
    gap = np.array(steps["begin_minute"][1:] - end[:-1])
    assert gap[switched] == pytest.approx(0.5, abs=0.011)
    assert plan.minutes == pytest.approx(end[-1], abs=0.011)
    assert plan.frames == steps["frames"].sum() and plan.switches == switched.sum()


@pytest.mark.parametrize("drift", [0.02, 0.06, 0.15])
def test_orders_with_returns_to_zero_need_fewer_minutes(drift):
    table = compare_orders(GOAL, drift=DriftModel(drift=drift))
    rows = {row["order"]: row for row in table}
    assert set(rows) == {*ORDERS, "exchange"}
    assert not rows["ascending"]["reached"]  # a power far from the zero frames
    reached = [row["minutes"] for row in table if row["reached"]]
    assert rows["exchange"]["minutes"] == min(reached)
    assert rows["between zeros"]["reached"] and rows["mirrored"]["reached"]


def test_exchange_shortens_and_still_reaches_the_goal():
    start = find_shortest(
        GOAL,
        DriftModel(drift=0.15),
        order="mirrored",
        exposures=np.array([0]),
        rng=np.random.default_rng(0),
    )
    found = improve_sequence(start)
    assert found.minutes < 0.7 * start.minutes and found.worst <= 1
    assert found.counts().min() >= 3


def simulate(steps, seeds, *, drift, growth=0.2):
    """Deviation of the log growth that the evidence measures: (seeds, powers)."""
    minute, power = frames_of(steps)
    found = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        step = np.sqrt(np.diff(minute, prepend=minute[0]) / 60)
        log = np.cumsum(drift.drift * step * rng.normal(size=len(minute)))
        log += rng.normal(0, drift.scatter, len(minute)) + np.log1p(growth * power / 100)
        night = Table({"start": Time(1.7e9 + 60 * minute, format="unix"), "fwhm": 3 * np.exp(log)})
        night["exposure"], night["filter"] = 60.0, "L"
        night["heater_share"], night["heater_power"] = (power > 0).astype(float), power
        points = estimate_response(night).points[1:]
        found.append(np.log(points["fwhm_growth"]) - np.log1p(growth * points["power"] / 100))
    return np.array(found)


def test_simulated_nights_scatter_as_predicted_and_less_than_in_ascending_order(plan):
    seeds = range(4500, 4570)
    found = simulate(plan.table, seeds, drift=plan.drift)
    spread = 100 * np.sqrt(np.mean(found**2, axis=0))
    # 70 nights: 8 % for one power; the rest of 25 % is 2 sigma. The mean over powers is known to 5.
    assert spread == pytest.approx(np.array(plan.precision["fwhm_error"]), rel=0.25)
    assert spread.mean() == pytest.approx(plan.precision["fwhm_error"].mean(), rel=0.15)
    ascending = Table(
        {
            "begin_minute": np.arange(5) * 4.0,
            "power": GOAL.powers,
            "exposure": [60.0] * 5,
            "frames": [3] * 5,
        }
    )
    worse = 100 * np.sqrt(np.mean(simulate(ascending, seeds, drift=plan.drift) ** 2, axis=0))
    assert worse[-1] > 1.4 * spread.max() and worse[-1] > 2.5


def test_difference_of_two_configurations_at_common_seeing():
    goal = ExperimentGoal(configurations=2, pause=20)
    plan = plan_experiment(goal)
    assert plan.reached and set(plan.table["configuration"]) == {1, 2}
    first, second = (plan.table[plan.table["configuration"] == k] for k in (1, 2))
    assert list(first["power"]) == list(second["power"])
    one = (plan.minutes - 20) / 2
    later = np.array(second["begin_minute"] - first["begin_minute"])
    assert later == pytest.approx(one + 20, abs=0.011)
    # Each alone must be better than 2 %: the errors of both add.
    assert one > plan_experiment(GOAL).minutes
    single = plan_experiment(ExperimentGoal(precision=2 / np.sqrt(2)))
    assert one == pytest.approx(single.minutes, rel=0.15)


def test_growth_at_common_seeing_against_a_simulation():
    level = np.tile([0, 1, 0, 2], 8)
    hours, growth, drift = np.arange(32) * 0.03, np.array([1.0, 1.1, 1.3]), DriftModel(drift=0.1)
    rng = np.random.default_rng(4000)
    assumed = 0.1
    design = np.column_stack([np.ones(32), level == 1, level == 2]).astype(float)
    inverse = np.linalg.inv(walk_covariance(hours, assumed, np.full(32, 0.02)))
    rows = np.linalg.solve(design.T @ inverse @ design, design.T @ inverse)[1:]
    found = []
    for _ in range(1500):
        steps = 0.1 * np.sqrt(np.diff(hours, prepend=hours[0]))
        seeing = np.exp(np.cumsum(steps * rng.normal(size=32)))
        fwhm = np.sqrt(seeing**2 + growth[level] ** 2 - 1) * np.exp(rng.normal(0, 0.02, 32))
        square = np.exp(2 * rows @ np.log(fwhm)) - 1
        mean = np.exp(np.log(fwhm[level == 0]).mean())
        found.append(0.5 * np.log1p(square * mean**2))  # at a seeing of 1
    predicted = growth_errors(hours, level, 3, drift=drift, assumed=assumed, growth=growth)
    # 1500 nights: 2 %; the rest is the second order of drifts of 10 %.
    assert np.std(found, axis=0) == pytest.approx(predicted, rel=0.08)


def test_the_spike_can_need_more_frames_than_the_fwhm(plan):
    fine = plan_experiment(ExperimentGoal(spike_precision=0.3))
    assert fine.frames > plan.frames and fine.precision["spike_error"].max() <= 0.3
    row = fine.precision[0]
    expected = 0.6 * np.sqrt(1 / row["frames"] + 1 / row["frames_off"])
    assert row["spike_error"] == pytest.approx(expected)


def test_a_short_night_states_what_it_reaches(plan):
    short = plan_experiment(ExperimentGoal(precision=0.5, minutes=60))
    assert short.minutes <= 60 and not short.reached
    assert any("Not reached within 60 min" in text for text in short.sentences)
    worst = short.precision["fwhm_error"].max()
    assert 0.5 < worst < plan.precision["fwhm_error"].max()
    assert f"to {worst:.1f} %" in short.sentences[0]


def test_waits_are_three_time_constants_after_each_switch():
    goal = ExperimentGoal(settle=1.0)
    plan = plan_experiment(goal)
    steps = plan.table
    assert set(steps["wait_minutes"][1:]) == {3.0} and steps["wait_minutes"][0] in (0.0, 3.0)
    gap = np.array(steps["begin_minute"][1:] - steps["begin_minute"][:-1])
    assert gap - 1.15 * steps["frames"][:-1] == pytest.approx(3.5, abs=0.011)
    orders = compare_orders(goal)
    fixed = orders[(orders["order"] != EXCHANGED) & orders["reached"]]
    assert plan.reached and len(fixed) and plan.minutes <= fixed["minutes"].min() + 1e-6


def test_two_exposures_each_reach_the_precision():
    plan = plan_experiment(ExperimentGoal(exposures=(120, 30)))
    assert plan.reached and sorted(set(plan.precision["exposure"])) == [30, 120]
    assert len(plan.precision) == 8 and plan.precision["fwhm_error"].max() <= 2
    for exposure in (30, 120):
        steps = plan.table[plan.table["exposure"] == exposure]
        for power in GOAL.powers:
            assert steps["frames"][steps["power"] == power].sum() >= 3


def test_mean_response_is_the_mean():
    fine = (np.arange(20000) + 0.5) / 20000
    for since in (0.0, 0.7):
        mean = np.mean(1 - np.exp(-(since + 1.5 * fine) / 0.8))
        assert mean_response(np.array([since]), 1.5, 0.8) == pytest.approx(mean, rel=1e-6)


def test_time_constants_are_measured_as_predicted():
    drift = DriftModel(scatter=0.005, drift=0.0)
    trial = trial_of([0, 0, 0, 1, 1, 1, 0, 0], goal=ExperimentGoal(powers=(0, 100)), drift=drift)
    onset = plan_onset(trial)
    top, step, exposure = np.log1p(0.2), 1.15, 1.0
    rise, fall = (next(s for s in onset.steps if s.kind == kind) for kind in ("rise", "fall"))
    since = [step * np.arange(s.frames) for s in (rise, fall)]
    off = 5 + 6  # of the sequence and of these steps

    def model(p):
        level, growth, first, second = p
        heated = growth * mean_response(since[0], exposure, first)
        cooling = growth * (1 - mean_response(since[1], exposure, second))
        return level + np.r_[np.zeros(off), growth * np.ones(3), heated, cooling]

    truth = np.array([0.0, top, onset.time_constant, onset.time_constant])
    rng = np.random.default_rng(4000)
    found = []
    for _ in range(300):
        data = model(truth) + rng.normal(0, 0.005, off + 3 + 2 * rise.frames)
        found.append(least_squares(lambda p, y=data: model(p) - y, truth).x)
    spread = np.std(found, axis=0)[2:]
    # 300 nights: 4 %; the rest is the curvature of the model.
    assert spread == pytest.approx([onset.rise_error, onset.fall_error], rel=0.15)


def test_frames_heated_in_part_give_the_effect_of_a_share(plan):
    drift = DriftModel(scatter=0.02, drift=0.0)
    onset = plan_onset(trial_of([0, 0, 0, 1, 1, 1], drift=drift))
    # Two such frames, against 9 heater-off frames and what the falling ones add.
    assert 0.02 * np.sqrt(1 / 2) < onset.share_error <= 0.02 * np.sqrt(1 / 2 + 1 / 9)
    longer = plan_experiment(ExperimentGoal(onset=True))
    assert longer.minutes == pytest.approx(plan.minutes + longer.onset.minutes, abs=0.01)
    parts = longer.table[(longer.table["share"] > 0) & (longer.table["share"] < 1)]
    assert list(parts["share"]) == [0.2, 0.2] and "48 s after" in parts["purpose"][0]
    assert json.loads(files.json_text(longer.as_dict()))["onset"]["share"] == 0.2


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"precision": -1}, "precision must be above 0"),
        ({"precision": float("nan")}, "precision must be above 0"),
        ({"powers": (0, 120)}, "powers must be from 0 to 100 percent, got 120"),
        ({"powers": (0, float("nan"))}, "powers must be from 0 to 100"),
        ({"powers": (25, 50)}, "must contain 0"),
        ({"powers": (0,)}, "one above 0"),
        ({"powers": (0, 50, 51)}, "more than 2.5 percent apart, got 50 and 51"),
        ({"exposures": ()}, "exposures must contain one"),
        ({"exposures": (-3,)}, "exposures must be above 0"),
        ({"exposures": (60, 60)}, "differ"),
        ({"settle": -1}, "settle must be at least 0"),
        ({"spike_precision": 0}, "spike_precision must be above 0"),
        ({"configurations": 3}, "configurations must be 1 or 2"),
        ({"pause": 3}, "pause is for two"),
        ({"onset": True, "configurations": 2}, "onset is for one"),
        ({"fewest": 0}, "fewest must be at least 1"),
    ],
)
def test_wrong_goals_are_named(fields, message):
    with pytest.raises(InputError, match=message):
        ExperimentGoal(**fields)


def test_wrong_drift_and_too_few_minutes_are_named():
    with pytest.raises(InputError, match="scatter must be above 0"):
        DriftModel(scatter=0)
    with pytest.raises(InputError, match="drift must be at least 0"):
        DriftModel(drift=-0.1)
    # 15 frames of 69 s and 4 switches of 30 s.
    with pytest.raises(InputError, match=r"minutes must be at least 19 for 3 frames .* got 10"):
        plan_experiment(ExperimentGoal(minutes=10))
    with pytest.raises(InputError, match="together"):
        plan_experiment(GOAL, temperature=8)


@pytest.mark.parametrize(
    ("humidity", "text"),
    [(30.0, "Dew margin 1"), (95.0, "Dew is expected"), (72.0, "Dew margin only")],
)
def test_the_dew_margin_while_the_heater_is_off(humidity, text):
    plan = plan_experiment(GOAL, temperature=12.0, humidity=humidity)
    assert any(line.startswith(text) for line in plan.sentences)


def test_the_forecast_limits_the_test():
    forecast = Table({"temperature": [10.0, 10.0, 10.0], "humidity": [60.0, 60.0, 95.0]})
    times = ["2024-10-14T20:00", "2024-10-14T20:05", "2024-10-14T20:15"]
    forecast["time"] = Time(times)
    plan = plan_experiment(GOAL, dew=predict_dew(forecast))
    assert any("does not fit before 20:1" in text for text in plan.sentences)
    forecast["time"] = Time(["2024-10-14T20:00", "2024-10-14T23:10", "2024-10-14T23:40"])
    plan = plan_experiment(GOAL, dew=predict_dew(forecast))
    assert any("must end before 23:" in text for text in plan.sentences)


def test_the_checklist_has_every_step_and_the_cautions(plan):
    text = format_checklist(plan)
    assert text.isascii()
    for row in plan.table:
        assert f"[ ]  {row['step']:4d}  {row['begin_minute']:6.1f}  {row['power']:3g} %" in text
    for word in ("manufacturer's instructions", "local regulations", "Mains voltage", "unattended"):
        assert word in text


def test_files_are_written_all_or_none(plan, tmp_path, monkeypatch):
    folder = tmp_path / "test"
    paths = write_experiment(plan, folder)
    names = ["checklist.txt", "experiment.csv", "experiment.ecsv", "experiment.json"]
    assert [p.name for p in paths] == names == sorted(p.name for p in folder.iterdir())
    table = Table.read(folder / "experiment.ecsv")
    assert list(table["power"]) == list(plan.table["power"])
    assert list(Table.read(folder / "experiment.csv")["frames"]) == list(plan.table["frames"])
    with pytest.raises(OutputError, match="give --overwrite"):
        write_experiment(plan, folder)
    write_experiment(plan, folder, overwrite=True)
    (tmp_path / "some").mkdir()
    (tmp_path / "some" / "experiment.json").write_text("mine")
    with pytest.raises(OutputError):
        write_experiment(plan, tmp_path / "some")
    assert [p.name for p in (tmp_path / "some").iterdir()] == ["experiment.json"]


def test_a_full_disk_leaves_nothing(plan, tmp_path, monkeypatch):
    from framesort.planning import _experiment_files

    opened = []

    def open_few(path, **options):
        opened.append(path)
        if len(opened) == 3:
            raise OutputError(f"{path}: cannot be written (No space left on device)")
        return files.open_whole(path, **options)

    monkeypatch.setattr(_experiment_files, "open_whole", open_few)
    with pytest.raises(OutputError, match="No space left"):
        write_experiment(plan, tmp_path / "test")
    assert list((tmp_path / "test").iterdir()) == []
