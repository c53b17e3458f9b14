"""Figures of a night kept between runs: drawing them takes longer than all else on the page."""

import hashlib
import json
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

import matplotlib
from markupsafe import Markup

from framesort import __version__
from framesort.files import KeptValues
from framesort.report._figures import make_figures
from framesort.report._layout import PageFigure
from framesort.report._read import Results

__all__ = ["keep_figures"]

FORMAT = 2
"""Raised whenever the same results give other figures."""

OF_NIGHT = ("heater", "response", "response_curve", "highest_acceptable", "onset")
OF_GROUP = ("label", "filter", "exposure", "light_by_angle")
"""What figures show of a summary and of its groups; the rest may change between runs."""


def keep_figures(
    results: Results, cache: Path | None, *, executor: Executor | None = None
) -> dict[str, list[PageFigure]]:
    """The figures of `make_figures`, kept from earlier where they show the same.

    Parameters
    ----------
    results : Results
    cache : path or None
        Folder in which they are kept; None to draw them all.
    executor : `~concurrent.futures.Executor` or None
        Processes that draw; None for this one.

    Returns
    -------
    dict of str to list of PageFigure
        By section of the page, "night" and "heater".
    """
    kept = KeptValues(None if cache is None else cache / "figures.json")
    key = _key(results.folder) if kept.keeps else ""
    found = _figures_from(kept.get(key)) if key else None
    if found is None:
        found = make_figures(results, executor=executor)
        kept.put(key, {
            section: [[figure.title, figure.caption, str(figure.svg)] for figure in figures]
            for section, figures in found.items()
        })  # fmt: skip
    kept.save()
    return found


def _key(folder: Path) -> str:
    """Digest of what figures show of table and summary; "" where one cannot be read."""
    made = f"{__version__} {FORMAT} {matplotlib.__version__}"
    digest = hashlib.blake2b(made.encode(), digest_size=16)
    try:
        digest.update((folder / "frames.ecsv").read_bytes())
        summary = json.loads((folder / "night.json").read_text(encoding="utf-8"))
        shown = [summary.get(name) for name in OF_NIGHT]
        shown += [[group.get(name) for name in OF_GROUP] for group in summary["groups"]]
        digest.update(json.dumps(shown, sort_keys=True).encode())
    except (OSError, ValueError, AttributeError, TypeError, KeyError, RecursionError):
        return ""
    return digest.hexdigest()


def _figures_from(kept: Any) -> dict[str, list[PageFigure]] | None:
    try:
        return {
            section: [
                PageFigure(title=str(title), caption=str(caption), svg=Markup(str(svg)))
                for title, caption, svg in kept[section]
            ]
            for section in ("night", "heater")
        }
    except (TypeError, KeyError, ValueError):
        return None
