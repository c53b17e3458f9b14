"""Places and local widths of the stars, from both stacks together."""

import numpy as np

from framesort.replacement._candidates import StarFit
from framesort.replacement._fit import Unknowns, fit_stars
from framesort.replacement._robust import robust_std
from framesort.replacement._trust import joint_flux

__all__ = ["fit_widths", "move_places"]


def move_places(fit: StarFit) -> None:
    """Better places: weighted mean of what both stacks say."""
    places = fit.places
    num_x, num_y, den = (np.zeros(len(places)) for _ in range(3))
    deep, sharp = joint_flux(fit)
    for side, flux in ((fit.sharp, sharp), (fit.deep, deep)):
        fits = fit_stars(side, places, Unknowns.PLACE, flux=flux)
        good = (fits.covered > 0.3) & (fits.shift_error > 0) & (fits.shift_error < 1)
        w = np.where(good, 1 / np.maximum(fits.shift_error, 1e-3) ** 2, 0)
        num_x += w * np.clip(fits.shift_x, -1, 1)
        num_y += w * np.clip(fits.shift_y, -1, 1)
        den += w
    move = den > 0
    step_x, step_y = (np.where(move, v / np.where(move, den, 1), 0) for v in (num_x, num_y))
    places.x += 0.9 * np.clip(step_x, -0.6, 0.6)
    places.y += 0.9 * np.clip(step_y, -0.6, 0.6)


def fit_widths(fit: StarFit, shape: tuple[int, ...]) -> None:
    """Local width as a quadratic surface, from stars well measured in both stacks."""
    p = fit.places
    logs, weights = np.zeros(len(p)), np.zeros(len(p))
    for side in fit.sides:
        fits = fit_stars(side, p, Unknowns.WIDTH)
        good = (fits.covered > 0.8) & (fits.width_error > 0) & (fits.width_error < 0.05)
        good &= np.abs(fits.width) < 0.3
        w = np.where(good, 1 / np.maximum(fits.width_error, 0.003) ** 2, 0)
        logs += w * fits.width
        weights += w
    use = weights > 0
    if use.sum() < 30:
        return
    u, v = p.x / shape[1] * 2 - 1, p.y / shape[0] * 2 - 1
    # Fourth order where there are ten stars a term, else second.
    order = 4 if use.sum() >= 150 else 2
    basis = np.column_stack([u**i * v**j for i in range(order + 1) for j in range(order + 1 - i)])
    z = np.where(use, logs / np.where(use, weights, 1), 0)
    w = np.sqrt(weights)
    for _ in range(4):
        coef, *_ = np.linalg.lstsq(basis[use] * w[use, None], z[use] * w[use], rcond=None)
        off = (z - basis @ coef) * w
        spread = float(robust_std(off[use], 0))
        use &= np.abs(off) < 3.5 * max(spread, 1e-9)
        if use.sum() < 12:
            return
    p.factor = p.factor * np.exp(np.clip(basis @ coef, -0.3, 0.3))
    p.factor /= np.median(p.factor)
