"""Two stacks compared before stars are replaced: grid, sharpness, linearity."""

import numpy as np
import pytest
from scipy import ndimage

from framesort.errors import InputError, NotEnoughFramesError
from framesort.replacement import check_pair
from framesort.simulation import simulate_stacks

pytestmark = pytest.mark.slow

# What differs from the plain field; the seed is the place in the list.
FIELDS = [
    {},
    {"nebula": 1500.0},
    {"saturation": 8000.0},
    {"galaxies": 8},
    {"deep_frames": 600, "sharp_frames": 3},
    {"flux_ratio": 0.2},
    {"gradient": 300.0},
    {"sharp_fwhm": 1.7, "deep_fwhm": 2.4},
    {"sky": 20.0},
    {"spike": 0.2},
    {"pedestal": -300.0},
]


def make(k, **changes):
    options = {"rng": 100 + k, "shape": (300, 400), "count": 160, **FIELDS[k], **changes}
    return simulate_stacks(**options)


@pytest.fixture(scope="module")
def plain():
    return make(0)


@pytest.mark.parametrize("k", range(len(FIELDS)), ids=lambda k: str(FIELDS[k]))
def test_nothing_is_reported_of_a_good_pair(k):
    pair = make(k)
    check = check_pair(pair.deep, pair.sharp)
    assert check.notes == ()
    assert check.matched > 40
    assert check.apart < 0.3  # places of a dozen stars in each part of the picture
    assert check.fwhm_sharp < 0.9 * check.fwhm_deep


STRETCHES = {
    "log": lambda v, sky, noise: np.log10(np.clip(v, 1, None)),
    "asinh": lambda v, sky, noise: np.arcsinh((v - sky) / (10 * noise)),
    "root": lambda v, sky, noise: np.sqrt(np.clip(v, 0, None)),
}


@pytest.mark.parametrize("name", STRETCHES)
@pytest.mark.parametrize("k", [0, 2, 3, 8])
def test_a_stretched_pair_is_reported(k, name):
    pair = make(k)
    level = float(np.median(pair.deep))
    noise = 1.4826 * float(np.median(np.abs(pair.deep - level)))
    deep, sharp = (
        STRETCHES[name](v.astype(float), level, noise).astype(np.float32)
        for v in (pair.deep, pair.sharp)
    )
    assert "stretched" in check_pair(deep, sharp).notes[0]


def test_one_of_them_stretched_is_named():
    told = []
    for k in range(5):
        pair = simulate_stacks(rng=100 + k, shape=(300, 400), count=160)
        root = np.sqrt(np.clip(pair.sharp, 0, None))
        (note,) = check_pair(pair.deep, root, names=("m.fits", "s.fits")).notes
        assert "s.fits look" in note
        told.append(note.startswith("s.fits looks stretched"))
    # Now and then the linear one seems bent too, and both are named.
    assert sum(told) >= 4


@pytest.mark.parametrize(
    ("away", "told"), [(0.0, False), (0.3, False), (0.4, False), (0.8, True), (1.3, True)]
)
def test_how_far_apart(plain, away, told):
    sharp = ndimage.shift(plain.sharp, (0, away), order=3, mode="nearest")
    check = check_pair(plain.deep, sharp)
    # Noise of the median of some dozen places; the deep stack's stars are not exactly centred.
    assert check.offset[0] == pytest.approx(away, abs=0.05)
    assert bool(check.notes) == told
    assert all("leave out --aligned" in note for note in check.notes)


def test_apart_in_one_corner_only(plain):
    # Turned by 0.25 degrees about a corner: 0 there, 2.2 px in the opposite one.
    turn = np.radians(0.25)
    matrix = [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
    sharp = ndimage.affine_transform(plain.sharp, matrix, order=3, mode="nearest")
    try:
        told = check_pair(plain.deep, sharp).notes[0]
    except InputError as error:
        told = str(error)
    assert "--aligned" in told
    assert "--aligned" not in check_pair(plain.deep, sharp, registered=True).notes[0]


@pytest.mark.parametrize("away", [(0, 4), (8, 0), (-25, 13)])
def test_far_apart_is_refused(plain, away):
    with pytest.raises(InputError, match="leave out --aligned"):
        check_pair(plain.deep, np.roll(plain.sharp, away, (0, 1)))


def test_not_sharper_the_same_and_the_wrong_way_round(plain):
    assert "one and the same" in check_pair(plain.deep, plain.deep).notes[0]
    assert "one and the same" in check_pair(plain.deep, 3 * plain.deep - 200).notes[0]
    other = make(0, sharp_fwhm=3.9)
    assert "not sharper" in check_pair(plain.deep, other.sharp).notes[0]
    told = check_pair(plain.sharp, plain.deep, names=("a.fits", "b.fits")).notes[0]
    assert "wrong way round" in told
    assert "its noise is" in told


def test_other_field_and_no_stars(plain):
    with pytest.raises(NotEnoughFramesError, match="same field"):
        check_pair(plain.deep, make(3).sharp)
    hot = np.random.default_rng(0).normal(300, 5, plain.deep.shape).astype(np.float32)
    hot[::20, ::30] += 5000
    with pytest.raises(NotEnoughFramesError, match="0 stars found"):
        check_pair(plain.deep, hot)


def test_no_verdict_where_hardly_a_star_is_clean():
    pair = simulate_stacks(rng=104, shape=(300, 400), count=12)
    assert not [note for note in check_pair(pair.deep, pair.sharp).notes if "wrong way" in note]
