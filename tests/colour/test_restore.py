"""What was measured on the green lattice, turned back: every number of `FrameQuality`."""

from dataclasses import fields, replace

import numpy as np
import pytest

from framesort.colour import green_lattice, restore_quality
from framesort.records import SPIKE_BINS, STAR_COLUMNS, FrameQuality, empty_star_list
from framesort.stars import measure_image

ROOT = np.sqrt(2.0)

FIELDS = {
    "same": (
        "stars eccentricity spike_raw spike_raw_err spike_total spike_total_err sky noise "
        "sky_gradient saturation reason"
    ),
    "length": (
        "fwhm half_flux_radius spike_length fwhm_centre fwhm_corners fwhm_corners_err fwhm_tilt "
        "fwhm_tilt_err"
    ),
    "line": "elongation_angle spike_raw_angle",
    "profile": "spike_profile spike_profile_err",
    "list": "star_list",
}
"""How each field changes on an image turned by 45 degrees and finer by sqrt(2). A frame and its
lattice have one diagonal, so what refers to it (tilt, gradient) is no slope per pixel."""

STARS = {
    "place": "x y",
    "same": "eccentricity peak saturated clean",
    "area": "flux flux_err",
    "length": "fwhm half_flux_radius",
    "line": "elongation_angle",
}
"""The same of the columns of a star list."""


def by_name(classes):
    return {name: kind for kind, names in classes.items() for name in names.split()}


def turned(kind, value):
    return {
        "same": lambda: value,
        "length": lambda: value * ROOT,
        "area": lambda: value * 2,
        "line": lambda: (value + 45) % 180,
    }[kind]()


def test_every_field_has_its_class():
    """A new field without a class fails here: say how it turns, and turn it back."""
    assert set(by_name(FIELDS)) == {field.name for field in fields(FrameQuality)}
    assert set(by_name(STARS)) == set(STAR_COLUMNS)


def test_every_field_is_turned_back():
    known = by_name(FIELDS)
    values = {
        name: 100.0 + 13 * k
        for k, (name, kind) in enumerate(known.items())
        if kind in ("same", "length", "line") and name not in ("stars", "reason")
    }
    stars = empty_star_list()
    stars.add_row([7 + k if STAR_COLUMNS[c].kind is not bool else True for k, c in
                   enumerate(stars.colnames)])  # fmt: skip
    quality = replace(
        FrameQuality(stars=4),
        **values,
        star_list=stars,
        spike_profile=np.arange(SPIKE_BINS, dtype=float),
        spike_profile_err=np.ones(SPIKE_BINS),
    )
    back = restore_quality(quality, "RGGB", 40)
    for name, kind in known.items():
        if kind in ("same", "length", "line"):
            expected = turned(kind, getattr(quality, name))
            assert getattr(back, name) == pytest.approx(expected), name
    for name, kind in by_name(STARS).items():
        if kind != "place":
            expected = turned(kind, stars[name][0])
            assert back.star_list[name][0] == pytest.approx(expected), name
    # Light at 101 degrees (bin 50) lies at 146 degrees, between two bins.
    spike = np.zeros(SPIKE_BINS)
    spike[50] = 1.0
    profile = restore_quality(replace(quality, spike_profile=spike), "RGGB", 40).spike_profile
    assert np.flatnonzero(profile).tolist() == [72, 73]


@pytest.fixture(scope="module")
def tilted():
    """Stars wider towards 30 degrees, long along 110, a spike at 20, a sky rising to 250."""
    rng = np.random.default_rng(8)
    ny, nx = 420, 640
    y, x = np.mgrid[:ny, :nx].astype(float)
    half = 0.5 * np.hypot(nx, ny)
    u, v = (x - nx / 2) / half, (y - ny / 2) / half
    rise = np.deg2rad(250.0)
    image = 400.0 + 60 * (u * np.cos(rise) + v * np.sin(rise))
    to, long, spike = np.deg2rad(30.0), np.deg2rad(110.0), np.deg2rad(20.0)
    places = [(a, b) for b in range(25, ny - 20, 40) for a in range(25, nx - 20, 40)]
    for a, b in places:
        a, b = a + rng.uniform(-4, 4), b + rng.uniform(-4, 4)
        inside = np.s_[max(int(b) - 40, 0) : int(b) + 41, max(int(a) - 40, 0) : int(a) + 41]
        dx, dy = x[inside] - a, y[inside] - b
        where = ((a - nx / 2) * np.cos(to) + (b - ny / 2) * np.sin(to)) / half
        sigma = (3.4 + 0.6 * where) / 2.3548
        p, q = dx * np.cos(long) + dy * np.sin(long), -dx * np.sin(long) + dy * np.cos(long)
        light = rng.uniform(5e3, 3e4)
        image[inside] += light * np.exp(-((p / 1.08) ** 2 + (q * 1.08) ** 2) / (2 * sigma**2))
        p, q = dx * np.cos(spike) + dy * np.sin(spike), -dx * np.sin(spike) + dy * np.cos(spike)
        image[inside] += 0.01 * light * np.exp(-np.abs(p) / 12 - q**2 / (2 * 1.3**2))
    return (image + rng.normal(0, 6.0, image.shape)).astype(np.float32)


def test_measured_on_green_or_on_all_pixels_is_the_same(tilted):
    """Two measurements of one picture. On half of the pixels errors are sqrt(2) larger."""
    whole = measure_image(tilted, saturation=1e6)
    back = restore_quality(
        measure_image(green_lattice(tilted, "RGGB"), saturation=1e6), "RGGB", tilted.shape[1]
    )
    assert whole.fwhm_tilt == pytest.approx(1.2, abs=0.15)  # what was drawn
    assert whole.sky_gradient == pytest.approx(120, rel=0.1)
    for name in ("fwhm", "fwhm_centre", "fwhm_corners", "half_flux_radius"):
        assert getattr(back, name) == pytest.approx(getattr(whole, name), rel=0.02), name
    assert back.fwhm_tilt == pytest.approx(whole.fwhm_tilt, abs=3 * np.hypot(
        back.fwhm_tilt_err, whole.fwhm_tilt_err))  # fmt: skip
    for name in ("fwhm_corners_err", "fwhm_tilt_err"):
        # Half of the pixels: sqrt(2), known to a third; not turned back, it would be 1.
        assert 0.8 < getattr(back, name) / getattr(whole, name) < 2.2, name
    assert back.spike_length == pytest.approx(whole.spike_length, rel=0.15)
    assert back.spike_total == pytest.approx(whole.spike_total, rel=0.1)
    assert back.sky_gradient == pytest.approx(whole.sky_gradient, rel=0.05)
    assert back.sky == pytest.approx(whole.sky, rel=0.01)
    # A box of the mesh covers twice the area and more stars' wings; a factor would be 1.41.
    assert back.noise == pytest.approx(whole.noise, rel=0.08)
    for name, around, within in (
        ("elongation_angle", 180, 3),
        ("spike_raw_angle", 180, 2),
    ):
        apart = (getattr(back, name) - getattr(whole, name) + around / 2) % around - around / 2
        assert abs(apart) < within, name
