"""Stacks of an earlier run: used again where nothing they are made of has changed, else not."""

import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from framesort.cli import main
from framesort.frames import FrameReader, Recipe
from framesort.night import KeptStacks, merge_night, process_night, sort_night
from framesort.night import _stacks as night_stacks
from framesort.night._kept import stack_recipe
from framesort.records import Stack, Transform
from framesort.settings import Settings, read_settings

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 3
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
FILES = (
    "L/deep.fits",
    "L/sharp.fits",
    "L/final.fits",
    "L/stars.fits",
    "L/background.fits",
    "L/mask.fits",
    "L/stars.ecsv",
    "frames.ecsv",
    "preview.png",
)


@dataclass(frozen=True)
class Kept:
    """A night, and a folder with a copy of its result."""

    night: Any
    folder: Path

    def run(self, out="out", *, cache=True, **settings):
        return process_night(
            [self.night.frames],
            out=self.folder / out,
            heater=self.night.log,
            settings=Settings(**settings),
            cache=cache,
            overwrite=True,
        )


@pytest.fixture(scope="module")
def drawn(draw_night, tmp_path_factory):
    kept = Kept(draw_night(SCENARIO), tmp_path_factory.mktemp("kept"))
    kept.run()
    return kept


@pytest.fixture
def kept(drawn, tmp_path):
    shutil.copytree(drawn.folder / "out", tmp_path / "out")
    return Kept(drawn.night, tmp_path)


@pytest.fixture
def count(monkeypatch):
    """The groups stacked so far."""
    made = []
    stack = night_stacks._stack

    def counted(*args):
        made.append(args)
        return stack(*args)

    monkeypatch.setattr(night_stacks, "_stack", counted)
    return made


def test_another_amount_does_not_stack_again_and_gives_the_same_files(kept, count):
    kept.run(amount=0.5)
    assert not count
    kept.run(out="fresh", amount=0.5)
    assert len(count) == 1
    for name in FILES:
        assert (kept.folder / "out" / name).read_bytes() == (
            kept.folder / "fresh" / name
        ).read_bytes(), name
    told = [json.loads((kept.folder / o / "night.json").read_text()) for o in ("out", "fresh")]
    for summary in told:
        del summary["created"]
    assert told[0] == told[1]


def test_detail_is_reported_and_does_not_stack_again(kept, count):
    out = kept.folder / "out"

    def told():
        mask = fits.getdata(out / "L/mask.fits")
        settings = read_settings(out / "night.json")
        assert json.loads((out / "night.json").read_text())["settings"]["detail"] is settings.detail
        return settings.detail, bool(np.any(mask & 16))

    assert told() == (True, True)
    assert main(["merge", str(out), "--detail", "off", "--overwrite", "--quiet"]) == 0
    assert told() == (False, False)
    # As in any repeated run, what is not named again is as that run's file says.
    words = ["merge", str(out), "--settings", str(out / "night.json"), "--overwrite", "--quiet"]
    assert main(words) == 0
    assert told() == (False, False)
    assert main([*words, "--detail", "on"]) == 0
    assert told() == (True, True)
    assert not count


def test_merge_alone_uses_them_where_they_stand(kept, count):
    before = (kept.folder / "out/L/deep.fits").read_bytes()
    merge_night(kept.folder / "out", settings=Settings(amount=0.3), overwrite=True)
    assert not count
    assert (kept.folder / "out/L/deep.fits").read_bytes() == before


def test_sorting_takes_them_aside_until_the_night_is_merged(kept, count):
    sort_night([kept.night.frames], out=kept.folder / "out", heater=kept.night.log, overwrite=True)
    assert not (kept.folder / "out/L").exists()
    merge_night(kept.folder / "out")
    assert not count
    assert [path.name for path in (kept.folder / "out/cache/stacks").iterdir()] == ["L.json"]


