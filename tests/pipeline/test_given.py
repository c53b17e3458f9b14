"""What was measured or registered elsewhere, in the forms that callers have it."""

import shutil

import numpy as np
import pytest
from astropy import units as u
from astropy.io import fits
from astropy.table import QTable, Table
from skimage.transform import AffineTransform

from framesort.errors import InputError
from framesort.frames import read_frames
from framesort.night import merge_night, sort_frames
from framesort.night._given import given_transforms
from framesort.quality import adopt_star_list
from framesort.records import FrameQuality, Transform
from framesort.registration import place_aligned, place_by_wcs, register_frames
from framesort.registration._grid import make_grid


def star_list(n=20, **columns):
    rng = np.random.default_rng(2)
    base = {
        "x": rng.uniform(0, 100, n),
        "y": rng.uniform(0, 100, n),
        "flux": rng.uniform(100, 1000, n),
        "fwhm": np.linspace(2.0, 3.0, n),
    }
    return base | columns


def test_a_star_list_by_names_of_several_libraries():
    base = star_list()
    plain = adopt_star_list(Table(base), sky=300, noise=5)
    assert plain and plain.stars == 20 and (plain.sky, plain.noise) == (300, 5)
    assert plain.fwhm == pytest.approx(np.median(base["fwhm"]))
    assert np.all(np.diff(plain.star_list["flux"]) <= 0), "brightest first"
    other = Table(
        {
            "x_centroid": base["x"] * u.pix,
            "y_centroid": base["y"] * u.pix,
            "segment_flux": base["flux"],
            "width": base["fwhm"],
        }
    )
    again = adopt_star_list(other, columns={"fwhm": "width"})
    for name in ("x", "y", "flux", "fwhm"):
        assert np.array_equal(again.star_list[name], plain.star_list[name])
    with pytest.raises(InputError, match=r"lacks fwhm; it has .* columns=\{'fwhm': NAME\}"):
        adopt_star_list(other)
    with pytest.raises(InputError, match="x is in arcsec, pixels are needed"):
        adopt_star_list(QTable(base | {"x": base["x"] * u.arcsec}))
    with pytest.raises(InputError, match="no column 'nothing'"):
        adopt_star_list(other, columns={"fwhm": "nothing"})


def test_shape_and_flags_of_a_star_list():
    base = star_list(a=np.full(20, 2.0), b=np.full(20, 1.6), theta=np.full(20, np.pi / 3))
    quality = adopt_star_list(Table(base))
    assert quality.eccentricity == pytest.approx(0.6)  # sqrt(1 - 0.8^2)
    assert quality.elongation_angle == pytest.approx(60.0)  # radians, as sep gives them
    turned = adopt_star_list(QTable(star_list(orientation=np.full(20, -30.0) * u.deg)))
    assert turned.elongation_angle == pytest.approx(150.0)
    flagged = adopt_star_list(Table(star_list(flag=np.r_[np.zeros(6, int), np.ones(14, int)])))
    assert flagged.star_list["clean"].sum() == 6
    few = adopt_star_list(Table(star_list(saturated=np.ones(20, bool))))
    assert not few and few.reason == "few stars" and few.stars == 20


def test_transforms_in_every_form_are_one(small_night):
    table = read_frames(sorted(small_night.frames.glob("*.fits"))[:3])
    matrix = np.array([[0.9, -0.1, 5.0], [0.1, 0.9, -7.0], [0, 0, 1]])
    forms = [matrix, matrix[:2].tolist(), AffineTransform(matrix=matrix), Transform(matrix=matrix)]
    for form in forms:
        made = given_transforms([form, None, form], table)
        assert np.allclose(made[0].matrix, matrix) and not made[1] and made[2]
    path = str(table["file"][1])
    made = given_transforms(
        {path: matrix, path.rsplit("/", 1)[1].replace("2-", "3-"): matrix}, table
    )
    assert [bool(transform) for transform in made] == [False, True, True]
    for wrong, message in (
        ([matrix], "one a frame, 3, got 1"),
        ({"other.fits": matrix}, "other.fits names 0 frames"),
        ([matrix, "text", matrix], "a matrix"),
        ([matrix, np.zeros((3, 3)), matrix], "can be inverted"),
    ):
        with pytest.raises(InputError, match=message):
            given_transforms(wrong, table)


