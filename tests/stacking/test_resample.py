"""Resampling against closed forms, scikit-image and reproject."""

import numpy as np
import pytest
from astropy.wcs import WCS
from reproject import reproject_interp
from skimage.transform import ProjectiveTransform, warp

from framesort.errors import InputError
from framesort.records import Transform
from framesort.stacking import resample_image
from framesort.stacking._resample import needed_rows
from framesort.stacking._weights import KERNELS, kernel_polynomials, kernel_weights


def place(dx=0.0, dy=0.0, rotation=0.0, scale=1.0, centre=(0.0, 0.0)):
    """Transform that turns and scales about a centre, then shifts."""
    turn = np.deg2rad(rotation)
    m = np.eye(3)
    m[:2, :2] = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    m[:2, 2] = np.add(centre, (dx, dy)) - m[:2, :2] @ centre
    return Transform(matrix=m)


def gaussian(shape, x, y, sigma, flux=1.0):
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    return flux / (2 * np.pi * sigma**2) * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / 2 / sigma**2)


@pytest.mark.parametrize("kernel", KERNELS)
def test_whole_pixels_are_exact(kernel):
    image = np.random.default_rng(1).normal(100, 5, (60, 80)).astype(np.float32)
    np.testing.assert_array_equal(resample_image(image, place(), (60, 80), kernel=kernel), image)
    moved = resample_image(image, place(7, -3), (60, 80), kernel=kernel)
    np.testing.assert_array_equal(moved[:57, 7:], image[3:, :73])
    assert np.isnan(moved[57:]).all()
    assert np.isnan(moved[:, :7]).all()
    turned = resample_image(image, place(79, 59, 180.0), (60, 80), kernel=kernel)
    # sin(180 deg) is 1e-16, not 0, so that weights are worked out; they are good to 3e-6, and
    # pixels beside one another differ by 40 at most.
    np.testing.assert_allclose(turned, image[::-1, ::-1], atol=12 * 3e-6 * 40)


@pytest.mark.parametrize(
    ("kernel", "shift", "factor"),
    [
        # Root of the sum of squared weights, per axis, in two axes: bilinear 1/2 and 5/8; cubic
        # convolution (Keys 1981) at half a pixel (-1, 9, 9, -1) / 16, so 164 / 256.
        ("linear", 0.5, 0.5),
        ("linear", 0.25, 0.625),
        ("cubic", 0.5, 164 / 256),
        ("lanczos3", 0.5, None),
    ],
)
def test_noise(kernel, shift, factor):
    image = np.random.default_rng(2).normal(0, 1, (400, 400)).astype(np.float32)
    moved = resample_image(image, place(shift, shift), (400, 400), kernel=kernel)[5:-5, 5:-5]
    if factor is None:
        x = np.arange(-2.5, 3)
        w = np.sinc(x) * np.sinc(x / 3)
        factor = (w**2).sum() / w.sum() ** 2
    # 150,000 correlated values: 1 % is four times the error of a standard deviation.
    assert moved.std() == pytest.approx(factor, rel=0.01)


@pytest.mark.parametrize("kernel", KERNELS)
def test_weights_add_up_and_reproduce_polynomials(kernel):
    half = KERNELS[kernel]
    phase = np.linspace(0, 1, 1001)
    t = (phase - 0.5).astype(np.float32)
    weights = np.empty((len(t), 2 * half), np.float32)
    for p, row in enumerate(kernel_polynomials(kernel)):
        even = np.polynomial.polynomial.polyval(t * t, row[:4])
        odd = t * np.polynomial.polynomial.polyval(t * t, row[4:])
        weights[:, p], weights[:, -1 - p] = even + odd, even - odd
    # Chebyshev's polynomial of degree 7 of Lanczos-3, and float32, good to 6e-8 of the largest.
    np.testing.assert_allclose(weights, kernel_weights(kernel, phase), atol=3e-6)
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-6)
    offsets = np.arange(-half + 1, half + 1)
    np.testing.assert_allclose(weights @ offsets, phase, atol=1e-6)  # a straight line
    if kernel == "cubic":  # third order: exact for parabolas (Keys 1981, sec. III)
        np.testing.assert_allclose(weights @ offsets.astype(float) ** 2, phase**2, atol=1e-6)


def inner(shape, margin=40):
    return (slice(margin, shape[0] - margin), slice(margin, shape[1] - margin))


def test_linear_against_reproject_and_skimage():
    rng = np.random.default_rng(3)
    image = rng.normal(100, 5, (150, 170)).astype(np.float32)
    transform = place(3.3, -2.1, 3.0, 1.01, centre=(85, 75))
    ours = resample_image(image, transform, (150, 170), kernel="linear", conserve_flux=False)
    theirs = warp(
        image.astype(float),
        ProjectiveTransform(np.linalg.inv(transform.matrix)),
        order=1,
        preserve_range=True,
    )
    cut = inner(image.shape)
    # float32: values of 100 are good to 4e-6, weights to 6e-8 of differences up to 40.
    assert np.abs(ours - theirs)[cut].max() < 1e-4

    frame = WCS(naxis=2)
    frame.wcs.crpix, frame.wcs.cdelt = [1, 1], [1, 1]
    grid = WCS(naxis=2)
    grid.wcs.crpix, grid.wcs.cdelt = [1, 1], [1, 1]
    back = np.linalg.inv(transform.matrix)
    grid.wcs.pc = back[:2, :2]
    grid.wcs.crval = back[:2, 2]
    other, _ = reproject_interp((image.astype(float), frame), grid, shape_out=(150, 170))
    assert np.abs(ours - other)[cut].max() < 1e-4


