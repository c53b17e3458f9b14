"""Draws the pictures of the page on star replacement from simulated pairs with known truth.

python docs/make_replacement.py
"""

import sys
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from framesort.replacement import replace_stars

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests" / "replacement"))
from scenes_for_replacement import make_blurred_pair  # noqa: E402

SEED = 0
ENLARGED = 3
TITLE = 20
"""Screen pixels above each panel."""


def stretch(image: NDArray, level: float, soft: float, top: float) -> NDArray[np.floating]:
    """An image in 0..1 by an inverse hyperbolic sine, dark at `level`, white at `top`."""
    return np.arcsinh((image - level) / soft) / np.arcsinh((top - level) / soft)


def draw_panels(name: str, panels: dict[str, NDArray], columns: int) -> None:
    """Write panels of one size, values 0..1, each pixel as a square of screen pixels."""
    rows = -(-len(panels) // columns)
    high, wide = (ENLARGED * n for n in next(iter(panels.values())).shape)
    width, height = columns * (wide + 4), rows * (high + TITLE)
    figure = Figure(figsize=(width / 100, height / 100), dpi=100, facecolor="white")
    for k, (title, panel) in enumerate(panels.items()):
        left, bottom = k % columns * (wide + 4), height - (k // columns + 1) * (high + TITLE)
        axes = figure.add_axes((left / width, bottom / height, wide / width, high / height))
        axes.imshow(panel, origin="lower", cmap="gray", vmin=0, vmax=1, interpolation="nearest")
        axes.set_axis_off()
        middle = (left + wide / 2) / width, (bottom + high + 5) / height
        figure.text(*middle, title, ha="center", fontsize=9)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    grey = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("L")
    grey.save(HERE / "pictures" / f"replacement-{name}.png", optimize=True)


def main() -> None:
    """Write a picture of a galaxy and one of filaments."""
    for kind, name, brightness, cut, columns in (
        ("spiral", "galaxy", 300.0, np.s_[140:260, 130:250], 2),
        ("filaments", "filaments", 200.0, np.s_[100:220, 140:260], 3),
    ):
        pair = make_blurred_pair(kind, SEED, brightness=brightness)
        result = replace_stars(pair.deep, pair.sharp)
        images = {
            "deep stack": pair.deep,
            "sharp stack": pair.sharp,
            "final picture": result.final,
            "truth": pair.truth,
        }
        if columns == 3:
            images["starless layer"] = result.background
            images["truth without stars"] = pair.nebula
        low, high = np.percentile(pair.nebula[cut], [2, 99.5])
        panels = {
            title: stretch(image[cut], low - 0.1 * (high - low), 0.3 * (high - low), high)
            for title, image in images.items()
        }
        draw_panels(name, panels, columns)


if __name__ == "__main__":
    main()
