"""The matching kernel against closed forms, scipy, and simulated nebulae of known blur."""

import numpy as np
import pytest
from scenes_for_replacement import fractal, gaussian_moffat, threads
from scipy import signal, special

from framesort.replacement import _matching as matching
from framesort.replacement._profile import moffat_profile

HALF = matching.HALF


def moffat_transfer(frequency, width, beta):
    """Fourier transform of a Moffat profile of flux 1 (Bessel function; cycles per pixel)."""
    z = 2 * np.pi * frequency * width / (2 * np.sqrt(2 ** (1 / beta) - 1))
    z = np.maximum(z, 1e-9)
    return 2 * (z / 2) ** (beta - 1) * special.kv(beta - 1, z) / special.gamma(beta - 1)


def transfer(kernel):
    """The kernel's Fourier transform along x and along the diagonal, and the frequencies."""
    size = len(kernel)
    spectrum = np.fft.fft2(np.fft.ifftshift(kernel)).real
    k = np.arange(size // 2)
    return (k / size, spectrum[0, k]), (np.sqrt(2) * k / size, spectrum[k, k])


@pytest.mark.parametrize(
    ("sharp", "deep"),
    [((2.4, 3.5), (3.6, 3.0)), ((3.0, 3.0), (3.3, 3.0)), ((2.0, 4.0), (4.5, 2.7))],
)
def test_the_kernel_of_two_moffats_is_their_ratio_in_fourier_space(sharp, deep):
    kernel = matching.profile_kernel(moffat_profile(*deep), moffat_profile(*sharp))
    assert kernel.shape == (2 * HALF + 1, 2 * HALF + 1)
    assert kernel.sum() == pytest.approx(1, abs=1e-9)
    for frequency, found in transfer(kernel):
        below = moffat_transfer(frequency, *sharp)
        true = moffat_transfer(frequency, *deep) / below
        # Wings are cut off at the kernel's edge, and the damping holds what has no power in the
        # sharp profile: a percent of the light.
        clear = below > 0.1
        assert clear.sum() > 5
        np.testing.assert_allclose(found[clear], true[clear], atol=0.012)


def test_a_sharp_star_through_the_kernel_is_a_deep_star():
    kernel = matching.profile_kernel(moffat_profile(3.9, 2.7), moffat_profile(2.8, 3.0))
    y, x = np.mgrid[-60:61, -60:61].astype(float)
    sharp, deep = gaussian_moffat(x, y, 2.8, 3.0), gaussian_moffat(x, y, 3.9, 2.7)
    rest = signal.fftconvolve(sharp, kernel, mode="same") - deep
    assert np.abs(rest).max() < 0.01 * deep.max()
    assert np.abs(sharp - deep).max() > 0.5 * deep.max()


def test_the_kernel_of_equal_profiles_is_a_point_but_for_the_damping():
    kernel = matching.profile_kernel(moffat_profile(3.0, 3.0), moffat_profile(3.0, 3.0))
    for frequency, found in transfer(kernel):
        power = moffat_transfer(frequency, 3.0, 3.0) ** 2
        # Further out the pixels' aliases are no longer small.
        clear = power > 1e-4
        expected = power / (power + matching.DAMPING)
        np.testing.assert_allclose(found[clear], expected[clear], atol=0.01)
    assert np.max(expected) - np.min(expected[clear]) > 0.03


@pytest.mark.parametrize("shape", [(600, 70), (256, 90), (257, 40), (50, 300)])
def test_convolution_is_scipys_in_bands_and_at_edges(shape):
    rng = np.random.default_rng(4)
    image = rng.normal(200, 30, shape).astype(np.float32)
    kernel = rng.normal(size=(2 * HALF + 1, 2 * HALF + 1))  # of no symmetry
    kernel /= np.abs(kernel).sum()
    wide = np.pad(image.astype(float), HALF, mode="symmetric")
    for method in (signal.fftconvolve, signal.oaconvolve):
        expected = method(wide, kernel, mode="valid")
        # Single precision.
        whole = matching.convolve(lambda first, last: image[first:last], shape, kernel)
        np.testing.assert_allclose(whole, expected, atol=2e-4)
        some = matching.convolve_band(image, kernel, 3, 41)
        np.testing.assert_allclose(some, expected[3:41], atol=2e-4)


def nebula(shape, seed):
    """Sky with structure down to the finest scales, ADU, before any kernel."""
    rng = np.random.default_rng(seed)
    return 300 + 120 * np.exp(0.7 * fractal(shape, 3.0, rng)) + 250 * threads(shape, 1.0, rng)


class Blurred:
    """A sharp and a deep stack of one nebula without stars, whose kernel and scale are known.

    Both are seen through the sharp profile; the deep one also through `kernel`. A `common` share
    of the sharp stack's noise is in the deep stack too, as where its frames are part of it.
    """

    def __init__(self, kernel, *, scale, common=0.0, noise=(3.0, 2.0), seed=1):
        rng = np.random.default_rng([seed, 7])
        size = matching.TILE + 2 * HALF
        inner = np.s_[HALF:-HALF, HALF:-HALF]
        y, x = np.mgrid[-40:41, -40:41].astype(float)
        sharp_profile = gaussian_moffat(x, y, 2.4, 3.0)
        sky = nebula((size + 80, size + 80), seed)
        sky = signal.fftconvolve(sky, sharp_profile / sharp_profile.sum(), mode="valid")
        own = noise[0] * rng.standard_normal((matching.TILE, matching.TILE))
        self.sky, self.noise = sky[inner], noise
        self.seen = scale * signal.fftconvolve(sky, kernel, mode="same")[inner]
        rest = np.sqrt(noise[1] ** 2 - (common * noise[0]) ** 2)
        self.sharp = (self.sky + own).astype(np.float32)
        self.deep = self.seen + common * own + rest * rng.standard_normal(own.shape)
        self.deep = self.deep.astype(np.float32)

    def common(self):
        free = np.ones(self.sharp.shape, bool)
        return matching.common_noise([matching.fine_noise(self.deep, self.sharp, free)])

    def fit(self, parts, *, scale, common=None):
        free = np.ones(self.sharp.shape, bool)
        free[100:140, 60:90] = False  # as under a star
        sigma = np.full(self.sharp.shape, self.noise[0], np.float32)
        deep = np.where(free, self.deep, 0).astype(np.float32)
        return matching.fit_kernel(
            [matching.Tile(self.sharp, deep, sigma, free)],
            parts,
            matching.KernelPrior(
                scale=scale,
                error=0.03 * scale,
                noise_ratio=self.noise[1] / self.noise[0],
                common=self.common() if common is None else common,
                noise_kernel=np.ones((1, 1)),
            ),
        )


@pytest.fixture(scope="module")
def parts():
    return matching.kernel_parts(moffat_profile(3.4, 2.8), moffat_profile(2.4, 3.0))


def test_parts_keep_the_sum(parts):
    assert parts[0].sum() == pytest.approx(1)
    assert np.abs([part.sum() for part in parts[1:]]).max() < 1e-6


def wider_than_stars(parts):
    """A nebula blurred more than the stars say, by a kernel that is no sum of the parts."""
    y, x = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)
    more = gaussian_moffat(x, y, 2.0, 3.5)
    kernel = 0.6 * parts[0] + 0.4 * signal.fftconvolve(parts[0], more / more.sum(), mode="same")
    return kernel / kernel.sum()


