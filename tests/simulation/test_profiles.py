"""Star profiles against GalSim, which draws them by another road (Fourier space)."""

import galsim
import numpy as np
import pytest
from scipy.optimize import brentq

from framesort.simulation._profiles import (
    CORE,
    FAINTEST,
    build_shape,
    draw_spikes,
    draw_stars,
    profile_width,
)

PARAMS = galsim.GSParams(folding_threshold=2e-4, maxk_threshold=1e-4, maximum_fft_size=16384)


def one_star(shape, *, x=64.0, y=64.0, flux=1.0, size=129, faintest=1e-9):
    image = np.zeros((size, size))
    draw_stars(image, *(np.array([v]) for v in (x, y, flux)), shape=shape, faintest=faintest)
    return image


def by_galsim(profile, *, dx=0.0, dy=0.0, size=129):
    image = galsim.ImageD(size, size, scale=1.0)
    return profile.drawImage(image=image, offset=(dx, dy), method="auto").array


@pytest.mark.parametrize("fwhm", [2.0, 2.6, 4.5])
@pytest.mark.parametrize("beta", [2.5, 3.0, 4.765])
@pytest.mark.parametrize("place", [(0.0, 0.0), (0.31, -0.43)])
def test_moffat_over_pixels(fwhm, beta, place):
    dx, dy = place
    mine = one_star(build_shape([(1.0, fwhm, beta)]), x=64 + dx, y=64 + dy)
    profile = galsim.Moffat(beta=beta, fwhm=fwhm, gsparams=PARAMS)
    theirs = by_galsim(profile, dx=dx, dy=dy)
    # GalSim works to its folding threshold of 2e-4.
    assert np.abs(mine - theirs).max() < 2e-4 * theirs.max()


@pytest.mark.parametrize(
    ("fwhm", "beta"), [(2.0, 3.0), (3.0, 2.5), (3.0, 3.0), (3.0, 4.765), (4.5, 3.0)]
)
def test_width_includes_the_pixel(fwhm, beta):
    core = fwhm**2 / (4 * (2 ** (1 / beta) - 1))
    nodes, weights = np.polynomial.legendre.leggauss(12)
    turn = np.linspace(0, np.pi, 60, endpoint=False)[:, None, None]

    def ring(radius):
        """Mean over a ring of the profile averaged over a pixel, by Legendre's integral."""
        x = radius * np.cos(turn) + nodes[:, None] / 2
        y = radius * np.sin(turn) + nodes / 2
        value = (1 + (x**2 + y**2) / core) ** -beta
        return (value * weights[:, None] * weights).sum((1, 2)).mean()

    expected = 2 * brentq(lambda radius: ring(radius) - ring(0.0) / 2, 0.3 * fwhm, fwhm)
    # Linear between steps of 1/16 px.
    assert profile_width(build_shape([(1.0, fwhm, beta)])) == pytest.approx(expected, rel=4e-4)


def test_trail_is_a_convolution_with_a_line():
    mine = one_star(build_shape([(1.0, 2.6, 3.0)], trail=9.0, trail_angle=25.0))
    line = galsim.Box(9.0, 0.02).rotate(25.0 * galsim.degrees)
    moffat = galsim.Moffat(beta=3.0, fwhm=2.6, gsparams=PARAMS)
    theirs = by_galsim(galsim.Convolve(moffat, line, gsparams=PARAMS))
    # The trail's kernel lies on cells of 1/8 px.
    assert np.abs(mine - theirs).max() < 2e-3 * theirs.max()


