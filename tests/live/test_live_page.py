"""The page of the running night: what it says, and that no text of others becomes markup."""

import base64
import hashlib
import json
import math
import re
from datetime import timedelta, timezone
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from live_statuses import BEGIN, HOSTILE, busy_status, frames, hostile_status, star

from framesort.live import (
    FilterMinutes,
    LiveFrame,
    LiveStatus,
    SkyVerdict,
    encode_status,
    render_status,
)
from framesort.live._chart import draw_timeline
from framesort.live._page import SECTIONS, encode_parts, render_parts

VOID = {"meta", "link", "img", "br"}


class Page(HTMLParser):
    """Elements, texts by id, and whether every element is closed where it must be."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.texts, self.faults = [], [], {}, []
        self.feed(text)
        self.close()
        self.faults += self.open

    def handle_starttag(self, tag, attrs):
        names = dict(attrs)
        if len(names) != len(attrs):
            self.faults.append(f"{tag} has an attribute twice")
        self.elements.append((tag, names))
        if tag not in VOID and tag not in ("path",):
            self.open.append((tag, names.get("id")))

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1][0] != tag:
            self.faults.append(f"</{tag}> in {self.open[-3:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        for _, name in self.open:
            if name:
                self.texts[name] = self.texts.get(name, "") + data

    def text(self, name):
        return " ".join(self.texts.get(name, "").split())


STATES = {
    "empty": LiveStatus(),
    "busy": busy_status(),
    "hostile": hostile_status(),
    "no date": LiveStatus(frames=(LiveFrame(file="a.fits"),)),
    "one": busy_status(1),
}


@pytest.mark.parametrize("status", STATES.values(), ids=STATES)
def test_page_is_well_formed(status):
    page = Page(render_status(status, events="events"))
    assert page.faults == []
    ids = [names["id"] for _, names in page.elements if "id" in names]
    assert len(ids) == len(set(ids))
    for _, names in page.elements:
        assert names.get("aria-labelledby", ids[0]) in ids
    assert set(SECTIONS) <= set(ids)
    assert [tag for tag, _ in page.elements if tag == "h1"] == ["h1"]


def test_page_says_what_is_known():
    page = Page(render_status(busy_status()))
    assert page.text("sentence") == busy_status().sentence
    assert page.text("time") == "As of 01:45"
    now = page.text("now")
    heater = "on, 60 % since 01:03 (42 min) · 19 frames since, FWHM +24 % against before"
    assert heater in now.replace("\xa0", " ")
    assert "light_L_0149.fits" in now and "/data" not in now
    minutes = page.text("minutes")
    assert "Ha 44 of 60 min heater off 58 min on · goal at 02:55" in minutes
    assert "L 92 of 90 min heater off 110 min on · goal reached" in minutes
    assert "OIII 0 of 60 min heater off 12 min on · 60 min missing" in minutes
    sky = page.text("sky")
    assert "dew 83 % cloud 11 % focus 4 %" in sky.replace("\xa0", " ")
    assert "halo grows while FWHM stays; the plate is 0.4 K" in sky
    assert "a tenth of the light in 24 min" in sky
    events = page.text("events")  # the last one first
    assert events.index("01:35 Dew is likely") < events.index("23:00 90 min of L")
    assert "16 more minutes of Ha" in page.text("hints")
    assert sum(tag == "img" for tag, _ in page.elements) == 2


def test_sections_with_nothing_to_say_are_hidden():
    shown = {
        names["aria-labelledby"].removeprefix("h-")
        for tag, names in Page(render_status(LiveStatus())).elements
        if tag == "section" and "hidden" not in names
    }
    assert shown == {"now"}


def test_without_a_goal_only_minutes_are_told():
    parts = render_parts(LiveStatus(minutes=(FilterMinutes(filter="L", off=12.4),)))
    text = " ".join(re.sub("<[^>]*>", " ", parts["minutes"]).split())
    assert text == "L 12 min heater off 0 min on"


@pytest.mark.parametrize(
    ("sky", "words"),
    [
        (SkyVerdict(dew=0.9, minutes_to_loss=0.0, loss=0.2), "already costs a tenth"),
        (SkyVerdict(dew=0.9, minutes_to_loss=7.4), "in 7 min"),
    ],
)
def test_dew_is_told_in_minutes(sky, words):
    assert words in render_parts(LiveStatus(frames=frames(1), sky=sky))["sky"]


def test_no_text_becomes_markup():
    page = Page(render_status(hostile_status(), events="events"))
    tags = [tag for tag, _ in page.elements]
    assert tags.count("script") == 1
    assert "img" not in tags  # neither picture of a star is one
    for tag, names in page.elements:
        assert not [name for name in names if name.startswith("on")], tag
    shown = (
        HOSTILE.replace("\x00", "\ufffd").replace("\u202e", "\ufffd").replace("\udcff", "\ufffd")
    )
    assert page.text("sentence") == shown
    # Neither do parts that the script puts in, and they can be sent.
    line = encode_parts(hostile_status())
    assert "\n" not in line and "\r" not in line
    for _, html in json.loads(line)["parts"].values():
        assert "<script" not in html and "<img" not in html
        assert "\u202e" not in html and "\x00" not in html
        html.encode("utf-8")
    render_status(hostile_status()).encode("utf-8")


def test_a_long_name_keeps_its_ending():
    status = LiveStatus(frames=(LiveFrame(file="/a/" + "n" * 300 + "_0042.fits", start=BEGIN),))
    assert re.search(r"n{30,}…n+_0042\.fits", render_parts(status)["now"])


def test_policy_admits_the_one_script():
    text = render_status(busy_status(), events="events")
    script = re.search(r"<script>(.*?)</script>", text, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    assert f"script-src 'sha256-{digest}'" in policy.replace("&#39;", "'")
    assert "default-src 'none'" in policy.replace("&#39;", "'")
    assert not re.search(r"(?:src|href)=\"(?!data:)", text)
    assert "url(" not in text and "@import" not in text


def test_a_written_page_asks_for_nothing():
    text = render_status(busy_status())
    assert 'data-events=""' in text
    assert 'http-equiv="refresh"' not in text
    assert 'http-equiv="refresh"' in render_status(busy_status(), events="events")


def test_times_are_those_of_the_zone():
    zone = timezone(timedelta(hours=1), "WEST")
    page = Page(render_status(busy_status(), zone=zone))
    assert page.text("time") == "As of 02:45"
    assert "goal at 03:55" in page.text("minutes")
    text = render_status(busy_status(), zone=zone)
    assert "Times are WEST." in text
    assert 'datetime="2024-10-15T01:45:20Z"' in text  # machines read UTC


def test_values_are_those_of_the_record():
    status = busy_status()
    values = json.loads(encode_status(status))
    assert values["sentence"] == status.sentence
    assert values["frames"][3]["fwhm"] == status.frames[3].fwhm
    assert values["frames"][3]["airmass"] is None  # NaN
    assert values["sky"]["reasons"] == list(status.sky.reasons)
    assert values["minutes"][0] == {
        "filter": "Ha", "off": 44, "on": 58, "goal": 60, "ready": status.minutes[0].ready,
    }  # fmt: skip
    odd = json.loads(encode_status(hostile_status()))
    assert odd["frames"][1]["fwhm_ratio"] is None
    assert odd["sentence"] == HOSTILE


def bars(panel):
    """Left, right, top and bottom of each bar by state."""
    number = r"(-?[\d.]+)"
    pattern = rf"M{number} {number}H{number}V{number}H{number}Z"
    return {
        state: [tuple(map(float, found[:4])) for found in re.findall(pattern, path)]
        for state, path in panel.bars
    }


def test_bars_stand_where_the_frames_were():
    made = (
        LiveFrame(file="a", start=BEGIN, exposure=900, heater_state="off",
                  fwhm_ratio=1.0, transparency=1.1),
        LiveFrame(file="b", start=BEGIN + 900, exposure=900, heater_state="on",
                  fwhm_ratio=1.2, transparency=0.55),
        LiveFrame(file="c", start=BEGIN + 1800, exposure=1800, heater_state="odd"),
    )  # fmt: skip
    timeline = draw_timeline(LiveStatus(time=BEGIN + 3600, frames=made))
    width, light, strip = timeline.panels
    assert timeline.states == ["off", "on", "unknown"]
    # 900 s are a quarter of the whole; an eighth of a bar is left free between two.
    (left, top, right, bottom), *rest = bars(light)["off"]
    assert (left, right, top, bottom, rest) == (0.0, 220.0, 0.0, 100.0, [])
    assert bars(light)["on"] == [(250.0, 50.0, 470.0, 100.0)]
    assert "unknown" not in bars(light)  # NaN is no bar
    assert bars(strip)["unknown"][0][::2] == (500.0, 940.0)
    # The bar of 1.2 reaches from the rule of 0 to that of +20 %.
    rules = {text: place for place, text in width.ticks}
    assert bars(width)["on"][0][1] == pytest.approx(rules["+20 %"], abs=0.06)
    assert bars(width)["on"][0][3] == pytest.approx(rules["0"] + 1.5, abs=0.06)
    assert "heater on: median 1.20" in width.label
    assert "1 heater off, 1 heater on" in strip.label


@pytest.mark.parametrize("ratio", [0.8, 0.97, 1.05, 1.3, 1.9, 3.4, 9.0, 1e300])
def test_rules_of_the_width_include_the_reference(ratio):
    made = tuple(
        LiveFrame(file="a", start=BEGIN + 60 * k, exposure=60, heater_state=s, fwhm_ratio=r)
        for k, (s, r) in enumerate([("off", 1.0), ("on", ratio), ("on", ratio)])
    )
    width = draw_timeline(LiveStatus(frames=made)).panels[0]
    places, texts = zip(*width.ticks, strict=True)
    assert "0" in texts
    assert 3 <= len(texts) <= 9
    assert list(places) == sorted(places, reverse=True)
    assert min(places) == 0 and max(places) <= 100
    for _, top, _, bottom in bars(width)["on"]:
        assert 0 <= top < bottom <= 100
    zero = dict(zip(texts, places, strict=True))["0"]
    _, top, _, bottom = bars(width)["on"][0]
    assert (top < zero - 2) == (ratio > 1.02)
    assert (bottom > zero + 2) == (ratio < 0.98)


def test_a_wrong_date_does_not_squeeze_the_night():
    good = frames(20)
    odd = (LiveFrame(file="1970.fits", start=0.0), LiveFrame(file="2077.fits", start=3.4e9))
    for time in (good[-1].start + 130, math.nan):
        timeline = draw_timeline(LiveStatus(time=time, frames=(odd[0], *good, odd[1])))
        assert timeline.note == "Not shown, since without a date in this night: 2 of 22 frames."
        assert sum(len(b) for b in bars(timeline.panels[2]).values()) == 20
        # The last ends after 42 of the 60 minutes that are shown at least, but for its gap.
        ends = [b[2] for found in bars(timeline.panels[2]).values() for b in found]
        assert max(ends) == pytest.approx(1000 * 41.66 / 60, abs=5)


def test_hours_are_round_and_few():
    for number in (2, 20, 150, 300):
        timeline = draw_timeline(busy_status(number))
        assert 1 < len(timeline.hours) <= 6
        places = [place for place, _ in timeline.hours]
        assert places == sorted(places)
        assert all(text[3:] in ("00", "15", "30", "45") for _, text in timeline.hours)


def test_a_thousand_frames_are_a_small_page():
    status = busy_status(480, star_last=star(3), star_off=star(3))
    parts = render_parts(status)
    assert len(parts["timeline"]) < 60_000
    root = ElementTree.fromstring(f"<div>{parts['timeline']}</div>")
    assert sum(e.tag == "svg" for e in root.iter()) == 3


def test_marks_change_with_the_content_only():
    one, two = (json.loads(encode_parts(busy_status()))["parts"] for _ in range(2))
    assert one == two
    other = json.loads(encode_parts(busy_status(sentence="Heater off.")))["parts"]
    assert {n for n in one if one[n][0] != other[n][0]} == {"sentence", "title"}
