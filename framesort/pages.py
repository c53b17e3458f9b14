"""What the pages have in common: templates that escape every text, colours, the script's hash."""

import base64
import hashlib
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

__all__ = ["page_environment", "page_style", "script_hash"]


def page_environment(package: str) -> Environment:
    """An environment for the templates of a package.

    Every text is escaped, and a variable that is not there is an error.

    Parameters
    ----------
    package : str
        Its name; its files are the templates.
    """
    source = files(package)
    return Environment(
        loader=FunctionLoader(lambda name: (source / name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page_style(package: str, *names: str) -> Markup:
    """The style sheet of a page: colours of both schemes, then files of the package."""
    sheets = (files("framesort") / "pages.css", *(files(package) / name for name in names))
    return Markup("".join(sheet.read_text(encoding="utf-8") for sheet in sheets))


def script_hash(script: str) -> str:
    """What a content security policy calls an inline script: "sha256-...", in base 64."""
    digest = hashlib.sha256(script.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode()}"
