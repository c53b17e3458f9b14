"""What can be chosen in a replacement, and what it is made with."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from framesort.errors import InputError
from framesort.replacement._arrays import Floats

__all__ = ["ReplacementOptions", "ReplacementSettings"]


@dataclass(frozen=True, kw_only=True)
class ReplacementOptions:
    """What a caller of `replace_stars` can choose.

    Attributes
    ----------
    amount : float
        1 replaces wholly, 0 changes nothing.
    detail : bool
        Restore detail of nebulae and galaxies that the deep stack's blur removed, where the
        sharp stack shows it significantly: bit 16 of the mask. False: only stars are replaced, and
        all else stays as blurred as in the deep stack. A deep stack of another filter than the
        sharp one gets no detail.
    brightest, faintest : float or None
        Stars with more or less flux in the deep stack, ADU, are not replaced.
    flux_scale : "picture", "star", float or None
        One scale for all stars from the sharp to the deep stack; or each star's own, so that it
        keeps its deep flux; or a scale that is known. None: "star" where the deep stack has
        several planes and the sharp one has one, so that stars keep their colours, else "picture".
    saturation_deep, saturation_sharp : float or None
        Level from which a pixel is saturated, ADU; None for the stack's own level, else
        that of a plateau in the brightest star.

    Raises
    ------
    InputError
        One is out of range.
    """

    amount: float = 1.0
    detail: bool = True
    brightest: float | None = None
    faintest: float | None = None
    flux_scale: Literal["picture", "star"] | float | None = None
    saturation_deep: float | None = None
    saturation_sharp: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.amount <= 1:
            raise InputError(f"amount must be from 0 to 1, got {self.amount}")
        scale = self.flux_scale
        if isinstance(scale, str):
            if scale not in ("picture", "star"):
                raise InputError(f"flux_scale must be 'picture', 'star' or a number, got {scale!r}")
        elif scale is not None and not (np.isfinite(scale) and scale > 0):
            raise InputError(f"flux_scale must be above 0, got {scale}")


@dataclass(frozen=True, kw_only=True)
class ReplacementSettings:
    """What planes are replaced with; numbers in the units that they are worked on in.

    Attributes
    ----------
    saturation : (float, float)
        Levels of the deep and the sharp stack; infinite where unknown.
    keep, force : (n, 3) float ndarray or None
        Places (x, y, radius).
    brightest, faintest : float or None
        Deep flux above and below which stars are not replaced.
    amount : float
    detail : bool
    per_star : bool
        Each star keeps its deep flux.
    scale : float or None
        Deep flux per sharp flux where it is known.
    seed : int
        For the pixel noise of the starless layer.
    sharp_colours : bool
        The sharp stack has several planes, the deep one has one.
    """

    saturation: tuple[float, float]
    keep: Floats | None
    force: Floats | None
    brightest: float | None
    faintest: float | None
    amount: float
    detail: bool
    per_star: bool
    scale: float | None
    seed: int
    sharp_colours: bool