@pytest.mark.parametrize("common", [0.0, 0.35])
@pytest.mark.parametrize("seed", [1, 2])
def test_kernel_and_scale_of_a_blurred_nebula_are_found(parts, common, seed):
    true = wider_than_stars(parts)
    pair = Blurred(true, scale=0.8, common=common, seed=seed)
    fit = pair.fit(parts, scale=0.82)
    assert fit.change.sum() == pytest.approx(0, abs=1e-6)
    # A hundredth, and three standard errors as the fit tells them.
    assert fit.scale == pytest.approx(0.8, abs=0.008)
    assert abs(fit.scale - 0.8) < 3 * fit.error + 0.003
    found, stars = (
        signal.fftconvolve(pair.sky - 300, kernel - true, mode="same")[HALF:-HALF, HALF:-HALF]
        for kernel in (parts[0] + fit.change, parts[0])
    )
    # What is left of the wrong kernel is well below the deep stack's noise and far below what the
    # stars' kernel leaves.
    assert np.std(found) < 0.3 * pair.noise[1]
    assert np.std(found) < 0.25 * np.std(stars)


def test_noise_that_both_stacks_share_would_look_like_a_sharp_deep_stack(parts):
    pair = Blurred(parts[0], scale=1.0, common=0.6, noise=(12.0, 9.0), seed=3)
    wrong = []
    for common in (None, 0.0):  # as measured, and not looked for
        change = pair.fit(parts, scale=1.0, common=common).change
        wrong.append(np.std(signal.fftconvolve(pair.sky - 300, change, mode="valid")))
    assert wrong[0] < 0.1 * pair.noise[1]
    assert wrong[1] > 0.5 * pair.noise[1]


@pytest.mark.parametrize("common", [0.0, 0.2, 0.6])
def test_noise_in_both_stacks_is_measured(parts, common):
    pair = Blurred(parts[0], scale=1.0, common=common, seed=5)
    # 65,536 pixels whose residuals overlap: a hundredth.
    assert pair.common() == pytest.approx(common, abs=0.02)


def test_a_nebula_blurred_as_the_stars_are_changes_nothing(parts):
    pair = Blurred(parts[0], scale=1.25, seed=4)
    fit = pair.fit(parts, scale=1.25)
    assert fit.scale == pytest.approx(1.25, rel=0.005)
    wrong = signal.fftconvolve(pair.sky - 300, fit.change, mode="same")[HALF:-HALF, HALF:-HALF]
    assert np.std(wrong) < 0.1 * pair.noise[1]


def test_empty_sky_leaves_the_stars_kernel_and_scale(parts):
    rng = np.random.default_rng(6)
    images = rng.normal(0, 3, (2, 256, 256)).astype(np.float32)
    free = np.ones(images[0].shape, bool)
    tile = matching.Tile(images[0], images[1], np.full_like(images[0], 3), free)
    fit = matching.fit_kernel(
        [tile],
        parts,
        matching.KernelPrior(
            scale=1.1, error=0.002, noise_ratio=1.0, common=0.0, noise_kernel=np.ones((1, 1))
        ),
    )
    assert fit.scale == pytest.approx(1.1, abs=0.006)


def test_tiles_cover_a_small_image_and_the_structure_of_a_large_one():
    shape = (600, 900)
    covered = np.zeros(shape, int)
    for y, x in matching.tile_corners(shape, np.zeros((75, 113)), 8):
        covered[y : y + matching.TILE, x : x + matching.TILE] += 1
    assert covered.min() > 0
    structure = np.zeros((500, 500))
    structure[300:330, 400:430] = np.random.default_rng(1).normal(size=(30, 30))
    corners = matching.tile_corners((4000, 4000), structure, 8, most=3)
    assert len(corners) == 3
    # The tile with it comes first: pixels 2400 to 2640 and 3200 to 3440.
    y, x = corners[0]
    assert 2400 - matching.TILE < y < 2640
    assert 3200 - matching.TILE < x < 3440
