"""What looks like a spike and is none: each drawn, with what is read of it."""

import galsim
import numpy as np
import pytest
from star_scenes import add_moffat, add_spike, star_field, star_grid, trailed

from framesort.evidence import measure_spike_excess
from framesort.stars import measure_image

pytestmark = pytest.mark.slow


def pull(image):
    quality = measure_image(image)
    return quality.spike_raw / quality.spike_raw_err


@pytest.mark.parametrize(("kind", "length"), [("m3", 1.0), ("m2.5", 2.0), ("gauss", 1.5)])
def test_straight_trails(kind, length):
    # Stars that moved by 1 to 2 FWHM are long by eccentricity 0.6 to 0.85, and no ellipses. At
    # 3 sigma 0.1 % of spike-free frames may be called; 5 frames of each kind.
    star = trailed(kind, 3.0, 3.0 * length, 25.0)
    pulls = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        pulls.append(pull(star_grid(star, 3.0, (50, 2000), rng=rng, side=6, step=70)[0]))
    assert max(pulls) < 3


def test_neighbours():
    # Every second star has a companion of a tenth to all of its light at 2.5 to 5 FWHM, each in
    # a direction of its own.
    for seed in range(4):
        rng = np.random.default_rng(seed)
        image, truth = star_field(rng, stars=100, low=4.0)
        for x, y, flux in truth[::2]:
            angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(7.5, 15)
            light = flux * rng.uniform(0.1, 1)
            add_moffat(image, x + far * np.cos(angle), y + far * np.sin(angle), light, 3.0)
        assert pull(image) < 3


@pytest.mark.parametrize("angle", [0.0, 40.0])
def test_a_row_of_neighbours(angle):
    # 20 equal stars 3 FWHM apart, the brightest of the field: each has a neighbour on both sides.
    # Of what there is they are 20 of 80.
    for seed in range(3):
        rng = np.random.default_rng([seed, int(angle)])
        image, _ = star_field(rng, stars=60, low=4.0, top=4.8)
        turn = np.radians(angle)
        for k in range(20):
            add_moffat(image, 150 + 9 * k * np.cos(turn), 200 + 9 * k * np.sin(turn), 1e5, 3.0)
        assert pull(image) < 3


def test_bleeding_columns():
    # The dozen brightest stars are full and bleed up and down by 20 to 80 pixels.
    for seed in range(4):
        rng = np.random.default_rng(seed)
        image, truth = star_field(rng, stars=150, low=3.8)
        for x, y, _ in truth[np.argsort(-truth[:, 2])[:12]]:
            up, down = rng.integers(20, 80, 2)
            image[max(0, int(y) - down) : int(y) + up, round(x)] = 40000
        assert pull(np.minimum(image, 20000).astype(np.float32)) < 3


def test_a_satellite_trail():
    # 30 times the noise, across the whole field and past some of the stars.
    for seed in range(4):
        rng = np.random.default_rng(seed)
        image, _ = star_field(rng, stars=100, low=4.0)
        y, x = np.indices(image.shape)
        slope, start = rng.uniform(-1, 1), rng.uniform(100, 500)
        image += 300 * np.exp(-0.5 * ((y - slope * x - start) / 1.6) ** 2)
        assert pull(image.astype(np.float32)) < 3


def test_coma_towards_the_corners():
    # Drawn by galsim: seeing and an optical image with coma that grows to a third of a wave in
    # the corners; every tail points away from the middle, so that the upper right and the lower
    # left of a wide field share their direction.
    rng = np.random.default_rng(3)
    nx, ny, step = 8, 5, 62
    image = galsim.ImageD(nx * step, ny * step, scale=1.0)
    half = 0.5 * np.hypot(nx * step, ny * step)
    coarse = galsim.GSParams(folding_threshold=1e-2)  # the stamp ends before that
    seeing = galsim.Moffat(beta=3.5, fwhm=2.2, gsparams=coarse)
    for i in range(nx):
        for j in range(ny):
            x, y = (i + 0.5) * step, (j + 0.5) * step
            u, v = (x - 0.5 * nx * step) / half, (y - 0.5 * ny * step) / half
            # coma1 is along y, coma2 along x, in waves.
            optics = galsim.OpticalPSF(
                lam_over_diam=1.2, obscuration=0.35, coma1=0.33 * v, coma2=0.33 * u, gsparams=coarse
            )
            star = galsim.Convolve(seeing, optics).withFlux(10 ** rng.uniform(4.5, 5.7))
            stamp = star.drawImage(nx=55, ny=55, scale=1.0, offset=tuple(rng.uniform(-0.5, 0.5, 2)))
            stamp.setCenter(int(x) + 1, int(y) + 1)
            image[stamp.bounds] += stamp
    clean = image.array + 300
    wide = measure_image(clean + rng.normal(0, 8, clean.shape))
    assert wide.spike_raw < 3 * wide.spike_raw_err
    assert wide.fwhm_corners > wide.fwhm_centre  # it is seen where it is: in the map


def crossed(rng, *, heated=0.0, fwhm=3.0):
    """A spider's cross of 2 % a beam at 20 and 110 degrees; with heat a spike at 62 degrees."""
    image, truth = star_field(rng, shape=(400, 450), stars=70, low=3.9, fwhm=fwhm)
    width = fwhm / 2.3548
    for x, y, flux in truth:
        if flux > 1e4:
            for angle in (20.0, 110.0):
                add_spike(image, x, y, 0.02 * flux, angle, length=5 * 3.0, width=width)
            if heated:
                add_spike(image, x, y, heated * flux, 62.0, length=5 * 3.0, width=width)
    return image.astype(np.float32)


def test_a_spiders_cross_is_in_the_raw_spike_and_not_in_the_excess():
    rng = np.random.default_rng(7)
    cold = [measure_image(crossed(rng, fwhm=rng.uniform(2.8, 3.3))) for _ in range(10)]
    hot = [measure_image(crossed(rng, heated=0.03, fwhm=3.1)) for _ in range(4)]
    for quality in cold:
        # The raw spike is what the frame shows: one of the beams.
        assert quality.spike_raw > 3 * quality.spike_raw_err
        assert min(abs(quality.spike_raw_angle - angle) for angle in (20, 110)) < 2
    unheated = np.array([True] * 10 + [False] * 4)
    strength, error, angle = measure_spike_excess([*cold, *hot], ["a"] * 14, unheated)
    assert np.all(strength[:10] < 3 * error[:10])
    assert np.all(strength[10:] > 3 * error[10:])
    assert np.abs(angle[10:] - 62).max() < 2
