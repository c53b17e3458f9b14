"""Which field a frame shows, by what headers tell."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits

from framesort.errors import InputError
from framesort.frames import header_place, name_targets, read_frames

NOWHERE = (np.nan, np.nan)


def names(*frames, field=1.0):
    objects, places = zip(*frames, strict=True)
    return name_targets(objects, places, [field] * len(frames))


def test_names_decide_where_there_is_no_place():
    told = names(("M 31", NOWHERE), ("m31", NOWHERE), ("M 33", NOWHERE), ("M 31", NOWHERE))
    assert told == ["M 31", "M 31", "M 33", "M 31"]
    assert names(("", NOWHERE), ("", NOWHERE)) == ["", ""]
    assert names(("", NOWHERE), ("M 31", NOWHERE)) == ["M 31", "M 31"]
    assert names(("", NOWHERE), ("A", NOWHERE), ("B", NOWHERE)) == ["unnamed", "A", "B"]


def test_two_names_at_one_place_are_one_target():
    told = names(("M31 on", (10.6, 41.2)), ("M31 off", (10.7, 41.3)), ("M31 on", NOWHERE))
    assert len(set(told)) == 1
    # Across the meridian of 0 h, and near the pole where right ascensions run together.
    assert len(set(names(("a", (359.99, 5.0)), ("b", (0.01, 5.0))))) == 1
    assert len(set(names(("a", (10.0, 89.95)), ("b", (190.0, 89.95))))) == 1


def test_one_name_at_places_that_do_not_overlap_is_several():
    assert names(("x", (10.0, 0.0)), ("x", (12.0, 0.0))) == ["x", "x 2"]
    # Panels of a mosaic that overlap stay together, over others as well.
    assert set(names(*(("x", (10.0 + 0.8 * k, 0.0)) for k in range(4)))) == {"x"}
    # The same distance with a field of five degrees.
    assert set(names(("x", (10.0, 0.0)), ("x", (12.0, 0.0)), field=5.0)) == {"x"}


def test_fields_without_names():
    assert names(("", (10.0, 0.0)), ("", (10.1, 0.0))) == ["", ""]
    assert names(("", (10.0, 0.0)), ("", (90.0, 0.0))) == ["unnamed", "unnamed 2"]


def test_place_of_a_header():
    there = SkyCoord("00h42m44.3s +41d16m09s")
    wanted = pytest.approx((there.ra.deg, there.dec.deg), abs=1e-4)
    assert header_place({"RA": there.ra.deg, "DEC": there.dec.deg}) == wanted
    assert header_place({"OBJCTRA": "00 42 44.3", "OBJCTDEC": "+41 16 09"}) == wanted
    assert header_place({"RA": "00:42:44.3", "DEC": "41:16:09"}) == wanted
    assert all(np.isnan(header_place({"RA": "soon", "DEC": 12.0})))
    assert all(np.isnan(header_place({"RA": 12.0, "DEC": 120.0})))
    # The middle of the image, not the place that the WCS counts from.
    cards = {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 1.0, "CRPIX2": 1.0}
    scale = {"CDELT1": -0.01, "CDELT2": 0.01, "CRVAL1": 10.0, "CRVAL2": 0.0}
    header = fits.Header({"NAXIS": 2, "NAXIS1": 201, "NAXIS2": 101} | cards | scale)
    assert header_place(header) == pytest.approx((9.0, 0.5), abs=1e-3)


def night(folder, *objects):
    paths = []
    for k, name in enumerate(objects):
        header = fits.Header({"DATE-OBS": f"2026-02-11T20:0{k}:00", "EXPTIME": 60.0})
        header["FILTER"], header["OBJECT"] = "L", name
        paths.append(folder / f"{k}.fits")
        fits.PrimaryHDU(np.ones((20, 30), "i2"), header).writeto(paths[-1])
    return paths


def test_each_target_has_groups_of_its_own(tmp_path):
    paths = night(tmp_path, "Kite", "Lantern", "kite", "Lantern")
    table = read_frames(paths)
    assert list(table["target"]) == ["Kite", "Lantern", "Kite", "Lantern"]
    assert list(table["group"]) == ["L-Kite", "L-Lantern"] * 2
    one = read_frames(paths, targets=["KITE"])
    assert list(one["group"]) == ["L", "", "L", ""]
    assert list(one["reason"]) == ["", "other target"] * 2
    assert set(read_frames(paths, targets=["Kite", "lantern"])["group"]) == {"L"}
    with pytest.raises(InputError, match="known: Kite, Lantern"):
        read_frames(paths, targets=["Moon"])


def test_one_target_changes_no_group(tmp_path):
    assert set(read_frames(night(tmp_path, "Kite", "", "Kite"))["group"]) == {"L"}
