"""Stacks kept between runs: made again only when something they are made of has changed."""

import hashlib
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header

from framesort import __version__
from framesort.errors import InputError, OutputError
from framesort.files import safe_name, write_text
from framesort.records import Stack, Transform
from framesort.stacking import read_stack, write_stack
from framesort.workers import name_task

__all__ = ["KeptStacks", "stack_recipe"]

SETS = ("deep", "sharp")

FORMAT = 3
"""Raised whenever stacks of the same frames come out otherwise."""


def stack_recipe(
    files: Sequence[str],
    transforms: Sequence[Transform],
    stacker: Any,
    reader: Any,
    options: Mapping[str, Any],
) -> str:
    """Digest of everything that the stacks of a group depend on.

    A frame counts as the same if it has the size and the time of its last change, and if what was
    measured on it, which is among the options, is the same to the bit.

    Parameters
    ----------
    files, transforms
        The frames and their places.
    stacker : callable
        Known by its name, or by its values if it is a record.
    reader : FrameReader
        Tells the masters by ``digest(path)``.
    options : mapping
        All other arguments of the stacker that change what comes out, and what else does.
    """
    digest = hashlib.sha256()

    def add(value: Any) -> None:
        if isinstance(value, np.ndarray):
            digest.update(f"{value.dtype.str}{value.shape}".encode())
            digest.update(np.ascontiguousarray(value).tobytes())
        elif isinstance(value, Header):
            digest.update(value.tostring().encode())
        elif isinstance(value, Mapping):
            for key in sorted(value):
                add(key)
                add(value[key])
        else:
            digest.update(repr(value).encode(errors="surrogateescape"))
        digest.update(b"\0")

    add([FORMAT, __version__, name_task(stacker)])
    for file, transform in zip(files, transforms, strict=True):
        record = None
        with suppress(OSError):
            stat = os.stat(file)
            record = (stat.st_size, stat.st_mtime_ns)
        add([file, record, transform.reason, reader.digest(file)])
        add(transform.matrix)
        if transform.pixel_map is not None:
            add([transform.pixel_map.cards(), transform.pixel_map.correction])
    add(options)
    return digest.hexdigest()


def _digest(path: Path) -> str:
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@dataclass(frozen=True)
class KeptStacks:
    """The stacks of earlier runs into a folder of results.

    While a result stands, its stacks are the group's own deep.fits and sharp.fits; here is only
    what they were made of and a digest of each file. While it is made they stand here.

    Attributes
    ----------
    results : `~pathlib.Path`
        The folder of results.
    folder : `~pathlib.Path`
        Where to keep what is kept.
    """

    results: Path
    folder: Path

    def load(self, label: str, recipe: str) -> dict[str, Stack] | None:
        """The stacks of a group, None if there are none of that recipe or a file was changed."""
        record = self._record(label)
        if record is None or record.get("recipe") != recipe:
            return None
        stacks = {}
        try:
            for name, kept in record["stacks"].items():
                places = (self._aside(label, name), self._product(label, name))
                path = next(place for place in places if place.exists())
                if _digest(path) != kept["digest"]:
                    return None
                # To the last bit: cards of a header hold 16 digits.
                stacks[name] = replace(
                    read_stack(path),
                    rejected=np.array(kept["rejected"], dtype=float),
                    saturation=float(kept["saturation"]),
                )
        except (StopIteration, KeyError, TypeError, ValueError, OSError, InputError):
            return None
        return stacks

    def save(self, label: str, recipe: str, stacks: Mapping[str, Stack]) -> None:
        """Keep the stacks of a group; where they cannot be written the run continues without."""
        record: dict[str, Any] = {"recipe": recipe, "stacks": {}}
        self._note(label).unlink(missing_ok=True)
        try:
            for name, stack in stacks.items():
                path = self._aside(label, name)
                write_stack(path, stack)
                record["stacks"][name] = {
                    "digest": _digest(path),
                    "rejected": [float(share) for share in stack.rejected],
                    "saturation": float(stack.saturation),
                }
            write_text(self._note(label), json.dumps(record) + "\n")
        except (OutputError, OSError):
            self.forget([label])

    def put(self, label: str, name: str) -> bool:
        """Bring a stack that was loaded or saved to its place; false if it must be written."""
        if self._record(label) is None:
            return False
        target = self._product(label, name)
        target.parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileNotFoundError):  # it stands there already
            os.replace(self._aside(label, name), target)
        return target.exists()

    def set_aside(self, labels: Iterable[str]) -> None:
        """Take the stacks of groups from among the results, where they are known."""
        for label in labels:
            record = self._record(label)
            for name in record["stacks"] if record else ():
                with suppress(OSError):
                    os.replace(self._product(label, name), self._aside(label, name))

    def forget(self, labels: Iterable[str]) -> None:
        """Remove what is kept of groups, but not from among the results."""
        for label in labels:
            self._note(label).unlink(missing_ok=True)
            for name in SETS:
                self._aside(label, name).unlink(missing_ok=True)

    def tidy(self, labels: Iterable[str]) -> None:
        """Remove what stands here of groups that are no more, and stacks in nobody's use."""
        known = {self._note(label) for label in labels}
        for path in self.folder.glob("*"):
            if path not in known:
                with suppress(OSError):
                    path.unlink()

    def _record(self, label: str) -> dict[str, Any] | None:
        try:
            record = json.loads(self._note(label).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return None
        stacks = record.get("stacks") if isinstance(record, dict) else None
        return record if isinstance(stacks, dict) and set(stacks) <= set(SETS) else None

    def _note(self, label: str) -> Path:
        return self.folder / f"{safe_name(label)}.json"

    def _aside(self, label: str, name: str) -> Path:
        return self.folder / f"{safe_name(label)}-{name}.fits"

    def _product(self, label: str, name: str) -> Path:
        return self.results / safe_name(label) / f"{name}.fits"
