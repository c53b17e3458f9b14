"""Spike against flips, turns of the camera and the place of a gap."""

import numpy as np
import pytest

from framesort.errors import InputError
from framesort.evidence import (
    compare_gap,
    follow_spike,
    mean_spike_angle,
    read_gap_angle,
)
from framesort.records import SpikeOnSide


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        # A clock position h stands at 90 - 30 h degrees (closed form).
        ("12 o'clock", 90.0),
        ("3h", 0.0),
        ("4 o'clock", 330.0),
        ("5:30", 285.0),
        ("9 h", 180.0),
        ("300 deg", 300.0),
        ("-30", 330.0),
        (5, 5.0),
        (62.5, 62.5),
    ],
)
def test_places_of_a_gap(text, degrees):
    assert read_gap_angle(text)[0] == pytest.approx(degrees)


@pytest.mark.parametrize("text", ["13 o'clock", "noon", "4:75", "400", ""])
def test_what_is_no_place(text):
    with pytest.raises(InputError, match="gap angle must be"):
        read_gap_angle(text)


def spikes(theta, kind):
    """Mean axis of the diffraction of an aperture with an edge at theta, degrees.

    |FFT of the pupil|^2 (Goodman, Introduction to Fourier Optics, ch. 4) on a grid of 512 with
    sub-pixel edges, less that of the clear aperture.
    """
    n, fine = 512, 4
    axis = (np.arange(-60 * fine, 60 * fine) + 0.5) / fine
    x, y = np.meshgrid(axis, axis)
    radius = np.hypot(x, y)
    clear = (radius < 50) & (radius > 17)
    turn = np.deg2rad(theta)
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    if kind == "radial":  # a strip from the rim inwards
        blocked = (along > 25) & (np.abs(across) < 2)
    else:  # a chord
        blocked = along > 40
    images = []
    for pupil in (clear & ~blocked, clear):
        cells = pupil.reshape(120, fine, 120, fine).mean(axis=(1, 3))
        field = np.zeros((n, n))
        field[n // 2 - 60 : n // 2 + 60, n // 2 - 60 : n // 2 + 60] = cells
        light = np.abs(np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(field)))) ** 2
        images.append(light / light.sum())
    v, u = np.mgrid[:n, :n] - n // 2
    r, phi = np.hypot(u, v), np.arctan2(v, u)
    ring = (r >= 25) & (r < 160)
    excess = (images[0] - images[1])[ring] * r[ring] ** 3
    bins = np.bincount((np.degrees(phi[ring]) % 180).astype(int), excess, 180)
    bins = np.clip(np.convolve(np.r_[bins[-3:], bins, bins[:3]], np.ones(7) / 7, "valid"), 0, None)
    bins[bins < 0.5 * bins.max()] = 0
    angle = np.deg2rad(np.arange(180) + 0.5)
    return float(np.degrees(np.angle(np.sum(bins * np.exp(2j * angle)))) / 2 % 180)


@pytest.mark.parametrize("kind", ["radial", "tangential"])
@pytest.mark.parametrize("theta", [30.0, 75.0, 150.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_edges_as_diffraction_makes_them(kind, theta, mirrored):
    angle = spikes(180 - theta if mirrored else theta, kind)
    verdict = compare_gap(angle, 1.0, theta, camera_angle=0.0, mirrored=mirrored)
    off = {name: value for name, _, value in verdict.candidates}
    # 1.5 degrees: bins of one degree, an aperture of 100 pixels.
    assert abs(off[kind]) < 1.5
    assert verdict.fits == ((kind, mirrored),)
    assert f"{kind} edge" in verdict.sentence
    assert abs(abs(off["radial"] - off["tangential"]) - 90) < 1e-9 or len(off) == 1


def test_a_turned_camera_and_one_that_could_be():
    # Gap at 4 o'clock (330); its radial edge gives 60; the image is turned by 20.
    turned = compare_gap(80.0, 1.0, "4 o'clock", camera_angle=20.0, mirrored=False)
    assert turned.fits == (("radial", False),)
    upright = compare_gap(80.0, 1.0, "4h", mirrored=False)
    assert not upright.fits or upright.fits == (("radial", False),)
    assert "+20° for a radial edge" in upright.sentence


def test_what_both_edges_give_is_no_verdict():
    # At 45 degrees a mirrored tangential edge (135) is the radial edge (135).
    verdict = compare_gap(135.0, 1.0, 45.0, camera_angle=0.0)
    assert verdict.fits == (("radial", False), ("tangential", True))
    assert "ambiguously" in verdict.sentence


def test_mean_of_angles_over_the_end_of_the_half_circle():
    rng = np.random.default_rng(2)
    true = 179.0
    angle = (true + rng.normal(0, 3, 40)) % 180
    mean, error, frames = mean_spike_angle(angle, np.full(40, 0.02), np.full(40, 0.002))
    assert frames == 40
    # 3 / sqrt(40) is 0.47, the stated least error 1.
    assert abs((mean - true + 90) % 180 - 90) < 3 * error
    assert 0.4 < error <= 1.0


def test_noise_has_no_angle():
    rng = np.random.default_rng(5)
    seen = 0
    for _ in range(200):
        angle, size = rng.uniform(0, 180, 8), np.abs(rng.normal(0, 1, 8))
        seen += mean_spike_angle(angle, size, np.ones(8))[2] > 0
    # Eight frames pass three standard errors by chance in 2 % of the nights, four of 200.
    assert seen <= 12


def side(name, angle, turn, error=1.0):
    return SpikeOnSide(name=name, angle=angle, error=error, turn=turn, frames=8)


@pytest.mark.parametrize(
    ("sides", "verdict", "words"),
    [
        ([side("before", 62, 0), side("after", 63, 180)], "frame", "after the meridian flip"),
        ([side("one", 62, 0), side("two", 62.5, 37)], "frame", "fixed to the camera"),
        ([side("one", 62, 0), side("two", 25.5, 37)], "sky", "fixed to the tube"),
        ([side("one", 5, 0), side("two", 148, 37)], "sky", "fixed to the tube"),  # over 0 = 180
        ([side("one", 62, 0), side("two", 110, 37)], "neither", "was moved"),
        ([side("one", 62, 0), side("two", 110, np.nan)], "unknown", "changed its angle"),
        ([side("one", 62, 0), side("two", np.nan, 37)], "unknown", "on the frames: 62"),
    ],
)
def test_what_the_spike_follows(sides, verdict, words):
    found = follow_spike(sides)
    assert found.verdict == verdict
    assert words in found.sentence
