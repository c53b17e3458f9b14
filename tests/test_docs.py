"""The pages: every one in the contents, every link to something, every public name told."""

import importlib
import inspect
import pkgutil
import re
import runpy
import shlex
from pathlib import Path

import pytest

import framesort
from framesort.cli._commands import COMMANDS
from framesort.cli._parser import build_parser, join_negative
from framesort.records import COLUMNS, REASONS, STAR_COLUMNS
from framesort.replacement import STAR_REASONS

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.rglob("*.md"))

pytestmark = pytest.mark.skipif(not DOCS.is_dir(), reason="no documentation beside the package")


def toctree(page):
    """Documents that the contents of a page name."""
    blocks = re.findall(r"```\{toctree\}\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    lines = [line.strip() for block in blocks for line in block.splitlines()]
    return [line for line in lines if line and not line.startswith(":")]


def test_contents_name_pages_that_are_there():
    for page in (DOCS / "index.md", *DOCS.glob("*/index.md")):
        missing = [n for n in toctree(page) if not (page.parent / f"{n}.md").is_file()]
        assert missing == [], page
    # Pages in folders are named by the index there; those beside the main one by conf.py.
    for index in DOCS.glob("*/index.md"):
        names = {path.stem for path in index.parent.glob("*.md")} - {"index"}
        assert set(toctree(index)) == names


@pytest.mark.parametrize("page", [*PAGES, *ROOT.glob("*.md")], ids=lambda page: page.name)
def test_links_lead_to_files(page):
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_no_picture_lies_about_unused():
    told = "".join(page.read_text(encoding="utf-8") for page in [*PAGES, *ROOT.glob("*.md")])
    assert [p.name for p in (DOCS / "pictures").iterdir() if p.name not in told] == []


def test_every_public_module_has_a_reference_page():
    modules = {m.name for m in pkgutil.iter_modules(framesort.__path__) if m.name[0] != "_"}
    # The command line is told by its own help.
    pages = {page.stem for page in (DOCS / "api").glob("*.md")} - {"index"}
    assert pages == modules - {"cli"}
    for name in pages:
        text = (DOCS / "api" / f"{name}.md").read_text(encoding="utf-8")
        assert f"automodule:: framesort.{name}\n   :members:" in text


def test_every_public_name_is_explained():
    silent = []
    for page in (DOCS / "api").glob("[!i]*.md"):
        module = importlib.import_module(f"framesort.{page.stem}")
        text = page.read_text(encoding="utf-8")
        source = Path(module.__file__).read_text(encoding="utf-8")
        for name in module.__all__:
            value = getattr(module, name)
            if inspect.isclass(value) or inspect.isfunction(inspect.unwrap(value)):
                told = (value.__doc__ or "").strip()
            else:  # data: told on the page, or below its definition
                told = f"py:data:: {name}\n" in text or re.search(
                    rf"^{name}\b.*?\n\"\"\"", source, re.DOTALL | re.MULTILINE
                )
            if not told:
                silent.append(f"{page.stem}.{name}")
    assert silent == []


def commands(page):
    """Calls of the program on a page, in indented or fenced code."""
    text = page.read_text(encoding="utf-8").replace("\\\n", " ")
    names = "|".join(COMMANDS)
    for line in re.findall(rf"^(?: {{4}}|\$ )?(framesort (?:{names}) .*)$", text, re.MULTILINE):
        # Patterns of a call with brackets or dots, and calls with variables, are no calls.
        if not any(c in line for c in ("[", "...", "$")):
            yield shlex.split(re.split(r"\s[|>&;]|\s2>", line)[0], comments=True)[1:]


@pytest.mark.parametrize("page", [*PAGES, *ROOT.glob("*.md")], ids=lambda page: page.name)
def test_commands_are_understood(page):
    for words in commands(page):
        if page.name == "design.md":  # patterns with names in capitals
            continue
        build_parser().parse_args(join_negative(words))


def test_some_commands_were_found():
    assert sum(1 for page in (DOCS / "howto").glob("*.md") for _ in commands(page)) > 12


def test_tables_of_columns_are_those_of_the_registries(tmp_path, capsys):
    made = runpy.run_path(str(DOCS / "make_tables.py"))
    for name in made["PAGES"]:
        page = (DOCS / name).read_text(encoding="utf-8")
        assert page == made["fill_page"](name, page), "run: python docs/make_tables.py"
    page = (DOCS / "columns.md").read_text(encoding="utf-8")
    # Plain Markdown, readable as it is: a row for every name.
    for name in (*COLUMNS, *REASONS, *STAR_COLUMNS, *filter(None, STAR_REASONS)):
        assert f"\n| `{name}` | " in page
    # A page that is behind its registry is told to be.
    behind = re.sub(r"\n\| `spike_[^\n]*|\n\| `line_[^\n]*", "", page)
    assert behind != page == made["fill_page"]("columns.md", behind)
