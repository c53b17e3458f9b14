"""Star replacement on two stacks made elsewhere, also where they are not on one grid."""

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.table import Table

from framesort.cli import main
from framesort.errors import InputError, NotEnoughFramesError, OutputError
from framesort.night import SwapOptions, swap_stars
from framesort.simulation import simulate_stacks

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """A deep stack, a sharp one on its grid, and the same turned by half a turn and cut."""
    folder = tmp_path_factory.mktemp("pair")
    truth = simulate_stacks(rng=4, shape=(360, 480), count=160)
    header = fits.Header({"FILTER": "L", "OBJECT": "simulated field"})
    fits.PrimaryHDU(truth.deep, header).writeto(folder / "deep.fits")
    fits.PrimaryHDU(truth.sharp).writeto(folder / "sharp.fits")
    turned = np.ascontiguousarray(truth.sharp[::-1, ::-1])[10:, 20:]
    fits.PrimaryHDU(turned).writeto(folder / "turned.fits")
    return folder, truth


def error_in_sigmas(image, truth):
    """Rms error where star light was taken away, cores left out, in noise of the deep stack."""
    changed = np.abs(truth.deep_stars - truth.sharp_stars) > 0.5 * truth.noise
    where = changed & (truth.sharp_stars < 4 * truth.noise)
    where[:25] = where[-25:] = where[:, :25] = where[:, -25:] = False
    return np.sqrt(np.mean((image - truth.truth)[where] ** 2)) / truth.noise


def test_on_one_grid(pair, tmp_path):
    folder, truth = pair
    result = swap_stars(folder / "deep.fits", folder / "sharp.fits", out=tmp_path / "final.fits")
    final = fits.getdata(tmp_path / "final.fits")
    assert np.array_equal(final, result.final)
    before = error_in_sigmas(truth.deep.astype(float), truth)
    # A perfect replacement has 1.0, the deep stack's own noise; 1.35 is asked of it.
    assert error_in_sigmas(final.astype(float), truth) < 1.35 < before
    header = fits.getheader(tmp_path / "final.fits")
    assert header["OBJECT"] == "simulated field"
    assert "stars replaced" in str(header["HISTORY"])
    layers = [fits.getdata(tmp_path / f"final-{name}.fits") for name in ("stars", "background")]
    assert np.allclose(layers[0] + layers[1], final, rtol=1e-6, atol=1e-3)
    assert len(Table.read(tmp_path / "final-stars.ecsv")) == len(result.table)


def test_half_a_turn_and_a_shift_away(pair, tmp_path):
    folder, truth = pair
    swap_stars(folder / "deep.fits", folder / "turned.fits", out=tmp_path / "final.fits")
    final = fits.getdata(tmp_path / "final.fits").astype(float)
    # The strip that the turned stack does not cover keeps the deep stack's stars.
    final[-30:], final[:, -40:] = truth.truth[-30:], truth.truth[:, -40:]
    # Resampled noise is correlated and the widths differ a little: the same bar holds.
    assert error_in_sigmas(final, truth) < 1.35


def test_what_cannot_be_swapped_is_one_clear_line(pair, tmp_path):
    folder, truth = pair
    deep, sharp = folder / "deep.fits", folder / "sharp.fits"
    with pytest.raises(OutputError, match="originals are kept"):
        swap_stars(deep, sharp, out=deep, overwrite=True)
    with pytest.raises(InputError, match="leave out --aligned"):
        swap_stars(
            deep, folder / "turned.fits", out=tmp_path / "f.fits", options=SwapOptions(aligned=True)
        )
    noise = np.random.default_rng(0).normal(300, 5, truth.deep.shape).astype("f4")
    fits.PrimaryHDU(noise).writeto(tmp_path / "noise.fits")
    with pytest.raises(NotEnoughFramesError, match="0 stars found"):
        swap_stars(deep, tmp_path / "noise.fits", out=tmp_path / "f.fits")
    other = simulate_stacks(rng=77, shape=(360, 480), count=160).sharp
    fits.PrimaryHDU(other).writeto(tmp_path / "other.fits")
    with pytest.raises(NotEnoughFramesError, match=r"other\.fits: its .* cannot be matched"):
        swap_stars(deep, tmp_path / "other.fits", out=tmp_path / "f.fits")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["noise.fits", "other.fits"]


def test_command_line(pair, tmp_path, capsys):
    folder, _ = pair
    words = ["swap", str(folder / "deep.fits"), str(folder / "sharp.fits"), "--out"]
    assert main([*words, str(tmp_path / "final.fits")]) == 0
    assert "stars replaced" in capsys.readouterr().out
    assert main([*words, str(tmp_path / "final.fits")]) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_detail_on_the_command_line(pair, tmp_path, capsys):
    folder, _ = pair
    words = ["swap", str(folder / "deep.fits"), str(folder / "sharp.fits"), "--out"]
    for name, more in (("plain", []), ("on", ["--detail", "on"]), ("off", ["--detail", "off"])):
        assert main([*words, str(tmp_path / f"{name}.fits"), *more]) == 0
        assert fits.getheader(tmp_path / f"{name}.fits")["FSDETAIL"] is (name != "off")
    finals = {name: fits.getdata(tmp_path / f"{name}.fits") for name in ("plain", "on", "off")}
    masks = {name: fits.getdata(tmp_path / f"{name}-mask.fits") for name in ("on", "off")}
    assert np.array_equal(finals["plain"], finals["on"])
    assert np.any(masks["on"] & 16)
    assert not np.any(masks["off"] & 16)
    by_library = swap_stars(
        folder / "deep.fits",
        folder / "sharp.fits",
        out=tmp_path / "library.fits",
        options=SwapOptions(detail=False),
    )
    assert np.array_equal(by_library.final, finals["off"])
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        main([*words, str(tmp_path / "other.fits"), "--detail", "some"])
    assert ended.value.code == 2
    assert "on or off, got 'some'" in capsys.readouterr().err


def test_every_bit_of_the_mask_fits_into_a_tiff_file(pair, tmp_path):
    folder, _ = pair
    result = swap_stars(
        folder / "deep.fits",
        folder / "sharp.fits",
        out=tmp_path / "final.tif",
        options=SwapOptions(check=False),
    )
    mask = tifffile.imread(tmp_path / "final-mask.tif")[::-1]
    assert np.any(result.replacement.mask >= 16)
    assert np.array_equal(mask / 8, result.replacement.mask)
