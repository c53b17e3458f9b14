"""Figures kept between runs: the same page, and never that of other results."""

import json

import pytest

from framesort.report import write_report


def not_again(*values, **options):
    raise AssertionError("drawn again")


@pytest.mark.parametrize("summary", [True, False])
def test_kept_figures_give_the_same_page(night_writer, tmp_path, monkeypatch, summary):
    night = night_writer(tmp_path / "night", merged=False, summary=summary)
    cache = tmp_path / "cache"
    plain = write_report(night).read_bytes()
    assert write_report(night, cache=cache).read_bytes() == plain
    if summary:  # without one nothing is kept
        monkeypatch.setattr("framesort.report._kept.make_figures", not_again)
        told = json.loads((night / "night.json").read_text())
        told |= {"command": told.get("command", "")}
        (night / "night.json").write_text(json.dumps(told, indent=3))
    assert write_report(night, cache=cache).read_bytes() == plain


def test_figures_of_other_results_are_drawn(night_writer, tmp_path):
    night, cache = tmp_path / "night", tmp_path / "cache"

    def wider(table, summary):
        table["fwhm"] = 1.3 * table["fwhm"]

    night_writer(night, merged=False)
    before = write_report(night, cache=cache).read_bytes()
    night_writer(night, merged=False, change=wider)
    after = write_report(night, cache=cache).read_bytes()
    assert after != before
    assert after == write_report(night).read_bytes()


@pytest.mark.parametrize("text", ["", "[1]", "null", '{"a": {"night": 3}}'])
def test_damaged_figures_are_drawn_again(night_writer, tmp_path, text):
    night, cache = night_writer(tmp_path / "night", merged=False), tmp_path / "cache"
    plain = write_report(night, cache=cache).read_bytes()
    path = cache / "figures.json"
    kept = json.loads(path.read_text())
    assert len(kept) == 1
    path.write_text(text.replace('"a"', json.dumps(next(iter(kept)))))
    assert write_report(night, cache=cache).read_bytes() == plain
