"""Extended light through a profile: against GalSim, against stars, turned, over the field."""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from scipy.signal import fftconvolve

from framesort.simulation import draw_truth
from framesort.simulation._blur import PointSpread, Spectrum, Spike, blur_picture, transform_of
from framesort.simulation._light import nebula_light
from framesort.simulation._profiles import draw_spikes, draw_stars
from framesort.simulation._stage import set_stage
from framesort.simulation._timeline import plan_exposures

HEATED = PointSpread(
    ((0.3, 2.6, 3.0), (0.64, 3.9, 2.7)), (Spike(0.06, 19.0, 1.45, 62.0),), trail=3.0, trail_angle=20
)


@pytest.mark.parametrize(("fwhm", "beta", "trail"), [(2.0, 3.0, 0), (2.6, 2.5, 5), (4.5, 4.765, 1)])
def test_transform_against_galsim(fwhm, beta, trail):
    k = np.linspace(-0.5, 0.5, 41)
    kx, ky = (v.astype(np.float32) for v in np.meshgrid(k, k))
    mine = transform_of(PointSpread(((1.0, fwhm, beta),), (), trail, 25.0), kx, ky)
    moffat, pixel = galsim.Moffat(beta=beta, fwhm=fwhm), galsim.Pixel(1.0)
    line = galsim.Box(max(trail, 1e-4), 1e-4).rotate(25.0 * galsim.degrees)
    theirs = [
        np.prod([one.kValue(2 * np.pi * a, 2 * np.pi * b).real for one in (moffat, pixel, line)])
        for a, b in zip(kx.ravel(), ky.ravel(), strict=True)
    ]
    # GalSim's own table of Moffat's transform is good to 1e-4 or so.
    assert np.abs(mine.ravel() - theirs).max() < 3e-4


def test_a_picture_against_galsim():
    dice = np.random.default_rng(3)
    picture = np.zeros((90, 110), np.float32)
    picture[25:65, 30:80] = dice.gamma(0.3, 10, (40, 50))
    mine = Spectrum(picture).through(PointSpread(((1.0, 3.1, 2.8),)))
    kernel = galsim.Moffat(beta=2.8, fwhm=3.1).drawImage(nx=301, ny=301, scale=1.0).array
    theirs = fftconvolve(picture.astype(float), kernel, mode="full")[150:240, 150:260]
    # Both hold the light to 1e-3; wings beyond 150 px are cut in theirs.
    assert np.abs(mine - theirs).max() < 2e-3 * theirs.max()


def test_a_point_of_a_nebula_looks_like_a_star():
    picture = np.zeros((201, 221), np.float32)
    picture[98, 107] = 1e5
    mine = Spectrum(picture).through(HEATED)
    star, place = np.zeros(picture.shape), (np.array([107.0]), np.array([98.0]))
    flux = np.array([1e5])
    draw_stars(star, *place, flux, shape=HEATED.star_shape())
    spike = HEATED.spikes[0]
    draw_spikes(
        star, *place, flux * spike.share, angle=62.0, length=spike.length, sigma=spike.sigma
    )
    # Stars end where they fall below 0.02, and a pixel widens their spike as a Gaussian does.
    assert np.abs(mine - star).max() < 2e-3 * star.max()
    assert mine.sum() == pytest.approx(1e5, rel=5e-3)  # wings leave the picture


@pytest.mark.parametrize("turn", [0.0, 37.0, 180.0])
@pytest.mark.parametrize("coarse", [1, 2])
def test_the_spike_stays_with_the_camera(turn, coarse):
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    axes = np.array([[c, -s], [s, c]]) / coarse
    picture = np.zeros((161, 161), np.float32)
    picture[80, 80] = 1.0
    spread = PointSpread(((0.5, 5.0, 4.0),), (Spike(0.5, 6.0, 2.5, 62.0),))
    seen = Spectrum(picture).through(spread, axes)
    rows, columns = np.indices(seen.shape) - 80
    # Steps on the picture back to steps on the frame.
    x, y = np.linalg.inv(axes) @ np.array([columns.ravel(), rows.ravel()])
    light = seen.ravel()
    direction = 0.5 * np.degrees(
        np.arctan2(2 * (light * x * y).sum(), (light * (x**2 - y**2)).sum())
    )
    assert direction == pytest.approx(62.0, abs=0.1)


def test_a_smooth_border_stays():
    flat = blur_picture(np.full((60, 70), 5.0), HEATED)
    # The trail and the pixel keep the level; wings beyond 64 px are a few parts in a thousand.
    assert np.abs(flat - 5.0).max() < 0.02


def sharpness(picture):
    """Deviation of what is finer than 4 px."""
    fine = picture - blur_picture(picture, PointSpread(((1.0, 4.0, 4.0),)))
    return fine[20:-20, 20:-20].std()


def test_heat_blurs_the_nebula_of_a_frame_and_the_truth_is_sharp(scenario):
    sky = replace(scenario, filter=tuple(replace(f, galaxies=0.0) for f in scenario.filter))
    shot, stage = plan_exposures(sky)[0], set_stage(sky)
    shot = replace(shot, matrix=np.eye(3), trail=0.0)

    def seen(power):
        heated = replace(shot, heating=((1.0, power),))
        return nebula_light(
            sky, stage.field, heated, filter_name="L", matrix=np.eye(3), shape=(240, 320)
        )

    cold, warm, hot = (seen(power) for power in (0.0, 50.0, 100.0))
    assert sharpness(cold) > 1.1 * sharpness(warm) > 1.1 * 1.1 * sharpness(hot)
    assert hot.mean() == pytest.approx(cold.mean(), rel=0.02)  # light is moved, not lost
    _, truth = draw_truth(sky, "L", fwhm=shot.fwhm)
    assert np.allclose(truth, cold * 60.0 / sky.camera.gain, rtol=1e-6)


def test_the_nebula_grows_wider_to_the_corners_as_stars_do(scenario):
    grid = np.zeros((240, 320), np.float32)
    places = [(20, 20), (120, 160)]
    for row, column in places:
        grid[row, column] = 1.0
    wide = replace(scenario, seeing=replace(scenario.seeing, corners=0.6), camera=scenario.camera)
    shot = replace(plan_exposures(wide)[0], matrix=np.eye(3), trail=0.0, heating=((1.0, 0.0),))
    field = replace(set_stage(wide).field, to_picture=np.eye(3), extended={"L": Spectrum(grid)})
    light = nebula_light(wide, field, shot, filter_name="L", matrix=np.eye(3), shape=grid.shape)
    for row, column in places:
        # Growth as the square of the distance from the centre, 0.6 in the corners.
        square = (row - 119.5) ** 2 + (column - 159.5) ** 2
        growth = 0.6 * square / (119.5**2 + 159.5**2)
        one = np.zeros_like(grid)
        one[row, column] = 1.0
        spread = PointSpread(((1.0, shot.fwhm * (1 + growth), wide.seeing.beta),))
        near = np.s_[row - 8 : row + 9, column - 8 : column + 9]
        # Widths between are mixed of two: better than 1 % of the peak.
        own = Spectrum(one).through(spread)[near]
        assert np.abs(light[near] - own).max() < 0.02 * own.max()
