"""Did the tape help? A simulated night with a change in its middle, sorted and compared.

    python demo/compare.py [--out DIR]

Simulates the night of `compare.toml`, sorts it and compares the frames before and after the change.
"""

import argparse
from pathlib import Path

from run import HERE
from tqdm import tqdm

from framesort.night import CompareOptions, compare_nights, sort_night
from framesort.simulation import read_scenario, simulate_night
from framesort.workers import open_executor


def main() -> int:
    """Simulate, sort, compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE, metavar="DIR")
    options = parser.parse_args()
    night, result = options.out / "compare-night", options.out / "compare-sorted"
    with open_executor() as pool:
        simulate_night(
            read_scenario(HERE / "compare.toml"),
            night,
            executor=pool,
            progress=lambda items: tqdm(items, desc="simulate", disable=None),
            overwrite=True,
        )
        sort_night(
            [night / "frames"],
            heater=night / "heater_power.csv",
            out=result,
            overwrite=True,
            executor=pool,
        )
        compared = compare_nights(
            [result],
            out=options.out / "compared",
            options=CompareOptions(split=("2024-11-02T20:32:00",), names=("bare", "taped")),
            overwrite=True,
            executor=pool,
        )
    print(compared.comparison.sentence)
    print(f"Page: {compared.folder / 'report.html'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
