"""Mean stars, halo and added blur against profiles that galsim draws and convolves."""

import functools
from concurrent.futures import ThreadPoolExecutor

import galsim
import numpy as np
import pytest
from galsim_frames import draw_frame, seeing, with_spike

from framesort.comparison import (
    StarOptions,
    combine_mean_stars,
    describe_mean_star,
    fit_added_blur,
    measure_halo,
    measure_mean_star,
    measure_stars_of_frames,
    stack_star_images,
    subtract_added_light,
)
from framesort.errors import FrameError
from framesort.records import FrameQuality
from framesort.stars import measure_image

WIDTH = 5.0


@functools.cache
def frame(kind, fwhm, blur, kernel="gauss", spike=0.0, seed=1):
    profile = seeing(kind, fwhm)
    if blur:
        profile = galsim.Convolve(profile, seeing(kernel, blur))
    image = draw_frame(with_spike(profile, spike) if spike else profile, seed=seed)
    return image, measure_image(image)


@functools.cache
def star(kind, fwhm, blur, kernel="gauss", spike=0.0, seed=1):
    image, quality = frame(kind, fwhm, blur, kernel, spike, seed)
    return measure_mean_star(
        image,
        quality.star_list,
        fwhm=fwhm,
        own_fwhm=quality.fwhm,
        spike_angle=62.0 if spike else np.nan,
    )


def true_image(profile, mean):
    """The profile with the pixel, on the samples of a mean star."""
    side = mean.image.shape[0]
    whole = galsim.Convolve(profile, galsim.Pixel(1.0))
    scale = 1 / mean.per_pixel
    drawn = whole.drawImage(nx=side, ny=side, scale=scale, method="no_pixel", dtype=float).array
    return drawn * mean.per_pixel**2


def test_mean_star_is_the_profile():
    mean, profile = star("m3", 2.6, 0.0), seeing("m3", 2.6)
    assert mean and mean.per_pixel == 2 and mean.stars > 50
    truth = true_image(profile, mean)
    middle = mean.image.shape[0] // 2
    assert np.unravel_index(mean.image.argmax(), mean.image.shape) == (middle, middle)
    # The spline damps frequencies near 0.5 a pixel: 1 % of the centre at 2.6 px; noise 0.3 %.
    assert np.abs(mean.image - truth).max() < 0.02 * truth.max()
    outside = np.hypot(*np.indices(truth.shape) - middle) > 2 * 2.6 * 2
    deviation = (mean.image - truth)[outside] / mean.error[outside]
    assert 0.6 < 1.4826 * np.median(np.abs(deviation - np.median(deviation))) < 1.4


def test_cosmic_rays_vanish(monkeypatch):
    image, quality = frame("m3", 2.6, 0.0)
    spoilt = image.copy()
    rng = np.random.default_rng(5)
    rows, columns = rng.integers(0, image.shape[0], (2, 600))
    spoilt[rows, columns] += 20_000
    clean = star("m3", 2.6, 0.0)

    def worst():
        mean = measure_mean_star(spoilt, quality.star_list, fwhm=2.6)
        return np.percentile(np.abs(mean.image - clean.image), 99) / np.median(clean.error)

    assert worst() < 4  # some more samples of few stars are left out: noise
    monkeypatch.setattr("framesort.comparison._mean_star.CLIP", 1e9)
    assert worst() > 20  # without clipping


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 4.0])
@pytest.mark.parametrize("blur", [0.3, 1.0, 3.0])
def test_gaussian_kernel_whatever_the_seeing(fwhm, blur):
    fit = fit_added_blur(
        star("m3", fwhm, 0.0).profiles, star("m3", fwhm, blur, seed=2).profiles, width=WIDTH
    )
    error = np.hypot(fit.error, fit.off_error)
    assert error < 0.12
    # Two frames of 120 stars; errors from 8 subsets are themselves uncertain by a quarter.
    assert abs(fit.fwhm_squared - blur**2) < 3.5 * error + 0.01 * blur**2


