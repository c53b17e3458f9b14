import numpy as np
import pytest
from astropy.wcs import WCS

from framesort.errors import InputError
from framesort.replacement import read_places


def test_pixels_and_default_radius(tmp_path):
    path = tmp_path / "keep.csv"
    path.write_text("x,y\n10.5,20\n3,4\n")
    places = read_places(path)
    assert places["x"].tolist() == [10.5, 3.0]
    assert places["radius"].tolist() == [5.0, 5.0]


def test_no_header_line(tmp_path):
    path = tmp_path / "keep.txt"
    path.write_text("10 20 7\n30 40 8\n")
    places = read_places(path)
    assert places["y"].tolist() == [20.0, 40.0]
    assert places["radius"].tolist() == [7.0, 8.0]


def test_sky_places_need_a_wcs(tmp_path):
    path = tmp_path / "keep.csv"
    path.write_text("ra,dec,radius\n10.0,20.0,6\n")
    with pytest.raises(InputError, match="WCS"):
        read_places(path)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [10.0, 20.0]
    wcs.wcs.crpix, wcs.wcs.cdelt = [51.0, 41.0], [-0.001, 0.001]
    places = read_places(path, wcs=wcs)
    # The reference pixel is 1-based in a WCS, 0-based here.
    np.testing.assert_allclose([places["x"][0], places["y"][0]], [50.0, 40.0], atol=1e-6)


def test_what_is_no_list_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_places(tmp_path / "none.csv")
    path = tmp_path / "keep.csv"
    path.write_text("a,b,c\n1,2,3\n")
    with pytest.raises(InputError, match="columns x, y, radius"):
        read_places(path)
