"""A figure as SVG that follows the colours of the page."""

import io
import re
import warnings

from markupsafe import Markup, escape
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from framesort.report._style import COLOURS

__all__ = ["render_svg"]


def render_svg(figure: Figure, *, label: str, prefix: str) -> Markup:
    """A figure as an SVG element for inclusion in a page.

    Parameters
    ----------
    figure : `~matplotlib.figure.Figure`
    label : str
        What it shows, for readers who do not see it.
    prefix : str
        Letters and digits, unique on the page, put before every id.

    Returns
    -------
    svg : `~markupsafe.Markup`
        Colours of the shared palette are custom properties (``var(--ink)``), there is no
        comment, no metadata and no reference outside the element. The same figure always
        gives the same text.
    """
    FigureCanvasSVG(figure)
    stream = io.StringIO()
    with warnings.catch_warnings():
        # A header may hold letters that the font lacks; a box stands for them.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<!--.*?-->|<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    numbers: dict[str, str] = {}
    for name in re.findall(r'\bid="([^"]+)"', text):
        numbers.setdefault(name, f"{prefix}-{len(numbers)}")
    text = re.sub(r'\bid="([^"]+)"', lambda m: f'id="{numbers[m[1]]}"', text)
    text = re.sub(r'href="#([^"]+)"', lambda m: f'href="#{numbers.get(m[1], m[1])}"', text)
    text = re.sub(r"url\(#([^)]+)\)", lambda m: f"url(#{numbers.get(m[1], m[1])})", text)
    for colour, name in COLOURS.items():
        text = re.sub(colour, f"var(--{name})", text, flags=re.IGNORECASE)
    box = re.search(r'viewBox="([^"]+)"', text)
    # Text keeps one size on the page, whatever the width of the figure.
    widest = f"max-width:{figure.get_figwidth() * 6.2:.1f}rem"
    opening = (
        f'<svg xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="{box[1] if box else ""}" '
        f'role="img" aria-label="{escape(label)}" style="{widest}">'
    )
    text = opening + text[text.index(">", text.index("<svg")) + 1 :]
    return Markup(_shorten(text))


def _share_style(group: re.Match[str]) -> str:
    """Markers of one kind in a group: their common style once, on the group."""
    styles = set(re.findall(r' style="([^"]*)"', group[2]))
    if len(styles) != 1:
        return group[0]
    return f'{group[1][:-1]} style="{styles.pop()}">' + re.sub(r' style="[^"]*"', "", group[2])


def _shorten(text: str) -> str:
    """The same drawing in fewer letters: hundredths of a point, common styles said once."""
    text = re.sub(
        r' (?:d|x|y)="[^"]*"',
        lambda part: re.sub(r"\d+\.\d{3,}", lambda n: f"{float(n[0]):.2f}", part[0]),
        text,
    )
    text = re.sub(r"\s*\n\s*", "\n", text)
    return re.sub(
        r'(<g clip-path="[^"]*">)((?:\s*<use [^>]*style="[^"]*"/>){2,})', _share_style, text
    )
