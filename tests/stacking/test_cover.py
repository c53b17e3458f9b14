"""What frames cover: against counting pixel by pixel; the largest rectangle against all of them."""

import numpy as np
import pytest
from scipy import ndimage

from framesort.records import Transform
from framesort.stacking import (
    common_cover,
    count_cover,
    find_bad_edges,
    largest_common_rectangle,
    largest_rectangle,
)


def all_rectangles(inside):
    """Size of the largest, by looking at every one."""
    total = np.pad(np.cumsum(np.cumsum(inside, axis=0), axis=1), ((1, 0), (1, 0)))
    best = 0
    for y0 in range(inside.shape[0]):
        for y1 in range(y0 + 1, inside.shape[0] + 1):
            for x0 in range(inside.shape[1]):
                for x1 in range(x0 + 1, inside.shape[1] + 1):
                    size = (y1 - y0) * (x1 - x0)
                    held = total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]
                    if held == size > best:
                        best = size
    return best


@pytest.mark.parametrize("share", [0.05, 0.5, 0.8, 0.95, 1.0])
def test_the_largest_rectangle_is_that_of_all_rectangles(share):
    rng = np.random.default_rng(int(100 * share))
    for _ in range(25):
        inside = rng.random((rng.integers(1, 9), rng.integers(1, 10))) < share
        found = largest_rectangle(inside)
        if found is None:
            assert not inside.any()
            continue
        assert inside[found].all()
        assert inside[found].size == all_rectangles(inside)


def test_of_equal_rectangles_the_lowest_is_taken():
    inside = np.ones((5, 4), dtype=bool)
    inside[2] = False
    assert largest_rectangle(inside) == (slice(0, 2), slice(0, 4))


def by_pixels(matrix, size, shape, edges=(0, 0, 0, 0)):
    """Grid pixels whose place in the frame lies in one of its pixels."""
    y, x = np.indices(shape)
    inverse = np.linalg.inv(matrix)
    px, py, w = (inverse[k, 0] * x + inverse[k, 1] * y + inverse[k, 2] for k in range(3))
    px, py = px / w, py / w
    px, py = np.round(px), np.round(py)
    return (
        (px >= edges[0])
        & (px <= size[1] - 1 - edges[1])
        & (py >= edges[2])
        & (py <= size[0] - 1 - edges[3])
    )


def test_cover_is_that_of_every_pixel_mapped_back():
    rng = np.random.default_rng(4)
    shape, size = (60, 80), (50, 70)
    matrices, edges = [np.eye(3)], [(0, 0, 0, 0)]
    for _ in range(30):
        angle, scale = rng.uniform(-np.pi, np.pi), rng.uniform(0.7, 1.4)
        c, s = scale * np.cos(angle), scale * np.sin(angle)
        middle = np.array([[c, -s, 0], [s, c, 0], [*rng.normal(0, 2e-4, 2), 1]])
        to = np.array([[1.0, 0, 40 + rng.normal(0, 9)], [0, 1, 30 + rng.normal(0, 9)], [0, 0, 1]])
        away = np.array([[1.0, 0, -34.5], [0, 1, -24.5], [0, 0, 1]])
        matrices.append(to @ middle @ away)
        edges.append(tuple(rng.integers(0, 4, 4)))
    wanted = sum(by_pixels(m, size, shape, e) for m, e in zip(matrices, edges, strict=True))
    found = count_cover(
        [Transform(matrix=m) for m in matrices], [size] * len(matrices), shape, edges=edges
    )
    # A place on the very edge of a frame may fall to either side.
    assert np.mean(found != wanted) < 1e-3
    assert np.abs(found - wanted).max() <= 1


def test_a_frame_on_the_grid_covers_it_and_one_not_placed_covers_nothing():
    on, off = Transform(matrix=np.eye(3)), Transform(reason="not matched")
    assert np.all(count_cover([on, off], [(7, 9)] * 2, (7, 9)) == 1)
    beyond = Transform(matrix=np.array([[1.0, 0, 20], [0, 1, 0], [0, 0, 1]]))
    assert not count_cover([beyond], [(7, 9)], (7, 9)).any()


def test_bad_edges_are_those_that_stacking_leaves_out():
    rng = np.random.default_rng(1)
    image = ndimage.gaussian_filter(rng.normal(0, 8, (200, 240)), 0.5) + 1000
    image[:, :5] = 300
    image[-3:] = 2000

    def read(path, *, rows):
        return image[rows], {"NAXIS2": len(image)}

    assert find_bad_edges("frame", read=read) == (5, 0, 0, 3)
    assert find_bad_edges("no such file") == (0, 0, 0, 0)


@pytest.mark.parametrize("seed", range(40))
def test_what_all_frames_cover_and_its_rectangle_are_those_of_single_pixels(seed):
    rng = np.random.default_rng(seed)
    shape = (int(rng.integers(20, 90)), int(rng.integers(20, 90)))
    count = int(rng.integers(1, 6))
    transforms, sizes, edges = [], [], []
    for _ in range(count):
        turn = rng.normal(0, 0.02 if seed % 2 else 0.6)
        c, s = np.cos(turn), np.sin(turn)
        matrix = np.array([[c, -s, rng.normal(0, 5)], [s, c, rng.normal(0, 5)], [0, 0, 1]])
        matrix[2, :2] = rng.normal(0, 2e-4, 2)
        transforms.append(Transform(matrix=matrix))
        sizes.append((int(rng.integers(15, 100)), int(rng.integers(15, 100))))
        edges.append(tuple(rng.integers(0, 3, 4).tolist()))
    first, stop = common_cover(transforms, sizes, shape, edges=edges)
    columns = np.arange(shape[1])
    inside = (columns >= first[:, None]) & (columns < stop[:, None])
    np.testing.assert_array_equal(
        inside, count_cover(transforms, sizes, shape, edges=edges) == count
    )
    assert largest_common_rectangle(first, stop) == largest_rectangle(inside)
