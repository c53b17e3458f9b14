"""Colour filter arrays: green lattice and planes against galsim, scipy and construction."""

import galsim
import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import convolve, correlate1d

from framesort.colour import (
    GreenReader,
    PlaneReader,
    check_pattern,
    green_lattice,
    join_stacks,
    pick_colour,
    restore_quality,
)
from framesort.errors import InputError
from framesort.frames import header_pattern
from framesort.records import Stack
from framesort.stars import measure_image

pytestmark = pytest.mark.slow

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def letters(pattern, shape):
    cell = np.array(list(pattern)).reshape(2, 2)
    return np.tile(cell, (shape[0] // 2 + 1, shape[1] // 2 + 1))[: shape[0], : shape[1]]


@pytest.mark.parametrize(
    ("cards", "pattern"),
    [
        ({}, ""),
        ({"BAYERPAT": "RGGB"}, "RGGB"),
        ({"BAYERPAT": " rggb "}, "RGGB"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, "GRBG"),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1}, "BGGR"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 2, "YBAYROFF": 0}, "RGGB"),
        ({"BAYERPAT": "GRBG", "ROWORDER": "TOP-DOWN"}, "GRBG"),
        ({"COLORTYP": "GBRG"}, "GBRG"),
        ({"CFAPAT": "BGGR"}, "BGGR"),
        ({"BAYERPAT": "MONO"}, ""),
        ({"BAYERPAT": "CYGM"}, None),
        ({"NAXIS": 3, "NAXIS3": 3}, "RGB"),
        ({"NAXIS": 3, "NAXIS3": 1}, ""),
        ({"NAXIS": 3, "NAXIS3": 4}, None),
    ],
)
def test_what_headers_say(cards, pattern):
    assert header_pattern(fits.Header(cards)) == pattern


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("shape", [(40, 52), (41, 53)])
def test_lattice_holds_every_green_pixel_once(pattern, shape):
    mosaic = np.random.default_rng(1).normal(100, 5, shape).astype("f4")
    lattice = green_lattice(mosaic, pattern)
    green = letters(pattern, shape) == "G"
    v, u = np.nonzero(np.isfinite(lattice))
    assert len(u) == green.sum()
    # The way back as the module states it.
    shift, parity = shape[1] // 2 + 1, 0 if pattern[0] == "G" else 1
    x, y = u - v + shift, u + v - shift + parity
    assert green[y, x].all()
    assert np.array_equal(lattice[v, u], mosaic[y, x])


@pytest.fixture(scope="module")
def field():
    """Green light of 60 stars of one known profile, on every pixel, with noise."""
    shape, rng = (360, 420), np.random.default_rng(8)
    image = galsim.ImageD(shape[1], shape[0], scale=1.0)
    profile = galsim.Moffat(beta=3.0, fwhm=2.8).shear(g1=0.05, g2=0.0)
    xy, flux = [], []
    for row in range(6):
        for column in range(10):
            x = 30 + 40 * column + rng.uniform(-3, 3)
            y = 30 + 60 * row + rng.uniform(-3, 3)
            xy.append((x, y))
            flux.append(10 ** rng.uniform(4, 5))
            stamp = galsim.BoundsI(int(x) - 24, int(x) + 26, int(y) - 24, int(y) + 26)
            stamp &= image.bounds
            profile.withFlux(flux[-1]).drawImage(
                image=image[stamp], add_to_image=True, method="auto",
                center=galsim.PositionD(x + 1, y + 1),
            )  # fmt: skip
    # Width with the pixel, at half maximum: galsim's own figure along an axis and across it.
    pixel = galsim.Convolve(galsim.Moffat(beta=3.0, fwhm=2.8), galsim.Pixel(1.0))
    noise = rng.normal(0, 8.0, shape)
    return image.array + 300 + noise, np.array(xy), np.array(flux), pixel.calculateFWHM(scale=0.02)


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
def test_stars_on_green_are_true(field, pattern):
    image, xy, flux, fwhm = field
    mosaic = np.where(letters(pattern, image.shape) == "G", image, 50.0)
    quality = measure_image(green_lattice(mosaic, pattern), saturation=1e6)
    quality = restore_quality(quality, pattern, image.shape[1])
    whole = measure_image(image, saturation=1e6)
    # 1 %: what the same measurement reaches on all pixels; half of them are measured here.
    assert quality.fwhm == pytest.approx(fwhm, rel=0.01)
    assert quality.fwhm == pytest.approx(whole.fwhm, rel=0.01)
    assert quality.half_flux_radius == pytest.approx(whole.half_flux_radius, rel=0.02)
    # Stars are long along x; eccentricity of the sheared profile before the pixel is 0.43.
    assert quality.eccentricity == pytest.approx(whole.eccentricity, abs=0.05)
    assert min(quality.elongation_angle, 180 - quality.elongation_angle) < 6
    stars = quality.star_list
    own = np.stack([stars["x"], stars["y"]], axis=1)
    apart = np.hypot(*(own[:, None] - xy[None]).transpose(2, 0, 1))
    near = apart.argmin(axis=0)
    assert np.all(apart.min(axis=0) < 0.3)
    # A star of 1e4 ADU at this noise on half of the pixels: King 1983 gives 0.04 px per axis.
    bright = flux > 3e4
    assert np.sqrt(np.mean(apart.min(axis=0)[bright] ** 2)) < 0.03
    ratio = np.asarray(stars["flux"])[near][bright] / flux[bright]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.02)


