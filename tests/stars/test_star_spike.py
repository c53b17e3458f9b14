"""The spike: drawn spikes, optical images, none."""

import functools

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from star_scenes import add_moffat, add_spike, star_field

from framesort.records import SPIKE_BINS
from framesort.stars import measure_image, spike_template

pytestmark = pytest.mark.slow


def off(angle, truth):
    return abs((angle - truth + 90) % 180 - 90)


def test_strength_and_angle_of_a_drawn_spike():
    for seed, angle in enumerate((17.0, 62.0, 121.0)):
        rng = np.random.default_rng(seed)
        image, _ = star_field(rng, stars=150, low=4.0, spike=0.06, angle=angle)
        quality = measure_image(image)
        assert quality.spike_raw > 5 * quality.spike_raw_err
        assert off(quality.spike_raw_angle, angle) < 2
        # By construction the spike holds exp(-2/5) - exp(-6/5) of its light between 2 and 6
        # FWHM. The fitted profile takes a part of the spike's foot; a tenth is allowed.
        expected = 0.06 * (np.exp(-0.4) - np.exp(-1.2))
        assert quality.spike_raw == pytest.approx(expected, rel=0.15)
        # And all of it is told from its fall, the foot again a little low.
        assert quality.spike_total == pytest.approx(0.06, rel=0.12)
        assert quality.spike_length == pytest.approx(15, rel=0.2)
        assert int(np.argmax(quality.spike_profile)) == pytest.approx(angle / 2, abs=2)
        assert quality.spike_profile.sum() == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(("length", "tolerance"), [(2.0, 0.12), (9.0, 0.2)])
def test_all_light_of_short_and_long_spikes(length, tolerance):
    # Between 2 and 6 FWHM a spike of 4 % holds 1.3 % (length 2) or 1.2 % (9); its total must not
    # depend on that. Of a long spike a part lies below the background of 64 pixels: 10 % low.
    rng = np.random.default_rng(3)
    image = np.zeros((600, 700))
    x, y = rng.uniform(0, 700, 150), rng.uniform(0, 600, 150)
    for px, py, flux in zip(x, y, 10 ** rng.uniform(3.8, 5.5, 150), strict=True):
        add_moffat(image, px, py, 0.96 * flux, 3.0)
        add_spike(image, px, py, 0.04 * flux, 62, length=3 * length, width=3 / 2.3548, reach=150)
    image += rng.normal(500, 10, image.shape)
    quality = measure_image(image)
    assert quality.spike_total == pytest.approx(0.04, rel=tolerance)
    assert quality.spike_length == pytest.approx(3 * length, rel=0.2)
    assert off(quality.spike_raw_angle, 62) < 1


def test_no_spike_has_no_total():
    image, _ = star_field(np.random.default_rng(5), stars=150, low=4.0)
    quality = measure_image(image)
    assert quality.spike_raw < 3 * quality.spike_raw_err
    assert np.isnan([quality.spike_total, quality.spike_total_err, quality.spike_length]).all()


def test_uncertainty_is_honest_without_a_spike():
    # Asked: 3-sigma detections below 1 %. Over 750 frames of five kinds one was found
    # (docs/stars.md); among the 60 here more than one would be unlikely (12 % at 1 %).
    ratio = []
    for seed in range(60):
        rng = np.random.default_rng(100 + seed)
        image, _ = star_field(rng, shape=(300, 350), stars=60, low=3.5, fwhm=2.5)
        quality = measure_image(image)
        ratio.append(quality.spike_raw / quality.spike_raw_err)
    assert np.sum(np.array(ratio) > 3) <= 1
    # The best of some ten angles is 1.5 standard deviations up, over the widening by 1.2.
    assert 0.8 < np.median(ratio) < 1.8


def test_trailed_stars_are_no_spike():
    ratio = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        image, _ = star_field(rng, stars=120, low=3.8, ratio=0.6, turn=20.0)
        quality = measure_image(image)
        assert quality.eccentricity > 0.6
        ratio.append(quality.spike_raw / quality.spike_raw_err)
    assert max(ratio) < 3


