"""The night's table from headers."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from framesort.errors import HeaderWarning
from framesort.files import read_image, write_table
from framesort.frames import read_frames

PIXELS = np.arange(20 * 30, dtype=np.uint16).reshape(20, 30) + 40000


def frame(path, data=PIXELS, **cards):
    header = fits.Header(
        {"DATE-OBS": "2024-03-14T20:00:00", "EXPTIME": 60.0, "FILTER": "L"} | cards
    )
    fits.PrimaryHDU(data, header).writeto(path)
    return path


def test_every_storage_form_gives_the_same_pixels(tmp_path):
    header = fits.Header({"EXPTIME": 60.0, "DATE-OBS": "2024-03-14T20:00:00"})
    plain = fits.PrimaryHDU(PIXELS, header)
    plain.writeto(tmp_path / "a.fits")
    plain.writeto(tmp_path / "b.fits.gz")
    fits.PrimaryHDU(PIXELS.astype("f4"), header).writeto(tmp_path / "c.fits")
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(PIXELS, header)]).writeto(
        tmp_path / "d.fits.fz"
    )
    table_first = fits.BinTableHDU.from_columns([fits.Column("a", "E", array=[1.0])])
    fits.HDUList([fits.PrimaryHDU(), table_first, fits.ImageHDU(PIXELS, header)]).writeto(
        tmp_path / "e.fits"
    )
    paths = sorted(tmp_path.iterdir())
    table = read_frames(paths)
    assert list(table["reason"]) == [""] * 5
    assert set(table["width"]) == {30} and set(table["height"]) == {20}
    for path in paths:
        assert np.array_equal(read_image(path)[0], PIXELS.astype("f4")), path
        assert np.array_equal(read_image(path, rows=slice(3, 7))[0], PIXELS[3:7].astype("f4")), path


def test_groups_are_never_mixed(tmp_path):
    paths = [
        frame(tmp_path / "1.fits"),
        frame(tmp_path / "2.fits", EXPTIME=60.03),
        frame(tmp_path / "3.fits", EXPTIME=300.0),
        frame(tmp_path / "4.fits", FILTER="Ha"),
        frame(tmp_path / "5.fits", PIXELS[:10]),
        frame(tmp_path / "6.fits", FILTER="../../x"),
    ]
    groups = dict(zip([p.name for p in paths], read_frames(paths)["group"], strict=True))
    assert groups["1.fits"] == groups["2.fits"]
    assert len(set(groups.values())) == 5
    assert groups["4.fits"] == "Ha"
    assert groups["6.fits"] == "x"


def test_left_out_with_reason_not_lost(tmp_path):
    paths = [
        frame(tmp_path / "good.fits"),
        frame(tmp_path / "dark.fits", IMAGETYP="Dark"),
        frame(tmp_path / "array.fits", BAYERPAT="CMYG"),
        frame(tmp_path / "endless.fits", EXPTIME=-1.0),
        tmp_path / "text.fits",
        tmp_path / "half.fits",
    ]
    (tmp_path / "text.fits").write_text("this is no image\n" * 400)
    (tmp_path / "half.fits").write_bytes((tmp_path / "good.fits").read_bytes()[:1000])
    rows = {row["file"].rsplit("/", 1)[-1]: row["reason"] for row in read_frames(paths)}
    assert rows == {
        "good.fits": "",
        "dark.fits": "calibration frame",
        "array.fits": "colour frame",
        "endless.fits": "no exposure time",
        "text.fits": "unreadable",
        "half.fits": "unreadable",
    }


def test_unknown_start_is_masked_and_survives_the_file(tmp_path):
    bare = fits.PrimaryHDU(PIXELS, fits.Header({"EXPTIME": 5.0}))
    bare.writeto(tmp_path / "z.fits")
    table = read_frames([frame(tmp_path / "a.fits"), tmp_path / "z.fits"])
    write_table(tmp_path / "frames.ecsv", table)
    again = Table.read(tmp_path / "frames.ecsv")
    assert list(again["start"].mask) == [False, True]
    assert again["start"][0].isot == "2024-03-14T20:00:00.000"
    assert again["reason"][1] == "no start time"


def test_offset_in_header_warns_once(tmp_path):
    paths = [
        frame(tmp_path / f"{i}.fits", **{"DATE-OBS": f"2024-03-14T2{i}:00:00+02:00"})
        for i in range(3)
    ]
    with pytest.warns(HeaderWarning, match="3 of 3 headers") as caught:
        table = read_frames(paths)
    assert len(caught) == 1
    assert table["start"][0].isot == "2024-03-14T18:00:00.000"


@pytest.mark.parametrize(
    ("cards", "gain"),
    [
        ({"EGAIN": 0.25, "GAIN": 100}, 0.25),
        ({"GAIN": 1.7}, 1.7),
        ({"GAIN": 120}, np.nan),
        ({}, np.nan),
    ],
)
def test_gain_in_electrons_only_where_it_is(tmp_path, cards, gain):
    table = read_frames([frame(tmp_path / "a.fits", **cards)])
    assert table["gain"][0] == pytest.approx(gain, nan_ok=True)
