"""Light around bright stars against angle, averaged over frames of one heater state."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.records import FrameQuality

__all__ = ["average_light_by_angle"]


def average_light_by_angle(
    qualities: Sequence[FrameQuality], states: Any
) -> dict[str, NDArray[np.float64]]:
    """Mean `spike_profile` of the frames of each heater state.

    Parameters
    ----------
    qualities : sequence of FrameQuality
        One per frame; frames without a profile are ignored.
    states : (n,) array_like of str
        Heater state of each.

    Returns
    -------
    dict of str to (SPIKE_BINS,) float ndarray
        For each state that occurs with a profile.
    """
    found: dict[str, list[NDArray[np.float64]]] = {}
    for quality, state in zip(qualities, states, strict=True):
        if np.isfinite(quality.spike_profile).all():
            found.setdefault(str(state), []).append(quality.spike_profile)
    return {state: np.mean(profiles, axis=0) for state, profiles in sorted(found.items())}
