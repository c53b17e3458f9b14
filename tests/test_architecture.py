"""Imports go one way: base modules, stars, subpackages, settings, night, cli."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "framesort"
BASE = {"errors", "rules", "records", "files", "images", "pages", "workers", "compiled"}
SUBPACKAGES = {
    "frames",
    "heater",
    "colour",
    "quality",
    "evidence",
    "tags",
    "selection",
    "registration",
    "stacking",
    "replacement",
    "report",
    "planning",
    "live",
    "comparison",
    "simulation",
    "plugins",
}
MAY_IMPORT = {
    "errors": set(),
    "rules": {"errors"},
    "records": {"errors"},
    "files": {"errors", "records"},
    "images": {"errors", "records", "files"},
    "pages": set(),
    "workers": {"errors", "records"},
    "compiled": {"errors", "workers"},
    "stars": BASE,
    **{subpackage: BASE | {"stars"} for subpackage in SUBPACKAGES},
    "simulation": BASE,  # it must not share an error with what it checks
    "settings": {"errors", "rules", "records", "evidence", "heater"},
    "night": BASE | {"stars", "settings"} | (SUBPACKAGES - {"simulation"}),
    "cli": BASE | {"settings", "night"} | SUBPACKAGES,
    "__init__": BASE | {"stars", "settings", "night"} | (SUBPACKAGES - {"simulation"}),
    "__main__": {"cli"},
}


def subpackage_of(path):
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_subpackages(path):
    """Subpackages that a file imports, wherever in the file the import stands."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the arrow"
            names = [node.module or ""]
            if node.module == "framesort":
                names = [f"framesort.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[0] == "framesort" and len(parts) > 1:
                yield parts[1]


FILES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_arrows(path):
    subpackage = subpackage_of(path)
    assert subpackage in MAY_IMPORT, (
        f"{subpackage} is no subpackage of the design; add it to docs/design.md and here"
    )
    forbidden = {
        name
        for name in imported_subpackages(path)
        if name not in MAY_IMPORT[subpackage] | {subpackage}
    }
    forbidden.discard("__version__")
    assert not forbidden, f"{path.name} imports {sorted(forbidden)}"


def test_every_subpackage_is_there():
    present = {subpackage_of(path) for path in FILES}
    assert set(MAY_IMPORT) <= present


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_module_size(path):
    # Long modules lose their readers; 300 lines is the aim, 400 the limit.
    assert len(path.read_text().splitlines()) <= 400
