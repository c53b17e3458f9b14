"""The report in a real browser: nothing asked for, nothing logged, nothing cut off."""

import json

import pytest
from chromium import CHROMIUM

from framesort.report import write_report

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

# Elements that reach beyond the window, but for those in a part that scrolls by itself or is
# folded. Half a pixel of rounding is allowed for.
TOO_WIDE = """
[...document.querySelectorAll('body *')].filter(e => {
  if (e.closest('.roll') && !e.classList.contains('roll')) return false;
  const box = e.getBoundingClientRect();
  return box.width > 0 && !e.closest('.scroll svg') && box.right > innerWidth + 0.5;
}).map(e => e.tagName + '.' + e.className).join(' ')
"""


@pytest.fixture(scope="module")
def report(merged_night):
    return write_report(merged_night)


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [400, 1400])
def test_page_is_quiet_and_fits(browser, report, width, dark):
    browser.open(report, width=width, dark=dark)
    assert browser.errors == []
    outside = [u for u in browser.requests if not u.startswith(("file:", "data:"))]
    assert outside == []
    assert [u for u in browser.requests if u.startswith("file:")] == [report.resolve().as_uri()]
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    assert browser.evaluate(TOO_WIDE) == ""


@pytest.mark.parametrize("width", [400, 800, 1400])
def test_frames_fit_when_unfolded(browser, report, width):
    browser.open(report, width=width)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    # The rolls hold nothing wider than themselves either: everything is seen without rolling.
    wider = "[...document.querySelectorAll('.roll')].filter(r => r.scrollWidth > r.clientWidth + 1)"
    assert browser.evaluate(wider + ".length") == 0


def test_figures_scroll_in_their_own_box_on_a_phone(browser, report):
    widths = (
        "[...document.querySelectorAll('.scroll')].map(e => [e.clientWidth, e.scrollWidth]).flat()"
    )
    for width, scrolled in ((1400, False), (400, True)):
        browser.open(report, width=width)
        assert browser.evaluate("document.documentElement.scrollWidth") <= width
        sizes = json.loads(browser.evaluate(f"JSON.stringify({widths})"))
        assert len(sizes) > 10
        assert all(
            (inner > outer) == scrolled
            for outer, inner in zip(sizes[::2], sizes[1::2], strict=True)
        )


def test_dark_page_has_light_ink_in_plots_too(browser, report):
    ink = (
        "getComputedStyle([...document.querySelectorAll('.plot svg g g')]"
        ".find(e => (e.getAttribute('style') || '').includes('--ink'))).fill"
    )
    browser.open(report, width=1400)
    light = browser.evaluate(ink)
    browser.open(report, width=1400, dark=True)
    dark = browser.evaluate(ink)
    levels = [sum(int(v) for v in colour[4:-1].split(",")) for colour in (light, dark)]
    assert levels[0] < 200 < 600 < levels[1]


CUT = "getComputedStyle(document.querySelector('.pair')).getPropertyValue('--cut').trim()"


def test_slide_moves_the_cut(browser, report):
    browser.open(report, width=1400)
    assert browser.evaluate(CUT) == "50%"
    browser.evaluate(
        "var r = document.querySelector('.slide input'); r.value = 20;"
        "r.dispatchEvent(new Event('input', {bubbles: true}))"
    )
    assert browser.evaluate(CUT) == "20%"
    browser.evaluate("document.querySelector('.show-after').click()")
    assert browser.evaluate(CUT) == "0%"
    # Drawn along the picture itself, with the button held.
    box = browser.evaluate(
        "(r => [r.left, r.top, r.width])(document.querySelector('.pair').getBoundingClientRect())"
    )
    browser.evaluate("document.querySelector('.pair').scrollIntoView()")
    top = browser.evaluate("document.querySelector('.pair').getBoundingClientRect().top")
    for kind, part in (("mousePressed", 0.3), ("mouseMoved", 0.75), ("mouseReleased", 0.75)):
        browser.call("Input.dispatchMouseEvent", type=kind, x=box[0] + part * box[2], y=top + 20,
                     button="left", buttons=1 if kind != "mouseReleased" else 0)  # fmt: skip
    assert browser.evaluate("Math.round(parseFloat(" + CUT + "))") == 75
    assert browser.errors == []


def test_choice_works_without_script(browser, report):
    browser.open(report, width=1400, script=False)
    # The checks below run in the browser's own context, the page's script does not.
    assert browser.evaluate("document.querySelector('.slide').hidden") is True
    browser.call("Emulation.setScriptExecutionDisabled", value=False)
    browser.evaluate("document.querySelector('.show-before').checked = true")
    assert browser.evaluate(CUT) == "100%"


def test_page_prints(browser, report):
    browser.open(report, width=1000)
    pdf = browser.print_pdf()
    assert pdf.startswith(b"%PDF") and len(pdf) > 50_000
    browser.open(report, width=1000, media="print")
    style = "getComputedStyle(document.querySelector('{}')).{}"
    assert browser.evaluate(style.format(".before", "clipPath")) == "none"
    assert browser.evaluate(style.format(".slide", "display")) == "none"


def test_hostile_header_runs_nothing(browser, night_writer, tmp_path):
    bad = "<img src=x onerror=\"document.title='run'\"><script>document.title='run'</script>"

    def spoil(table, told):
        table["filter"] = [bad] * len(table)
        table["file"] = [f"{bad}{i}" for i in range(len(table))]
        told["notes"] = [{"code": "self-check", "text": bad}]
        told["settings"] = {bad: bad}
        told["left_out"] = [{"file": bad, "reason": bad}]
        told["groups"][0] |= {"filter": bad, "advice": [bad]}

    browser.open(write_report(night_writer(tmp_path / "bad", change=spoil)), width=1400)
    assert browser.errors == []
    assert browser.evaluate("document.title").startswith("Night of")
    assert browser.evaluate("document.querySelectorAll('script').length") == 1
