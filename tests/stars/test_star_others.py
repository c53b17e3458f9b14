"""Detection against sep and photutils on the same frame."""

import numpy as np
import pytest
import sep
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from scipy.spatial import cKDTree

from framesort.simulation import simulate_stacks
from framesort.stars import find_stars


@pytest.fixture(scope="module")
def lists():
    """Places by this library, sep and photutils, and the truth, of one frame with a nebula."""
    made = simulate_stacks(rng=9, shape=(600, 800), count=600, nebula=30.0, spike=0.0)
    image = np.ascontiguousarray(made.deep)
    ours = find_stars(image)
    sky = sep.Background(image)
    found = sep.extract(image - sky.back(), 5.0, err=sky.globalrms)
    other = Background2D(image, 64, bkg_estimator=MedianBackground())
    finder = DAOStarFinder(5 * other.background_rms_median, 3.9)
    dao = finder(image - other.background)
    return {
        "ours": np.column_stack([ours["x"], ours["y"]]),
        "snr": np.array(ours["flux"] / ours["flux_err"]),
        "sep": np.column_stack([found["x"], found["y"]]),
        "photutils": np.column_stack([dao["x_centroid"], dao["y_centroid"]]),
        "bright": np.column_stack([made.stars["x"], made.stars["y"]])[made.stars["flux"] > 3000],
        "truth": np.column_stack([made.stars["x"], made.stars["y"]]),
    }


def near(source, target, distance):
    return cKDTree(target).query(source)[0] < distance


def test_what_both_others_see_is_found(lists):
    both = lists["sep"][near(lists["sep"], lists["photutils"], 1.0)]
    real = both[near(both, lists["truth"], 1.0)]
    assert len(real) > 150
    # Blends closer than a star's width are one star to one finder and two to another.
    assert near(real, lists["ours"], 1.0).mean() > 0.98


def test_no_less_complete_and_no_false_detections(lists):
    bright = lists["bright"]
    assert len(bright) > 100
    ours, theirs = (
        [near(bright, lists[name], 1.0).mean() for name in names]
        for names in (("ours",), ("sep", "photutils"))
    )
    assert ours[0] >= max(theirs)
    clear = lists["ours"][lists["snr"] > 30]
    assert near(clear, lists["truth"], 1.0).mean() > 0.97


def test_places_agree(lists):
    i = np.flatnonzero((lists["snr"] > 100) & near(lists["ours"], lists["sep"], 1.0))
    distance, j = cKDTree(lists["sep"]).query(lists["ours"][i])
    truth = cKDTree(lists["truth"]).query(lists["ours"][i])[0]
    theirs = cKDTree(lists["truth"]).query(lists["sep"][j])[0]
    # At S/N 100 the floor is sigma / S/N = 0.017 px an axis (King 1983); isophotal means are
    # worse than fitted centres.
    assert np.median(distance) < 0.1
    assert np.median(truth) <= np.median(theirs) * 1.05
