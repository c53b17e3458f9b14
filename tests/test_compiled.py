"""Loops are compiled once: before workers start, for the types that a night calls them with."""

import json
import os
import subprocess
import sys
from typing import NamedTuple

import numba
import numpy as np
import pytest

from framesort.compiled import _compile, _stamp, compile_loops, record_loops
from framesort.compiled._types import describe_type, make_type

NIGHT = """
start = 2026-02-11T20:00:00Z
seed = 5
[camera]
width = 300
height = 240
[stars]
count = 150
faintest = 10.0
brightest = 1e5
[seeing]
fwhm = 2.8
[mount]
dither = 4.0
[heater]
events = [[4.8, 100]]
[[filter]]
name = "L"
sky = 6.0
[[run]]
filter = "L"
exposure = 60.0
count = 7
"""


class Pair(NamedTuple):
    """Arguments of one kind, and of two."""

    one: np.ndarray
    other: float


@pytest.mark.parametrize(
    "value",
    [
        1,
        2.5,
        True,
        np.float32(1),
        np.zeros((2, 3), np.float32),
        np.zeros((2, 3, 4), np.uint8)[:, 1:],
        np.zeros((2, 3)).T,
        np.broadcast_to(np.float32(1), (2, 2)),
        np.zeros(3, np.dtype([("error", float), ("pixels", np.int32)])),
        (1, 2),
        (1, 2.5, np.zeros(3, np.int16)),
        Pair(np.zeros(3), 1.0),
    ],
    ids=lambda value: str(numba.typeof(value))[:30],
)
def test_types_survive_being_written(value):
    kind = numba.typeof(value)
    assert make_type(json.loads(json.dumps(describe_type(kind)))) == kind


def test_types_that_cannot_be_written_are_refused():
    with pytest.raises(TypeError, match="description"):
        describe_type(numba.typeof("text"))


def test_recording_tells_calls_from_parts():
    @numba.njit
    def part(x):
        return x + 1

    @numba.njit
    def whole(x):
        return part(x) * 2

    with record_loops() as found:
        assert whole(2.0) == 6.0
        assert whole(3.0) == 8.0
    names = [(record.name.split(".")[-1], record.types, record.called) for record in found]
    assert names == [("part", ["float64"], False), ("whole", ["float64"], True)]


def test_each_loop_is_listed_with_one_set_of_types():
    for name, listed in _compile.read_list().items():
        loops = [tuple(loop[:2]) for loop in listed["loops"]]
        assert len(set(loops)) == len(loops)
        assert {module for module, _ in loops} <= set(listed["modules"])
        assert all(_stamp.module_path(module).exists() for module in listed["modules"]), name


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    return tmp_path


def test_stamp_counts_while_all_its_files_are_there(folder):
    file = folder / "loop.nbi"
    file.touch()
    name = _stamp.stamp_name("stars", ["framesort.compiled._stamp"])
    assert not _stamp.loops_there(name)
    _stamp.write_stamp("stars", name, [str(file)])
    assert _stamp.loops_there(name)
    file.unlink()
    assert not _stamp.loops_there(name)


def test_stamp_is_of_one_state_of_the_sources(folder, monkeypatch):
    source = folder / "_loops.py"
    source.touch()
    monkeypatch.setattr(_stamp, "module_path", lambda module: source)
    first = _stamp.stamp_name("stars", ["framesort.stars._loops"])
    assert _stamp.stamp_name("stars", ["framesort.stars._loops"]) == first
    os.utime(source, (1, 1))
    assert _stamp.stamp_name("stars", ["framesort.stars._loops"]) != first


def test_source_that_is_gone_is_no_error(folder):
    name = _stamp.stamp_name("stars", ["framesort.stars._gone"])
    assert not _stamp.loops_there(name)
    _compile._drop_stale(["framesort.stars._gone"])


def test_later_stamps_take_the_place_of_earlier_ones(folder):
    _stamp.write_stamp("stars", "loops-stars-one.json", [])
    _stamp.write_stamp("stacking", "loops-stacking-one.json", [])
    _stamp.write_stamp("stars", "loops-stars-two.json", [])
    assert sorted(path.name for path in folder.iterdir()) == [
        "loops-stacking-one.json",
        "loops-stars-two.json",
    ]


def test_stamp_that_cannot_be_written_or_read_is_no_error(folder, monkeypatch):
    blocked = folder / "file"
    blocked.write_text("{")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(blocked))
    _stamp.write_stamp("stars", "loops-stars-one.json", [])
    assert not _stamp.loops_there("loops-stars-one.json")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(folder))
    (folder / "loops-stars-one.json").write_text("{")
    assert not _stamp.loops_there("loops-stars-one.json")


