"""What pyproject.toml requires is what the code imports, no more and no less."""

import ast
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# Modules whose distribution has another name.
DISTRIBUTIONS = {
    "skimage": "scikit-image",
    "erfa": "pyerfa",
    "mpl_toolkits": "matplotlib",
    "PIL": "pillow",
}
# Loaded by a library that is imported, not by a line of ours.
LOADED_BY_OTHERS = {
    "tzdata": "zoneinfo on Windows",
    "imagecodecs": "tifffile, for packed files",
    "rawpy": "loaded by name if installed",
    "pytest-xdist": "pytest -n",
    "pytest-cov": "pytest --cov",
    "setuptools": "builds the example plug-in",
    "starlette": "the server of the live page",
    "uvicorn": "the server of the live page",
    "watchfiles": "loaded by name if installed",
}
# Imported by scripts of tests/bench only, or by tests that are skipped without it.
NOT_NEEDED = {"ruptures", "scenes", "score"}

pytestmark = pytest.mark.skipif(
    not (ROOT / "pyproject.toml").exists(), reason="not run from a source tree"
)


def imported(folders):
    """Distributions that the Python files below these folders import."""
    found = set()
    for path in (p for folder in folders for p in (ROOT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            else:
                continue
            found |= {name.partition(".")[0] for name in names}
    own = (p.stem for folder in ("tests", "demo") for p in (ROOT / folder).rglob("*.py"))
    local = {*own, *(p.name for p in ROOT.iterdir())}
    found -= set(sys.stdlib_module_names) | local
    return {DISTRIBUTIONS.get(name, name) for name in found}


def names_of(requirements):
    return {re.match(r"[\w.-]+", text)[0].lower() for text in requirements}


def project():
    return tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


def test_what_the_package_imports_is_required_and_the_reverse():
    extras = project()["optional-dependencies"]
    optional = names_of(
        text
        for name, texts in extras.items()
        if name not in ("test", "docs", "dev")
        for text in texts
    )
    required = names_of(project()["dependencies"])
    found = imported(["framesort"])
    assert sorted(found - required - optional) == []
    assert sorted((required | optional) - found - LOADED_BY_OTHERS.keys()) == []


def test_what_the_tests_import_is_required_and_the_reverse():
    tests = names_of(project()["optional-dependencies"]["test"])
    found = imported(["tests", "demo"])
    known = tests | names_of(project()["dependencies"])
    assert sorted(found - known - NOT_NEEDED) == []
    assert sorted(tests - found - LOADED_BY_OTHERS.keys()) == []


def test_an_unused_and_a_missing_requirement_are_found():
    found = imported(["framesort/images"])
    assert "tifffile" in found
    assert "tqdm" not in found


def test_the_citation_has_the_version():
    import framesort

    text = (ROOT / "CITATION.cff").read_text()
    assert f"\nversion: {framesort.__version__}\n" in text
