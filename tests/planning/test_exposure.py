"""The CCD equation against worked examples and against images drawn and measured."""

import galsim
import numpy as np
import pytest
from astropy.table import Table

from framesort.errors import InputError, NotEnoughFramesError
from framesort.planning import (
    Figures,
    frames_needed,
    signal_to_noise,
    star_pixels,
    unheated_minutes_needed,
)


def test_worked_example_of_the_handbook():
    # Howell, Handbook of CCD Astronomy, 2nd ed., sec. 4.4: 300 s, 24013 ADU at 5 e/ADU, sky 620
    # ADU/px, dark 22 e/px/h, read noise 5 e, one pixel, 200 background pixels; the book says
    # about 342 (inputs from memory).
    ratio = signal_to_noise(
        24013 * 5,
        pixels=1,
        sky=620 * 5,
        dark=22 * 300 / 3600,
        read_noise=5,
        gain=5,
        background_pixels=200,
    )
    assert ratio == pytest.approx(342.05, abs=0.01)
    simple = signal_to_noise(24013 * 5, pixels=1, sky=620 * 5, dark=22 / 12, read_noise=5)
    assert simple == pytest.approx(342.08, abs=0.02)


def test_background_pixels_count():
    # Merline & Howell 1995: leaving them out overestimates. Closed form.
    star = {"pixels": 29, "sky": 100, "read_noise": 3}
    assert signal_to_noise(1e4, background_pixels=200, **star) == pytest.approx(85.69, abs=0.005)
    assert signal_to_noise(1e4, **star) == pytest.approx(87.17, abs=0.005)


def test_limits():
    assert signal_to_noise(1e6, pixels=10, sky=0) == pytest.approx(1e3)  # shot noise alone
    faint = signal_to_noise([10.0, 20.0], pixels=20, sky=1e4)
    assert faint[1] / faint[0] == pytest.approx(2.0, rel=1e-3)  # the sky rules


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.765])
def test_star_pixels_by_galsim(beta):
    # Without the pixel: 1 / sum(P^2) of an image drawn finely, in pixels of 1.
    profile = galsim.Moffat(beta=beta, fwhm=3.0, gsparams=galsim.GSParams(folding_threshold=5e-4))
    image = profile.drawImage(nx=801, ny=801, scale=0.1, method="no_pixel").array
    area = 0.01 * image.sum() ** 2 / (image**2).sum()
    assert star_pixels(3.0, beta=beta) == pytest.approx(area, rel=5e-3)


def test_star_pixels_of_a_gaussian():
    # King 1983: 4 pi sigma^2.
    assert star_pixels(3.0, beta=np.inf) == pytest.approx(4 * np.pi * (3 / 2.354820) ** 2, rel=1e-6)
    with pytest.raises(InputError, match="beta must be above 1"):
        star_pixels(3.0, beta=1.0)


def test_fitted_flux_scatters_as_promised():
    # A profile fitted by least squares to images with sky noise: its flux scatters by
    # sqrt(star_pixels) times the noise of a pixel.
    rng = np.random.default_rng(5)
    moffat = galsim.Moffat(beta=3.0, fwhm=3.5)
    profile = moffat.drawImage(nx=61, ny=61, scale=1.0, method="no_pixel").array
    fluxes = []
    for _ in range(2000):
        noise = 10.0 * rng.standard_normal(profile.shape)
        fluxes.append((noise * profile).sum() / (profile**2).sum())
    # 3 deviations of a deviation from 2000 trials.
    assert np.std(fluxes) == pytest.approx(10 * np.sqrt(star_pixels(3.5)), rel=3 / np.sqrt(4000))


def test_frames_needed():
    assert list(frames_needed([20.0, 10.0, 5.0, 40.0, 9.0], 20.0)) == [1, 4, 16, 1, 5]
    assert np.isinf(frames_needed(0.0, 20.0))


def night(**columns):
    rows = {
        "filter": ["L", "L", "L", "Ha"],
        "exposure": [60.0, 60.0, 60.0, 180.0],
        "heater_state": ["off", "off", "on", "off"],
        "fwhm": [2.8, 2.8, 3.6, 2.9],
        "noise": [28.0, 28.0, 28.0, 9.0],
        "gain": [0.8, 0.8, 0.8, 0.8],
    }
    return Table(rows | columns)