@pytest.mark.parametrize("seed", range(4))
def test_neighbours_column_and_satellite_are_no_spike(seed):
    rng = np.random.default_rng(seed)
    image, truth = star_field(rng, stars=120, low=4.0)
    y, x = np.indices(image.shape)
    image += 300 * np.exp(-0.5 * ((y - 0.8 * x - 40) / 1.6) ** 2)  # a satellite
    for k in range(14):  # a row of equal stars
        add_moffat(image, 60 + 9.0 * k, 500.0, 40000, 3.0)
    for px, py, _ in truth[np.argsort(-truth[:, 2])[:3]]:  # full columns
        image[max(0, int(py) - 60) : int(py) + 60, round(px)] = 30000
    image = np.minimum(image, 30000).astype(np.float32)
    quality = measure_image(image)
    assert quality.spike_raw < 3 * quality.spike_raw_err


def rim_gap(r, angle, theta, *, half_gap=12.0):
    """Two opposite gaps in a rim that the heater delays by a quarter wave: (opaque, phase)."""
    gap = np.abs((angle - theta + 90) % 180 - 90) < half_gap
    return np.zeros_like(gap), (r > 0.8) & ~gap


def strip(r, angle, theta):
    """An opaque radial strip of 0.08 radii on one side of the centre."""
    off = np.radians(angle - theta)
    opaque = (np.abs(r * np.sin(off)) < 0.04) & (np.cos(off) > 0)
    return opaque, np.zeros_like(opaque)


def chord(r, angle, theta):
    """The pupil is cut off straight at 0.8 radii."""
    opaque = r * np.cos(np.radians(angle - theta)) > 0.8
    return opaque, np.zeros_like(opaque)


def pupil(theta, feature, diameter, *, obstruction=0.35):
    """Complex pupil on 512 x 512 points.

    Its edges are averaged over 8 x 8 sub-samples: hard edges make false arms at 0, 90, 180 and 270.
    """
    sub = 8
    fine = ((np.arange(128 * sub) + 0.5) / sub - 64) / (diameter / 2)
    u, v = np.meshgrid(fine, fine)
    r, angle = np.hypot(u, v), np.degrees(np.arctan2(v, u))
    opaque, late = feature(r, angle, theta)
    open_ = (r < 1) & (r > obstruction) & ~opaque
    # As seen in wavelengths: a pupil is wide in blue light, and its delay a larger part.
    light = open_ * np.exp(0.5j * np.pi * late * 100 / diameter)
    whole = np.zeros((512, 512), complex)
    whole[192:320, 192:320] = light.reshape(128, sub, 128, sub).mean(axis=(1, 3))
    return whole


def diffract(light):
    """In-focus image of a pupil (Goodman, Introduction to Fourier Optics, ch. 4)."""
    image = np.abs(np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(light)))) ** 2
    return image / image.sum()


def optical_star(theta, *, feature=rim_gap, bin_=8, seeing=2.4):
    """Long-exposure star at five wavelengths, blurred by seeing of FWHM `seeing` pixels."""
    image = sum(diffract(pupil(theta, feature, d)) for d in (88, 94, 100, 106, 112)) / 5
    return gaussian_filter(image, seeing * bin_ / 2.3548, mode="wrap")


def optical_frame(star, rng, *, bin_=8, side=6):
    """The star at random sub-pixel places, with noise; pixels of `bin_` x `bin_` points."""
    size, half = side * 75, 256 // bin_
    image = rng.normal(300, 3, (size, size))
    for j in range(side):
        for i in range(side):
            moved = np.roll(star, rng.integers(0, bin_, 2), (0, 1))
            stamp = moved.reshape(2 * half, bin_, 2 * half, bin_).sum(axis=(1, 3))
            y, x = 75 * j + 37 - half, 75 * i + 37 - half
            image[y : y + 2 * half, x : x + 2 * half] += 10 ** rng.uniform(4.5, 5.5) * stamp
    return image.astype(np.float32)