def test_spike_keeps_its_angle():
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:300, :380]
    image = np.full(x.shape, 200.0)
    turn = np.deg2rad(20.0)
    for cx, cy in rng.uniform(40, 260, (14, 2)) * [1.25, 1.0]:
        dx, dy = x - cx, y - cy
        along = dx * np.cos(turn) + dy * np.sin(turn)
        across = -dx * np.sin(turn) + dy * np.cos(turn)
        image += 6000 * np.exp(-(dx**2 + dy**2) / (2 * 1.3**2))
        image += 60 * np.exp(-np.abs(along) / 14 - across**2 / (2 * 1.2**2))
    image += rng.normal(0, 3.0, image.shape)
    mosaic = np.where(letters("RGGB", image.shape) == "G", image, 10.0)
    quality = restore_quality(measure_image(green_lattice(mosaic, "RGGB")), "RGGB", 380)
    assert quality.spike_raw > 5 * quality.spike_raw_err
    # Bins of two degrees.
    assert quality.spike_raw_angle == pytest.approx(20.0, abs=2.0)
    # And the profile turned by as much: bin k is centred on 2 k + 1 degrees.
    assert abs(2 * int(np.argmax(quality.spike_profile)) + 1 - 20) <= 5


def lanczos():
    x = np.arange(6) - 2.5
    weights = np.sinc(x) * np.sinc(x / 3)
    return weights / weights.sum()


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("colour", "RGB")
def test_planes_against_scipy(pattern, colour):
    rng = np.random.default_rng(6)
    shape = (42, 50)
    y, x = np.mgrid[: shape[0], : shape[1]]
    # Without tops or hollows, where the guard against ringing would act.
    mosaic = (100 + 3 * x + 2 * y + 0.01 * x * y + rng.normal(0, 0.1, shape)).astype("f4")
    own = letters(pattern, shape) == colour
    known, weights = np.where(own, mosaic, 0.0), lanczos()
    if colour == "G":
        kernel = np.zeros((11, 11))
        for a in range(6):
            for b in range(6):
                kernel[a + b, 5 + a - b] = weights[a] * weights[b]
        want = np.where(own, mosaic, convolve(known, kernel, mode="mirror"))
    else:
        line = np.zeros(11)
        line[::2], line[5] = weights, 1.0
        want = correlate1d(correlate1d(known, line, 1, mode="mirror"), line, 0, mode="mirror")
    inner = (slice(6, -6), slice(6, -6))  # mirrored beyond the edge the slope makes a top
    plane = pick_colour(mosaic, pattern, colour)
    np.testing.assert_allclose(plane[inner], want[inner], rtol=2e-6)
    assert np.abs(plane - want).max() < 3  # one step of the slope: the guard acts there
    bare = pick_colour(mosaic, pattern, colour, fill=False)
    assert np.array_equal(np.isfinite(bare), own)


