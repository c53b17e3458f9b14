"""Stacks of frames on disk: what must go, what must stay, and what must not matter."""

import gzip
import shutil
import tracemalloc
import warnings
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import active_children, get_context

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from stack_options import grouped

from framesort.errors import FrameError, InputError, NotEnoughFramesError
from framesort.files import find_plain_image, hold_content, read_image, read_plain_rows
from framesort.records import Transform
from framesort.stacking import (
    Execution,
    FrameValues,
    StackMethod,
    measure_flux_scales,
    read_stack,
    stack_arrays,
    stack_frames,
    write_stack,
)
from framesort.stacking._pixels import read_pixels
from framesort.workers import open_executor

pytestmark = pytest.mark.slow

SHAPE = (240, 320)
SKY, NOISE = 300.0, 6.0


def moffat(xx, yy, x, y, flux, fwhm, beta=3.0):
    """Moffat 1969, A&A 3, 455: total light `flux`."""
    a = fwhm / 2 / np.sqrt(2 ** (1 / beta) - 1)
    r2 = (xx - x) ** 2 + (yy - y) ** 2
    return flux * (beta - 1) / np.pi / a**2 * (1 + r2 / a**2) ** -beta


def make_stars(rng, count=40):
    return np.column_stack(
        [
            rng.uniform(-20, SHAPE[1] + 20, count),
            rng.uniform(-20, SHAPE[0] + 20, count),
            10 ** rng.uniform(3.3, 5.2, count),
        ]
    )


def place(dx, dy, rotation=0.0, scale=1.0):
    turn = np.deg2rad(rotation)
    c = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
    m = np.eye(3)
    m[:2, :2] = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    m[:2, 2] = np.add(c, (dx, dy)) - m[:2, :2] @ c
    return Transform(matrix=m, matched=30, residual=0.1)