def test_kernel_with_wings_has_one_width_in_any_seeing():
    """Where quadrature of FWHM has not."""
    profiles, quadrature = [], []
    for kind, fwhm in (("kolm", 2.0), ("m3", 3.0), ("m3", 4.0)):
        off, on = star(kind, fwhm, 0.0), star(kind, fwhm, 2.0, "m2.5", seed=2)
        fit = fit_added_blur(off.profiles, on.profiles, width=WIDTH)
        profiles.append(np.sqrt(fit.fwhm_squared))
        first, second = frame(kind, fwhm, 0.0)[1], frame(kind, fwhm, 2.0, "m2.5", seed=2)[1]
        quadrature.append(np.sqrt(second.fwhm**2 - first.fwhm**2))
    assert np.ptp(profiles) / np.mean(profiles) < 0.02
    assert np.ptp(quadrature) / np.mean(quadrature) > 0.06


def test_sign_and_no_bias_at_zero():
    narrow, wide = star("m3", 3.0, 0.0), star("m3", 3.0, 1.0, seed=2)
    back = fit_added_blur(wide.profiles, narrow.profiles, width=WIDTH)
    assert back.fwhm_squared == pytest.approx(-1.0, abs=0.12)
    values = [
        fit_added_blur(narrow.profiles, star("m3", 3.0, 0.0, seed=s).profiles, width=WIDTH)
        for s in range(3, 9)
    ]
    mean = np.mean([one.fwhm_squared for one in values])
    scatter = np.std([one.fwhm_squared for one in values], ddof=1)
    assert abs(mean) < 3 * np.hypot(scatter / np.sqrt(6), values[0].off_error)
    assert 0.5 < scatter / np.median([one.error for one in values]) < 2


def test_spike_does_not_count_as_blur():
    off, on = star("m3", 3.0, 0.0, spike=1e-9), star("m3", 3.0, 1.0, spike=0.1, seed=2)
    fit = fit_added_blur(off.profiles, on.profiles, width=WIDTH)
    # A tenth of the light in the spike; the part of it below the star cannot be left out.
    assert fit.fwhm_squared == pytest.approx(1.0, abs=0.15)
    along, across = on.profiles.along, on.profiles.across
    far = (on.profiles.radius > 10) & (on.profiles.radius < 20)
    assert along[far].mean() > 10 * abs(across[far].mean())
    assert measure_halo(on.profiles, fwhm=3.0)[0] > measure_halo(off.profiles, fwhm=3.0)[0] + 0.02


