"""Rejection where frames differ in width and spike: what the heater does is no outlier."""

import numpy as np
import pytest
from stack_options import grouped

from framesort.stacking import stack_arrays

SHAPE = (120, 150)
SKY, NOISE = 300.0, 6.0
STAR = (75.3, 60.6)  # x, y of the bright star whose spike is looked at
FLUX, SHARE = 4e5, 0.03  # of its light, in the spike
ALONG = np.deg2rad(62.0)

yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)


def along_and_across(x, y):
    u, v = xx - x, yy - y
    return u * np.cos(ALONG) + v * np.sin(ALONG), v * np.cos(ALONG) - u * np.sin(ALONG)


def moffat(x, y, flux, fwhm, beta=3.0):
    """Moffat 1969, A&A 3, 455: total light `flux`."""
    a = fwhm / 2 / np.sqrt(2 ** (1 / beta) - 1)
    r2 = (xx - x) ** 2 + (yy - y) ** 2
    return flux * (beta - 1) / np.pi / a**2 * (1 + r2 / a**2) ** -beta


def spike(x, y, flux):
    """Falls off by 1/e in 12 pixels on both sides, 1.1 pixels wide (sigma); total light `flux`."""
    u, v = along_and_across(x, y)
    return (
        flux
        * np.exp(-np.abs(u) / 12)
        / 24
        * np.exp(-(v**2) / 2 / 1.1**2)
        / 1.1
        / np.sqrt(2 * np.pi)
    )


def make_frames(power, seed):
    """Frames by heater power: images, their widths. Seeing 4 %, places 0.08 pixel off."""
    rng = np.random.default_rng(seed)
    stars = [(*STAR, FLUX), (30.2, 90.7, 8e4), (120.4, 25.1, 3e4)]
    images, widths = [], []
    for percent in power:
        fwhm = 2.6 * (1 + 0.45 * (percent / 100) ** 1.3) * np.exp(rng.normal(0, 0.04))
        share = SHARE * max(percent - 20, 0) / 80
        dx, dy = rng.normal(0, 0.08, 2)
        light = sum(
            moffat(x + dx, y + dy, flux * (1 - share), fwhm) + spike(x + dx, y + dy, flux * share)
            for x, y, flux in stars
        )
        images.append(SKY + light + rng.normal(0, np.sqrt(NOISE**2 + light)))
        widths.append(fwhm)
    return np.array(images), np.array(widths)


def stack(images, power, widths, **changes):
    power = np.array(power, dtype=float)
    options = {
        "fwhm": widths, "similarity": power, "groups": power > 0, "gain": 1.0, "noise": NOISE,
        "background_order": -1, **changes,
    }  # fmt: skip
    return stack_arrays(list(images), **grouped(**options))["all"]


def on_spike(low=12.0):
    """Pixels where a frame at full power has its spike 2 sigma above the noise of the sky."""
    u, _ = along_and_across(*STAR)
    return (spike(*STAR, FLUX * SHARE) > low) & (np.abs(u) > 8)


CASES = {
    "three heated of twelve": [0] * 9 + [100] * 3,
    "two heated of ten": [0] * 8 + [100] * 2,
    "two heater-off of ten": [0] * 2 + [80] * 8,
    "three of both": [0] * 3 + [100] * 3,
    "powers that differ": [0] * 9 + [40, 60, 60, 80, 100, 100, 100],
}


@pytest.mark.parametrize("case", CASES)
def test_no_frame_is_rejected_for_being_heated(case):
    """Coverage on spike and core is that of the sky; the stack is the mean of its frames."""
    power = CASES[case]
    lost = {"spike": [], "core": [], "sky": []}
    off = []
    for seed in range(4):
        images, widths = make_frames(power, seed)
        made = stack(images, power, widths)
        core = np.hypot(xx - STAR[0], yy - STAR[1]) < 6
        zones = {"spike": on_spike(), "core": core}
        zones["sky"] = ~on_spike(0.05) & (np.hypot(xx - STAR[0], yy - STAR[1]) > 30)
        for name, zone in zones.items():
            lost[name].append(1 - made.coverage[zone].mean() / len(power))
        mean = np.average(images, axis=0)
        error = np.sqrt((NOISE**2 + np.maximum(mean - SKY, 0)) / len(power))
        off.append(((made.data - mean) / error)[on_spike()].mean())
    # A clip at 3 sigma takes 0.27 % of a normal distribution, somewhat more where the median of few
    # frames stands for the truth. On the spike the widths differ on top.
    assert np.mean(lost["sky"]) < 0.005
    assert np.mean(lost["core"]) < 0.002
    assert np.mean(lost["spike"]) < 0.012
    # In the mean over the spike a tenth of the noise of a pixel.
    assert abs(np.mean(off)) < 0.1


