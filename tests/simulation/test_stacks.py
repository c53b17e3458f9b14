import galsim
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from scipy.signal import fftconvolve

from framesort.errors import InputError, OutputError
from framesort.simulation import simulate_stacks

SMALL = {"shape": (260, 320), "count": 60}


def test_stacks_are_their_parts_and_noise():
    made = simulate_stacks(rng=1, sharp_frames=9, deep_frames=36, **SMALL)
    quiet = made.deep_stars + made.sharp_stars < 0.1
    deep, sharp = (made.deep - made.deep_nebula)[quiet], (made.sharp - made.nebula)[quiet]
    # Variance of a mean of n frames: (light + read noise^2) / n; 3 deviations of a deviation.
    level = made.nebula[quiet].mean() + 16.0
    tolerance = 3 / np.sqrt(2 * quiet.sum())
    assert deep.std() == pytest.approx(np.sqrt(level / 36), rel=tolerance)
    assert sharp.std() == pytest.approx(np.sqrt(level / 9), rel=tolerance)
    assert np.array_equal(made.truth, np.minimum(made.nebula + made.sharp_stars, 60000.0))
    assert made.noise == pytest.approx(deep.std(), rel=0.1)


def test_same_light_in_both_stars():
    made = simulate_stacks(rng=2, brightest=1e5, faintest=9e4, shape=(500, 500), count=1, spike=0.2)
    x, y, flux = made.stars[0]
    distance = np.hypot(*np.ogrid[-y : 500 - y, -x : 500 - x])
    near = distance < min(x, y, 500 - x, 500 - y)
    # What lies beyond: the wings of the Moffat profile and the ends of the spike.
    assert made.sharp_stars[near].sum() == pytest.approx(flux, rel=0.01)
    assert made.deep_stars[near].sum() == pytest.approx(flux, rel=0.03)
    assert made.deep_stars.max() < 0.8 * made.sharp_stars.max()


def test_scale_pedestal_and_gradient_of_the_sharp_stack():
    plain = simulate_stacks(rng=3, **SMALL)
    other = simulate_stacks(rng=3, flux_ratio=0.5, pedestal=70.0, gradient=40.0, **SMALL)
    quiet = plain.sharp_stars < 0.1
    slope = 40.0 * (np.arange(320) / 320 - 0.5) * np.ones((260, 1))
    rest = (other.sharp - 0.5 * plain.nebula - slope)[quiet]
    assert rest.mean() == pytest.approx(70.0, abs=0.2)
    assert np.array_equal(plain.deep, other.deep)


def test_files(tmp_path):
    made = simulate_stacks(rng=4, galaxies=3, out=tmp_path, **SMALL)
    assert np.array_equal(fits.getdata(tmp_path / "deep.fits"), made.deep)
    assert len(Table.read(tmp_path / "truth-stars.ecsv")) == 60
    with pytest.raises(OutputError, match="exists already"):
        simulate_stacks(rng=4, out=tmp_path, **SMALL)


@pytest.mark.parametrize(
    ("name", "value"), [("sharp_fwhm", 0.0), ("count", -1), ("deep_frames", 0), ("brightest", 1.0)]
)
def test_wrong_numbers(name, value):
    with pytest.raises(InputError, match=f"{name} must be"):
        simulate_stacks(**{name: value})


def test_the_nebula_passes_through_each_profile():
    made = simulate_stacks(rng=6, nebula=2000.0, spike=0.0, **SMALL)
    kernels = [
        galsim.Moffat(beta=beta, fwhm=fwhm).drawImage(nx=101, ny=101, scale=1.0).array
        for fwhm, beta in ((2.8, 3.0), (3.9, 2.7))
    ]
    # Each nebula through the other's profile is the same picture: both orders of two blurs.
    crossed = [
        fftconvolve(nebula - 300.0, kernel, mode="valid")
        for nebula, kernel in zip((made.nebula, made.deep_nebula), kernels[::-1], strict=True)
    ]
    apart = np.abs(made.nebula - made.deep_nebula).max()
    assert apart > 50.0
    # Wings beyond 50 px are cut here.
    assert np.abs(crossed[0] - crossed[1]).max() < 0.05 * apart
    one = simulate_stacks(rng=6, nebula=2000.0, nebula_blur=False, **SMALL)
    assert np.array_equal(one.nebula, one.deep_nebula)
    assert np.array_equal(one.nebula, made.nebula)
