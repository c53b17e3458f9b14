"""Headers kept between runs give the table that reading them gives."""

import json
import os

import numpy as np
import pytest
from astropy.io import fits

from framesort.errors import HeaderWarning
from framesort.frames import read_frames


@pytest.fixture
def night(tmp_path):
    paths = []
    for k in range(4):
        header = fits.Header(
            {
                "DATE-OBS": f"2026-02-11T20:{10 * k:02d}:00",
                "EXPTIME": 300.0,
                "FILTER": "Ha",
                "SITELAT": 48.2,
                "SITELONG": 11.5,
                "RA": 80.0,
                "DEC": 20.0,
                "EGAIN": 1.1,
            }
        )
        paths.append(tmp_path / f"frame_{k}.fits")
        fits.writeto(paths[-1], np.zeros((8, 9), np.uint16), header)
    fits.setval(paths[2], "DATE-OBS", value="2026-02-11T20:20:00+00:00")  # understood, with a note
    paths.append(tmp_path / "text.fits")
    paths[-1].write_text("no image")
    return paths


def not_again(*values):
    raise AssertionError("calculated again")


def read(paths, **options):
    with pytest.warns(HeaderWarning):
        return read_frames(paths, **options)


def assert_same(one, other):
    assert one.colnames == other.colnames
    for name in one.colnames:
        a, b = (np.ma.asarray(getattr(t[name], "unix", t[name])) for t in (one, other))
        assert np.array_equal(np.ma.getmaskarray(a), np.ma.getmaskarray(b)), name
        a, b = np.ma.filled(a), np.ma.filled(b)
        assert a.dtype == b.dtype, name
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name
    assert one.meta == other.meta


def test_kept_headers_give_the_same_table(night, tmp_path, monkeypatch):
    plain = read(night)
    first = read(night, cache=tmp_path / "cache")
    monkeypatch.setattr("framesort.frames._row.open_fits", not_again)
    monkeypatch.setattr("framesort.frames._table.sky_positions", not_again)
    again = read(night, cache=tmp_path / "cache")
    assert list(again["reason"]).count("unreadable") == 1  # that one is looked at each time
    for table in (first, again):
        assert_same(plain, table)
    assert np.isfinite(again["target_altitude"][:4]).all()


def test_changed_files_and_other_options_are_read_anew(night, tmp_path):
    cache = tmp_path / "cache"
    read(night, cache=cache)
    before = os.stat(night[0])
    fits.setval(night[0], "FILTER", value="OIII")
    os.utime(night[0], ns=(before.st_atime_ns, before.st_mtime_ns))  # as a careless copy does
    assert list(read(night, cache=cache)["filter"])[:2] == ["OIII", "Ha"]
    fits.setval(night[1], "HEATER", value=40.0)
    assert read(night, cache=cache, power_keyword="HEATER")["heater_power"][1] == 40


@pytest.mark.parametrize("text", ["", "[]", "{", "null"])
def test_damaged_file_counts_as_none(night, tmp_path, text):
    cache = tmp_path / "cache"
    first = read(night, cache=cache)
    (cache / "headers.json").write_text(text)
    assert_same(first, read(night, cache=cache))
    assert len(json.loads((cache / "headers.json").read_text())) == 5  # four frames and the sky


def test_values_of_another_kind_are_not_taken(night, tmp_path):
    cache = tmp_path / "cache"
    first = read(night, cache=cache)
    kept = json.loads((cache / "headers.json").read_text())
    (cache / "headers.json").write_text(json.dumps({key: {"file": 3} for key in kept}))
    assert_same(first, read(night, cache=cache))
