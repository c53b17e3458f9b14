"""Draws the picture of the page on simulation from the demo's scenario.

python docs/make_simulation.py
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from framesort.simulation import Scenario, draw_truth, read_scenario
from framesort.simulation._frames import draw_frame
from framesort.simulation._timeline import plan_exposures

HERE = Path(__file__).parent
POWERS = (0.0, 25.0, 50.0, 100.0)
PLACES = (("L", 952, 567, 40), ("L", 637, 508, 40), ("Ha", 805, 735, 60))
"""Filter, middle on the first frame and half the height: a star, a galaxy, filaments."""


def show(axes: Axes, image: NDArray[np.floating], soft: float, top: float) -> None:
    """Draw an image, dark at its own background, by an inverse hyperbolic sine."""
    level = float(np.percentile(image, 20))
    axes.imshow(
        np.arcsinh((image - level) / soft), origin="lower", cmap="gray", vmin=-0.3, vmax=top
    )
    axes.set_axis_off()


def heated_frame(scenario: Scenario, name: str, power: float) -> tuple[NDArray[np.uint16], float]:
    """The filter's first frame as at another heater power, with its star width."""
    shot = next(shot for shot in plan_exposures(scenario) if shot.filter == name)
    shot = replace(shot, matrix=np.eye(3), trail=0.0, heating=((1.0, power),), tracks=())
    counts, fwhm, _ = draw_frame(scenario, shot)
    return counts, fwhm


def main() -> None:
    """Write the picture."""
    scenario = read_scenario(HERE.parent / "demo" / "night.toml")
    figure = Figure(figsize=(9, 9.8), layout="constrained")
    above, below = figure.subfigures(2, height_ratios=(4.3, 6.2))
    for axes, name in zip(above.subplots(1, 2), ("L", "Ha"), strict=True):
        show(axes, sum(draw_truth(scenario, name)), soft=30.0, top=3.2)
        axes.set_title(f"ideal picture, {name}", fontsize=9)
    grid = below.subplots(len(PLACES), len(POWERS))
    for line, (name, x, y, half) in zip(grid, PLACES, strict=True):
        for axes, power in zip(line, POWERS, strict=True):
            counts, fwhm = heated_frame(scenario, name, power)
            wide = round(1.35 * half)
            cut = counts[y - half : y + half + 1, x - wide : x + wide + 1].astype(float)
            show(axes, cut, soft=60.0 if name == "L" else 25.0, top=3.2)
            axes.set_title(f"{name}, heater {power:.0f} %, FWHM {fwhm:.2f} px", fontsize=8)
    figure.savefig(HERE / "pictures" / "simulation.png", dpi=80, facecolor="white")


if __name__ == "__main__":
    main()
