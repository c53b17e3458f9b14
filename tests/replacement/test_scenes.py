"""The simulated pairs are what they say: tests against them are worth what these are worth."""

import galsim
import numpy as np
import pytest
from scenes_for_replacement import BRIGHTNESS, make_blurred_pair
from scipy.signal import fftconvolve


@pytest.mark.parametrize("kind", BRIGHTNESS)
def test_both_stacks_are_their_light_and_noise(kind):
    pair = make_blurred_pair(kind, seed=4, shape=(150, 170), stars=30, full=np.inf)
    deep = (pair.deep - pair.deep_nebula - pair.deep_light) / pair.noise
    sharp = pair.sharp - pair.truth
    spread = np.sqrt((pair.truth + 16.0) / 12)
    # Four deviations of a deviation and of a mean.
    few = 4 / np.sqrt(deep.size)
    assert deep.std() == pytest.approx(1.0, abs=few / np.sqrt(2))
    assert (sharp / spread).std() == pytest.approx(1.0, abs=few / np.sqrt(2))
    assert abs(deep.mean()) < few
    # The sharp frames are part of the deep stack: 12 of 40, their noise shared.
    assert np.mean(deep * pair.noise * sharp) == pytest.approx(0.3 * np.mean(sharp**2), rel=0.1)


def test_the_nebula_is_blurred_as_the_stars_are():
    pair = make_blurred_pair("filaments", seed=2, shape=(150, 170), stars=30, line=0.0)
    # Heated nebula and the sharp one, each through the other's profile, are the same.
    heated = pair.nebula + (pair.deep_nebula - pair.nebula) / 0.7
    kernels = [
        galsim.Moffat(beta=b, fwhm=w).drawImage(nx=81, ny=81, scale=1.0, method="sb").array
        for w, b in ((3.9, 2.7), (2.8, 3.0))
    ]
    crossed = [
        fftconvolve(image - 300.0, kernel / kernel.sum(), mode="valid")
        for image, kernel in zip((pair.nebula, heated), kernels, strict=True)
    ]
    apart = np.abs(heated - pair.nebula).max()
    assert apart > 10 * pair.sigma
    # Their wings are cut at 40 px, those of the scene at 100 px.
    assert np.abs(crossed[0] - crossed[1]).max() < 0.02 * apart


def test_the_spike_is_what_turns_with_its_angle():
    one, other = (
        make_blurred_pair("flat", seed=3, shape=(150, 170), stars=30, angle=angle)
        for angle in (62.0, 152.0)
    )
    assert np.allclose(one.deep_light - one.spike, other.deep_light - other.spike)
    assert np.abs(one.spike - other.spike).max() > 20 * one.sigma
    # 5 % of the heated frames' light, 70 % of the stack's, in an exponential by a Gaussian.
    brightest = int(np.argmax(one.flux))
    peak = one.spike[round(one.y[brightest]), round(one.x[brightest])]
    top = 0.05 * 0.7 * one.flux.max() / (2 * 19.5 * np.sqrt(2 * np.pi) * 0.38 * 3.9)
    assert peak == pytest.approx(top, rel=0.1)  # half a pixel away at most
