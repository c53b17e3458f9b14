"""Writes the tables of the pages on columns, settings and scenarios from the program's own lists.

python docs/make_tables.py            write the pages anew
python docs/make_tables.py --check    exit with 1 if a page is not up to date
"""

import argparse
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, is_dataclass
from pathlib import Path
from typing import get_args

from framesort.cli._options import option_flags
from framesort.records import COLUMNS, REASONS, STAR_COLUMNS, Column
from framesort.replacement import STAR_REASONS
from framesort.rules import Entry, list_entries
from framesort.settings import Settings
from framesort.simulation import Scenario

DOCS = Path(__file__).parent


def make_table(heading: str, rows: Iterable[tuple[str, ...]]) -> str:
    """A table in Markdown; a bar inside a cell is escaped."""
    lines = ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    bar = "| " + " | ".join("---" for _ in range(heading.count("|") - 1)) + " |"
    return "\n".join([heading, bar, *lines])


def _columns(registry: dict[str, Column]) -> str:
    rows = [(f"`{c.name}`", str(c.unit or ""), c.text) for c in registry.values()]
    return make_table("| name | unit | is |", rows)


def column_tables() -> dict[str, str]:
    """Tables of the page on columns, by marker."""
    heading = "| reason | means |"
    return {
        "columns": _columns(COLUMNS),
        "star columns": _columns(STAR_COLUMNS),
        "reasons": make_table(heading, [(f"`{r.code}`", r.sentence) for r in REASONS.values()]),
        "star reasons": make_table(heading, [(f"`{k}`", v) for k, v in STAR_REASONS.items() if k]),
    }


def _setting(entry: Entry) -> tuple[str, ...]:
    given = "" if entry.default in (None, ()) else f"`{json.dumps(entry.default)}`"
    default = ": ".join(filter(None, [given, entry.rule.default])) or "none"
    limits = entry.rule.limits or ("true or false" if entry.kind is bool else "")
    options = ", ".join(f"`{flag}`" for flag in option_flags(entry))
    return f"`{entry.name}`", options, entry.rule.text, limits, default


def setting_tables() -> dict[str, str]:
    """Tables of the page on settings, a group each."""
    entries = list_entries(Settings).values()
    heading = "| setting | option | meaning | range | default |"
    return {
        group: make_table(heading, [_setting(e) for e in entries if e.rule.group == group])
        for group in dict.fromkeys(entry.rule.group for entry in entries)
    }


def _key(entry: Entry) -> tuple[str, ...]:
    words = "must be given" if entry.default is MISSING else "none" if entry.default == () else ""
    return f"`{entry.name}`", entry.rule.text, entry.rule.limits, words or f"`{entry.default}`"


def scenario_tables() -> dict[str, str]:
    """Tables of the page on simulation: keys of the scenario and of each of its tables."""
    heading = "| key | meaning | range | default |"
    tables, plain = {}, []
    for entry in list_entries(Scenario).values():
        inner = next(iter(get_args(entry.kind)), entry.kind)
        if is_dataclass(inner):
            rows = [_key(one) for one in list_entries(inner).values()]
            tables[f"keys of {entry.name}"] = make_table(heading, rows)
        else:
            plain.append(_key(entry))
    return {"keys": make_table(heading, plain), **tables}


PAGES = {
    "columns.md": column_tables,
    "settings.md": setting_tables,
    "simulation.md": scenario_tables,
}


def fill_page(page: str, text: str) -> str:
    """The page with the table after each marker renewed."""
    tables: Mapping[str, str] = PAGES[page]()
    for name, table in tables.items():
        marker = f"<!-- {name} -->"
        if marker not in text:
            raise SystemExit(f"{page} holds no {marker}; put it where the table is to stand")
        # The table ends at the first line that is not a row.
        text = re.sub(
            rf"{marker}\n+(?:\|[^\n]*\n)*",
            lambda _, put=f"{marker}\n\n{table}\n": put,
            text,
        )
    return text


def main() -> int:
    """Write or compare the pages."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, only compare")
    options = parser.parse_args()
    behind = []
    for page in PAGES:
        old = (DOCS / page).read_text(encoding="utf-8")
        new = fill_page(page, old)
        if new != old:
            behind.append(page)
        if not options.check:
            (DOCS / page).write_text(new, encoding="utf-8")
    if options.check and behind:
        print(f"not up to date: {', '.join(behind)}; run: python docs/make_tables.py")
    return int(options.check and bool(behind))


if __name__ == "__main__":
    raise SystemExit(main())
