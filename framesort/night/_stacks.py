"""Both sets of one group stacked, one plane or three."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table

from framesort.colour import PLANES, PlaneReader, PlaneStacks
from framesort.frames import FrameReader, sign_combined, strip_pattern
from framesort.night._kept import stack_recipe
from framesort.night._read import table_patterns
from framesort.night._run import NightRun
from framesort.plugins import find_plugin
from framesort.quality import find_saturation
from framesort.records import FrameQuality, Stack, Transform, add_column, column_values
from framesort.registration import Grid
from framesort.stacking import Execution, FrameValues, StackMethod, measure_flux_scales

__all__ = ["GroupFrames", "sign_frames", "stack_group"]

SPIKE_SIGMA = 3.0  # errors above which a spike counts as seen

HOW = {
    "interpolate": "missing pixels of each colour interpolated from its own (windowed sinc)",
    "place": "pixels of each colour placed where they fall on the grid",
    "planes": "frames of three planes",
}


@dataclass(frozen=True, kw_only=True)
class GroupFrames:
    """The frames of one group that are to be stacked.

    Attributes
    ----------
    label : str
        Name of the group.
    rows : `~astropy.table.Table`
        Their rows of the night's table.
    qualities : list of FrameQuality
        Their measurements.
    transforms : list of Transform
        Where they land on the grid.
    sets : dict of str to ndarray
        Weights of the frames in each set.
    grid : Grid
        Target grid.
    reader : FrameReader
        Reads calibrated frames.
    """

    label: str
    rows: Table
    qualities: list[FrameQuality]
    transforms: list[Transform]
    sets: dict[str, np.ndarray]
    grid: Grid
    reader: FrameReader

    @property
    def files(self) -> list[str]:
        """Their paths."""
        return [str(file) for file in self.rows["file"]]


def stack_group(run: NightRun, group: GroupFrames, aside: Executor | None) -> dict[str, Stack]:
    """Stack the frames of a group, in the flux scale of its most transparent sharp frame.

    Parameters
    ----------
    run : NightRun
    group : GroupFrames
    aside : `~concurrent.futures.Executor` or None
        Where stacks that are kept are written, before its other tasks.

    Returns
    -------
    dict of str to Stack
        One a set; of three planes for colour frames.
    """
    settings, kept = run.settings, run.kept
    files, rows, reader = group.files, group.rows.copy(), group.reader
    level = column_values(rows, "saturation")
    add_column(rows, "saturation", [reader.level(f, v) for f, v in zip(files, level, strict=True)])
    full = find_saturation(rows, group.qualities)
    levels = dict(zip(files, full.tolist(), strict=True))
    reader = reader.with_levels(levels)
    best = group.sets.get("sharp", group.sets["deep"])
    reference = int(
        np.argmax(np.where(best > 0, np.nan_to_num(column_values(rows, "transparency"), nan=0), -1))
    )
    star_lists = [quality.star_list for quality in group.qualities]
    pattern = str(table_patterns(rows)[0])
    values = FrameValues(
        reference=reference,
        scales=measure_flux_scales(star_lists, group.transforms, reference),
        noise=None if pattern else column_values(rows, "noise"),
        gain=column_values(rows, "gain"),
        saturation=full,
        fwhm=column_values(rows, "fwhm"),
        **_heater_effect(rows),
    )
    options: dict[str, Any] = {
        # The stacker weighs each frame by its own noise; the set only says who belongs.
        "sets": {name: (weight > 0).astype(float) for name, weight in group.sets.items()},
        "shape": group.grid.shape,
        "header": _header(group.grid.header, files[reference], reader),
        "values": values,
        "method": StackMethod(clip=settings.clip),
    }
    stacker = find_plugin("stacker", settings.stacker)
    recipe = ""
    if kept is not None:
        times = np.stack([_seconds(rows), column_values(rows, "exposure")])
        made_of = options | {
            "values": vars(values), "pattern": pattern, "colour": settings.colour,
            "levels": levels, "times": times,
        }  # fmt: skip
        recipe = stack_recipe(files, group.transforms, stacker, reader, made_of)
        if (found := kept.load(group.label, recipe)) is not None:
            return found
    execution = Execution(
        memory=int(settings.memory * 1e6), scratch=run.scratch, executor=run.executor
    )
    options["execution"] = execution
    group = replace(group, reader=reader)
    stacks = _stack(run, stacker, group, options, pattern, levels)
    stacks = {
        name: replace(stack, header=sign_frames(stack.header, rows, stack.frames))
        for name, stack in stacks.items()
    }
    if kept is not None:
        save = partial(kept.save, group.label, recipe, stacks)
        _ = save() if aside is None else aside.submit(save)
    return stacks


def _heater_effect(rows: Table) -> dict[str, Any]:
    """Heater options of the stacker: `groups` of frames, and the similarity measure of each.

    Frames whose state is not known count as heated if they show a spike. The measure is the
    heater's power; the spike's strength where a heated frame has no known power.
    """
    state = np.asarray(rows["heater_state"]).astype(str)
    power, spike = column_values(rows, "heater_power"), column_values(rows, "spike_strength")
    shown = spike > SPIKE_SIGMA * column_values(rows, "spike_strength_err")
    heated = np.isin(state, ["part", "on"]) | ((state == "unknown") & shown)
    return {
        "groups": np.where(heated, "heated", "off").tolist(),
        "similarity": spike if np.isnan(power[heated]).any() else power,
    }


def sign_frames(header: Header, rows: Table, files: Sequence[str]) -> Header:
    """A stack's header with the times of the frames in it, see `framesort.frames.sign_combined`.

    A stacker that does not list its frames is taken to have used all rows.
    """
    used = np.isin([str(file) for file in rows["file"]], list(files))
    those = rows[used] if used.any() else rows
    return sign_combined(
        header, those["start"], column_values(those, "exposure"), frames=len(files) or len(those)
    )


def _seconds(rows: Table) -> np.ndarray:
    start: Any = rows["start"].unix
    return np.ma.filled(np.ma.asarray(start, dtype=float), np.nan)


def _stack(
    run: NightRun,
    stacker: Any,
    group: GroupFrames,
    options: dict[str, Any],
    pattern: str,
    levels: dict[str, float],
) -> dict[str, Stack]:
    """Stack one plane, or three by turns."""
    execution: Execution = options["execution"]
    files, transforms, reader, label = group.files, group.transforms, group.reader, group.label
    if not pattern:
        options["execution"] = replace(
            execution,
            read=reader if reader.recipes else execution.read,
            progress=run.stage(f"{label}: stacking"),
        )
        stacks: dict[str, Stack] = stacker(files, transforms, **options)
        return stacks
    colour_way = run.settings.colour
    placing = colour_way == "place" and pattern != "RGB"
    if placing:
        # A value is that of up to half a pixel beside: stars then differ as they may.
        options |= {
            "values": replace(options["values"], fwhm=None, similarity=None, groups=None),
            "method": replace(options["method"], kernel="linear"),
        }
    planes = {name: PlaneStacks() for name in options["sets"]}
    for colour in PLANES:
        options["execution"] = replace(
            execution,
            read=PlaneReader(
                pattern=pattern, colour=colour, fill=not placing, saturation=levels, read=reader
            ),
            progress=run.stage(f"{label}: stacking {colour}"),
        )
        for name, stack in stacker(files, transforms, **options).items():
            planes[name].add(colour, stack)
    how = HOW["planes" if pattern == "RGB" else colour_way]
    return {name: stacks.joined(made=how) for name, stacks in planes.items()}


def _header(header: Header, reference: str, reader: FrameReader) -> Header:
    """The grid's header without what holds for frames only, and with how they were calibrated."""
    signed = strip_pattern(header)
    recipe = reader.recipes.get(reference)
    if recipe is not None:
        for kind in ("bias", "dark", "flat"):
            path = getattr(recipe, kind)
            if path:
                times = f" times {recipe.scale:.5g}" if kind == "dark" and recipe.scale != 1 else ""
                name = Path(path).name.encode("ascii", "replace").decode()
                signed["HISTORY"] = f"frames calibrated with the master {kind} {name}{times}"
    return signed
