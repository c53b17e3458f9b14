"""Figures kept between runs: the same page, and never that of other results."""

import json

import pytest

from framesort.report import read_results, write_report
from framesort.report._figures import make_figures
from framesort.report._kept import OF_GROUP, OF_NIGHT


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
        stored = json.loads((night / "night.json").read_text())
        stored |= {"command": stored.get("command", "")}
        (night / "night.json").write_text(json.dumps(stored, indent=3))
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


def test_figures_show_nothing_but_what_they_are_kept_by(night_writer, tmp_path):
    night = night_writer(tmp_path / "night")
    whole = make_figures(read_results(night))
    assert all(whole.values())
    path = night / "night.json"
    stored = json.loads(path.read_text())
    less = {name: stored[name] for name in OF_NIGHT if name in stored}
    less["groups"] = [
        {name: group[name] for name in OF_GROUP if name in group} for group in stored["groups"]
    ]
    path.write_text(json.dumps(less))
    assert make_figures(read_results(night)) == whole


def test_figures_are_kept_where_merging_added_to_the_summary(night_writer, tmp_path, monkeypatch):
    night, cache = night_writer(tmp_path / "night", merged=False), tmp_path / "cache"
    write_report(night, cache=cache)
    path = night / "night.json"
    stored = json.loads(path.read_text())
    stored["groups"][0] |= {"replaced": 100, "left": 3, "fwhm": {"deep": 3.0}}
    path.write_text(json.dumps(stored))
    monkeypatch.setattr("framesort.report._kept.make_figures", not_again)
    write_report(night, cache=cache)


@pytest.mark.parametrize("name", ["highest_acceptable", "response"])
def test_figures_of_another_summary_are_drawn(night_writer, tmp_path, name):
    night, cache = night_writer(tmp_path / "night", merged=False), tmp_path / "cache"
    write_report(night, cache=cache)
    path = night / "night.json"
    stored = json.loads(path.read_text())
    assert stored.pop(name)
    path.write_text(json.dumps(stored))
    again = write_report(night, cache=cache).read_bytes()
    assert again == write_report(night).read_bytes()
