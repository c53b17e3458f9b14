"""What takes linear time against the same by matrices of all pairs of frames."""

import numpy as np
import pytest
from astropy.table import Table

from framesort.evidence._drift import WalkFactor
from framesort.evidence._kernel_mean import KernelMean
from framesort.evidence._mixture import _forward_backward
from framesort.evidence._series import Series, pool_frames
from framesort.selection import choose_sets, summarise_sets, trace_trade_off
from framesort.tags._dew import _hinge_misfits


@pytest.mark.parametrize("walk", [0.0, 0.01, 0.3])
@pytest.mark.parametrize("count", [2, 7, 120])
def test_walk_factor_is_the_cholesky_factor(walk, count):
    rng = np.random.default_rng(count)
    hours = np.sort(rng.uniform(20, 28, count))
    hours[1] = hours[0]  # two frames at one time
    noise = rng.uniform(0.01, 0.05, count)
    noise[-1] = 5.0  # hardly known
    since = hours - hours[0]
    covariance = walk**2 * np.minimum(since[:, None], since) + np.diag(noise**2)
    lower, inverse = np.linalg.cholesky(covariance), np.linalg.inv(covariance)
    factor, data = WalkFactor(hours, walk, noise), rng.normal(1, 0.1, (count, 3))
    # 5 over 0.01, squared, times the rounding of doubles, and a margin for the number of frames
    near = {"rtol": 1e-8, "atol": 1e-8}
    np.testing.assert_allclose(factor.whiten(data), np.linalg.solve(lower, data), **near)
    np.testing.assert_allclose(
        factor.whiten(data[:, 0]), np.linalg.solve(lower, data[:, 0]), **near
    )
    assert factor.log_root_determinant == pytest.approx(np.log(np.diag(lower)).sum(), rel=1e-8)
    scatter = noise**2 * (inverse @ data[:, 1])
    np.testing.assert_allclose(factor.scatter_of(data[:, 1]), scatter, **near)
    np.testing.assert_allclose(factor.scatter_variance(), noise**4 * np.diag(inverse), rtol=1e-6)


def test_walk_factor_refuses_a_covariance_that_is_none():
    with pytest.raises(np.linalg.LinAlgError):
        WalkFactor(np.arange(4.0), 0.1, np.zeros(4))


def kernel_mean(times, width, values, weight):
    good = np.isfinite(values) & (weight > 1e-3)
    z = -0.5 * ((times[:, None] - times[good]) / width) ** 2
    kernel = np.exp(z - z.max(axis=1, keepdims=True)) * weight[good]
    return kernel @ values[good] / kernel.sum(axis=1)


@pytest.mark.parametrize(("count", "span"), [(40, 6), (800, 9), (800, 60)])
def test_kernel_mean_is_that_over_all_pairs(count, span):
    rng = np.random.default_rng(span)
    times = 1000 + np.sort(rng.uniform(0, span, count))
    values = np.cumsum(rng.normal(0, 0.1, count))
    values[count // 3] = np.nan
    # Two stretches count, with nothing near for many widths between them.
    weight = np.where((times < 1002) | (times > 1000 + span - 1), rng.uniform(0, 1, count), 0.0)
    found = KernelMean(times, 0.75).average(values, weight)
    np.testing.assert_allclose(found, kernel_mean(times, 0.75, values, weight), atol=1e-8)
    assert not KernelMean(times, 0.75).average(values, np.zeros(count)).any()


@pytest.mark.parametrize("count", [1, 5, 9, 60])
def test_chain_against_the_sum_over_all_paths(count):
    # Two states: the posterior by sums over paths, in the order of the frames, in long numbers.
    log = np.random.default_rng(count).normal(0, 2, (count, 2))
    move = np.array([[0.95, 0.05], [0.05, 0.95]])
    likely, total = np.exp(log), np.full(2, 0.5)
    ahead, back = [], [np.ones(2)]
    for k in range(count):
        total = (total if k == 0 else total @ move) * likely[k]
        ahead.append(total)
    for k in range(count - 1, 0, -1):
        back.append(move @ (likely[k] * back[-1]))
    posterior = np.array(ahead) * np.array(back[::-1])
    chance, score = _forward_backward(log)
    np.testing.assert_allclose(chance, posterior / total.sum(), rtol=1e-10)
    assert score == pytest.approx(np.log(total.sum()), abs=1e-9)


def test_hinges_are_least_squares_fits():
    rng = np.random.default_rng(4)
    values = 1 + 0.01 * rng.normal(size=30) - 0.02 * np.maximum(np.arange(30) - 17, 0)
    for start, misfit in enumerate(_hinge_misfits(values, 26)):
        design = np.column_stack([np.ones(30), np.maximum(np.arange(30) - start, 0)])
        assert misfit == pytest.approx(np.linalg.lstsq(design, values)[1][0], rel=1e-9)


def test_trade_off_is_the_summary_of_each_prefix():
    rng = np.random.default_rng(7)
    count = 12
    table = Table(
        {
            "file": [f"{k}.fits" for k in range(count)],
            "group": ["L"] * count,
            "grade": ["sharp"] * 6 + ["usable"] * 6,
            "reason": [""] * count,
            "heater_share": np.repeat([0.0, 1.0], 6),
            "heater_power": np.repeat([0.0, 60.0], 6),
            "exposure": rng.uniform(250, 310, count),
            "fwhm": rng.uniform(2.5, 3.0, count),
            "noise": rng.uniform(10, 12, count),
            "transparency": np.r_[np.nan, rng.uniform(0.8, 1, count - 1)],
        }
    )
    choose_sets(table)
    curve = trace_trade_off(table, "L")
    order = np.argsort(table["fwhm"], kind="stable")
    assert list(curve["frames"]) == list(range(1, count + 1))
    for k in (0, 4, count - 1):
        some = table.copy()
        some["deep_set"] = np.isin(np.arange(count), order[: k + 1])
        deep = summarise_sets(some, "L")[1]
        assert (curve["hours"][k], curve["fwhm"][k], curve["depth"][k]) == pytest.approx(
            (deep.hours, deep.fwhm, deep.depth), rel=1e-12
        )
        assert curve["heated"][k] == np.sum(order[: k + 1] >= 6)


def test_short_exposures_are_pooled_by_group_and_minute():
    start = 1e9 + np.arange(60) * 20.0
    group = np.tile([0, 1], 30)
    values = np.where(group == 0, 1.0, 2.0) + 0.001 * np.arange(60)
    series = Series(start, np.full(60, 18.0), values, np.column_stack([values, -values]), group)
    pooled, counts = pool_frames(series, 120.0)
    assert counts.sum() == 60
    assert set(counts) == {3.0}
    assert np.all(np.diff(pooled.start) >= 0)
    assert pooled.exposure == pytest.approx(np.full(20, 98.0))  # from 0 or 20 s to 98 or 118 s
    first = pooled.group == 0
    assert pooled.log_fwhm[first][0] == pytest.approx(values[[0, 2, 4]].mean())
    np.testing.assert_allclose(pooled.spike, np.column_stack([pooled.log_fwhm, -pooled.log_fwhm]))
    assert pool_frames(series, 30.0)[0] is series