def test_sorting_by_lists_reads_no_pixels(small_night, tmp_path):
    # Headers alone: the frames' data are cut off.
    paths, lists = [], {}
    for path in sorted(small_night.frames.glob("*.fits")):
        header = fits.getheader(path)
        copy = tmp_path / path.name
        fits.PrimaryHDU(np.zeros((240, 300), "i2"), header).writeto(copy)
        paths.append(copy)
        width = 2.8 if header["DATE-OBS"] < "2026-02-11T20:06:40" else 3.4
        stars = star_list(fwhm=np.full(20, width))
        lists[path.name] = Table(stars, meta={"sky": 9.0, "noise": 2.0})
    lists[paths[0].name] = adopt_star_list(lists[paths[0].name])
    last = paths[-1].name
    del lists[last]
    night = sort_frames(paths, heater=small_night.log, stars=lists)
    rows = {str(row["file"]).rsplit("/", 1)[1]: row for row in night.table}
    assert rows[last]["reason"] == "few stars" and not rows[last]["grade"]
    sharp = [name for name, row in rows.items() if row["sharp_set"]]
    off = small_night.truth["heater_state"] == "off"
    assert sharp == [path.name for path, cold in zip(paths, off, strict=True) if cold]
    assert "heated" in rows[paths[8].name]["reason"]
    with pytest.raises(InputError, match="a table is needed, got list"):
        sort_frames(paths, heater=0.0, stars={paths[0].name: [1, 2]})


def test_merging_by_given_transforms(sorted_night, small_night, tmp_path):
    shutil.copytree(sorted_night, tmp_path / "out")
    truth = {
        str(small_night.folder / row["file"]): np.linalg.inv(small_night.truth["matrix"][0])
        @ row["matrix"]
        for row in small_night.truth
    }
    result = merge_night(tmp_path / "out", transforms=truth)
    assert result.status == 0
    header = fits.getheader(tmp_path / "out" / "L" / "sharp.fits")
    assert header["NAXIS1"] == 300
    group = result.summary.groups[0]
    # Placed as drawn, the sharp stack is hardly wider than its frames.
    assert group.fwhm["sharp"] < 1.05 * group.sharp.fwhm


def test_registration_by_name(small_night, tmp_path):
    paths = sorted(small_night.frames.glob("*.fits"))[:3]
    grid = make_grid(paths[0])
    lists = [FrameQuality().star_list] * 3
    assert all(
        np.array_equal(t.matrix, np.eye(3)) for t in place_aligned(lists, paths=paths, grid=grid)
    )
    fits.PrimaryHDU(np.zeros((20, 30), "f4")).writeto(tmp_path / "small.fits")
    other = place_aligned(lists[:2], paths=[paths[0], tmp_path / "small.fits"], grid=grid)
    assert other[0] and other[1].reason == "not matched"
    with pytest.raises(InputError, match="has no WCS"):
        place_by_wcs(
            lists[:1], paths=[tmp_path / "small.fits"], grid=make_grid(tmp_path / "small.fits")
        )
    header = fits.Header(
        {"NAXIS": 2, "NAXIS1": 30, "NAXIS2": 20, "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN",
         "CRVAL1": 10.0, "CRVAL2": 20.0, "CRPIX1": 15.0, "CRPIX2": 10.0,
         "CDELT1": -1e-3, "CDELT2": 1e-3}
    )  # fmt: skip
    moved = header.copy()
    moved["CRPIX1"] += 4
    fits.PrimaryHDU(np.zeros((20, 30), "f4"), moved).writeto(tmp_path / "moved.fits")
    fits.PrimaryHDU(np.zeros((20, 30), "f4"), header).writeto(tmp_path / "grid.fits")
    [one, none] = place_by_wcs(
        lists[:2], paths=[tmp_path / "moved.fits", tmp_path / "small.fits"],
        grid=make_grid(tmp_path / "grid.fits"),
    )  # fmt: skip
    assert np.allclose(one.map_points(10, 5), (6, 5), atol=1e-6) and not none
    assert register_frames([]) == []