def test_cubic_against_skimage():
    """Stars on a sky: scikit-image's bicubic is the same convolution, without our guard."""
    image = 100 + gaussian((120, 140), 70.3, 60.2, 1.6, 5000) + gaussian((120, 140), 40, 50, 2, 900)
    transform = place(2.4, -1.7, 5.0, 0.99, centre=(70, 60))
    ours = resample_image(image, transform, (120, 140), kernel="cubic", conserve_flux=False)
    theirs = warp(
        image,
        ProjectiveTransform(np.linalg.inv(transform.matrix)),
        order=3,
        preserve_range=True,
    )
    # Float32 rounding of 300 ADU where the guard does nothing.
    cut = inner(image.shape, 20)
    difference = np.abs(ours - theirs)[cut]
    assert np.quantile(difference, 0.9) < 2e-4
    # Where the guard acts (undershoot beside a star) at most what cubic convolution
    # undershoots a Gaussian of sigma 1.6 by: 0.5 % of the peak of 310 ADU.
    assert difference.max() < 0.005 * 310


@pytest.mark.parametrize("kernel", KERNELS)
@pytest.mark.parametrize("scale", [0.95, 1.0, 1.04])
def test_star_keeps_flux_and_place(kernel, scale):
    image = gaussian((101, 101), 50.3, 49.6, 1.8, 1e4)
    transform = place(0.37, 0.41, 20.0, scale, centre=(50, 50))
    out = resample_image(image, transform, (101, 101), kernel=kernel)
    inside = np.nan_to_num(out)
    yy, xx = np.mgrid[:101, :101]
    assert inside.sum() == pytest.approx(1e4, rel=2e-3)  # kernels add up to 1 for any phase
    x, y = transform.map_points(50.3, 49.6)
    assert (inside * xx).sum() / inside.sum() == pytest.approx(float(x), abs=0.01)
    assert (inside * yy).sum() / inside.sum() == pytest.approx(float(y), abs=0.01)


def test_widening_of_stars():
    """Second moment added by half a pixel: bilinear sigma^2 + 1/4; the others hardly any."""
    sigma = 1.4
    image = gaussian((61, 61), 30, 30, sigma, 1e4)
    width = {}
    for kernel in KERNELS:
        out = resample_image(image, place(0.5, 0.5), (61, 61), kernel=kernel)
        out = np.nan_to_num(out)
        yy, xx = np.mgrid[:61, :61]
        r2 = ((xx - 30.5) ** 2 + (yy - 30.5) ** 2) * (np.hypot(xx - 30.5, yy - 30.5) < 9)
        width[kernel] = np.sqrt((out * r2).sum() / out.sum() / 2)
    # Bilinear: variance f (1 - f) = 1/4 an axis (variance of its weights).
    assert width["linear"] == pytest.approx(np.hypot(sigma, 0.5), rel=2e-3)
    assert width["cubic"] == pytest.approx(sigma, rel=3e-3)
    assert width["lanczos3"] == pytest.approx(sigma, rel=3e-3)


@pytest.mark.parametrize("kernel", ["cubic", "lanczos3"])
def test_no_holes_beside_hot_pixels_and_saturated_stars(kernel):
    image = np.full((60, 60), 100.0)
    image[20, 20] = 60000
    image[38:43, 38:43] = 60000  # a flat top
    out = resample_image(image, place(0.5, 0.3), (60, 60), kernel=kernel)
    assert np.nanmin(out) >= 100 - 1e-3
    # Rings stay within the pixels that the light is on.
    assert np.nanmax(out[:, :17]) == pytest.approx(100, abs=1e-3)


@pytest.mark.parametrize("kernel", KERNELS)
def test_missing_pixels(kernel):
    image = np.full((40, 40), 7.0)
    image[10, 12] = np.nan
    out = resample_image(image, place(0.3, 0.2), (40, 40), kernel=kernel)
    assert np.isnan(out[10, 12])
    # The nearest pixel decides; all others have data, made of finite neighbours.
    assert np.isnan(out).sum() == 1
    np.testing.assert_allclose(out[np.isfinite(out)], 7.0, rtol=1e-5)


def test_rows_that_are_needed():
    inverse = np.linalg.inv(place(0, 5.5, 180.0, centre=(50, 50)).matrix)
    need = needed_rows(inverse, slice(10, 20), 100, 3, 101)
    # Row y of the grid is row 105.5 - y of the frame: 86.5 to 95.5, half a pixel and the kernel.
    assert need.start <= 86 - 2
    assert need.stop >= 96 + 3 + 1
    assert needed_rows(inverse, slice(400, 410), 100, 3, 101) == slice(0, 0)


def test_wrong_input():
    with pytest.raises(InputError, match="kernel must be one of"):
        resample_image(np.zeros((9, 9)), place(), (9, 9), kernel="nearest")
    with pytest.raises(InputError, match="2-D"):
        resample_image(np.zeros((3, 9, 9)), place(), (9, 9))
    with pytest.raises(InputError, match="not matched"):
        resample_image(np.zeros((9, 9)), Transform(reason="not matched"), (9, 9))
