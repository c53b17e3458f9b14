"""Frames with optical distortion, against astropy's WCS and reproject_exact."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from reproject import reproject_exact
from stack_options import grouped

from framesort.errors import InputError
from framesort.registration import (
    Grid,
    make_grid,
    make_optimal_grid,
    place_by_wcs,
    register_frames,
    transform_from_wcs,
)
from framesort.stacking import resample_image, stack_arrays

SHAPE = (260, 320)


def make_header(*, ra=30.0, dec=46.0, turn=0.0, scale=2.0, shape=SHAPE, sip=0.0, tpv=0.0):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra, dec]
    wcs.wcs.crpix = [shape[1] / 2 + 0.5, shape[0] / 2 + 0.5]
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    wcs.wcs.cd = scale / 3600 * np.array([[-c, s], [s, c]])
    header = wcs.to_header()
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, shape[1], shape[0]
    if sip:
        header["CTYPE1"], header["CTYPE2"] = "RA---TAN-SIP", "DEC--TAN-SIP"
        header["A_ORDER"] = header["B_ORDER"] = 3
        # The cubic barrel of a lens.
        header["A_3_0"] = header["A_1_2"] = header["B_0_3"] = header["B_2_1"] = sip
    if tpv:
        header["CTYPE1"], header["CTYPE2"] = "RA---TPV", "DEC--TPV"
        header["PV1_1"] = header["PV2_1"] = 1.0
        header["PV1_7"] = header["PV2_7"] = tpv
    return header


SIP = 8e-7  # 3.3 pixels in the corners


def make_sky(rng, count=60, reach=0.07):
    ra = 30 + rng.uniform(-reach, reach, count) / np.cos(np.deg2rad(46))
    return ra, 46 + rng.uniform(-reach, reach, count)


def draw(header, sky, flux, sigma=1.6, background=100.0):
    """Gaussian stars where the WCS puts them; no noise."""
    shape = header["NAXIS2"], header["NAXIS1"]
    y, x = np.indices(shape)
    image = np.full(shape, background)
    px, py = WCS(header).all_world2pix(*sky, 0)
    for one, a, b in zip(flux, px, py, strict=True):
        image += (
            one / (2 * np.pi * sigma**2) * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * sigma**2))
        )
    return image.astype(np.float32)


def measure(image, x, y, radius=8):
    """Sum over the background and centroid within a circle."""
    yy, xx = np.indices(image.shape)
    inside = (xx - x) ** 2 + (yy - y) ** 2 <= radius**2
    light = np.where(inside, image - 100.0, 0.0)
    total = light.sum()
    return total, (light * xx).sum() / total, (light * yy).sum() / total


@pytest.mark.parametrize(
    "frame", [make_header(sip=SIP), make_header(sip=SIP, turn=137.0), make_header(tpv=2.0)]
)
def test_stars_land_where_the_wcs_says_with_the_flux_of_reproject_exact(frame):
    rng = np.random.default_rng(4)
    lattice = np.meshgrid(np.arange(20.0, 310, 34), np.arange(20.0, 250, 34))
    px, py = (axis.ravel() + rng.uniform(-1, 1, axis.size) for axis in lattice)
    sky, flux = WCS(frame).all_pix2world(px, py, 0), rng.uniform(2e3, 2e4, px.size)
    grid = make_header(ra=30.01, turn=4.0, shape=(300, 340))
    image = draw(frame, sky, flux)
    transform = transform_from_wcs(frame, grid)
    assert transform.pixel_map is not None
    ours = resample_image(image, transform, (300, 340), conserve_flux=False)
    exact, _ = reproject_exact((image, WCS(frame)), WCS(grid), shape_out=(300, 340))
    x, y = WCS(grid).all_world2pix(*sky, 0)
    use = (x > 14) & (y > 14) & (x < 325) & (y < 285)
    assert use.sum() >= 30
    for k in np.flatnonzero(use):
        total, cx, cy = measure(ours, x[k], y[k])
        other, _, _ = measure(exact, x[k], y[k])
        assert total == pytest.approx(other, rel=2e-3)
        assert np.hypot(cx - x[k], cy - y[k]) < 0.02
    # One projective transform alone is off by pixels.
    flat = np.hypot(*np.subtract(transform.map_points(0, 0), transform.matrix[:2, 2]))
    assert flat > 0.5


def test_missing_and_saturated_pixels_of_a_distorted_frame():
    frame, grid = make_header(sip=SIP), make_header()
    image = np.full(SHAPE, 100.0, np.float32)
    image[130, 100:104] = np.nan
    image[60:64, 200:204] = 5000.0
    transform = transform_from_wcs(frame, grid)
    out = resample_image(image, transform, SHAPE)
    x, y = (int(np.rint(v)) for v in transform.map_points(101, 130))
    assert np.isnan(out[y, x])
    assert np.isfinite(out[y + 3, x])  # the spline does not spread what is missing
    assert 3 <= np.isnan(out[y - 4 : y + 5, x - 8 : x + 9]).sum() <= 6
    stack = stack_arrays([image] * 3, [transform] * 3, shape=SHAPE, **grouped(saturation=4000.0))[
        "all"
    ]
    x, y = (int(np.rint(v)) for v in transform.map_points(201.5, 61.5))
    assert stack.data[y, x] >= stack.saturation
    assert stack.data[y, x + 20] < stack.saturation
    np.testing.assert_allclose(stack.data[y, x + 20], 100, rtol=1e-3)
    # Every frame is whole where only the nearest one would reach.
    assert stack.coverage[130, 160] == 3


def test_small_distortion_stays_with_one_matrix():
    # The same lens, dithered: the projective transform follows to 0.1 pixel.
    transform = transform_from_wcs(make_header(sip=SIP), make_header(ra=30.001, sip=SIP))
    assert transform.pixel_map is None
    assert transform.residual < 0.1
    assert transform_from_wcs(make_header(turn=3), make_header()).pixel_map is None


def test_registration_corrects_the_wcs_of_distorted_frames(tmp_path):
    rng = np.random.default_rng(7)
    sky = make_sky(rng, count=300)
    grid_header = make_header()
    lists, paths, truth = [], [], []
    for k, (ra, turn, error) in enumerate([(30.0, 0.0, 0.0), (30.004, 0.4, 0.002), (30, 180, 0)]):
        true = make_header(ra=ra, turn=turn, sip=0 if k == 0 else 10 * SIP)
        x, y = WCS(true).all_world2pix(*sky, 0)
        use = (x > 0) & (y > 0) & (x < SHAPE[1]) & (y < SHAPE[0])
        lists.append(Table({"x": x[use], "y": y[use], "flux": rng.uniform(1, 9, use.sum())}))
        truth.append((x[use], y[use], *WCS(grid_header).all_world2pix(sky[0][use], sky[1][use], 0)))
        written = true.copy()
        written["CRVAL1"] += error  # 3 pixels
        paths.append(tmp_path / f"{k}.fits")
        fits.writeto(paths[-1], np.zeros(SHAPE, np.float32), header=written)
    grid = make_grid(paths[0])
    # The brightest come in another order in each list: registration works by places.
    found = register_frames(lists, paths=paths, grid=grid, reference=0)
    assert [t.pixel_map is not None for t in found] == [False, True, True]
    for transform, (x, y, gx, gy) in zip(found, truth, strict=True):
        assert transform
        off = np.hypot(*np.subtract(transform.map_points(x, y), (gx, gy)))
        assert off.max() < 0.05
    cut = np.array([[1.0, 0, -20], [0, 1, -30], [0, 0, 1]])
    moved = np.subtract(found[1].map_points(9, 9), found[1].followed_by(cut).map_points(9, 9))
    np.testing.assert_allclose(moved, (20, 30), atol=1e-6)
    # By the WCS alone the error stays.
    by_wcs = place_by_wcs(lists, paths=paths, grid=grid)
    assert by_wcs[1].pixel_map is not None
    off = np.hypot(*np.subtract(by_wcs[1].map_points(*truth[1][:2]), truth[1][2:]))
    assert off.min() > 1


def test_optimal_grid_covers_a_mosaic():
    headers = [
        make_header(ra=30 + dx, dec=46 + dy, turn=turn, sip=SIP)
        for dx, dy, turn in [(0, 0, 10), (0.2, 0.01, 190), (0, 0.1, 12), (0.21, 0.11, 0)]
    ]
    frames = [Grid(shape=SHAPE, header=header) for header in headers]
    grid = make_optimal_grid([*frames, Grid(shape=SHAPE)])
    assert "A_ORDER" not in grid.header
    assert grid.header["NAXIS1"] == grid.shape[1]
    ny, nx = SHAPE
    for header in headers:
        transform = transform_from_wcs(header, grid.header)
        x, y = transform.map_points([0, nx - 1, 0, nx - 1], [0, 0, ny - 1, ny - 1])
        assert x.min() > -1
        assert y.min() > -1
        assert x.max() < grid.shape[1]
        assert y.max() < grid.shape[0]
    assert np.prod(grid.shape) < 6 * nx * ny
    with pytest.raises(InputError, match="WCS"):
        make_optimal_grid([Grid(shape=SHAPE)])
