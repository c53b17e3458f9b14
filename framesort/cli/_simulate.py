"""The command `simulate`: draws a night, replays one."""

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from framesort.cli._console import bars, number, print_json, print_note, print_text
from framesort.errors import InputError
from framesort.workers import open_executor

if TYPE_CHECKING:
    from framesort.simulation import Scenario

__all__ = ["run_simulate"]


def run_simulate(options: Namespace) -> int:
    """Draw a night; with --replay, replay it or the one that is there."""
    from framesort.simulation import read_scenario

    if options.speed is None:
        if options.rename:
            raise InputError("rename (--rename) needs --replay")
        frames = _draw(options, read_scenario(options.scenario), options.out)
        if options.json:
            print_json({"folder": options.out, "frames": frames})
        else:
            print_text(f"{options.out}: {frames} frames with logs and truth")
        return 0
    return _replay(options, read_scenario(options.scenario))


def _draw(options: Namespace, scenario: "Scenario", folder: str, *, again: bool = True) -> int:
    from framesort.simulation import simulate_night

    stage = bars(options.quiet)
    with open_executor(options.workers) as pool:
        table = simulate_night(
            scenario,
            folder,
            executor=pool,
            progress=None if stage is None else stage("drawing frames"),
            overwrite=options.overwrite and again,
        )
    return len(table)


def _replay(options: Namespace, scenario: "Scenario") -> int:
    from framesort.errors import check_positive
    from framesort.simulation import ReplayOptions, replay_night

    check_positive(speed=options.speed)
    out = Path(options.out)
    nights = (out, out / "night")
    night = next((folder for folder in nights if (folder / "truth.ecsv").exists()), None)
    if night is None:
        night = out / "night"
        _draw(options, scenario, str(night), again=False)
    live = out / "live"
    print_note(f"note: replaying {night} into {live}; Ctrl-C ends it")
    stage = bars(options.quiet)
    minutes = round(60 * scenario.logger.utc_offset)
    done = replay_night(
        night,
        live,
        speed=options.speed,
        options=ReplayOptions(
            rename=options.rename,
            zone=f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}",
            clock_offset=scenario.logger.clock_offset,
        ),
        overwrite=options.overwrite,
        progress=None if stage is None else stage("replaying"),
    )
    if options.json:
        print_json(
            {"folder": str(live), "frames": done.frames, "logs": done.logs, "seconds": done.seconds}
        )
    else:
        print_text(
            f"{live}: {len(done.frames)} frames and {len(done.logs)} logs "
            f"in {number(done.seconds, '.0f')} s"
        )
    return 0
