"""A figure as SVG that follows the colours of the page."""

import io
import re
import warnings
from xml.etree import ElementTree

from markupsafe import Markup
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from framesort.report._style import COLOURS

__all__ = ["render_svg"]

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
ElementTree.register_namespace("", _SVG[1:-1])
ElementTree.register_namespace("xlink", "http://www.w3.org/1999/xlink")

_REM_PER_INCH = 6.2
"""Width on the page, so that text has one size in all figures."""

_LONG_NUMBER = re.compile(r"\d+\.\d{3,}")


def render_svg(figure: Figure, *, label: str, prefix: str) -> Markup:
    """A figure as an SVG element for inclusion in a page.

    Parameters
    ----------
    figure : `~matplotlib.figure.Figure`
    label : str
        Description for screen readers.
    prefix : str
        Letters and digits, unique on the page, put before every id.

    Returns
    -------
    svg : `~markupsafe.Markup`
        Colours of the palette are custom properties (``var(--ink)``); there are no comments, no
        metadata and no references outside the element. The same figure always gives the same
        text.
    """
    FigureCanvasSVG(figure)
    stream = io.StringIO()
    with warnings.catch_warnings():
        # A header may contain letters that are missing in the font; they are drawn as boxes.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None})
    root = ElementTree.fromstring(stream.getvalue())
    for metadata in root.findall(f"{_SVG}metadata"):
        root.remove(metadata)
    _rename_ids(root, prefix)
    for element in reversed(list(root.iter())):  # children before their groups
        _shorten(element)
    root.attrib = {
        "viewBox": root.get("viewBox", ""),
        "role": "img",
        "aria-label": label,
        "style": f"max-width:{figure.get_figwidth() * _REM_PER_INCH:.1f}rem",
    }
    return Markup(ElementTree.tostring(root, encoding="unicode"))


def _rename_ids(root: ElementTree.Element, prefix: str) -> None:
    """Replace ids by the prefix and a number, also where they are referred to."""
    names: dict[str, str] = {}
    for element in root.iter():
        if (name := element.get("id")) is not None:
            element.set("id", names.setdefault(name, f"{prefix}-{len(names)}"))
    for element in root.iter():
        if (target := element.get(_HREF, "")[1:]) in names:
            element.set(_HREF, f"#{names[target]}")
        clip = element.get("clip-path", "").removeprefix("url(#").removesuffix(")")
        if clip in names:
            element.set("clip-path", f"url(#{names[clip]})")


def _shorten(element: ElementTree.Element) -> None:
    """Coordinates in hundredths of a point, palette colours, a common style on the group."""
    for name in ("d", "x", "y"):
        if name in element.attrib:
            number = _LONG_NUMBER.sub(lambda found: f"{float(found[0]):.2f}", element.attrib[name])
            element.set(name, " ".join(number.split()))
    style = element.get("style", "")
    for colour, name in COLOURS.items():
        style = style.replace(colour, f"var(--{name})")
    if style:
        element.set("style", style)
    styles = {child.get("style", "") for child in element}
    if len(element) > 1 and len(styles) == 1 and all(c.tag == f"{_SVG}use" for c in element):
        common = styles.pop()
        if common and "style" not in element.attrib:
            element.set("style", common)
            for child in element:
                del child.attrib["style"]
    if element.text is not None and not element.text.strip():
        element.text = None
    if element.tail is not None and not element.tail.strip():
        element.tail = "\n"
