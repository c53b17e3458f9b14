"""A night in a minute: frames and log appear as at the telescope, and are watched on a page.

    python demo/live.py [--speed 120] [--out DIR] [--no-browser]

Simulates a quarter-size night of `night.toml`, writes it into demo/live/frames as a camera would,
two minutes of the night a second, and watches it. Ctrl-C ends it. Afterwards
`framesort night demo/live/frames --heater demo/live/heater_power.csv --out demo/watched` goes on.
"""

import argparse
import threading
import webbrowser
from contextlib import ExitStack
from pathlib import Path

from run import HERE, quarter
from tqdm import tqdm

from framesort.errors import InputError
from framesort.live import LiveStatus, frame_line, serve_status, status_lines
from framesort.night import WatchOptions, watch_night
from framesort.simulation import read_scenario, replay_night, simulate_night
from framesort.workers import open_executor


def main() -> int:
    """Simulate, replay and watch."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--speed", type=float, default=120.0, help="seconds of the night a second")
    parser.add_argument("--out", type=Path, default=HERE, metavar="DIR")
    parser.add_argument("--no-browser", action="store_true", help="do not open the page")
    options = parser.parse_args()
    night, live = options.out / "live-night", options.out / "live"
    with open_executor() as pool:
        simulate_night(
            quarter(read_scenario(HERE / "night.toml")),
            night,
            executor=pool,
            progress=lambda items: tqdm(items, desc="simulate", disable=None),
            overwrite=True,
        )
    (live / "frames").mkdir(parents=True, exist_ok=True)
    stop, latest = threading.Event(), [LiveStatus()]

    def camera() -> None:
        replay_night(night, live, speed=options.speed, overwrite=True)
        stop.wait(3.0)  # until the last frame is measured
        stop.set()

    with ExitStack() as stack:
        page = None
        try:
            page = stack.enter_context(serve_status(lambda: latest[0]))
        except InputError as error:  # the page is an extra
            print(error)
        if page is not None:
            print(f"The night is shown at {page.url}")
            if not options.no_browser:
                webbrowser.open(page.url)

        def show(status: LiveStatus, news: list, troubles: list[str]) -> None:
            latest[0] = status
            if page is not None:
                page.publish(status)
            for line in [*map(frame_line, news), *troubles]:
                print(line)

        thread = threading.Thread(target=camera, daemon=True)
        thread.start()
        try:
            status = watch_night(
                live / "frames",
                out=options.out / "watched",
                heater=live / "heater_power.csv",
                options=WatchOptions(goals={"": 30.0}, poll=0.5),
                show=show,
                stop=stop,
            )
        except KeyboardInterrupt:
            return 130
    print("\n".join(status_lines(status)))
    return 0 if status.frames else 1


if __name__ == "__main__":
    raise SystemExit(main())
