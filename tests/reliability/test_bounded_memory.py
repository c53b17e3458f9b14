"""Memory stays bounded whatever a header or an archive claims. Peaks are those of a process."""

import gzip
import json
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits
from small_frames import draw_frame, write_frame

from framesort.cli import main
from framesort.errors import FrameError
from framesort.files import read_image
from framesort.frames import read_frames
from framesort.quality import measure_frames

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="reads /proc/self/status"),
]

PEAK = """
import json
from pathlib import Path
import numpy as np
from framesort.files import read_image
from framesort.frames import read_frames
from framesort.quality import measure_frames
def peak():
    # Not ru_maxrss, which begins with the peak of the process that started this one.
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
{warm}
before = peak()
{work}
print(json.dumps([told, (peak() - before) / 1024]))
"""


def peak_of(work, warm=""):
    """What some lines of Python tell, and by how many MB they raise the process's peak."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", PEAK.format(work=work, warm=warm)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)


def zeros(path, megabytes, **form):
    """A gzipped file of zeros whose header says what it likes of its 16-bit pixels."""
    header = fits.Header(
        {"SIMPLE": True, "BITPIX": 16, "NAXIS": 2, **form, "EXTEND": True}
        | {"DATE-OBS": "2026-02-11T20:00:00", "EXPTIME": 60.0}
    )
    with gzip.open(path, "wb", 1) as stream:
        stream.write(header.tostring().encode())
        for _ in range(megabytes):
            stream.write(bytes(1_000_000))
    return path


@pytest.fixture(scope="module")
def swollen(tmp_path_factory):
    """200 MB of zeros in less than a megabyte, as its header says."""
    path = tmp_path_factory.mktemp("swollen") / "swollen.fits.gz"
    zeros(path, 200, NAXIS1=10_000, NAXIS2=10_000)
    assert path.stat().st_size < 1_000_000
    return path


def test_a_frame_above_the_limit_is_left_out_unread(swollen):
    told, more = peak_of(f"told = list(read_frames([{str(swollen)!r}], max_size=50)['reason'])")
    assert told == ["too large"]
    assert more < 30  # of 200, or 400 as float32
    assert list(read_frames([swollen])["reason"]) == [""]


def test_measuring_it_would_show(swollen):
    """The bad case of the test above: what is read does raise the peak."""
    _, more = peak_of(f"told = read_image({str(swollen)!r})[0].shape")
    assert more > 300


def test_a_frame_larger_than_the_others_by_far_is_left_out(swollen, tmp_path):
    others = [write_frame(tmp_path / f"{k}.fits", draw_frame(k)) for k in range(3)]
    table = read_frames([*others, swollen])
    assert sorted(table["reason"]) == ["", "", "", "too large"]
    # Two sizes of one camera, binned and not, are a night like others.
    binned = [zeros(tmp_path / f"{k}.fits.gz", 5, NAXIS1=1600, NAXIS2=1600) for k in range(3)]
    plain = zeros(tmp_path / "plain.fits.gz", 21, NAXIS1=3200, NAXIS2=3200)
    assert set(read_frames([*binned, plain])["reason"]) == {""}


def test_one_line_and_the_night_goes_on(swollen, tmp_path, capsys):
    for k in range(3):
        write_frame(
            tmp_path / f"{k}.fits", draw_frame(k).astype(np.uint16),
            **{"DATE-OBS": f"2026-02-11T20:0{k}:00"},
        )  # fmt: skip
    names = [str(path) for path in tmp_path.glob("*.fits")]
    out = tmp_path / "out"
    options = ["--heater", "0", "--workers", "1", "--quiet", "--max-size", "50"]
    assert main(["sort", *names, str(swollen), "--out", str(out), *options]) == 1
    told = [line for line in capsys.readouterr().err.splitlines() if "swollen" in line]
    assert told == [f"framesort: left out: {swollen}: too large"]
    assert "--max-size" in (out / "report.html").read_text(encoding="utf-8")


def test_what_is_longer_than_its_header_says_is_cut_off(tmp_path):
    path = zeros(tmp_path / "long.fits.gz", 200, NAXIS1=40, NAXIS2=30)
    told, more = peak_of(
        f"told = [read_image({str(path)!r})[0].shape, measure_frames([{str(path)!r}])[0].reason]",
        warm="measure_frames([])",
    )
    assert told == [[30, 40], "few stars"]
    assert more < 100  # compiled loops come in with the first measurement; the rest is 200 MB


def test_a_mask_behind_the_pixels_still_counts(tmp_path):
    mask = np.zeros((30, 40), np.uint8)
    mask[3, 4] = 1
    hdus = [fits.PrimaryHDU(np.ones((30, 40), "i2")), fits.ImageHDU(mask, name="MASK")]
    path = tmp_path / "masked.fits"
    fits.HDUList(hdus).writeto(path)
    (tmp_path / "masked.fits.gz").write_bytes(gzip.compress(path.read_bytes() + bytes(5760)))
    for name in ("masked.fits", "masked.fits.gz"):
        pixels, _ = read_image(tmp_path / name)
        assert np.isnan(pixels[3, 4]) and np.isnan(pixels).sum() == 1


@pytest.mark.parametrize("kind", ["GZIP_1", "GZIP_2"])
def test_tiles_hold_no_more_than_a_tile(tmp_path, monkeypatch, kind):
    monkeypatch.setattr("framesort.files._scan.SMALL_TILE", 1 << 20)  # else 268 MB are needed
    path = tmp_path / "tiles.fits.fz"
    image = fits.CompImageHDU(
        np.zeros((1600, 2500), "i2"), compression_type=kind, tile_shape=(1600, 2500)
    )
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    assert read_image(path)[0].shape == (1600, 2500)
    data = path.read_bytes()
    for keyword, value in (("ZNAXIS1", 2500), ("ZNAXIS2", 1600)):
        data = data.replace(
            f"{keyword:8s}= {value:20d}".encode(), f"{keyword:8s}= {value // 100:20d}".encode()
        )
    path.write_bytes(data)
    with pytest.raises(FrameError, match="more than a tile's pixels"):
        read_image(path)


# Values beyond those of cameras -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "reason"),
    [(1e30, "odd pixel values"), (1e-30, "odd pixel values"), (1e6, ""), (1e-5, "")],
)
def test_a_frame_scaled_out_of_reason_has_a_plain_one(tmp_path, factor, reason):
    path = write_frame(tmp_path / "a.fits", (draw_frame(0) * factor).astype("f4"))
    assert measure_frames([path])[0].reason == reason


def test_some_damaged_pixels_may_have_any_value(tmp_path):
    pixels = draw_frame(0).astype("f4")
    pixels[::20, ::20] = 1e30
    quality = measure_frames([write_frame(tmp_path / "a.fits", pixels)])[0]
    assert quality and abs(quality.fwhm - 3.06) < 0.05  # 1.3 px sigma drawn at pixel centres
