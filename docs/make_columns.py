"""Writes the tables of docs/columns.md from the program's registries.

python docs/make_columns.py            write the page anew
python docs/make_columns.py --check    exit with 1 if the page is not up to date
"""

import argparse
import re
from collections.abc import Iterable
from pathlib import Path

from framesort.records import COLUMNS, REASONS, STAR_COLUMNS, Column
from framesort.replacement import STAR_REASONS

PAGE = Path(__file__).parent / "columns.md"


def make_table(heading: str, rows: Iterable[tuple[str, ...]]) -> str:
    """A table in Markdown; a bar inside a cell is escaped."""
    lines = ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    bar = "| " + " | ".join("---" for _ in range(heading.count("|") - 1)) + " |"
    return "\n".join([heading, bar, *lines])


def _columns(registry: dict[str, Column]) -> str:
    rows = [(f"`{c.name}`", str(c.unit or ""), c.text) for c in registry.values()]
    return make_table("| name | unit | is |", rows)


def fill_page(text: str) -> str:
    """The page with the table after each marker renewed."""
    heading = "| reason | means |"
    tables = {
        "columns": _columns(COLUMNS),
        "star columns": _columns(STAR_COLUMNS),
        "reasons": make_table(heading, [(f"`{r.code}`", r.sentence) for r in REASONS.values()]),
        "star reasons": make_table(heading, [(f"`{k}`", v) for k, v in STAR_REASONS.items() if k]),
    }
    for name, table in tables.items():
        marker = f"<!-- {name} -->"
        if marker not in text:
            raise SystemExit(f"{PAGE}: holds no {marker}; put it where the table is to stand")
        # The table ends at the first line that is not a row.
        text = re.sub(
            rf"{marker}\n+(?:\|[^\n]*\n)*",
            lambda _, put=f"{marker}\n\n{table}\n": put,
            text,
        )
    return text


def main() -> int:
    """Write or compare the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, only compare")
    options = parser.parse_args()
    old = PAGE.read_text(encoding="utf-8")
    new = fill_page(old)
    if options.check:
        if new != old:
            print(f"{PAGE} is not up to date; run: python docs/make_columns.py")
        return int(new != old)
    PAGE.write_text(new, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
