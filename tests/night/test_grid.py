"""A target grid of one's own."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from framesort.errors import InputError
from framesort.night import place_frames, process_night, sort_frames
from framesort.settings import Settings

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("shift", [(0, 0), (12, -7)])
def test_stacks_are_on_the_given_grid(simulated, tmp_path, shift):
    # The grid is a frame of the night, cut and moved by whole pixels: stars must follow it.
    names = [simulated.frames / f"{k:03d}-L.fits" for k in range(4, 12)]
    pixels = fits.getdata(names[0]).astype("f4")
    dx, dy = shift
    moved = np.roll(pixels, (dy, dx), axis=(0, 1))[20:-20, 20:-20]
    fits.PrimaryHDU(moved).writeto(tmp_path / "grid.fits")
    settings = Settings(grid=str(tmp_path / "grid.fits"))
    result = process_night(names, out=tmp_path / "out", heater=0, settings=settings)
    stack = fits.getdata(tmp_path / "out" / "L" / "deep.fits")
    assert stack.shape == moved.shape
    inside = stack[40:-40, 40:-40], moved[40:-40, 40:-40]
    bright = inside[1] > np.percentile(inside[1], 99.5)
    # Pixels of stars agree with the one frame's: a shift of a pixel would tear them apart.
    assert np.corrcoef(inside[0][bright], inside[1][bright])[0, 1] > 0.98
    row = next(row for row in result.table if row["file"].endswith("004-L.fits"))
    assert row["shift_x"] == pytest.approx(dx, abs=0.05)
    assert row["shift_y"] == pytest.approx(dy, abs=0.05)


def test_optimal_grid_covers_all_frames(simulated, tmp_path):
    truth = {str(row["file"]).split("/")[-1]: row["matrix"] for row in simulated.truth}
    middle, cd = np.array([260.0, 200.0]), np.array([[-1.2, 0.9], [0.9, 1.2]]) / 3600
    names = []
    for k in range(4, 12):
        source = simulated.frames / f"{k:03d}-L.fits"
        pixels, header = fits.getdata(source, header=True)
        # The frame's place on the sky plane of the truth.
        matrix = truth[source.name]
        wcs = WCS(naxis=2)
        wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [83.0, 22.0]
        wcs.wcs.cd = cd @ matrix[:2, :2]
        wcs.wcs.crpix = np.linalg.solve(matrix[:2, :2], middle - matrix[:2, 2]) + 1
        header.update(wcs.to_header())
        names.append(tmp_path / source.name)
        fits.writeto(names[-1], pixels, header)
    night = sort_frames(names, heater=0)
    table, settings = night.table, Settings(grid="optimal")
    placed = place_frames(table, night.qualities, settings=settings)
    assert all(placed.transforms)
    assert min(placed.grid.shape) > 520  # north up: the frames lie across
    wcs = WCS(placed.grid.header)
    for name, transform in zip(names, placed.transforms, strict=True):
        sky = WCS(fits.getheader(name)).pixel_to_world([0, 519, 0, 519], [0, 0, 399, 399])
        x, y = wcs.world_to_pixel(sky)
        np.testing.assert_allclose(transform.map_points([0, 519, 0, 519], [0, 0, 399, 399]),
                                   (x, y), atol=0.3)  # fmt: skip
        assert min(x.min(), y.min()) > -1
        assert (x.max() < placed.grid.shape[1]) & (y.max() < placed.grid.shape[0])
    with pytest.raises(InputError, match="optimal"):
        place_frames(table, night.qualities, transforms=placed.transforms, settings=settings)
