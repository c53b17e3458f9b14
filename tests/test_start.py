"""What is loaded when: help and wrong calls answer at once, workers begin with what they need."""

import importlib
import os
import pydoc
import re
import subprocess
import sys

import pytest

import framesort

HEAVY = {"numpy", "scipy", "astropy", "numba", "matplotlib", "photutils", "skimage", "tqdm"}


def loaded(statement):
    done = subprocess.run(
        [sys.executable, "-c", f"{statement}\nimport sys\nprint(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return {name.partition(".")[0] for name in done.stdout.split()}


def test_help_and_wrong_calls_load_nothing_heavy():
    parse = "from framesort.cli._parser import build_parser; build_parser()"
    assert not loaded(f"import framesort.cli; {parse}") & HEAVY


def test_linear_algebra_of_the_program_runs_in_one_thread_unless_the_environment_has_it():
    names = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
    code = f"import os, framesort.cli as c; c.main(); print({{os.environ[n] for n in {names}}})"
    clean = {name: value for name, value in os.environ.items() if name not in names}
    for given, shown in (({}, "{'1'}"), (dict.fromkeys(names, "3"), "{'3'}")):
        done = subprocess.run(
            [sys.executable, "-c", code, "log", "missing.csv"],
            capture_output=True, text=True, env=clean | given,
        )  # fmt: skip
        assert done.stdout.strip().endswith(shown), done.stderr


def test_the_search_for_garbage_leaves_modules_out_and_goes_on():
    code = (
        "import gc, framesort.cli as c\n"
        "c.main()\n"
        "from framesort.workers import open_executor\n"
        "print(gc.isenabled(), gc.get_freeze_count() > 100_000)\n"
        "with open_executor(2) as pool:\n"
        "    searching, kept = (pool.submit(f) for f in (gc.isenabled, gc.get_freeze_count))\n"
        "    print(searching.result(), kept.result() > 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "log", "missing.csv"], capture_output=True, text=True
    )
    assert done.stdout.split() == ["True"] * 4, done.stderr


def test_sorting_does_not_load_what_only_merging_needs():
    done = subprocess.run(
        [sys.executable, "-c", "import sys, framesort.night; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert not set(done.stdout.split()) & {
        "reproject", "dask", "photutils", "scipy.signal", "matplotlib",
    }  # fmt: skip


@pytest.mark.skipif(sys.platform != "linux", reason="workers are prepared on Linux only")
def test_prepared_workers_have_the_modules_already(tmp_path):
    """A worker that never imported a module itself has it from the server it was forked from."""
    script = tmp_path / "main.py"
    script.write_text(
        "import sys\n"
        "from framesort.workers import open_executor, prepare_workers\n"
        "def is_there(name):\n"
        "    return name in sys.modules\n"
        "if __name__ == '__main__':\n"
        "    prepare_workers(['colorsys'])\n"
        "    with open_executor(2) as pool:\n"
        "        assert 'colorsys' not in sys.modules\n"
        "        print(pool.submit(is_there, 'colorsys').result())\n"
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "True", done.stderr


def test_names_of_the_package_are_listed_but_not_loaded():
    assert not loaded("import framesort; assert 'replace_stars' in dir(framesort)") & HEAVY
    assert set(framesort.__all__) <= set(dir(framesort))
    assert 12 <= len(framesort.__all__) <= 16


def test_names_of_the_package_are_those_of_their_subpackages_and_reported():
    told = re.findall(r"^(\w+)\n    \S.*\.$", framesort.__doc__, re.MULTILINE)
    assert sorted(told) == sorted(framesort.__all__) == sorted(framesort._HOME)
    for name, home in framesort._HOME.items():
        module = importlib.import_module(f"framesort.{home}")
        assert name in module.__all__
        assert getattr(framesort, name) is getattr(module, name)
        # What help() shows for it begins with a line of its own.
        assert getattr(framesort, name).__doc__.strip().splitlines()[0].endswith(".")
    page = pydoc.render_doc(framesort, renderer=pydoc.plaintext)
    assert all(name in page for name in framesort.__all__)


def test_a_name_that_is_not_there():
    with pytest.raises(AttributeError, match="no attribute 'replace_star'"):
        _ = framesort.replace_star
