"""Sound frames, made once."""

import numpy as np
import pytest
from small_frames import draw_frame, write_frame


@pytest.fixture(scope="session")
def frame_bytes(tmp_path_factory):
    """A sound 16-bit frame, as bytes."""
    path = tmp_path_factory.mktemp("sound") / "a.fits"
    write_frame(path, draw_frame(0).astype(np.uint16), checksum=True)
    return path.read_bytes()


@pytest.fixture(scope="session")
def few_frames(tmp_path_factory):
    """A folder of six sound frames."""
    folder = tmp_path_factory.mktemp("few") / "frames"
    folder.mkdir()
    for k in range(6):
        write_frame(
            folder / f"{k}.fits", draw_frame(k).astype(np.uint16),
            **{"DATE-OBS": f"2026-02-11T20:{k:02d}:00"},
        )  # fmt: skip
    return folder