def test_a_frame_written_anew_is_stacked_again(kept, count):
    frame = sorted(kept.night.frames.iterdir())[2]
    before = frame.stat()
    try:
        os.utime(frame, ns=(1, 1))
        kept.run()
    finally:
        os.utime(frame, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert len(count) == 1


@pytest.mark.parametrize("settings", [{"clip": 4.0}, {"leave_out": ("001-L.fits",)}])
def test_what_changes_the_stacks_is_stacked_again(kept, count, settings):
    kept.run(**settings)
    assert len(count) == 1


def test_without_a_cache_nothing_is_kept(kept):
    kept.run(out="none", cache=False)
    assert not (kept.folder / "none/cache").exists()
    assert (kept.folder / "none/L/deep.fits").exists()


def make_stack(shape):
    rng = np.random.default_rng(8)
    return Stack(
        data=rng.normal(size=shape).astype(np.float32),
        weight=rng.random(shape).astype(np.float32),
        coverage=np.full(shape, 3, np.int16),
        header=fits.Header({"FILTER": "Ha"}),
        frames=("a b.fits", "ü.fits"),
        rejected=rng.random(2),
        saturation=60000 / 7,
        notes=("a note",),
    )


@pytest.fixture
def store(tmp_path):
    """Where the stacks of one group are kept, and stand among the results."""
    store = KeptStacks(tmp_path, tmp_path / "kept")
    store.save("Ha", "one", {name: make_stack((30, 40)) for name in ("deep", "sharp")})
    assert store.put("Ha", "deep") and store.put("Ha", "sharp")
    return store


@pytest.mark.parametrize("shape", [(30, 40), (3, 30, 40)])
def test_a_stack_comes_back_to_the_last_bit(tmp_path, shape):
    stack = make_stack(shape)
    store = KeptStacks(tmp_path, tmp_path / "kept")
    store.save("Ha", "one", {"deep": stack})
    again = store.load("Ha", "one")["deep"]
    for name in ("data", "weight", "coverage", "rejected"):
        np.testing.assert_array_equal(getattr(again, name), getattr(stack, name))
    assert again.saturation == stack.saturation
    assert (again.frames, again.notes) == (stack.frames, stack.notes)


def edit(folder):
    with fits.open(folder / "Ha/deep.fits", mode="update") as hdus:
        hdus[0].data[5, 5] += 1


def cut_short(folder):
    path = folder / "Ha/sharp.fits"
    path.write_bytes(path.read_bytes()[:-2880])


def spoil_note(folder):
    (folder / "kept/Ha.json").write_text("[1, 2")


def lead_elsewhere(folder):
    path = folder / "kept/Ha.json"
    told = json.loads(path.read_text())
    told["stacks"]["../../x"] = told["stacks"].pop("deep")
    path.write_text(json.dumps(told))


def take_away(folder):
    (folder / "Ha/deep.fits").unlink()


@pytest.mark.parametrize("harm", [edit, cut_short, spoil_note, lead_elsewhere, take_away])
def test_what_was_changed_is_not_used(store, tmp_path, harm):
    assert store.load("Ha", "one") is not None
    assert store.load("Ha", "another") is None
    harm(tmp_path)
    assert store.load("Ha", "one") is None


def test_the_recipe_distinguishes_everything(tmp_path):
    name = os.fsdecode(bytes(tmp_path / "a") + b"\xff.fits")  # no letters
    frame = Path(name)
    frame.write_bytes(b"pixels")

    def recipe(**changes):
        options = {"weights": {"deep": np.ones(1)}, "levels": {name: 6e4}, "clip": 3.0}
        matrix = changes.pop("matrix", np.eye(3))
        reader = FrameReader(recipes=changes.pop("recipes", {}))
        return stack_recipe([name], [Transform(matrix=matrix)], print, reader, options | changes)

    first = recipe()
    assert recipe() == first
    others = [
        recipe(clip=4.0),
        recipe(matrix=np.diag([1.0, 1.0, 1.0 + 1e-15])),
        recipe(weights={"deep": np.zeros(1)}),
        recipe(weights={"sharp": np.ones(1)}),
        recipe(levels={name: np.nextafter(6e4, 7e4)}),
        recipe(recipes={name: Recipe(digest="dark")}),
        recipe(header=fits.Header({"FILTER": "Ha"})),
    ]
    os.utime(frame, ns=(1, 1))
    others.append(recipe())
    frame.unlink()
    others.append(recipe())
    assert len({first, *others}) == 1 + len(others)