def test_halo_is_the_light_of_the_profile():
    for kind in ("m2.5", "m4"):
        mean = star(kind, 2.6, 0.0)
        value, error = measure_halo(mean.profiles, fwhm=2.6)
        truth = true_image(seeing(kind, 2.6), mean)
        radius = np.hypot(*np.indices(truth.shape) - truth.shape[0] // 2) / mean.per_pixel / 2.6
        level = truth[(radius > 8) & (radius < 12)].mean()
        light = (truth - level)[radius < 8].sum()
        expected = (truth - level)[(radius > 2) & (radius < 6)].sum() / light
        assert 0 < error < 0.01
        assert abs(value - expected) < 3.5 * error + 2e-3  # edges of rings on a pixel grid


def test_combined_star_and_its_record():
    stars = [star("m3", 3.0, 0.0, seed=s) for s in range(3, 7)]
    mean = combine_mean_stars(stars, fwhm=3.0)
    assert mean.frames == 4 and mean.stars == sum(one.stars for one in stars)
    core = np.s_[mean.image.shape[0] // 2 - 4 : mean.image.shape[0] // 2 + 5]
    sides = [np.std([one.image[core, core] for one in stars], axis=0, ddof=1) / 2]
    assert np.median(mean.error[core, core] / sides[0]) == pytest.approx(1.0, abs=0.2)
    record = describe_mean_star(
        mean, mean, names=("bare", "L"), exposure=60.0, power=0.0, pixel_scale=1.4
    )
    assert record.unit == "arcsec" and record.along == ()
    assert record.fwhm == pytest.approx(1.4 * mean.fwhm)
    assert record.radial[0] == 1.0
    assert not combine_mean_stars([], fwhm=3.0)
    with pytest.raises(ValueError, match="one size and sampling"):
        combine_mean_stars([stars[0], star("m3", 2.6, 0.0)], fwhm=3.0)


def test_planes_on_one_scale():
    fine, coarse = (
        star("m3", 2.0, 0.0),
        star("m3", 4.0, 0.0),
    )  # the same star, 2 and 1 arcsec a pixel
    planes, step = stack_star_images([fine, coarse], pixel_scale=[2.0, 1.0])
    assert step == 1.0
    middle = planes.shape[1] // 2
    rough = np.abs(planes[0] - planes[1])
    # The pixel of 2 arcsec widens the first a little.
    assert rough.max() < 0.15 * planes[1, middle, middle]
    assert planes.sum(axis=(1, 2)) * step**2 == pytest.approx([1, 1], abs=0.05)
    added = subtract_added_light(planes[[0, 0, 1, 1]], first=(0, 1), second=(2, 3))
    assert np.all(added == 0)
    with pytest.raises(ValueError, match="all good"):
        stack_star_images([], pixel_scale=[])


def read_drawn(name):
    """Frames by name: heater state and seed; "gone" cannot be read."""
    if name == "gone":
        raise FrameError("gone: no such frame")
    state, seed = name.split()
    return frame("m3", 3.0, 3.0 if state == "on" else 0.0, seed=int(seed))[0], None


def test_frames_of_a_night():
    names = ["off 3", "off 4", "off 5", "on 2", "gone", "off 6"]
    known = [name for name in names if name != "gone"]
    qualities = {
        name: frame("m3", 3.0, 3.0 if "on" in name else 0.0, seed=int(name[-1]))[1]
        for name in known
    }
    qualities["gone"] = qualities["off 3"]
    listed = [qualities[name] for name in names]
    listed[-1] = FrameQuality(reason="few stars")
    measure = functools.partial(
        measure_stars_of_frames,
        names,
        listed,
        group=["bare"] * 6,
        off=["off" in name for name in names],
        options=StarOptions(width=WIDTH),
        read=read_drawn,
    )
    result = measure()
    with ThreadPoolExecutor(2) as executor:
        again = measure(executor=executor)
    np.testing.assert_array_equal(again.kernel_blur_squared, result.kernel_blur_squared)
    np.testing.assert_array_equal(again.halo_err, result.halo_err)
    assert [one.reason for one in result.stars] == ["", "", "", "", "vanished", "few stars"]
    assert np.isnan(result.halo[4:]).all() and np.isnan(result.kernel_blur_squared[4:]).all()
    assert abs(result.kernel_blur_squared[3] - 9) < 4 * result.kernel_blur_err[3]
    assert np.all(np.abs(result.kernel_blur_squared[:3]) < 5 * result.kernel_blur_err[:3])
    assert result.halo[3] > result.halo[:3].max()
    with pytest.raises(ValueError, match="group must hold one entry"):
        measure_stars_of_frames(names, listed, group=["a"], off=[True] * 6)


def test_wrong_input():
    image, quality = frame("m3", 2.6, 0.0)
    with pytest.raises(ValueError, match="two axes"):
        measure_mean_star(image[None], quality.star_list, fwhm=2.6)
    with pytest.raises(ValueError, match="above 0"):
        measure_mean_star(image, quality.star_list, fwhm=np.nan)
    few = measure_mean_star(image, quality.star_list[:3], fwhm=2.6)
    assert few.reason == "few stars" and not few
    assert np.isnan(measure_halo(few.profiles, fwhm=2.6)).all()
    assert np.isnan(fit_added_blur(few.profiles, few.profiles, width=WIDTH).fwhm_squared)
