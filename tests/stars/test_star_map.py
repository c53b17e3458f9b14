"""Width and background over the field: drawn tilts, bowls and slopes."""

import galsim
import numpy as np
import pytest
from star_scenes import add_moffat, profile

from framesort.stars import measure_image


def tilted_field(rng, *, width, shape=(700, 900), stars=160, low=3.8):
    """Stars whose FWHM is what `width` gives at X, Y (half diagonals from the middle)."""
    image = np.zeros(shape)
    half = 0.5 * np.hypot(*shape)
    x, y = rng.uniform(10, shape[1] - 10, stars), rng.uniform(10, shape[0] - 10, stars)
    flux = 10 ** np.minimum(low + rng.exponential(0.5, stars), 5.5)
    for px, py, f in zip(x, y, flux, strict=True):
        fwhm = width((px - 0.5 * (shape[1] - 1)) / half, (py - 0.5 * (shape[0] - 1)) / half)
        add_moffat(image, px, py, f, fwhm)
    return (image + rng.normal(500, 10, shape)).astype(np.float32)


def test_tilt_and_bowl_are_distinguished():
    # By construction: 3 px in the middle, corners 0.4 wider, and 0.3 px over half a diagonal
    # towards 30 degrees. The stated errors are about 0.02 px; four of them are allowed.
    turn = np.radians(30)

    def width(u, v):
        return 3.0 + 0.4 * (u * u + v * v) + 0.3 * (u * np.cos(turn) + v * np.sin(turn))

    quality = measure_image(tilted_field(np.random.default_rng(1), width=width))
    # The fitted FWHM of one star is good to a percent; the map of 160 to half of that.
    assert quality.fwhm_centre == pytest.approx(3.0, rel=0.01)
    assert quality.fwhm_corners - quality.fwhm_centre == pytest.approx(
        0.4, abs=4 * quality.fwhm_corners_err
    )
    assert quality.fwhm_tilt == pytest.approx(0.6, abs=4 * quality.fwhm_tilt_err)
    assert quality.fwhm_corners_err < 0.05 and quality.fwhm_tilt_err < 0.05


def test_blur_everywhere_is_no_tilt():
    # What a heater does: all stars wider alike. 20 frames: the difference of corners and centre
    # must have the scatter its error says (chi^2 of 20: 7.4 to 40 in 99 % of cases), and tilt,
    # the length of a vector, is beyond three errors in 1.1 % of frames (Rayleigh).
    pulls, tilts = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        image = tilted_field(rng, width=lambda u, v: 4.0, shape=(400, 500), stars=70)
        quality = measure_image(image)
        pulls.append((quality.fwhm_corners - quality.fwhm_centre) / quality.fwhm_corners_err)
        tilts.append(quality.fwhm_tilt / quality.fwhm_tilt_err)
    assert 7.4 < np.sum(np.square(pulls)) < 40
    assert np.sum(np.array(tilts) > 3) <= 2


def test_tilt_against_galsim():
    # Focus that runs from FWHM 2.4 on the left to 3.6 on the right of the stars, drawn by galsim.
    rng = np.random.default_rng(3)
    size, step = 560, 40
    image = galsim.ImageD(size, size, scale=1.0)
    centres = np.arange(step // 2, size, step)
    for x in centres:
        star = profile("gauss", 2.4 + 1.2 * (x - centres[0]) / (centres[-1] - centres[0]))
        for y in centres:
            stamp = star.withFlux(4e4).drawImage(
                nx=37, ny=37, scale=1.0, offset=tuple(rng.uniform(-0.5, 0.5, 2))
            )
            stamp.setCenter(int(x) + 1, int(y) + 1)
            both = stamp.bounds & image.bounds
            image[both] += stamp[both]
    quality = measure_image(image.array + rng.normal(300, 10, (size, size)))
    # The pixel adds 0.4621 to the square of a Gaussian's width (variance 1/12), so widths run
    # from 2.494 to 3.664 over 520 px; the diagonal is 792 px long. Widths are good to 1 %.
    ends = np.sqrt(np.array([2.4, 3.6]) ** 2 + 0.46210)
    assert quality.fwhm_tilt == pytest.approx(np.diff(ends)[0] * size * np.sqrt(2) / 520, rel=0.02)
    assert abs(quality.fwhm_corners - quality.fwhm_centre) < 4 * quality.fwhm_corners_err + 0.03


def test_slope_of_the_background():
    rng = np.random.default_rng(4)
    image = tilted_field(rng, width=lambda u, v: 3.0, shape=(500, 640), stars=80)
    y, x = np.indices(image.shape)
    turn = np.radians(205.0)
    sloped = image + 0.2 * (x * np.cos(turn) + y * np.sin(turn))
    # A knot of nebula stands on it, and must not turn it.
    knot = 400 * np.exp(-((x - 150) ** 2 + (y - 120) ** 2) / 2 / 30.0**2)
    for pixels, tolerance in ((sloped, 0.02), (sloped + knot, 0.1)):
        quality = measure_image(pixels.astype(np.float32))
        # A box of 4096 pixels knows its level to 0.2 ADU, the plane to a tenth of a percent of
        # the 162 ADU; the wings of stars shift it by a little more. The knot lies over 5 %.
        assert quality.sky_gradient == pytest.approx(0.2 * np.hypot(*image.shape), rel=tolerance)
    flat = measure_image(image)
    assert flat.sky_gradient < 3


def test_too_few_stars_give_no_map():
    image = tilted_field(np.random.default_rng(5), width=lambda u, v: 3.0, stars=9, low=4.5)
    quality = measure_image(image)
    assert quality and np.isfinite(quality.fwhm)
    assert np.isnan(quality.fwhm_tilt) and np.isnan(quality.fwhm_centre)
