"""How the documentation site is built: sphinx-build -W -n docs site."""

from pathlib import Path
from typing import Any

from framesort import __version__

project = "framesort"
author = "the framesort authors"
copyright = author
version = release = __version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.napoleon",
]
exclude_patterns = ["site"]
myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3

# Types are told in words in the docstrings, with shapes and units.
autodoc_typehints = "none"
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_ivar = True
napoleon_use_rtype = False
default_role = "py:obj"
# References to this project's own names are checked; those to other libraries would need the
# network, and single backticks also mark values and header keywords.
nitpicky = True
nitpick_ignore_regex = [
    (r"py:(class|obj|exc|func|meth|mod|attr|data)", r"(?!framesort).*"),
]

html_theme = "furo"
html_title = "framesort"
html_show_sphinx = False
html_show_copyright = False
html_copy_source = False
html_theme_options = {
    "light_css_variables": {
        "color-brand-primary": "#0b5f86",
        "color-brand-content": "#0b5f86",
        "color-brand-visited": "#0b5f86",
    },
    "dark_css_variables": {
        "color-brand-primary": "#62b7dd",
        "color-brand-content": "#62b7dd",
        "color-brand-visited": "#62b7dd",
    },
}


def _unlisted(contents: str) -> list[str]:
    """Pages beside the index that its contents do not name."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("*.md"))
    return [name for name in names if name != "index" and f"\n{name}\n" not in contents]


def _list_pages(app: Any, page: str, source: list[str]) -> None:
    if page == "index" and (names := _unlisted(source[0])):
        listing = "\n".join(["```{toctree}", ":hidden:", ":caption: More", "", *names, "```"])
        source[0] += f"\n{listing}\n"


def _join_names(app: Any, what: str, name: str, obj: Any, options: Any, lines: list[str]) -> None:
    """Attributes that share a line ("x, y : float"): a comma alone, or x is taken for a type."""
    for k, line in enumerate(lines):
        if line.startswith((":ivar ", ":vartype ")):
            head, names, text = line.split(":", 2)
            kind, rest = names.split(" ", 1)
            lines[k] = f"{head}:{kind} {rest.replace(', ', ',')}:{text}"


def setup(app: Any) -> None:
    """Pages that the contents do not name are added as they are read."""
    app.connect("autodoc-process-docstring", _join_names, priority=600)
    app.connect("source-read", _list_pages)
