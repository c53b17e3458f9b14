"""What is loaded when: help and wrong calls answer at once, workers begin with what they need."""

import subprocess
import sys

import pytest

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
