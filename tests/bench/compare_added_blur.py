"""Added blur by several methods, on frames whose heated stars are the others convolved.

    python tests/bench/compare_added_blur.py [--seeds 2] [--table]

galsim draws stars of several widths, and convolves them with kernels. Methods:

- transform: `framesort.comparison.fit_added_blur`, ln(ratio) = a - c k^2 over a fixed band
- free: the same band, ln(ratio) = a - c k^q with q from 1 to 2
- image: heater-off profile convolved with a Gaussian, fitted to the heated profile in the image
- quadrature: of the FWHM of `framesort.stars.measure_image`

Printed are the widths found, the mean over seeds, and how much they change with the seeing.
"""

import argparse
import sys
from pathlib import Path

import galsim
import numpy as np
from scipy.optimize import least_squares, minimize_scalar
from scipy.special import ive

from framesort.comparison import fit_added_blur, measure_mean_star
from framesort.comparison._added_blur import choose_band, transform_profile
from framesort.comparison._profiles import ring_weights
from framesort.stars import measure_image

sys.path.insert(0, str(Path(__file__).parents[1] / "comparison"))
from galsim_frames import draw_frame, seeing

WIDTH = 5.0
SEEING = (("kolm", 2.0), ("kolm", 3.0), ("kolm", 4.0), ("m3", 2.0), ("m3", 3.0), ("m3", 4.0))
KERNELS = (("gauss", (0.3, 1.0, 2.0, 3.0)), ("m4", (1.0, 2.0)), ("m2.5", (1.0, 2.0)))
SIGMA = 2.354820

_FREQUENCY = np.linspace(0, 8, 40001)
_EXPONENT = np.linspace(1.0, 2.0, 21)


def exponent_width(q):
    """FWHM of the kernel with the transform exp(-k^q), cycles a pixel."""
    from scipy.special import j0

    k = np.linspace(0, 45 ** (1 / q), 20001)
    radius = np.linspace(0.05, 0.5, 200)
    light = [np.trapezoid(np.exp(-(k**q)) * k * j0(2 * np.pi * k * r), k) for r in radius]
    top = np.trapezoid(np.exp(-(k**q)) * k, k)
    return 2 * np.interp(-0.5 * top, -np.array(light), radius)


_WIDTHS = np.array([exponent_width(q) for q in _EXPONENT])


def fit_free(off, on):
    """Width of exp(-c k^q) with q free."""
    k, weight = choose_band(WIDTH)
    first, second = (transform_profile(one.round, one.radius, k, width=WIDTH) for one in (off, on))
    use = (first > 0.01) & (second > 0.01)
    ratio, k, root = np.log(second[use] / first[use]), k[use], np.sqrt(weight[use])

    def miss(p):
        return root * (p[0] - p[1] * np.abs(p[1]) ** (p[2] - 1) * k ** p[2] - ratio)

    fit = least_squares(miss, [0.0, 2.0, 1.9], bounds=([-1, 0, 1.0], [1, 40, 2.0]))
    return fit.x[1] * np.interp(fit.x[2], _EXPONENT, _WIDTHS)


def blur_profile(profile, radius, width):
    """A round profile convolved with a Gaussian: the Rice integral over rings."""
    square = (width / SIGMA) ** 2
    argument = np.outer(radius, radius) / square
    distance = (radius[:, None] - radius) ** 2
    kernel = np.exp(-0.5 * distance / square) * ive(0, argument) / (2 * np.pi * square)
    return kernel @ (ring_weights(radius) * profile)


def fit_image(off, on, fwhm):
    """Width of the Gaussian whose convolution with one profile fits the other best."""
    radius = off.radius
    inside = radius < 4 * fwhm
    error = np.sqrt(7 / 8 * np.sum((on.round_parts - on.round_parts.mean(axis=0)) ** 2, axis=0))
    root = np.sqrt(ring_weights(radius)[inside])
    root = root / np.maximum(error[inside], 0.002 * on.round[0])

    def left(width):
        model = blur_profile(off.round, radius, width)[inside]
        columns = np.stack([model, np.ones(inside.sum())], axis=1) * root[:, None]
        light = on.round[inside] * root
        return np.sum((light - columns @ np.linalg.lstsq(columns, light, rcond=None)[0]) ** 2)

    return minimize_scalar(left, bounds=(0.6, 6.0), method="bounded").x


def measure(profile, fwhm, seed):
    image = draw_frame(profile, seed=seed)
    quality = measure_image(image)
    star = measure_mean_star(image, quality.star_list, fwhm=fwhm, own_fwhm=quality.fwhm)
    return quality.fwhm, star.profiles


def signed_root(value):
    return float(np.sign(value) * np.sqrt(abs(value)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=2)
    seeds = range(500, 500 + 2 * parser.parse_args().seeds, 2)
    offs = {(*s, seed): measure(seeing(*s), s[1], seed) for s in SEEING for seed in seeds}
    print("| kernel | FWHM | transform | free | image | quadrature |")
    print("| --- | --- | --- | --- | --- | --- |")
    for kind, widths in KERNELS:
        for width in widths:
            found = []
            for s in SEEING:
                heated = galsim.Convolve(seeing(*s), seeing(kind, width))
                rows = []
                for seed in seeds:
                    (first, off), (second, on) = offs[*s, seed], measure(heated, s[1], seed + 1)
                    rows.append(
                        (
                            signed_root(fit_added_blur(off, on, width=WIDTH).fwhm_squared),
                            fit_free(off, on),
                            fit_image(off, on, s[1]),
                            signed_root(second**2 - first**2),
                        )
                    )
                found.append(np.mean(rows, axis=0))
            cells = [f"{min(some):.2f} to {max(some):.2f}" for some in np.transpose(found)]
            print(f"| {kind} | {width} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