@pytest.mark.parametrize("theta", [30.0, 75.0, 150.0])
def test_optical_image_of_gaps_at_the_rim(theta):
    # Diffraction by the radial edges of the gaps sends light across them: mean axis theta
    # + 90 (120.1, 165.3, 59.9), as a fan of two arms theta + 90 -+ 12. Goodman, Introduction
    # to Fourier Optics, ch. 4; tolerance of the mean axis 2 degrees.
    rng = np.random.default_rng(int(theta))
    quality = measure_image(optical_frame(optical_star(theta), rng))
    assert quality.spike_raw > 5 * quality.spike_raw_err
    twice = np.radians((np.arange(SPIKE_BINS) + 0.5) * 360 / SPIKE_BINS)
    axis = 0.5 * np.degrees(np.angle(np.sum(quality.spike_profile * np.exp(1j * twice))))
    assert off(axis, theta + 90) < 2
    assert off(quality.spike_raw_angle, theta + 90) < 12  # somewhere in the fan
    # A narrow gap makes one spike.
    narrow = optical_star(theta, feature=functools.partial(rim_gap, half_gap=3.0))
    quality = measure_image(optical_frame(narrow, rng))
    assert quality.spike_raw > 5 * quality.spike_raw_err
    assert off(quality.spike_raw_angle, theta + 90) < 2.5


def test_opaque_pupils_make_symmetric_images():
    # F(-u) = conj F(u) for a real pupil, so that both arms are equal: a spike has no direction.
    # Exact; with a delay of the light it no longer is.
    image = diffract(pupil(30.0, strip, 100))
    turned = image[1:, 1:][::-1, ::-1]  # row and column 0 have no opposite
    assert np.abs(image[1:, 1:] - turned).max() < 1e-12 * image.max()
    late = diffract(pupil(30.0, lambda r, a, t: (strip(r, a, t)[1], strip(r, a, t)[0]), 100))
    assert np.abs(late[1:, 1:] - late[1:, 1:][::-1, ::-1]).max() > 1e-4 * late.max()


@pytest.mark.parametrize(
    ("feature", "theta", "expected"),
    [
        (strip, 30.0, 120.5),
        (strip, 75.0, 165.5),
        (strip, 150.0, 59.5),
        (chord, 30.0, 30.5),
        (chord, 75.0, 75.5),
        (chord, 150.0, 149.5),
    ],
)
def test_angles_of_edges_in_the_pupil(feature, theta, expected):
    # An edge sends light across itself: a radial strip at theta + 90, a chord at theta (found by
    # fast Fourier transform with other code: the angles given, to half a degree). 1.5 degrees.
    rng = np.random.default_rng(int(theta))
    frame = optical_frame(optical_star(theta, feature=feature, seeing=1.6), rng)
    quality = measure_image(frame)
    assert quality.spike_raw > 3 * quality.spike_raw_err
    assert off(quality.spike_raw_angle, expected) < 1.5
    # A mirror reverses the sense: 180 less the angle.
    mirrored = measure_image(np.ascontiguousarray(frame[:, ::-1]))
    assert off(mirrored.spike_raw_angle, 180 - expected) < 1.5


def test_too_few_stars():
    image, _ = star_field(np.random.default_rng(1), stars=2, low=4.0)
    quality = measure_image(image)
    assert np.isnan(quality.spike_raw) and np.isnan(quality.spike_profile).all()


def test_template():
    shape = spike_template(np.array([0.0, 45.0, 91.0]))
    assert shape.sum(axis=1) == pytest.approx([1, 1, 1])
    assert int(np.argmax(shape[2])) == 45
    # Angles are those of spikes: 179 degrees is one degree from 180.
    assert shape[0][0] == pytest.approx(shape[0][-1])
