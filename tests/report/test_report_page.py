"""The page itself: what it says, what it bears, and that it stands alone."""

import json
import math
import re
from html.parser import HTMLParser

import matplotlib as mpl
import numpy as np
import pytest
from astropy.table import Table

from framesort.errors import InputError, OutputError
from framesort.files import write_table
from framesort.records import REASONS
from framesort.report import read_results, write_preview, write_report
from framesort.report._advice import ADVICE, list_notes
from framesort.report._pictures import compare_pictures
from framesort.report._trust import check_group, describe_trust
from framesort.report._words import describe_effect, describe_frames
from framesort.workers import open_executor

pytestmark = pytest.mark.slow


class Links(HTMLParser):
    """Everything a page could ask for, its ids, and its text."""

    def __init__(self, text):
        super().__init__()
        self.links, self.ids, self.words, self._open = [], [], [], []
        self.feed(text)
        self.text = " ".join(" ".join(self.words).replace("\xa0", " ").split())

    def handle_starttag(self, tag, attrs):
        self._open.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "srcset", "action", "data", "poster"):
                self.links.append(value)
            if name == "id":
                self.ids.append(value)

    def handle_data(self, data):
        if self._open and self._open[-1] not in ("style", "script"):
            self.words.append(data)


@pytest.fixture(scope="module")
def page(merged_night):
    return write_report(merged_night).read_text(encoding="utf-8")


def test_page_asks_for_nothing(page):
    links = Links(page)
    assert links.links and all(link.startswith(("data:", "#")) for link in links.links)
    assert "@import" not in page
    assert all(match.startswith("#") for match in re.findall(r"url\(([^)]*)\)", page))


def test_ids_are_unique_and_references_resolve(page):
    links = Links(page)
    assert len(links.ids) == len(set(links.ids))
    assert {link[1:] for link in links.links if link.startswith("#")} <= set(links.ids)
    assert set(re.findall(r"url\(#([^)]*)\)", page)) <= set(links.ids)


def test_answers_carry_the_numbers(page):
    text = Links(page).text
    # Counts by construction of the night: 60 frames, of which 20 off, 1 switched, 39 on.
    assert "60 frames, 2.0 h in total: 20 with the heater off, 1 with a change" in text
    # 0.8 % growth per percent of power by construction, 64 % at 80 % power.
    assert "At 80 % power, FWHM of L (120 s) is up 64 ± 1 % relative to heater off" in text
    assert "the spike contains 4.8 ± 0.1 % of the light of bright stars" in text
    # Both filters may have 12 % in the summary.
    assert "Highest acceptable power: about 12 %" in text
    assert "Isolated stars have 1.004 ± 0.002 of the sharp stack's width of 2.12 px (deep" in text
    assert "Switch the heater between exposures" in text


def test_same_results_give_the_same_page_and_settings_stay(merged_night, page):
    before = dict(mpl.rcParams)
    assert write_report(merged_night).read_text(encoding="utf-8") == page
    assert dict(mpl.rcParams) == before


def test_figures_drawn_by_other_processes_are_the_same(merged_night, page):
    with open_executor(2) as pool:
        assert write_report(merged_night, executor=pool).read_text(encoding="utf-8") == page


def test_other_processes_draw_a_night_with_a_frame_of_unknown_time(night_writer, tmp_path):
    # A table with masked times cannot be read back from its pickle (astropy 8).
    folder = night_writer(tmp_path / "night", merged=False)
    table = Table.read(folder / "frames.ecsv")
    table["start"][3] = np.ma.masked
    write_table(folder / "frames.ecsv", table)
    alone = write_report(folder).read_text(encoding="utf-8")
    with open_executor(2) as pool:
        assert write_report(folder, executor=pool).read_text(encoding="utf-8") == alone
    assert "Heater and exposures" in Links(alone).text


def test_sorted_only(night_writer, tmp_path):
    folder = night_writer(tmp_path / "sorted", merged=False)
    text = Links(write_report(folder).read_text(encoding="utf-8")).text
    assert "No final picture yet." in text
    assert "Heater and exposures" in text and "Brightest stars" not in text


