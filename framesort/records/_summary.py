"""The summary of a night: what night.json holds, in typed records."""

from dataclasses import dataclass, field
from typing import Any

from framesort.records._findings import (
    NAN,
    AcceptablePower,
    ClockOffset,
    GapVerdict,
    GrowthPoint,
    ResponsePoint,
    SetSummary,
    SpikeFollows,
    TradeOffPoint,
)
from framesort.records._notes import Note
from framesort.records._onset import Onset
from framesort.records._plain import as_plain, record_from_json

__all__ = [
    "GroupSummary",
    "HeaterStep",
    "HeaterSummary",
    "LeftOut",
    "NightPart",
    "NightSummary",
    "Stages",
]


@dataclass(frozen=True, kw_only=True)
class HeaterStep:
    """Power [%] from start to stop, ISO 8601 UTC; None where a step has no end."""

    start: str | None = None
    stop: str | None = None
    power: float = NAN


@dataclass(frozen=True, kw_only=True)
class HeaterSummary:
    """The heater log.

    Attributes
    ----------
    log : str
        Names of the logs, "; " between them; a power in percent where that was given.
    source : str
        "log", "given", "headers", or "stars" where states were estimated.
    steps : tuple of HeaterStep
        In order of time.
    notes : tuple of Note
        How it was read.
    """

    log: str = ""
    source: str = "stars"
    steps: tuple[HeaterStep, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, kw_only=True)
class NightPart:
    """One night of a run: frames, times of the first and last start (ISO 8601), clock."""

    night: str
    frames: int = 0
    first: str | None = None
    last: str | None = None
    states: dict[str, int] = field(default_factory=dict)
    clock: ClockOffset | None = None


@dataclass(frozen=True, kw_only=True)
class GroupSummary:
    """Frames that are stacked together.

    Attributes
    ----------
    label, target, filter : str
        Name of the group's folder; target and filter as the headers name them.
    exposure : float
        Seconds.
    frames : int
        Number of frames.
    states, grades : dict of str to int
        Frames of each heater state and of each grade.
    light_by_angle : dict of str to list of float
        Heater state to the mean `spike_profile` of its frames; empty if unknown.
    sharp, deep : SetSummary
        The two sets.
    trade_off : tuple of TradeOffPoint
        Depth against sharpness.
    advice : tuple of str
        What to do next time.
    unmatched : int
        Frames of the sets that could not be placed.
    replaced, left : int or None
        Stars replaced and left as they were; None before a merge.
    fwhm, spike : dict of str to float
        FWHM [pix] and spike (share) of the stacks "deep", "sharp", "final".
    check : dict
        The self-check of the replacement, for `judge_check`: numbers, and lists of rows; {}
        without one.
    notes : tuple of Note
        Of registration, stacking and replacement.
    """

    label: str
    target: str = ""
    filter: str = ""
    exposure: float = NAN
    frames: int = 0
    states: dict[str, int] = field(default_factory=dict)
    grades: dict[str, int] = field(default_factory=dict)
    light_by_angle: dict[str, list[float]] = field(default_factory=dict)
    sharp: SetSummary = field(default_factory=SetSummary)
    deep: SetSummary = field(default_factory=SetSummary)
    trade_off: tuple[TradeOffPoint, ...] = ()
    advice: tuple[str, ...] = ()
    unmatched: int = 0
    replaced: int | None = None
    left: int | None = None
    fwhm: dict[str, float] = field(default_factory=dict)
    spike: dict[str, float] = field(default_factory=dict)
    check: dict[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A file that could not be used, and why."""

    file: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Stages:
    """Which halves of the pipeline are finished."""

    sort: bool = False
    merge: bool = False


@dataclass(frozen=True, kw_only=True)
class NightSummary:
    """What night.json holds: `to_json` writes it, `from_json` reads it.

    Attributes
    ----------
    framesort, created : str
        Version that wrote it, and when (ISO 8601).
    versions : dict of str to str
        Python and libraries.
    command : str
        The call.
    stages : Stages
        What is finished.
    settings : dict
        Of the run, see `framesort.settings.Settings.from_mapping`.
    heater : HeaterSummary
        The log.
    clock : ClockOffset or None
        Of the log; of several nights the first that is off.
    nights : tuple of NightPart
        In order of time.
    spike_follows : SpikeFollows or None
        How the spike follows nights and flips.
    gap : GapVerdict or None
        Whether a gap explains the spike.
    groups : tuple of GroupSummary
        In order of their names.
    response, response_curve, highest_acceptable : tuple
        What power does to the stars.
    onset : Onset or None
        How the effect follows a change of power; None where the log has no change.
    edges : str
        How much of the picture fewer frames cover.
    left_out : tuple of LeftOut
        Files that could not be used.
    notes : tuple of Note
        Of the night as a whole; those of a group are in `groups`.
    """

    framesort: str = ""
    created: str = ""
    versions: dict[str, str] = field(default_factory=dict)
    command: str = ""
    stages: Stages = field(default_factory=Stages)
    settings: dict[str, Any] = field(default_factory=dict)
    heater: HeaterSummary = field(default_factory=HeaterSummary)
    clock: ClockOffset | None = None
    nights: tuple[NightPart, ...] = ()
    spike_follows: SpikeFollows | None = None
    gap: GapVerdict | None = None
    groups: tuple[GroupSummary, ...] = ()
    response: tuple[ResponsePoint, ...] = ()
    response_curve: tuple[GrowthPoint, ...] = ()
    highest_acceptable: tuple[AcceptablePower, ...] = ()
    onset: Onset | None = None
    edges: str = ""
    left_out: tuple[LeftOut, ...] = ()
    notes: tuple[Note, ...] = ()

    @property
    def all_notes(self) -> tuple[Note, ...]:
        """Notes of the night and of its groups, errors first, each text once."""
        notes = dict.fromkeys([*self.notes, *(note for g in self.groups for note in g.notes)])
        return tuple(sorted(notes, key=lambda note: note.severity != "error"))

    def to_plain(self) -> dict[str, Any]:
        """As dictionaries, lists, texts and numbers; NaN stays."""
        return as_plain(self)

    @classmethod
    def from_json(cls, text: str, *, where: str = "night.json") -> "NightSummary":
        """Read what night.json holds.

        Raises
        ------
        InputError
            It is not JSON, or a value has the wrong kind; the message names it.
        """
        return record_from_json(cls, text, where=where, again="sort the night again")
