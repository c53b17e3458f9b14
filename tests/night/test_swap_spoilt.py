"""Odd pairs for `swap`: each works, is told, or is refused in one plain line."""

import numpy as np
import pytest
from astropy.io import fits
from swap_cases import spoilt_pair

from framesort.cli import main
from framesort.errors import FramesortError
from framesort.night import SwapOptions, swap_images
from framesort.simulation import simulate_stacks

pytestmark = pytest.mark.slow

# Seeds of `spoilt_pair` that once ended in an internal error or a bare warning, and others.
SEEDS = [19, 59, 0, 2, 3, 4, 6, 8, 24, 54, 150, 151, 152]


@pytest.fixture(scope="module")
def pair():
    return simulate_stacks(rng=31, shape=(150, 190), count=70)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_internal_error(seed):
    deep, sharp, options = spoilt_pair(seed)
    try:
        result = swap_images(deep, sharp, options=SwapOptions(check=False, **options))
    except FramesortError as error:
        assert "\n" not in str(error)
    else:
        assert result.final.shape == deep.shape
        assert np.array_equal(np.isfinite(result.final), np.isfinite(deep))


def run(folder, deep, sharp, capsys, *options):
    for name, data in (("deep", deep), ("sharp", sharp)):
        fits.PrimaryHDU(np.ascontiguousarray(data)).writeto(folder / f"{name}.fits", overwrite=True)
    paths = [str(folder / f"{name}.fits") for name in ("deep", "sharp")]
    status = main(["swap", *paths, "--out", str(folder / "final.fits"), *options])
    return status, capsys.readouterr().err.splitlines()


def test_numbers_of_any_size():
    # Enough stars that the last of 24 bits does not decide which shapes a profile keeps.
    pair = simulate_stacks(rng=31, shape=(300, 380), count=280)
    plain = swap_images(pair.deep, pair.sharp, options=SwapOptions(aligned=True, check=False))
    for up, down in ((1e20, 1e20), (1e-20, 1e-20), (1e20, 1.0)):
        deep, sharp = pair.deep * np.float32(up), pair.sharp * np.float32(down)
        result = swap_images(deep, sharp, options=SwapOptions(aligned=True, check=False))
        away = result.final / np.float32(up) - plain.final
        assert np.sqrt(np.mean(away**2)) < 0.01 * pair.noise
        scale = result.table.meta["flux_scale"] / plain.table.meta["flux_scale"]
        assert scale == pytest.approx(up / down, rel=1e-3)


@pytest.mark.parametrize(
    ("make", "status", "words"),
    [
        (lambda p: (p.deep, np.roll(p.sharp, 8, 0)), 2, "leave out --aligned"),
        (lambda p: (p.deep, p.sharp[:, ::-1]), 3, "leave out --aligned"),
        (lambda p: (p.deep, np.full_like(p.sharp, 300)), 3, "0 stars found"),
        (lambda p: (p.deep, p.sharp * np.nan), 2, "no finite pixel"),
        (lambda p: (p.deep, p.sharp[:99]), 2, "leave out --aligned"),
        (lambda p: (np.stack([p.deep] * 2), np.stack([p.sharp] * 3)), 2, "do not fit"),
    ],
)
def test_refused_in_one_line_and_nothing_written(pair, tmp_path, capsys, make, status, words):
    told = run(tmp_path, *make(pair), capsys, "--aligned")
    assert told[0] == status
    assert len(told[1]) == 1
    assert words in told[1][0]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["deep.fits", "sharp.fits"]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: (p.deep, p.deep), "one and the same"),
        (lambda p: (p.sharp, p.deep), "wrong way round"),
        (lambda p: (np.sqrt(p.deep.clip(0)), np.sqrt(p.sharp.clip(0))), "stretched"),
    ],
)
def test_reported_first_and_exit_status_1(pair, tmp_path, capsys, make, words):
    status, lines = run(tmp_path, *make(pair), capsys, "--aligned")
    assert status == 1
    assert lines[0].startswith("framesort: warning:")
    assert words in lines[0]
    assert (tmp_path / "final.fits").exists()