def test_deep_stack_alone_is_shown(night_writer, tmp_path):
    folder = night_writer(tmp_path / "deep")
    for name in ("final", "sharp", "stars", "background"):
        (folder / "L" / f"{name}.fits").unlink()
    page = write_report(folder).read_text(encoding="utf-8")
    assert 'alt="The deep stack"' in page and "No second picture" in page
    assert 'class="pair"' not in page


def test_damaged_stacks_and_star_lists_cost_only_themselves(night_writer, tmp_path):
    folder = night_writer(tmp_path / "night")
    (folder / "L" / "stars.ecsv").write_text("no table")
    (folder / "L" / "sharp.fits").write_bytes(b"no FITS")
    text = Links(write_report(folder).read_text(encoding="utf-8")).text
    assert "Whole field." in text and "Brightest stars" not in text
    (folder / "L" / "deep.fits").write_bytes(b"no FITS")
    assert "30 frames" in Links(write_report(folder).read_text(encoding="utf-8")).text


def test_table_alone_is_enough(night_writer, tmp_path):
    folder = night_writer(tmp_path / "bare", merged=False, summary=False)
    text = Links(write_report(folder).read_text(encoding="utf-8")).text
    # Medians by construction: 2.1 px off; on at 40 % and 80 % power, about 3 px.
    assert re.search(r"Median FWHM: [23]\.\d\d px with the heater on, 2\.[01]\d px", text)


def test_damaged_summary_is_named(night_writer, tmp_path):
    folder = night_writer(tmp_path / "damaged", merged=False)
    (folder / "night.json").write_text("{", encoding="utf-8")
    assert "night.json could not be read" in write_report(folder).read_text(encoding="utf-8")


@pytest.mark.parametrize("odd", [None, "word", [None, 3, "word", {}], {"a": None}])
def test_summary_may_hold_anything(night_writer, tmp_path, odd):
    keys = ("heater", "clock", "groups", "response", "highest_acceptable", "left_out", "notes",
            "settings", "versions")  # fmt: skip
    folder = night_writer(tmp_path / "odd", merged=False)
    told = json.loads((folder / "night.json").read_text()) | dict.fromkeys(keys, odd)
    (folder / "night.json").write_text(json.dumps(told))
    assert "30 frames" in Links(write_report(folder).read_text(encoding="utf-8")).text
    inner = {"label": "L"} | dict.fromkeys(
        ("filter", "exposure", "states", "sharp", "deep", "replaced", "left", "fwhm", "spike",
         "advice"), odd)  # fmt: skip
    told |= {"groups": [inner], "response": [dict.fromkeys(("filter", "power", "spike"), odd)]}
    (folder / "night.json").write_text(json.dumps(told))
    assert "30 frames" in Links(write_report(folder).read_text(encoding="utf-8")).text


def test_masked_columns_and_missing_columns(night_writer, tmp_path):
    def thin(table, told):
        for name in ("transparency", "noise", "spike_angle", "heater_power", "grade", "reason"):
            table.remove_column(name)
        table["fwhm"] = np.ma.masked_where(np.arange(len(table)) > 3, table["fwhm"])
        told.clear()

    folder = night_writer(tmp_path / "thin", merged=False, change=thin)
    text = Links(write_report(folder).read_text(encoding="utf-8")).text
    assert "FWHM" in text and "Flux of common stars" not in text


def test_empty_table(night_writer, tmp_path):
    def drop(table, told):
        table.remove_rows(slice(None))
        told["groups"] = []

    folder = night_writer(tmp_path / "empty", merged=False, change=drop)
    assert "No frame could be used." in write_report(folder).read_text(encoding="utf-8")


def test_formula_signs_in_a_filter_are_no_formula(night_writer, tmp_path):
    def rename(table, told):
        table["filter"] = table["group"] = ["$\\frac{$ & <b>"] * len(table)
        told["groups"][0] |= {"label": "L", "filter": "$\\frac{$ & <b>"}
        for entry in told["response"]:
            entry["filter"] = "$\\frac{$ & <b>"

    page = write_report(night_writer(tmp_path / "odd", change=rename)).read_text(encoding="utf-8")
    assert "$\\frac{$ &amp; &lt;b&gt;" in page