def test_without_knowing_the_state_the_spike_is_lost():
    """What the test above would see if rejection did not know of the heater."""
    power = CASES["two heated of ten"]
    images, _ = make_frames(power, 0)
    made = stack(images, power, None, similarity=None, groups=None)
    assert 1 - made.coverage[on_spike()].mean() / len(power) > 0.1  # of at most 2 in 10


def test_groups_need_no_other_number():
    """Labels alone keep the spike."""
    power = CASES["two heated of ten"]
    images, _ = make_frames(power, 1)
    made = stack(images, power, None, similarity=None)
    assert 1 - made.coverage[on_spike()].mean() / len(power) < 0.015


def test_a_frame_between_two_powers_stays():
    """The only frame at its power is no outlier between those with less heat and with more."""
    power = [0] * 8 + [30, 30, 30] + [65] + [100, 100, 100]
    lost = []
    for seed in range(4):
        images, widths = make_frames(power, seed)
        taken = 1 - stack(images, power, widths).coverage[on_spike()] / len(power)
        lost.append(taken.mean() * len(power))
    assert np.mean(lost) < 0.1  # of this one frame; about half of it without


@pytest.mark.parametrize("case", CASES)
def test_trails_and_cosmic_rays_on_a_spike_go(case):
    """A trail along the sky and over the spike, and cosmic rays on it, in a frame of each state."""
    power = CASES[case]
    images, widths = make_frames(power, 5)
    clean = images.copy()
    across = np.cos(ALONG) * (xx - STAR[0] - 8) + np.sin(ALONG) * (yy - STAR[1] - 16)
    trail = 150 * np.exp(-(across**2) / 2 / 1.3**2)
    bright = trail > 8 * NOISE
    rays = [(r, c) for r, c in np.argwhere(on_spike())[::9]]
    for k in (0, len(power) - 1):
        images[k] += trail
        for r, c in rays:
            images[k, r, c] += 3000
        trail, rays = trail[::-1], [(r, c + 1) for r, c in rays]
    made = stack(images, power, widths)
    wanted = stack(clean, power, widths)
    error = np.sqrt((NOISE**2 + np.maximum(wanted.data - SKY, 0)) / len(power))
    excess = (made.data - wanted.data) / error
    far = np.hypot(xx - STAR[0], yy - STAR[1]) > 9
    # Left in, the trail would be 150 / 6 / sqrt(n) = 6 to 10 sigma, a cosmic ray some 150. One
    # frame less of a state of two or three moves the mean on the spike by its own share.
    assert np.median(excess[bright & far & ~on_spike(0.05)]) < 0.5
    assert np.percentile(excess[bright & far & ~on_spike(0.05)], 99) < 2
    assert max(excess[r, c] for r, c in rays) < 4


def test_no_pixel_that_a_frame_has_is_empty():
    """Two frames of a set are outvoted by eight others: they stay, a cosmic ray does not."""
    rng = np.random.default_rng(3)
    images = rng.normal(SKY, NOISE, (11, 60, 60))
    images[:3, 20:23, 20:23] += 500  # all of the sharp set
    images[0, 40, 40] += 900  # one of it
    images[1, 21, 21] += 4000  # an outlier among the outvoted
    sharp = np.arange(11) < 3
    made = stack_arrays(
        list(images),
        sets={"sharp": sharp, "deep": np.ones(11)},
        **grouped(noise=NOISE, background_order=-1),
    )
    assert made["sharp"].coverage.min() >= 1
    assert np.isfinite(made["sharp"].data).all()
    assert np.isfinite(made["deep"].data).all()
    block = made["sharp"].data[20:23, 20:23]
    # Three frames, two where the cosmic ray is: 6 / sqrt(2) = 4.2 ADU.
    assert np.abs(block - SKY - 500).max() < 4 * 4.3
    assert made["sharp"].coverage[21, 21] == 2
    assert made["sharp"].coverage[40, 40] == 2


def test_a_saturated_pixel_is_marked_as_such():
    """Wherever a quarter of the weight is saturated the stack is at its saturation level."""
    rng = np.random.default_rng(4)
    level = 4000.0
    images = []
    for _ in range(8):
        dx, dy = rng.normal(0, 0.25, 2)
        light = moffat(*np.add(STAR, (dx, dy)), 4e5, 2.6 * np.exp(rng.normal(0, 0.1)))
        images.append(np.minimum(SKY + light + rng.normal(0, NOISE, SHAPE), level))
    made = stack_arrays(
        images, **grouped(saturation=level, noise=NOISE, background_order=-1, clip=np.inf)
    )["all"]
    share = (np.array(images) >= level).mean(axis=0)
    assert (share[share > 0] < 1).any()  # the rim, where only some are saturated
    assert (made.data[share >= 0.25] >= made.saturation).all()
    # And no more than these: what is hardly saturated in any frame is below.
    assert np.count_nonzero(made.data[share == 0] >= made.saturation) == 0
