"""Heater-off time from telescope, camera and sky figures."""

import numpy as np
import pytest

from framesort.errors import InputError
from framesort.planning import (
    Figures,
    need_from_figures,
    signal_to_noise,
    star_pixels,
)

TELESCOPE = {"aperture": 280.0, "focal_length": 560.0, "pixel_size": 3.8}


def test_zero_point_is_its_own_definition():
    two_arcsec = {"focal_length": 206.264806, "pixel_size": 2.0}
    sky = {"sky_brightness": 22.0, "zero_point": 22.0}
    rates = Figures(**two_arcsec, **sky, gain=1.5).rates(22.0)
    assert rates.pixel_scale == pytest.approx(2.0)
    # A star of the zero point gives one ADU a second; a pixel of 4 square arcsec four times as much
    # sky of that brightness.
    assert rates.star == pytest.approx(1.5) and rates.sky == pytest.approx(6.0)
    fainter = Figures(**two_arcsec, **sky).rates(24.5)
    assert fainter.star == pytest.approx(0.1)  # 2.5 magnitudes are a factor of ten


def test_both_ways_of_giving_the_telescope_agree():
    band = {"bandwidth": 100.0, "throughput": 0.4, "extinction": 0.0}
    figures = Figures(**TELESCOPE, **band, obstruction=0.4)
    zero = 2.5 * np.log10(figures.rates(0.0).star)
    # The same telescope by its zero point; extinction dims stars only, so it is 0 here.
    same = Figures(focal_length=560.0, pixel_size=3.8, zero_point=zero)
    assert same.rates(15.0).star == pytest.approx(figures.rates(15.0).star, rel=1e-9)
    assert same.rates(15.0).sky == pytest.approx(figures.rates(15.0).sky, rel=1e-9)


def test_light_gathering_of_known_optics():
    # 996 photons / (s cm2 Angstrom) for V = 0 (Bessell, Castelli & Plez 1998). A clear aperture of
    # 100 mm is 78.54 cm2; 10 nm are 100 Angstrom; all of it counted.
    rates = Figures(
        sky_brightness=20.0, aperture=100.0, focal_length=500.0, pixel_size=5.0,
        bandwidth=10.0, throughput=1.0, obstruction=0.0, extinction=0.0,
    ).rates(10.0)  # fmt: skip
    assert rates.star == pytest.approx(996 * 78.54 * 100 * 1e-4, rel=2e-3)
    scale = 206.265 * 5 / 500
    assert rates.sky == pytest.approx(996 * 78.54 * 100 * 1e-8 * scale**2, rel=2e-3)


def test_need_follows_the_ccd_equation():
    figures = Figures(**TELESCOPE, read_noise=1.6, dark=0.02, gain=0.8)
    need = need_from_figures(figures, magnitude=18.0, exposure=60.0, snr=30.0, filter_name="L")
    rates = figures.rates(18.0)
    area = star_pixels(3.0 / rates.pixel_scale)
    one = signal_to_noise(
        60 * rates.star, pixels=area, sky=60 * rates.sky, dark=1.2, read_noise=1.6, gain=0.8
    )
    assert need.snr_of_one == pytest.approx(one)
    assert need.frames == int(np.ceil((30 / one) ** 2))
    assert need.sentence.startswith(f"L: {need.frames} heater-off frames of 60 s")
    assert "a star of magnitude 18 to S/N 30" in need.sentence


def test_one_magnitude_fainter_takes_six_times_as_long_under_a_bright_sky():
    figures = Figures(**TELESCOPE, sky_brightness=18.0, read_noise=0.0)
    faint, fainter = (
        need_from_figures(figures, magnitude=m, exposure=10.0, snr=50.0).frames
        for m in (18.5, 19.5)
    )
    # Where the sky alone makes the noise: 10^0.8 = 6.31; the star's own light lowers that a bit
    # (it is 3 % of the sky's in its pixels), whole frames another bit.
    assert fainter / faint == pytest.approx(6.31, rel=0.05)


def test_what_was_assumed_is_reported():
    figures = Figures(**TELESCOPE, read_noise=1.6)
    told = figures.assumed({"aperture", "focal_length", "pixel_size", "read_noise"})
    assert "obstruction 0.35" in told and "sky 20.5 mag/arcsec2" in told
    assert "read noise" not in told
    zero = Figures(focal_length=560.0, pixel_size=3.8, zero_point=22.0)
    assert "throughput" not in zero.assumed(set())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"aperture": None}, "give the aperture"),
        ({"pixel_size": 0.0}, "pixel_size must be above 0"),
        ({"read_noise": -1.0}, "read_noise must not be below 0"),
        ({"focal_length": float("nan")}, "focal_length must be above 0"),
    ],
)
def test_figures_that_cannot_be(change, message):
    with pytest.raises(InputError, match=message):
        Figures(**(TELESCOPE | change))


@pytest.mark.parametrize("change", [{"exposure": 0.0}, {"snr": -1.0}])
def test_wishes_that_cannot_be(change):
    with pytest.raises(InputError, match="above 0"):
        need_from_figures(Figures(**TELESCOPE), **({"magnitude": 15.0, "exposure": 60.0} | change))