def test_label_cannot_lead_out_of_the_folder(night_writer, tmp_path):
    def lead(table, told):
        told["groups"][0]["label"] = "../L"

    night_writer(tmp_path / "L-owner" / "x", merged=True)
    folder = night_writer(tmp_path / "L-owner" / "y", merged=False, change=lead)
    (tmp_path / "L-owner" / "x" / "L").rename(tmp_path / "L-owner" / "L")
    assert read_results(folder).groups[0].folder is None


def test_nights_get_a_timeline_each(night_writer, tmp_path):
    def spread(table, told):
        later = np.arange(len(table)) >= 15
        table["start"] = [
            str(s).replace("2024-03-14", "2024-03-16") if late else str(s)
            for s, late in zip(table["start"].isot, later, strict=True)
        ]

    folder = night_writer(tmp_path / "two", merged=False, change=spread)
    text = Links(write_report(folder).read_text(encoding="utf-8")).text
    assert "night 1 of 2" in text and "night 2 of 2" in text
    assert "14 March 2024 to 16 March 2024" in text


def test_errors_name_what_is_missing(tmp_path):
    with pytest.raises(InputError, match=r"no frames\.ecsv"):
        write_report(tmp_path)
    (tmp_path / "frames.ecsv").write_text("no table")
    with pytest.raises(InputError, match="cannot be read"):
        write_report(tmp_path)
    (tmp_path / "report.html").write_text("kept")
    with pytest.raises(OutputError, match="exists already"):
        write_report(tmp_path, overwrite=False)
    assert (tmp_path / "report.html").read_text() == "kept"


def test_every_reason_has_advice():
    assert set(ADVICE) == set(REASONS)


def test_pictures_of_a_large_noisy_night_stay_small():
    # Noise is the worst for compression. Two groups, each with field and part, twice (before
    # and after), must leave room for the plots in five million bytes.
    rng = np.random.default_rng(4)
    deep = rng.normal(100, 5, (1800, 2700)).astype(np.float32)
    found = compare_pictures(deep, deep + 1)
    assert len(found) == 2
    assert 2 * sum(len(pair.before) + len(pair.after) for pair in found) < 4_000_000


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({}, "Yes."),
        ({"left": 20}, "With care."),
        ({"sharp": {"frames": 2}}, "With care."),
        ({"check": {}}, "Yes."),
        ({"check": {}, "fwhm": {"deep": 3.4, "sharp": 2.1, "final": 2.5}}, "No."),
        ({"check": {}, "spike": {"deep": 0.04, "final": 0.02}}, "No."),
        ({"check": {}, "spike": {"deep": 0.04, "final": -0.02}}, "No."),
        ({"check": {}, "spike": {}}, "With care."),
    ],
)
def test_verdict_follows_the_numbers(night_writer, tmp_path, change, verdict):
    def alter(table, told):
        told["groups"][0] |= {"left": 2} | change

    results = read_results(night_writer(tmp_path / "night", change=alter))
    assert describe_trust(results).verdict == verdict


def test_things_that_are_no_stars_are_not_stars_left(night_writer, tmp_path):
    def alter(table, told):
        told["groups"][0] |= {"replaced": 53, "left": 30}

    folder = night_writer(tmp_path / "night", change=alter)
    stars = Table.read(folder / "L" / "stars.ecsv")
    stars["reason"] = ["not stellar" if i < 27 else "" for i in range(len(stars))]
    write_table(folder / "L" / "stars.ecsv", stars)
    trust = describe_trust(read_results(folder))
    assert trust.verdict == "Yes."
    text = " ".join(check.sentence for _, checks in trust.grounds for check in checks)
    assert "53 stars replaced, 3 not replaced" in text and "27 non-stellar detections" in text


def test_checks_put_the_bad_news_first(night_writer, tmp_path):
    def alter(table, told):
        told["groups"][0]["check"]["spike_left"] = 0.5

    results = read_results(night_writer(tmp_path / "night", change=alter))
    (_, checks), *_ = describe_trust(results).grounds
    assert checks[0].passed is False and "spike" in checks[0].sentence
    # Nine lines of the replacement's check, number of stars and of frames; not the pixels.
    assert len(checks) == len(check_group(results.groups[0])) == 11