def test_minutes_from_a_night():
    ha, luminance = unheated_minutes_needed(night(), flux=1000.0, snr=20.0)
    assert (ha.filter, luminance.filter) == ("Ha", "L")
    # By hand: 800 e on 3.777 FWHM^2 pixels (Moffat, exponent 3) of 22.4 e noise each.
    area = np.pi * (2.8 / 1.019649) ** 2 * 5 / 4
    one = 800 / np.sqrt(800 + area * 22.4**2)
    assert luminance.snr_of_one == pytest.approx(one, rel=1e-5)
    assert luminance.frames == int(np.ceil((20 / one) ** 2))
    assert luminance.minutes == luminance.frames
    assert luminance.frames_had == 2
    assert luminance.sentence.endswith(f"the night had 2: {luminance.frames - 2} too few.")
    assert ha.minutes == 3 * ha.frames


def test_thin_cloud_costs_frames_and_unknown_gain_counts_as_one():
    clear = unheated_minutes_needed(night(), flux=1000.0)[1]
    dim = unheated_minutes_needed(night(transparency=[0.5, 0.5, 1.0, 1.0]), flux=1000.0)[1]
    assert dim.snr_of_one < 0.6 * clear.snr_of_one
    unknown = unheated_minutes_needed(night(gain=[np.nan] * 4), flux=1000.0)[1]
    given = unheated_minutes_needed(night(gain=[1.0] * 4), flux=1000.0)[1]
    assert unknown.snr_of_one == given.snr_of_one


def test_rejected_frames_do_not_count():
    good = unheated_minutes_needed(night(), flux=1000.0)[1]
    cloudy = night(noise=[28.0, 90.0, 28.0, 9.0], sharp_set=[True, False, False, True])
    sorted_out = unheated_minutes_needed(cloudy, flux=1000.0)[1]
    assert sorted_out.snr_of_one == good.snr_of_one
    assert sorted_out.frames_had == 1


def test_groups_are_kept_apart():
    grouped = night(group=["L", "L", "L", "Ha"], exposure=[60.0, 60.04, 60.0, 180.0])
    exposures = [need.exposure for need in unheated_minutes_needed(grouped, flux=1e3)]
    assert exposures == pytest.approx([180.0, 60.02])
    left_out = night(group=["L", "", "L", "Ha"])  # a frame that no group takes
    assert [need.frames_had for need in unheated_minutes_needed(left_out, flux=1e3)] == [1, 1]
    assert len(unheated_minutes_needed(night(exposure=[60.0, 30.0, 60.0, 180.0]), flux=1e3)) == 3


def test_enough_already():
    (need,) = unheated_minutes_needed(night()[:2], flux=1e5)
    assert need.sentence.startswith(
        "L: 1 heater-off frame of 60 s (1 min) brings stars of 100000 ADU"
    )
    assert need.sentence.endswith("the night had 2: enough.")


def test_nights_without_evidence():
    with pytest.raises(NotEnoughFramesError, match="no heater-off frame"):
        unheated_minutes_needed(night(heater_state=["on"] * 4), flux=1000.0)
    with pytest.raises(InputError, match="flux must be above 0, got 0"):
        unheated_minutes_needed(night(), flux=0.0)
    bare = night()
    bare.remove_column("noise")
    with pytest.raises(InputError, match="must have a column noise"):
        unheated_minutes_needed(bare, flux=1000.0)


TELESCOPE = {
    "sky_brightness": 20.0,
    "aperture": 100.0,
    "focal_length": 500.0,
    "pixel_size": 5.0,
    "bandwidth": 88.0,
}


def test_rates_of_a_telescope():
    figures = TELESCOPE | {"extinction": 0.0}
    rates = Figures(**figures, throughput=1.0, obstruction=0.0).rates(0.0)
    # 995.5 photons / (s cm^2 Angstrom) at V = 0 (Bessell, Castelli & Plez 1998), 880 Angstrom,
    # pi 25 cm^2.
    assert rates.star == pytest.approx(995.5 * 880 * np.pi * 25, rel=1e-3)
    assert rates.pixel_scale == pytest.approx(206.265 * 5 / 500, rel=1e-5)
    assert rates.sky == pytest.approx(rates.star * 1e-8 * rates.pixel_scale**2, rel=1e-9)
    smaller = Figures(**figures, throughput=0.5, obstruction=0.5).rates(5.0)
    assert smaller.star == pytest.approx(rates.star * 0.01 * 0.5 * 0.75, rel=1e-9)


@pytest.mark.parametrize(("name", "value"), [("aperture", 0.0), ("throughput", 1.5)])
def test_rates_of_no_telescope(name, value):
    with pytest.raises(InputError, match=f"{name} must be"):
        Figures(**(TELESCOPE | {name: value}))
