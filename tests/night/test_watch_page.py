"""A night is replayed into a folder, watched, and shown on a page that stays open."""

import threading
import time
from pathlib import Path

import pytest
from chromium import CHROMIUM

from framesort.live import LiveStatus, serve_status
from framesort.night import WatchOptions, watch_night
from framesort.simulation import replay_night

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
]
pytest.importorskip("uvicorn")


def test_an_open_page_follows_a_replayed_night(browser, simulated, tmp_path):
    live = tmp_path / "live"
    (live / "frames").mkdir(parents=True)
    night = Path(simulated.frames).parent
    count = sum("dark" not in path.name for path in Path(simulated.frames).glob("*.fits"))
    stop, latest, shown = threading.Event(), [LiveStatus()], []

    def show(status, news, troubles):
        latest[0] = status
        shown.extend(news)
        server.publish(status)
        if len(status.frames) >= count:
            stop.set()

    arguments = {
        "out": tmp_path / "out",
        "heater": live / "heater_power.csv",
        "options": WatchOptions(poll=0.1, settle=0.3, goals={"": 15.0}),
        "show": show,
        "stop": stop,
    }
    try:
        with serve_status(lambda: latest[0]) as server:
            browser.open(server.url, width=390)
            before = browser.evaluate("document.getElementById('sentence').textContent")
            assert before == "No frame yet."
            watch = threading.Thread(target=watch_night, args=(live / "frames",), kwargs=arguments)
            watch.start()
            replay_night(night, live, speed=300.0, overwrite=True)
            watch.join(120)
            assert not watch.is_alive() and len(latest[0].frames) == count
            end = time.monotonic() + 20
            wanted = latest[0].sentence
            text = "document.getElementById('sentence').textContent"
            while browser.evaluate(text) != wanted:
                assert time.monotonic() < end, browser.evaluate(text)
                time.sleep(0.05)
            page = browser.evaluate("document.body.innerText")
            last = Path(latest[0].frames[-1].file).name
            assert last in page and "min heater off" in page
            assert browser.evaluate("document.documentElement.scrollWidth") <= 390
            assert browser.errors == []
    finally:
        stop.set()