@pytest.mark.parametrize("colour", "RGB")
@pytest.mark.parametrize("fill", [True, False])
def test_rows_are_those_of_the_whole(tmp_path, colour, fill):
    mosaic = np.random.default_rng(7).normal(100, 5, (61, 80)).astype("f4")
    fits.PrimaryHDU(mosaic).writeto(tmp_path / "m.fits")
    read = PlaneReader(pattern="GRBG", colour=colour, fill=fill)
    whole = read(tmp_path / "m.fits")[0]
    assert np.array_equal(whole, pick_colour(mosaic, "GRBG", colour, fill=fill), equal_nan=True)
    for start, stop in ((0, 1), (3, 9), (58, 61), (30, 61), (47, 52)):
        part = read(tmp_path / "m.fits", rows=slice(start, stop))[0]
        assert np.array_equal(part, whole[start:stop], equal_nan=True)
    for step in (2, 3, 7, 60):
        sample = read(tmp_path / "m.fits", rows=slice(0, None, step))[0]
        assert sample.shape == (len(range(0, 61, step)), 80)
        assert np.isin(sample, mosaic[letters("GRBG", (61, 80)) == colour]).all()


def test_missing_pixels_do_not_spread():
    mosaic = np.full((30, 30), 100.0, dtype="f4")
    mosaic[10:12, 10:12] = np.nan
    for colour in "RGB":
        plane = pick_colour(mosaic, "RGGB", colour)
        # The pixel itself and, of green, those in the hole of which none of four is left.
        assert np.isnan(plane).sum() <= 2
        np.testing.assert_allclose(plane[np.isfinite(plane)], 100.0, rtol=1e-6)


def test_saturated_stars_do_not_ring():
    mosaic = np.full((40, 40), 100.0, dtype="f4")
    mosaic[18:23, 18:23] = 60000.0
    for colour in "RGB":
        plane = pick_colour(mosaic, "RGGB", colour, saturation=60000.0)
        assert plane.min() == 100.0 and plane.max() == 60000.0


@pytest.mark.parametrize("pattern", PATTERNS)
def test_pixels_show_where_the_rows_were_turned(pattern):
    rng = np.random.default_rng(9)
    sky = {"R": 800.0, "G": 1000.0, "B": 700.0}
    level = np.vectorize(sky.get)(letters(pattern, (120, 140)))
    mosaic = rng.normal(level, 20)
    assert check_pattern(mosaic, pattern) == (pattern, "")
    # The image turned upside down by a program that left the header alone.
    turned, note = check_pattern(mosaic[::-1], pattern)
    assert turned == pattern[2:] + pattern[:2] and "rows exchanged" in note
    # A grey sky tells nothing, and then the header counts.
    assert check_pattern(rng.normal(900, 20, (120, 140)), pattern) == (pattern, "")


def test_three_planes_in(tmp_path):
    planes = np.random.default_rng(2).normal(100, 5, (3, 20, 30)).astype("f4")
    fits.PrimaryHDU(planes).writeto(tmp_path / "p.fits")
    for k, colour in enumerate("RGB"):
        read = PlaneReader(pattern="RGB", colour=colour)
        assert np.array_equal(read(tmp_path / "p.fits")[0], planes[k])
        assert np.array_equal(read(tmp_path / "p.fits", rows=slice(3, 9))[0], planes[k, 3:9])
    assert np.array_equal(GreenReader(pattern="RGB")(tmp_path / "p.fits")[0], planes[1])


def test_joined_stacks():
    def stack(value, saturation):
        shape = (4, 5)
        return Stack(
            data=np.full(shape, value, "f4"), weight=np.ones(shape, "f4"),
            coverage=np.ones(shape, "i2"), header=fits.Header(), frames=("a", "b"),
            rejected=np.array([0.1, 0.2]) * value, saturation=saturation, notes=("one",),
        )  # fmt: skip

    joined = join_stacks({"B": stack(3, 9.0), "R": stack(1, 7.0), "G": stack(2, np.inf)})
    assert joined.data.shape == (3, 4, 5) and list(joined.data[:, 0, 0]) == [1, 2, 3]
    assert joined.saturation == 7.0 and joined.notes == ("one",)
    np.testing.assert_allclose(joined.rejected, [0.2, 0.4])
    with pytest.raises(InputError, match="must hold R, G and B"):
        join_stacks({"R": stack(1, 7.0)})
