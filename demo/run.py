"""Simulates the night of `night.toml` and runs the main job on it.

    python demo/run.py [--small] [--out DIR]

Then open demo/result/report.html. The truth is beside the frames in demo/night.
With --out both folders are made in DIR.
"""

import argparse
from dataclasses import replace
from pathlib import Path

from tqdm import tqdm

from framesort.cli import main as framesort
from framesort.simulation import Scenario, read_scenario, simulate_night
from framesort.workers import open_executor

HERE = Path(__file__).parent


def quarter(scenario: Scenario) -> Scenario:
    """The same night with frames of a quarter of the area, as with a smaller camera."""
    camera = scenario.camera
    return replace(
        scenario,
        camera=replace(
            camera,
            width=camera.width // 2,
            height=camera.height // 2,
            hot_pixels=camera.hot_pixels // 4,
            cosmic_rays=camera.cosmic_rays / 4,
        ),
        stars=replace(scenario.stars, count=scenario.stars.count // 4),
        nebula=replace(scenario.nebula, extent=2 * scenario.nebula.extent),  # in image heights
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="quarter-size frames, a quick test")
    parser.add_argument(
        "--out",
        type=Path,
        default=HERE,
        metavar="DIR",
        help="where to put the night and the result",
    )
    options = parser.parse_args()
    scenario = read_scenario(HERE / "night.toml")
    night, result = options.out / "night", options.out / "result"
    with open_executor() as pool:
        simulate_night(
            quarter(scenario) if options.small else scenario,
            night,
            executor=pool,
            progress=lambda items: tqdm(items, desc="simulate", disable=None),
            overwrite=True,
        )
    log = night / "heater_power.csv"
    return framesort(
        [
            "night",
            str(night / "frames"),
            "--heater",
            str(log),
            "--out",
            str(result),
            "--overwrite",
        ]
    )


if __name__ == "__main__":
    raise SystemExit(main())
