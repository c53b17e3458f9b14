"""A star of a frame as a small picture."""

import base64
import io

import numpy as np

from framesort.errors import FramesortError
from framesort.files import read_image

__all__ = ["draw_star"]


def draw_star(path: str, x: float, y: float, half: int = 24) -> str:
    """Cut a star out of a frame: its own peak is white, the square root of light above the sky.

    Parameters
    ----------
    path : str
        The frame.
    x, y : float
        Place of the star, pixels.
    half : int
        Pixels to each side of it.

    Returns
    -------
    str
        Data URI of a PNG image; "" where the frame cannot be read or the star is at its edge.
    """
    from matplotlib.image import imsave

    row, column = round(y), round(x)
    try:
        pixels, _ = read_image(path, rows=slice(max(row - half, 0), row + half + 1))
    except FramesortError:
        return ""
    while pixels.ndim > 2:
        pixels = pixels[0]
    cut = pixels[:, max(column - half, 0) : column + half + 1]
    if min(cut.shape) < half:
        return ""
    sky, peak = float(np.nanmedian(cut)), float(np.nanmax(cut))
    if not peak > sky:
        return ""
    shown = np.sqrt(np.clip((cut - sky) / (peak - sky), 0, 1))
    stream = io.BytesIO()
    imsave(stream, np.nan_to_num(shown), cmap="gray", vmin=0, vmax=1, origin="lower", format="png")
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode()
