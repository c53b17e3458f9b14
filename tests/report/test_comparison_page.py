"""The page of a comparison, and its plots against the numbers they stand for."""

import re

import numpy as np
import pytest
from chromium import CHROMIUM
from comparisons import make_comparison
from matplotlib.figure import Figure
from skimage.color import deltaE_ciede2000, rgb2lab

from framesort.errors import OutputError
from framesort.pages import page_style
from framesort.report import draw_effects, draw_star_profiles, write_comparison
from framesort.report._comparison_figures import unit_of
from framesort.report._style import CONFIGURATION_COLOURS, STATE_COLOURS


@pytest.fixture
def page(tmp_path):
    comparison, images = make_comparison()
    return write_comparison(comparison, tmp_path / "report.html", images=images)


def test_verdict_is_first(page):
    text = page.read_text()
    main = text[text.index("<main>") :]
    assert main.index("Better.") < main.index("Seeing: FWHM") < main.index("Differences")
    assert "With taped, 50\N{NO-BREAK SPACE}% power costs 4 ± 2\N{NO-BREAK SPACE}% of FWHM" in main


@pytest.mark.parametrize(
    ("call", "word"),
    [
        ("better", "Better."),
        ("worse", "Worse."),
        ("mixed", "Better in one respect"),
        ("no difference", "No difference."),
        ("unknown", "Not decided yet."),
    ],
)
def test_each_call_has_its_words(tmp_path, call, word):
    comparison, _ = make_comparison(call=call)
    text = write_comparison(comparison, tmp_path / "report.html").read_text()
    assert f'<p class="verdict">{word}' in text


def test_names_are_escaped(tmp_path):
    comparison, images = make_comparison(second="<script>alert(1)</script>$x")
    path = write_comparison(comparison, tmp_path / "report.html", images=images)
    text = path.read_text()
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


def test_page_loads_nothing(page):
    text = page.read_text()
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", text)
    assert "script-src" not in text  # default-src 'none' holds for scripts


def test_numbers_of_differences(page):
    row = page.read_text().split("FWHM increase (%)</td>")[1].split("</tr>")[0]
    cells = re.findall(r'<td class="n">(.*?)</td>', row)
    assert cells == ["-9.0 ± 2.8", "13.0 ± 2.0", "4.0 ± 2.0", "0.31 ± 0.15", "0.1 %", "14 + 9"]


def test_page_without_images(tmp_path):
    comparison, _ = make_comparison()
    text = write_comparison(comparison, tmp_path / "report.html").read_text()
    assert "data:image" not in text
    assert "Mean stars" in text  # the profiles


def test_page_is_not_replaced_unasked(page):
    comparison, _ = make_comparison()
    with pytest.raises(OutputError, match="give --overwrite"):
        write_comparison(comparison, page, overwrite=False)


def test_effects_are_drawn_at_their_values():
    comparison, _ = make_comparison()
    axes = Figure().add_subplot()
    draw_effects(axes, comparison, "fwhm_growth", filter_name="L", exposure=60.0)
    series = {line.get_label(): line for line in axes.lines if not line.get_label().startswith("_")}
    assert list(series) == ["bare", "taped"]
    assert np.allclose(series["bare"].get_ydata(), [13, 26])
    assert np.allclose(series["taped"].get_ydata(), [4, 8])
    # The points of one power stand beside one another, about it.
    both = np.array([line.get_xdata() for line in series.values()])
    assert np.allclose(both.mean(axis=0), [50, 100])
    assert axes.get_ylabel() == "FWHM increase (%)"


def test_effects_of_another_filter_are_not_drawn():
    comparison, _ = make_comparison()
    axes = Figure().add_subplot()
    draw_effects(axes, comparison, "fwhm_growth", filter_name="Ha", exposure=60.0)
    assert all(line.get_label().startswith("_") for line in axes.lines)


def test_profiles_are_drawn_as_given():
    comparison, _ = make_comparison()
    axes = Figure().add_subplot()
    draw_star_profiles(axes, comparison.stars, kind="radial")
    heated = next(line for line in axes.lines if line.get_label() == "bare, 100 %")
    star = next(s for s in comparison.stars if s.configuration == "bare" and s.power == 100)
    drawn = np.asarray(heated.get_ydata())
    assert np.allclose(drawn[:8], star.radial[:8])
    assert axes.get_yscale() == "log"


def test_units():
    assert unit_of("spike", "arcsec") == ("%", 100.0)
    assert unit_of("blur", "arcsec") == ("arcsec", 1.0)
    assert unit_of("eccentricity", "px") == ("", 1.0)


def _lab(colour):
    return rgb2lab(np.array([[[int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]]]))


def test_configurations_have_colours_of_their_own():
    """CIEDE2000 differences of 10 are seen at a glance (Sharma et al. 2005, from memory)."""
    colours = [*CONFIGURATION_COLOURS, *STATE_COLOURS.values()]
    for k, one in enumerate(CONFIGURATION_COLOURS):
        for other in colours[k + 1 :]:
            assert deltaE_ciede2000(_lab(one), _lab(other))[0, 0] > 10, (one, other)


def test_style_sheet_has_the_same_colours():
    sheet = page_style("framesort.report", "style.css", "comparison.css")
    for k, colour in enumerate(CONFIGURATION_COLOURS):
        assert f"--configuration-{k}: {colour}" in sheet


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [390, 1400])
def test_page_fits_the_window(browser, page, width, dark):
    browser.open(page, width=width, dark=dark)
    assert browser.errors == []
    assert [u for u in browser.requests if not u.startswith(("file:", "data:"))] == []
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
