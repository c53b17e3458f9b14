"""A target grid of one's own."""

import numpy as np
import pytest
from astropy.io import fits

from framesort.night import Settings, process_night


@pytest.mark.parametrize("shift", [(0, 0), (12, -7)])
def test_stacks_lie_on_the_given_grid(invented, tmp_path, shift):
    # The grid is a frame of the night, cut and moved by whole pixels: stars must follow it.
    names = [invented.frames / f"{k:03d}-L.fits" for k in range(4, 12)]
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