def test_width_of_a_trail_is_that_of_its_half_maximum_contour():
    shape = build_shape([(1.0, 2.6, 3.0)], trail=9.0, trail_angle=25.0)
    line = galsim.Box(9.0, 0.02).rotate(25.0 * galsim.degrees)
    moffat = galsim.Moffat(beta=3.0, fwhm=2.6, gsparams=PARAMS)
    profile = galsim.Convolve(moffat, line, galsim.Pixel(1.0), gsparams=PARAMS)
    image = profile.drawImage(nx=401, ny=401, scale=0.05, method="no_pixel").array
    area = 0.05**2 * np.count_nonzero(image > image[200, 200] / 2)
    # Cells of 0.05 px along a contour of 20 px.
    assert profile_width(shape) == pytest.approx(2 * np.sqrt(area / np.pi), rel=3e-3)


def test_sum_of_profiles_and_total_light():
    shape = build_shape([(0.4, 2.6, 3.0), (0.6, 3.9, 2.7)])
    mine = one_star(shape, x=300.2, y=299.7, size=601)
    parts = [
        weight * one_star(build_shape([(1.0, fwhm, beta)]), x=300.2, y=299.7, size=601)
        for weight, fwhm, beta in [(0.4, 2.6, 3.0), (0.6, 3.9, 2.7)]
    ]
    assert np.abs(mine - sum(parts)).max() < 3e-9  # where stars end
    # Light beyond radius r: sum of w (1 + (r/a)^2)^(1 - beta), below 1e-5 at 300 px.
    assert mine.sum() == pytest.approx(1.0, abs=1e-4)


def test_wings_of_a_bright_star_show_no_edge():
    image = one_star(
        build_shape([(1.0, 2.6, 2.7)]), x=400, y=400, flux=3e7, size=801, faintest=FAINTEST
    )
    row = image[400, 400:]
    ends = np.argmax(row == 0)
    assert ends > 3 * CORE  # far beyond the table of the core
    assert row[ends - 1] < 1.05 * FAINTEST  # the step where it ends: no frame can show it
    # Core and wing meet: the light falls at every pixel, as a Moffat profile does.
    assert np.all(np.diff(row[1:ends]) < 0)
    radius = np.arange(30, ends)
    core = 2.6**2 / (4 * (2 ** (1 / 2.7) - 1))
    expected = 3e7 * 1.7 / (np.pi * core) * (1 + radius**2 / core) ** -2.7
    assert np.allclose(row[30:ends], expected, rtol=2e-3)


@pytest.mark.parametrize("angle", [0.0, 30.0, 62.0, 90.0, 151.0])
def test_spike(angle):
    image = np.zeros((401, 401))
    place = np.array([200.3]), np.array([199.8])
    draw_spikes(image, *place, np.array([1e6]), angle=angle, length=14.0, sigma=1.3, faintest=1e-6)
    rows, columns = np.indices(image.shape)
    dx, dy = columns - 200.3, rows - 199.8
    # All its light is there; samples of a Gaussian of sigma 1.3 px sum to one within 1e-4.
    assert image.sum() == pytest.approx(1e6, rel=2e-3)
    direction = 0.5 * np.degrees(
        np.arctan2(2 * (image * dx * dy).sum(), (image * (dx**2 - dy**2)).sum())
    )
    assert (direction - angle + 90) % 180 - 90 == pytest.approx(0.0, abs=0.05)
    # Two-sided: no first moment. Length: the mean distance along an exponential is its length.
    assert (image * dx).sum() / image.sum() == pytest.approx(0.0, abs=0.05)
    turn = np.deg2rad(angle)
    along = np.abs(dx * np.cos(turn) + dy * np.sin(turn))
    assert (image * along).sum() / image.sum() == pytest.approx(14.0, rel=0.01)


def test_stars_beyond_the_border_send_their_wings_in():
    shape = build_shape([(1.0, 2.6, 2.7)])
    whole = one_star(shape, x=150.0, y=64.0, flux=1e6, size=300)
    image = np.zeros((129, 129))
    draw_stars(image, np.array([150.0]), np.array([64.0]), np.array([1e6]), shape=shape)
    inside = whole[:129, :129] > FAINTEST * 1.1
    assert inside.any()
    assert np.allclose(image[inside], whole[:129, :129][inside], rtol=1e-9)