def test_functions_older_than_the_sources_they_call_are_dropped(folder):
    """As an upgrade leaves them where the file of the function itself is the same as before."""
    source = _stamp.module_path("framesort.stars._fit").absolute()
    kept = next(path for path in _compile._cache_folders(source) if path.is_relative_to(folder))
    kept.mkdir()
    old, new, other = (kept / f"{name}-1.py.nbi" for name in ("_fit.a", "_fit.b", "_else.a"))
    for file in (old, new, other):
        file.touch()
    for file in (old, other):
        os.utime(file, (1, 1))
    _compile._drop_stale(["framesort.stars._fit"])
    assert [file.exists() for file in (old, new, other)] == [False, True, True]


def test_loop_that_is_not_as_listed_is_left_to_its_call():
    assert _compile.compile_loop(("framesort.stars._gone", "fit", 1.0, [])) == []
    assert _compile.compile_loop(("framesort.compiled._stamp", "loops_there", 1.0, [])) == []


def test_nothing_is_compiled_ahead_without_a_pool_of_processes(folder):
    assert compile_loops("stars", executor=None) == 0
    assert not list(folder.iterdir())


def test_looking_whether_all_is_there_needs_no_compiler(folder):
    code = (
        "import sys\n"
        "from framesort.compiled._compile import _missing, read_list\n"
        "_missing(list(read_list()))\n"
        "print('numba' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


TWICE = """
import json
import sys
from framesort.compiled import _compile, compile_loops
from framesort.workers import open_executor

if __name__ == "__main__":
    listed = json.loads(sys.argv[1])
    _compile.read_list = lambda: listed
    names = []

    def progress(name):
        names.append(name)
        return lambda items: items

    with open_executor(2) as pool:
        done = [compile_loops("stars", executor=pool, progress=progress) for _ in range(2)]
    print(json.dumps([done, names]))
"""


@pytest.mark.slow
def test_loops_are_compiled_once(folder):
    """With a list of the two that take least time; the second call finds a stamp."""
    loops = sorted(_compile.read_list()["stars"]["loops"], key=lambda loop: loop[2])[:2]
    listed = {"stars": {"modules": sorted({loop[0] for loop in loops}), "loops": loops}}
    script = folder / "main.py"
    script.write_text(TWICE)
    done = subprocess.run(
        [sys.executable, script, json.dumps(listed)], capture_output=True, text=True, check=True
    )
    assert json.loads(done.stdout) == [[2, 0], [_compile.COMPILING]]
    kept = {file.name.split(".")[1].split("-")[0] for file in folder.rglob("*.nbi")}
    assert {loop[1] for loop in loops} <= kept
    assert len(list(folder.glob("loops-stars-*.json"))) == 1


# A night in one process; then the loops that it called, by name, with their types.
ONE_PROCESS = """
import json
import sys
from pathlib import Path
from numba.core.caching import FunctionCache
from numba.core.registry import CPUDispatcher
from framesort.compiled import record_loops
from framesort.compiled._types import describe_type
from framesort.night import process_night

with record_loops() as found:
    process_night([sys.argv[1]], out=sys.argv[3], heater=Path(sys.argv[2]))
# Loops that were compiled as parts of others; those that are loaded have theirs within.
parts = [[record.module, record.name, record.types] for record in found if not record.called]
called = [
    (function.py_func.__module__, function.py_func.__qualname__,
     [describe_type(kind) for kind in types])
    for name, module in sorted(sys.modules.items()) if name.startswith("framesort.")
    for function in vars(module).values()
    if isinstance(function, CPUDispatcher) and isinstance(function._cache, FunctionCache)
    if function.py_func.__module__ == name
    for types in function.signatures
]
print(json.dumps([loop for loop in called if list(loop) not in parts]))
"""


@pytest.mark.slow
def test_loops_of_a_night_are_those_listed(draw_night):
    """So that all that a night calls is there after its first stage."""
    night = draw_night(NIGHT)
    done = subprocess.run(
        [sys.executable, "-c", ONE_PROCESS, night.frames, night.log, night.folder / "out"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    called = {(module, name, json.dumps(types)) for module, name, types in json.loads(done.stdout)}
    listed = {
        (loop[0], loop[1], json.dumps(loop[3]))
        for one in _compile.read_list().values()
        for loop in one["loops"]
    }
    assert called <= listed
    assert len(called) > 30
