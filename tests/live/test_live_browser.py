"""The page of the running night in a real browser, open while the night goes on."""

import json
import time
from urllib.parse import urlsplit

import pytest
from chromium import CHROMIUM
from live_statuses import busy_status, frames, hostile_status

from framesort.live import LiveStatus, serve_status

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
pytest.importorskip("uvicorn")

TOO_WIDE = """
[...document.querySelectorAll('body *')].filter(e => {
  const box = e.getBoundingClientRect();
  return box.width > 0 && !e.closest('svg') && box.right > innerWidth + 0.5;
}).map(e => e.tagName + '.' + e.className).join(' ')
"""


def wait_for(browser, expression, seconds=20):
    """Until an expression is true on the page."""
    end = time.monotonic() + seconds
    while not browser.evaluate(expression):
        assert time.monotonic() < end, expression
        time.sleep(0.02)


def sentence_is(text):
    return f"document.getElementById('sentence').textContent === {text!r}"


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [390, 1400])
@pytest.mark.parametrize("status", [busy_status(), hostile_status(), LiveStatus()])
def test_page_is_quiet_and_fits(browser, width, dark, status):
    with serve_status(lambda: status) as server:
        browser.open(server.url, width=width, dark=dark)
        assert browser.evaluate("document.documentElement.scrollWidth") <= width
        assert browser.evaluate(TOO_WIDE) == ""
        assert browser.errors == []
        asked = {url for url in browser.requests if not url.startswith("data:")}
        assert asked == {server.url, f"{server.url}events"}
        browser.call("Page.navigate", url="about:blank")


def test_open_page_is_renewed(browser):
    token = "eight characters & more"
    with serve_status(LiveStatus, token=token) as server:
        browser.open(server.url, width=1400)
        assert browser.evaluate(sentence_is("No frame yet."))
        assert browser.evaluate("document.getElementById('timeline').closest('section').hidden")
        browser.evaluate("window.stayed = true")
        server.publish(busy_status())
        wait_for(browser, sentence_is(busy_status().sentence))
        assert browser.evaluate("document.querySelectorAll('#timeline svg').length") == 3
        assert not browser.evaluate("document.getElementById('timeline').closest('section').hidden")
        assert browser.evaluate("document.title").startswith("Heater on since 01:03")
        # Only what changed is replaced.
        browser.evaluate("document.querySelector('#timeline svg').dataset.old = 'yes'")
        server.publish(busy_status(sentence="A & B < C."))
        wait_for(browser, sentence_is("A & B < C."))
        assert browser.evaluate("document.title") == "A & B < C. · framesort"
        assert browser.evaluate("document.querySelector('#timeline svg').dataset.old") == "yes"
        server.publish(hostile_status())
        wait_for(browser, "document.getElementById('sentence').textContent.startsWith('<img')")
        assert browser.evaluate("document.querySelectorAll('img, script').length") == 1
        assert browser.evaluate("window.stayed")  # the page was not loaded anew
        assert browser.errors == []
        browser.call("Page.navigate", url="about:blank")


def test_a_lost_connection_is_shown_and_mended(browser):
    with serve_status(LiveStatus) as server:
        browser.open(server.url, width=390)
        wait_for(browser, "document.getElementById('late').hidden")
        port = urlsplit(server.url).port
    wait_for(browser, "!document.getElementById('late').hidden")
    assert browser.evaluate("document.documentElement.scrollWidth") <= 390
    with serve_status(lambda: busy_status(), port=port):
        wait_for(browser, sentence_is(busy_status().sentence), seconds=60)
        assert browser.evaluate("document.getElementById('late').hidden")
        browser.call("Page.navigate", url="about:blank")


def test_for_screen_readers(browser):
    with serve_status(busy_status) as server:
        browser.open(server.url, width=390)
        nodes = browser.call("Accessibility.getFullAXTree")["nodes"]
        told = {
            (n["role"]["value"], n.get("name", {}).get("value", ""))
            for n in nodes
            if not n.get("ignored")
        }
        assert ("heading", busy_status().sentence) in told
        pictures = [name for role, name in told if role in ("img", "image")]
        assert len(pictures) == 5  # three plots, two stars
        assert any("heater on: median 1.2" in name for name in pictures)
        assert ("region", "The night so far") in told
        polite = "document.getElementById('sentence').closest('[aria-live=polite]') !== null"
        assert browser.evaluate(polite)
        browser.call("Page.navigate", url="about:blank")


def test_age_of_what_is_shown(browser):
    old = LiveStatus(sentence="Old.", time=time.time() - 600, frames=frames(1))
    with serve_status(lambda: old) as server:
        browser.open(server.url, width=390)
        wait_for(browser, "document.getElementById('age').textContent === ', 10 min ago'")
        server.publish(LiveStatus(sentence="New.", time=time.time()))
        wait_for(browser, sentence_is("New."))
        wait_for(browser, "document.getElementById('age').textContent === ''")
        browser.call("Page.navigate", url="about:blank")


def test_without_script_the_page_is_loaded_again(browser):
    with serve_status(busy_status) as server:
        browser.open(server.url, width=390, script=False)
        document = json.dumps(browser.call("DOM.getDocument", depth=-1))
        assert '["http-equiv", "refresh", "content", "30"]' in document
        assert browser.errors == []
        browser.call("Page.navigate", url="about:blank")