def test_heater_never_on_costs_nothing(night_writer, tmp_path):
    def cool(table, told):
        table["heater_state"] = ["off"] * len(table)

    results = read_results(night_writer(tmp_path / "night", merged=False, change=cool))
    assert describe_effect(results) == ["None: the heater was off in every frame."]
    assert "30 with the heater off" in describe_frames(results)[0]


def test_unknown_states_and_thin_sharp_sets_are_warned_of(night_writer, tmp_path):
    def alter(table, told):
        table["heater_state"][:4] = "unknown"
        told["groups"][0]["sharp"] = {"frames": 1, "hours": 0.03}

    found = list_notes(read_results(night_writer(tmp_path / "night", change=alter)))
    assert any("state of 4 frames is not known" in note for note in found)
    assert any("3 % of the exposure time" in note and note.advice for note in found)


def test_notes_come_with_what_to_do(night_writer, tmp_path):
    def alter(table, told):
        told["notes"] = [
            {"code": "no sharp data", "text": "12 detections not replaced."},
            {"code": "of a later version", "text": "Something else was seen."},
            {"code": "log contradicted", "text": "The stars contradict the log."},
        ]
        told["groups"][0]["notes"] = [{"code": "hardly sharper", "text": "L: 3.9 px, 3.4 px."}]

    folder = night_writer(tmp_path / "n", merged=False, change=alter)
    found = list_notes(read_results(folder))
    assert [str(note) for note in found[:4]] == [
        "The stars contradict the log.",  # errors first
        "12 detections not replaced.",
        "Something else was seen.",
        "L: 3.9 px, 3.4 px.",
    ]
    parts = ("Give the right log", "Aim the heater-off frames", "Look at what it names", "focus")
    assert all(part in note.advice for note, part in zip(found, parts, strict=False))
    text = Links(write_report(folder).read_text(encoding="utf-8")).text
    assert all(part in text for part in parts)


def test_a_note_of_the_log_is_reported_once(night_writer, tmp_path):
    def alter(table, told):
        note = {"code": "log rows", "text": "Two rows were left out."}
        told["heater"]["notes"] = told["notes"] = [note]

    found = list_notes(read_results(night_writer(tmp_path / "night", change=alter)))
    assert found == ("Two rows were left out.",)


def test_preview_of_a_night_is_one_png(merged_night, tmp_path):
    path = write_preview(merged_night, tmp_path / "preview.png")
    assert path.read_bytes().startswith(b"\x89PNG")
    shape = mpl.image.imread(path).shape
    # Two pictures of 320 x 200 side by side with their margins.
    assert shape[1] > 2 * 320 and shape[0] > 200


def test_preview_of_an_image_keeps_its_pixels_and_its_up(tmp_path):
    image = np.zeros((60, 90), dtype=np.float32)
    image[-1, 0] = 1000.0
    shown = mpl.image.imread(write_preview(image, tmp_path / "p.png"))
    assert shown.shape == (60, 90)  # one channel, as the picture has one
    # y is up as FITS is displayed: the last row is the uppermost.
    assert shown[0, 0] == 1.0 and math.isclose(shown[-1, 0], shown[30, 40])


def test_three_planes_are_colours(tmp_path):
    rng = np.random.default_rng(2)
    image = rng.normal(100, 1, (3, 80, 120)).astype(np.float32)
    image[0, 40:43, 60:63] += 500
    shown = mpl.image.imread(write_preview(image, tmp_path / "p.png"))
    assert shown.shape[:2] == (80, 120)
    red, green, blue = shown[80 - 1 - 41, 61, :3]
    assert red > 0.9 and green < 0.5 and blue < 0.5
    pair = compare_pictures(image, image)[0]
    assert (pair.width, pair.height) == (120, 80)


def test_pictures_of_two_sizes_are_refused():
    with pytest.raises(InputError, match=r"\(4, 5\) and \(5, 4\)"):
        compare_pictures(np.zeros((4, 5)), np.zeros((5, 4)))


def test_preview_needs_a_picture(night_writer, tmp_path):
    folder = night_writer(tmp_path / "sorted", merged=False)
    with pytest.raises(InputError, match=r"no final\.fits"):
        write_preview(folder, tmp_path / "p.png")
