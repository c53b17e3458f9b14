"""Compare configurations: effects, differences, conditions and a verdict."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from framesort.comparison._conditions import find_condition_differences
from framesort.comparison._configuration import (
    Configuration,
    Frames,
    check_configurations,
    read_rows,
    summarise,
)
from framesort.comparison._differences import (
    Compared,
    as_effects,
    combine,
    compare_pairs,
    find_pairs,
)
from framesort.comparison._effects import BLUR, Drawn, find_spike_angle, measure_effects
from framesort.comparison._verdict import SmallestDifference, decide
from framesort.errors import NotEnoughFramesError
from framesort.records import Comparison, Difference, Note, Verdict

__all__ = ["compare_configurations"]


def compare_configurations(
    configurations: Sequence[Configuration],
    *,
    rng: np.random.Generator | None = None,
    smallest: SmallestDifference | None = None,
) -> Comparison:
    """Measure what each power does in each configuration, and compare with the first one.

    Parameters
    ----------
    configurations : sequence of Configuration
        Two or more; the first is what the others are compared with.
    rng : `~numpy.random.Generator` or None
        For draws from the posterior; None for a fixed seed.
    smallest : SmallestDifference or None
        Differences that matter; None for the defaults.

    Returns
    -------
    Comparison
        `stars` is empty.

    Raises
    ------
    InputError
        A column is missing, two configurations have a name or frames in common, or they are of
        different cameras whose pixel scales are not known.
    NotEnoughFramesError
        A configuration has no heater-off frames, or no power in common with the first.

    Notes
    -----
    For each quantity ``y = level + drift(t) + effect(power) + scatter`` is fitted to the frames
    of a filter and exposure, with the sizes of drift and scatter integrated over, not fixed. FWHM
    is compared by its square, ``FWHM^2 = FWHM_off(t)^2 + blur(power)^2``, since a blur of one width
    shows less in poor seeing. Frames with the heater on for a part of the exposure are left out.
    """
    check_configurations(configurations)
    rng = np.random.default_rng(0) if rng is None else rng
    smallest = SmallestDifference() if smallest is None else smallest
    frames = [read_rows(one) for one in configurations]
    in_arcsec = all(np.isfinite(one.scale) for one in configurations)
    angles = [
        one.spike_angle if np.isfinite(one.spike_angle) else find_spike_angle(rows)
        for one, rows in zip(configurations, frames, strict=True)
    ]
    drawn = [
        measure_effects(
            rows, scale=one.scale if in_arcsec else 1.0, spike_angle=one.spike_angle, rng=rng
        )
        for one, rows in zip(configurations, frames, strict=True)
    ]
    names = [one.name for one in configurations]
    against = [
        _compare_two(names[0], drawn[0], name, effects, rng)
        for name, effects in zip(names[1:], drawn[1:], strict=True)
    ]
    verdicts = [
        decide(
            one.combined,
            name=name,
            reference=names[0],
            smallest=smallest,
            configurations=len(names) - 1,
        )
        for name, one in zip(names[1:], against, strict=True)
    ]
    conditions = find_condition_differences(
        configurations,
        frames,
        angles,
        exposure_matched=[one.exposure_matched for one in against],
        filter_matched=[one.filter_matched for one in against],
    )
    return Comparison(
        sentence=_overall(verdicts),
        configurations=tuple(
            summarise(*parts) for parts in zip(configurations, frames, angles, strict=True)
        ),
        verdicts=tuple(verdicts),
        effects=tuple(
            effect
            for name, effects in zip(names, drawn, strict=True)
            for effect in as_effects(name, effects)
        ),
        differences=tuple(line for one in against for line in one.records),
        conditions=tuple(conditions),
        unit="arcsec" if in_arcsec else "px",
        notes=_notes(configurations, frames, in_arcsec),
    )


@dataclass(frozen=True)
class _Against:
    """A configuration against the first."""

    records: list[Difference]
    combined: dict[str, Compared]
    exposure_matched: bool
    filter_matched: bool


def _compare_two(
    reference: str,
    first: Sequence[Drawn],
    name: str,
    second: Sequence[Drawn],
    rng: np.random.Generator,
) -> _Against:
    pairs = find_pairs(first, second)
    widths = [pair for pair in pairs if pair.first.quantity == BLUR]
    if not widths:
        raise NotEnoughFramesError(
            f"configurations {reference!r} and {name!r} have no power in common with two heated "
            f"frames in each: {_list_powers(first)} and {_list_powers(second)} (frames of unknown "
            "power are not compared)"
        )
    compared = compare_pairs(pairs, rng)
    combined: dict[str, Compared] = {}
    records = [one.record(name, reference) for one in compared]
    for quantity in dict.fromkeys(one.quantity for one in compared):
        combined[quantity] = combine([one for one in compared if one.quantity == quantity])
        records.append(combined[quantity].record(name, reference))
    return _Against(
        records,
        combined,
        all(abs(np.log(p.second.exposure / p.first.exposure)) < 0.03 for p in widths),
        all(p.second.filter == p.first.filter for p in widths),
    )


def _list_powers(drawn: Sequence[Drawn]) -> str:
    powers = sorted({round(one.power) for one in drawn if one.quantity == BLUR})
    return f"{', '.join(map(str, powers))} %" if powers else "none"


def _overall(verdicts: Sequence[Verdict]) -> str:
    """All verdicts, with what is missing."""
    return " ".join(text for one in verdicts for text in (one.sentence, one.missing) if text)


def _notes(
    configurations: Sequence[Configuration], frames: Sequence[Frames], in_arcsec: bool
) -> tuple[Note, ...]:
    notes = []
    for one, rows in zip(configurations, frames, strict=True):
        if rows.part:
            notes.append(
                Note(
                    "not compared",
                    f"{one.name}: {rows.part} frames with the heater on for a part of the exposure "
                    "are not used.",
                )
            )
        if rows.left_out:
            notes.append(
                Note(
                    "not compared",
                    f"{one.name}: {rows.left_out} frames without a known star width, time or "
                    "heater power, or with dew, are not used.",
                )
            )
    if not in_arcsec:
        notes.append(
            Note("scale unknown", "Pixel scales are not known: widths are compared in pixels.")
        )
    return tuple(notes)