def draw(stars, transform, *, fwhm=3.0, gain_flux=1.0, sky=SKY, rng=None, slope=(0.0, 0.0)):
    """A frame that the transform brings onto the grid of `stars`; gain 1 e/ADU."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    back = Transform(matrix=np.linalg.inv(transform.matrix))
    image = sky + slope[0] * xx / SHAPE[1] + slope[1] * yy / SHAPE[0]
    for x, y, flux in stars:
        fx, fy = back.map_points(x, y)
        if -30 < fx < SHAPE[1] + 30 and -30 < fy < SHAPE[0] + 30:
            image = image + moffat(xx, yy, fx, fy, flux * gain_flux, fwhm)
    if rng is not None:
        light = np.maximum(image - sky, 0)
        image = image + rng.normal(0, np.sqrt(NOISE**2 + light), SHAPE)
    return image.astype(np.float32)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """12 dithered frames with hot pixels at the same place, a trail, cosmic rays; files, truth."""
    rng = np.random.default_rng(1)
    folder = tmp_path_factory.mktemp("night")
    stars = make_stars(rng)
    transforms = [
        place(*rng.uniform(-8, 8, 2), rng.uniform(-0.4, 0.4) + (180 if k > 8 else 0))
        for k in range(12)
    ]
    transforms[0] = place(0, 0)
    hot = rng.integers(20, [SHAPE[0] - 20, SHAPE[1] - 20], (40, 2))  # 0.05 %
    paths, images = [], []
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for k, transform in enumerate(transforms):
        wide = k % 3 == 2  # every third is heated
        image = draw(
            stars,
            transform,
            fwhm=4.4 if wide else 3.0,
            gain_flux=0.8 if k == 4 else 1.0,
            sky=SKY + 3 * k,
            slope=(2.0 * k, -1.5 * k),
            rng=rng,
        )
        image[hot[:, 0], hot[:, 1]] += 3000
        if k == 5:  # a satellite
            image += 200 * np.exp(-((yy - 0.6 * xx - 30) ** 2) / 2 / 1.5**2)
        cosmic = rng.integers(0, [SHAPE[0], SHAPE[1]], (60, 2))
        image[cosmic[:, 0], cosmic[:, 1]] += rng.uniform(200, 5000, 60)
        path = folder / f"frame_{k:02d}.fits"
        header = fits.Header({"EXPTIME": 60.0, "OBJECT": "simulated"})
        fits.writeto(path, image, header)
        paths.append(path)
        images.append(image)
    return paths, transforms, stars, images


def options(**changes):
    sets = {
        "sharp": np.array([k % 3 != 2 for k in range(12)], dtype=float),
        "deep": np.ones(12),
    }
    return {
        "sets": sets,
        "shape": SHAPE,
        "reference": 0,
        "scales": np.where(np.arange(12) == 4, 1.25, 1.0),
        "gain": 1.0,
        "fwhm": np.where(np.arange(12) % 3 == 2, 4.4, 3.0),
        "groups": ["on" if k % 3 == 2 else "off" for k in range(12)],
        **changes,
    }


@pytest.fixture(scope="module")
def stacks(night):
    paths, transforms, _, _ = night
    return stack_frames(paths, transforms, **grouped(**options()))


def truth_of(stars, fwhm):
    return draw(stars, place(0, 0), fwhm=fwhm)


def far_from_stars(stars, radius=14):
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    clear = np.ones(SHAPE, dtype=bool)
    for x, y, _ in stars:
        clear &= np.hypot(xx - x, yy - y) > radius
    return clear & (xx > 25) & (yy > 25) & (xx < SHAPE[1] - 25) & (yy < SHAPE[0] - 25)


def test_defects_are_gone(night, stacks):
    _, _, stars, _ = night
    deep = stacks["deep"]
    clear = far_from_stars(stars)
    rest = (deep.data - truth_of(stars, 3.5))[clear]
    rest -= np.median(rest)
    # 12 frames of noise 6: 1.73 at whole pixels, less between them. Hot pixels (3000 ADU in each
    # frame), cosmic rays (720 in all) and the trail (200 ADU) would leave up to 400.
    expected = NOISE / np.sqrt(12)
    assert np.std(rest) < expected
    # 5 sigma in 30,000 pixels; a value just below the limit of 3 sigma in one frame adds 1.5.
    assert np.abs(rest).max() < 5 * expected + 3 * NOISE / 12
    # Of the frame with the trail more was taken out than of the others.
    assert np.argmax(deep.rejected) == 5
    assert np.median(deep.rejected) < 0.02


def aperture(image, x, y, radius=9.0):
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(xx - x, yy - y)
    return float((image[r < radius] - np.median(image[(r > 12) & (r < 17)])).sum())


def isolated(stars, low=2e4):
    for k, (x, y, flux) in enumerate(stars):
        near = np.hypot(stars[:, 0] - x, stars[:, 1] - y)
        inside = 30 < x < SHAPE[1] - 30 and 30 < y < SHAPE[0] - 30
        if flux > low and inside and not ((near > 0) & (near < 28)).any():
            yield k


def test_stars_of_both_widths_stay(night, stacks):
    """In the deep stack wide and sharp stars are averaged; neither kind is an outlier."""
    _, _, stars, _ = night
    mixed = (2 * truth_of(stars, 3.0) + truth_of(stars, 4.4)) / 3
    chosen = list(isolated(stars))
    assert len(chosen) >= 4
    for k in chosen:
        x, y, _ = stars[k]
        ix, iy = round(x), round(y)
        core = (slice(iy - 1, iy + 2), slice(ix - 1, ix + 2))
        assert stacks["deep"].coverage[core].min() >= 11  # a cosmic ray may have hit
        # Photon noise 0.3 %, flux of a 9-pixel aperture 1 % at worst; core: interpolation
        # (Lanczos) changes a star of FWHM 3 by 1 %.
        for image, true in (
            (stacks["deep"].data, mixed),
            (stacks["sharp"].data, truth_of(stars, 3.0)),
        ):
            assert aperture(image, x, y) == pytest.approx(aperture(true, x, y), rel=0.015)
            light = (image - SKY)[core].sum() / (true - SKY)[core].sum()
            assert light == pytest.approx(1.0, abs=0.02)


def test_background_is_that_of_the_reference(night, stacks):
    _, _, stars, _ = night
    clear = far_from_stars(stars)
    wanted = truth_of(stars, 3.3)
    rest = stacks["deep"].data - wanted
    for corner in (
        (slice(25, 90), slice(25, 120)),
        (slice(150, 215), slice(200, 295)),
        (slice(25, 90), slice(200, 295)),
    ):
        # Frames had 3 to 33 ADU more sky and slopes up to 22 ADU. A mesh of some 150 cells
        # of 16 pixels knows the level of a frame to 0.1 sigma, twelve of them to 0.03.
        assert np.median(rest[corner][clear[corner]]) == pytest.approx(0, abs=0.1 * NOISE)


def equal(one, two):
    for name in one:
        np.testing.assert_array_equal(one[name].data, two[name].data)
        np.testing.assert_array_equal(one[name].weight, two[name].weight)
        np.testing.assert_array_equal(one[name].coverage, two[name].coverage)
        assert one[name].frames == two[name].frames
        assert one[name].saturation == two[name].saturation
        np.testing.assert_array_equal(one[name].rejected, two[name].rejected)
        assert repr(one[name].header) == repr(two[name].header)


def test_order_of_frames_changes_no_bit(night, stacks):
    paths, transforms, _, _ = night
    turned = options()
    turned["sets"] = {name: weight[::-1] for name, weight in turned["sets"].items()}
    turned |= {"reference": 11}
    turned |= {name: turned[name][::-1] for name in ("scales", "fwhm", "groups")}
    equal(stacks, stack_frames(paths[::-1], transforms[::-1], **grouped(**turned)))


@pytest.mark.parametrize("memory", [2**20, 2**22, 2**30])
def test_memory_changes_no_bit(night, stacks, memory):
    paths, transforms, _, _ = night
    equal(stacks, stack_frames(paths, transforms, **grouped(**options(memory=memory))))


def test_workers_change_no_bit(night, stacks):
    paths, transforms, _, _ = night
    with ThreadPoolExecutor(3) as pool:
        equal(stacks, stack_frames(paths, transforms, **grouped(**options(executor=pool))))
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        equal(stacks, stack_frames(paths, transforms, **grouped(**options(executor=pool))))


def test_the_pool_of_this_library_is_replaced_by_threads(night, stacks):
    """The same bits, no process started, and the filters of warnings as they were."""
    paths, transforms, _, _ = night
    before = list(warnings.filters)
    children = active_children()
    with open_executor(2) as pool:
        equal(stacks, stack_frames(paths, transforms, **grouped(**options(executor=pool))))
        assert active_children() == children
    assert warnings.filters == before


def test_a_frame_that_changes_meanwhile_is_left_out(night, tmp_path):
    """Pixels come straight from the file: one that is not what it was is not used."""
    paths, transforms, _, _ = night
    copies = [shutil.copy(path, tmp_path) for path in paths]

    def progress(items):
        yield from items
        with open(copies[3], "ab") as stream:  # after the first look
            stream.write(bytes(2880))

    result = stack_frames(copies, transforms, **grouped(**options(progress=progress)))["deep"]
    assert len(result.frames) == 11
    assert [note for note in result.notes if "was changed while" in note]


def check_rows(path, image):
    """All readers give what astropy does, from a file and from what is held of one."""
    whole = fits.getdata(path).astype(np.float32)
    for rows in (slice(0, None), slice(3, 9), slice(1, None, 5), slice(4, 4)):
        np.testing.assert_array_equal(read_image(path, rows=rows)[0], whole[rows])
        with hold_content(path):
            np.testing.assert_array_equal(read_image(path, rows=rows)[0], whole[rows])
        for read in (read_plain_rows, read_pixels) if image else ():
            np.testing.assert_array_equal(read(image, rows), whole[rows])


@pytest.mark.parametrize(
    ("keywords", "plain"),
    [({}, True), ({"BZERO": 100}, True), ({"BLANK": -7}, True), ({"BSCALE": 2.5}, False)],
)
def test_plain_pixels_are_those_that_astropy_reads(tmp_path, keywords, plain):
    path = str(tmp_path / "frame.fits")
    raw = np.random.default_rng(3).integers(-30000, 30000, (13, 17)).astype(np.int16)
    raw[4, 5] = -7
    fits.writeto(path, raw)
    with fits.open(path, mode="update", do_not_scale_image_data=True) as hdus:
        hdus[0].header.update(keywords)
    image, _ = find_plain_image(path)
    assert (image is not None) == plain
    check_rows(path, image)
    fits.writeto(path, raw.astype(np.uint16), overwrite=True)
    image, _ = find_plain_image(path)
    check_rows(path, image)
    gzipped = tmp_path / "packed.fits"
    gzipped.write_bytes(gzip.compress((tmp_path / "frame.fits").read_bytes()))
    assert find_plain_image(str(gzipped)) == (None, None)


def test_packed_and_steep_frames_are_stored_with_the_same_bits(night, stacks, tmp_path):
    paths, transforms, _, _ = night
    mixed = []
    for k, path in enumerate(paths):
        copy = tmp_path / path.name
        if k % 2 == 0:  # one of them with a flux scale
            copy = tmp_path / f"{path.name}.gz"
            with open(path, "rb") as source, gzip.open(copy, "wb") as target:
                shutil.copyfileobj(source, target)
        else:
            shutil.copy(path, copy)
        mixed.append(copy)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    packed = stack_frames(mixed, transforms, **grouped(**options(scratch=scratch, memory=2**20)))
    for name in stacks:
        np.testing.assert_array_equal(packed[name].data, stacks[name].data)
    assert list(scratch.iterdir()) == []  # cleaned up


def test_quarter_turn():
    """A frame across the grid, and one that is not square."""
    rng = np.random.default_rng(2)
    image = rng.normal(100, 1, (50, 80)).astype(np.float32)
    m = np.array([[0, -1, 49.0], [1, 0, 0], [0, 0, 1]])
    stack = stack_arrays(
        [image],
        [Transform(matrix=m)],
        shape=(80, 50),
        method=StackMethod(background_order=-1, clip=np.inf),
    )["all"]
    np.testing.assert_allclose(stack.data, image.T[:, ::-1], rtol=1e-6)


def test_no_data_is_nan():
    image = np.full((40, 50), 10.0)
    image[5, 5] = np.nan
    stack = stack_arrays(
        [image] * 3, [place(0, 0)] * 2 + [Transform(reason="not matched")],
        shape=(40, 60), names=["a", "b", "c"], values=FrameValues(noise=1.0),
    )["all"]  # fmt: skip
    assert np.isnan(stack.data[5, 5])
    assert stack.weight[5, 5] == 0
    assert stack.coverage[5, 5] == 0
    assert np.isnan(stack.data[:, 51:]).all()
    assert (stack.coverage[:, :50].ravel()[:255] == 2).all()
    assert stack.frames == ("a", "b")
    assert any("c: left out, not matched" in note for note in stack.notes)


def test_saturation_is_followed():
    rng = np.random.default_rng(3)
    images = []
    for k in range(6):
        image = rng.normal(100, 2, (60, 60))
        image[28:33, 28:33] = 4000  # full in all
        image[10, 10] = 4000 if k == 2 else 100  # a hot pixel in one: rejected, not counted
        images.append(np.minimum(image, 4000))
    level = stack_arrays(images, **grouped(saturation=4000, noise=2.0, scales=np.full(6, 0.5)))[
        "all"
    ].saturation
    assert level == pytest.approx(2000, rel=0.01)
    assert stack_arrays(images, **grouped(noise=2.0))["all"].saturation == np.inf
    # Half of the frames not full there: the mean is lower, and so is the level.
    for image in images[:3]:
        image[28:33, 28:33] = 3000
    level = stack_arrays(images, **grouped(saturation=4000, noise=2.0, clip=np.inf))[
        "all"
    ].saturation
    assert level == pytest.approx(3500, rel=0.01)


class CalibratingReader:
    """Halves every frame; fails for one of them at the second visit or from the start."""

    def __init__(self, bad, visits):
        self.bad, self.left = bad, visits

    def __call__(self, path, *, rows):
        if path.endswith(self.bad):
            self.left -= 1
            if self.left < 0:
                raise FrameError(f"{path}: no such file")
        data, header = read_image(path, rows=rows)
        return data * 0.5, header


@pytest.mark.parametrize("visits", [0, 3])
def test_a_frame_that_vanishes_is_left_out(night, visits):
    paths, transforms, _, _ = night
    reader = CalibratingReader("frame_03.fits", visits)
    result = stack_frames(paths, transforms, **grouped(**options(read=reader)))["deep"]
    assert len(result.frames) == 11
    assert [note for note in result.notes if "frame_03.fits: left out" in note]
    keep = [k for k in range(12) if k != 3]
    less = options(read=CalibratingReader("none", 0))
    less["sets"] = {name: weight[keep] for name, weight in less["sets"].items()}
    less |= {name: np.asarray(less[name])[keep] for name in ("scales", "fwhm", "groups")}
    again = stack_frames(
        [paths[k] for k in keep], [transforms[k] for k in keep], **grouped(**less)
    )["deep"]
    np.testing.assert_array_equal(result.data, again.data)
    assert np.nanmedian(result.data) == pytest.approx(SKY / 2, abs=3)


def test_every_pixel_is_read_about_once(night):
    paths, transforms, _, _ = night
    count = {}

    def read(path, *, rows):
        data, header = read_image(path, rows=rows)
        count[path] = count.get(path, 0) + len(data)
        return data, header

    plain = [t if abs(t.rotation) < 90 else place(0, 0) for t in transforms]
    stack_frames(paths, plain, **grouped(**options(read=read)))
    # Stripes of 120 rows overlap by 2 x (3 + 4) rows and the tilt; the mesh looks at all rows of
    # so small a frame. A full-size frame: stripes of 174 rows, one row in 14 for the mesh.
    assert max(count.values()) < 2.8 * SHAPE[0]


def test_memory_does_not_grow_with_frames():
    image = np.random.default_rng(4).normal(100, 3, (200, 300)).astype(np.float32)

    def read(path, *, rows):
        return image[rows].copy(), fits.Header({"NAXIS2": 200})

    def peak(frames):
        tracemalloc.start()
        stack_frames(
            [f"{k:03d}" for k in range(frames)], [place(0.3, 0.2)] * frames,
            sets={"all": np.ones(frames)}, shape=(200, 300),
            execution=Execution(memory=3 * 2**20, read=read),
        )  # fmt: skip
        result = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return result

    peak(2)  # compiling and importing count towards none of the two
    few, many = peak(20), peak(60)
    # Result 0.6 MB, one frame 0.24 MB and 3 MiB for the rows at hand; 60 frames on the grid are
    # 14 MB, their meshes and plans 0.2 MB.
    assert many < few + 2**19
    assert many < 5 * 2**20


def test_flux_scales():
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 300, (60, 2))
    flux = 10 ** rng.uniform(3, 5, 60)

    def table(factor, shift, noise=0.01):
        values = flux * factor * rng.lognormal(0, noise, 60)
        return Table(
            {
                "x": xy[:, 0] - shift, "y": xy[:, 1], "flux": values,
                "flux_err": np.sqrt(values), "saturated": flux > 9e4,
            }
        )  # fmt: skip

    lists = [table(1.0, 0), table(0.8, 5), table(0.5, -7), None, table(1.0, 0)[:2]]
    lists[1]["flux"][:12] *= 3  # variables, blends
    lists[2]["flux"][lists[2]["saturated"]] *= 0.2
    transforms = [
        place(0, 0),
        Transform(matrix=np.array([[1, 0, 5.0], [0, 1, 0], [0, 0, 1]])),
        Transform(matrix=np.array([[1, 0, -7.0], [0, 1, 0], [0, 0, 1]])),
    ]
    transforms += [place(0, 0), place(0, 0)]
    scales = measure_flux_scales(lists, transforms, 0)
    assert scales[0] == 1.0
    # 60 stars with 3 % or less each: 0.5 %; a fifth of outliers shifts a median by 1/3 sigma.
    assert scales[1] == pytest.approx(1 / 0.8, rel=0.02)
    assert scales[2] == pytest.approx(1 / 0.5, rel=0.01)
    assert np.isnan(scales[3:]).all()


def test_write_and_read(tmp_path, night, stacks):
    path = tmp_path / "stack.fits"
    deep = stacks["deep"]
    write_stack(path, deep)
    again = read_stack(path)
    np.testing.assert_array_equal(again.data, deep.data)
    np.testing.assert_array_equal(again.weight, deep.weight)
    np.testing.assert_array_equal(again.coverage, deep.coverage)
    np.testing.assert_allclose(again.rejected, deep.rejected)
    assert again.frames == deep.frames
    assert again.notes == deep.notes
    assert again.saturation == deep.saturation
    with fits.open(path) as hdus:
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "WEIGHT", "COVERAGE"]
        assert hdus[0].header["NCOMBINE"] == 12
        assert hdus[0].header["OBJECT"] == "simulated"
        assert "12 frames" in str(hdus[0].header["HISTORY"])


def test_odd_names_survive(tmp_path):
    names = ["näm\ne 'x' & more.fits", "b" * 200 + "/é.fits"]
    stack = stack_arrays([np.ones((9, 9))] * 2, names=names, values=FrameValues(noise=1.0))["all"]
    write_stack(tmp_path / "s.fits", stack)
    assert sorted(read_stack(tmp_path / "s.fits").frames) == sorted(names)


def test_read_stack_of_a_plain_image_and_of_rubbish(tmp_path):
    image = np.ones((4, 5), np.float32)
    image[0, 0] = np.nan
    fits.writeto(tmp_path / "plain.fits", image)
    stack = read_stack(tmp_path / "plain.fits")
    assert stack.coverage.sum() == 19
    assert stack.saturation == np.inf
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(image)]).writeto(tmp_path / "second.fits")
    np.testing.assert_array_equal(read_stack(tmp_path / "second.fits").data, image)
    (tmp_path / "bad.fits").write_bytes(b"SIMPLE")
    with pytest.raises(InputError, match=r"bad\.fits"):
        read_stack(tmp_path / "bad.fits")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sets": {}}, "sets must name"),
        ({"sets": {"deep": np.ones(3)}}, "must have 12 weights"),
        ({"shape": (0, 5)}, "shape must be"),
        ({"clip": 0.0}, "clip must be above 0"),
        ({"background_order": 3}, "background_order"),
        ({"memory": 5}, "memory must be at least"),
        ({"kernel": "spline"}, "kernel must be one of"),
        ({"noise": np.ones(2)}, "noise must have 12 values"),
        ({"groups": ["on", "off"]}, "groups must have 12 labels"),
    ],
)
def test_wrong_options(night, changes, words):
    paths, transforms, _, _ = night
    with pytest.raises(InputError, match=words):
        stack_frames(paths, transforms, **grouped(**options(**changes)))


def test_no_frame_left(night):
    paths, transforms, _, _ = night
    with pytest.raises(NotEnoughFramesError, match="'empty' has no frame"):
        stack_frames(paths, transforms, **grouped(**options(sets={"empty": np.zeros(12)})))
    with pytest.raises(InputError, match="transforms must have 12"):
        stack_frames(paths, transforms[:3], **grouped(**options()))


def test_dark_edges_of_a_frame_are_left_out():
    """Rows and columns that a detector reads too dark must not enter where others end."""
    rng = np.random.default_rng(6)
    images = []
    for _ in range(4):
        image = rng.normal(350, 1.4, (200, 260)) + 0.01 * np.arange(260)
        image[:8] -= np.array([60, 30, 18, 12, 8, 6, 4, 3])[:, None]
        image[:, -2:] += 25
        images.append(image)
    transforms = [
        Transform(matrix=np.array([[1.0, 0, dx], [0, 1, dy], [0, 0, 1]]))
        for dx, dy in ((0, 0), (6, 20), (-5, 31), (2, 12))
    ]
    stack = stack_arrays(images, transforms, shape=(200, 260))["all"]
    # Rows deviating by less than the noise of a pixel (1.4) are not told from good ones: of
    # -3 and more nothing is left.
    assert np.isnan(stack.data[:8]).all()
    rows = np.median(stack.data[8:, 10:240], axis=1)
    assert np.abs(rows - np.median(rows)).max() < 1.0
    columns = np.median(stack.data[40:], axis=0) - 0.01 * np.arange(260)
    assert np.abs(columns - np.median(columns)).max() < 1.0


def test_spike_of_a_few_heated_frames_stays():
    """Three of ten frames have a streak far beyond the star: it is light, a trail in one is not."""
    rng = np.random.default_rng(7)
    yy, xx = np.mgrid[:100, :140].astype(float)
    star = moffat(xx, yy, 70, 50, 4e5, 3.0)
    u, v = (xx - 70) * 0.8 + (yy - 50) * 0.6, -(xx - 70) * 0.6 + (yy - 50) * 0.8
    streak = 150 * np.exp(-np.abs(u) / 25 - v**2 / 2 / 1.5**2)
    trail = 150 * np.exp(-((yy - 20) ** 2) / 2 / 1.5**2)
    power = np.array([0, 0, 0, 60, 0, 60, 0, 0, 50, 0], dtype=float)
    images = [
        300 + star + (streak if power[k] else 0) + (trail if k == 5 else 0)
        + rng.normal(0, np.sqrt(36 + star))
        for k in range(10)
    ]  # fmt: skip
    options = {"gain": 1.0, "noise": 6.0, "background_order": -1}
    along = (np.abs(v) < 2) & (np.abs(u) > 12) & (np.abs(u) < 40) & (yy > 30)
    wanted = 0.3 * streak[along].mean()
    kept = stack_arrays(images, **grouped(similarity=power, **options))["all"]
    # Some 200 pixels of noise 1.9: 0.15 ADU.
    assert (kept.data - 300 - star)[along].mean() == pytest.approx(wanted, abs=0.6)
    beside = (np.abs(yy - 20) < 6) & (xx < 60)
    # Wings under 0.4 x 3 sigma of the one frame with the trail stay, a tenth of 4 ADU in two of
    # eleven rows; where it is out, the others have 2/9 of the streak's 4 ADU, not 3/10.
    assert (kept.data - 300 - star - 0.3 * streak)[beside].mean() == pytest.approx(0, abs=0.4)
    # Without knowing which frames look alike the streak is an outlier.
    lost = stack_arrays(images, **grouped(**options))["all"]
    assert (lost.data - 300 - star)[along].mean() < 0.5 * wanted
