"""Stars of drawn images: what was asked, what is reached, and what other libraries give.

    python tests/bench/compare_stars.py [--only widths|depth|trails|conditions] [--stars N]

galsim draws every image; `measure_image`, sep, photutils and galsim's adaptive moments measure
the same pixels. The tables are those of docs/stars.md. A script, not a test: it takes minutes.
"""

import argparse
import sys
import warnings
from pathlib import Path

import galsim
import numpy as np
import sep
from photutils.psf import fit_2dgaussian, fit_fwhm
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parents[1] / "stars"))
from star_scenes import profile, star_grid, trailed, true_shape

from framesort.stars import measure_image

NOISE, SKY = 10.0, 1000.0
WIDTHS = (1.6, 2.0, 2.5, 3.0, 4.5, 6.0, 9.0)
KINDS = ("gauss", "m2.5", "m3", "m4.765", "kolm")
NAMES = {
    "gauss": "Gaussian",
    "m2.5": "Moffat 2.5",
    "m3": "Moffat 3",
    "m4.765": "Moffat 4.765",
    "kolm": "Kolmogorov",
}


def bound(star, flux: float) -> float:
    """Cramér-Rao bound of x for noise of the background alone, pixels (see test_star_find)."""
    information = []
    for place in np.linspace(-0.45, 0.45, 10):
        one, two = (
            star.withFlux(flux)
            .drawImage(nx=61, ny=61, scale=1.0, offset=(place + step, 0.0), dtype=float)
            .array
            for step in (-0.01, 0.01)
        )
        information.append((((two - one) / 0.02) ** 2).sum())
    return float(NOISE / np.sqrt(np.mean(information)))


def pair(x, y, truth, far: float):
    """Rows found, and the true star each belongs to."""
    distance, index = cKDTree(truth[:, :2]).query(np.c_[x, y])
    return np.flatnonzero(distance < far), index[distance < far]


def pulls(x, y, truth, limits, far: float) -> float:
    """Centroid error over its bound: 68 % of the coordinates are within so many bounds."""
    rows, index = pair(x, y, truth, far)
    if len(rows) < 3:
        return np.nan
    error = np.r_[np.asarray(x)[rows] - truth[index, 0], np.asarray(y)[rows] - truth[index, 1]]
    return float(np.percentile(np.abs(error / np.tile(limits[index], 2)), 68.27))


def with_sep(image, fwhm: float, truth, limits) -> dict[str, float]:
    data = np.ascontiguousarray(image, dtype=np.float32)
    background = sep.Background(data, bw=64, bh=64)
    data = data - background.back()
    found = sep.extract(data, 5, err=background.rms())
    rows, _ = pair(found["x"], found["y"], truth, fwhm)
    found = found[rows]
    half, _ = sep.flux_radius(
        data, found["x"], found["y"], np.full(len(found), 5 * fwhm), 0.5, subpix=11
    )
    x, y, _ = sep.winpos(data, found["x"], found["y"], 2 / 2.3548 * half)
    ratio = found["b"] / found["a"]
    return {
        "fwhm": float(np.median(2 * half)),
        "half": float(np.median(half)),
        "ecc": float(np.median(np.sqrt(1 - np.clip(ratio, 0, 1) ** 2))),
        "centroid": pulls(x, y, truth, limits, fwhm),
    }


def with_photutils(image, fwhm: float, truth, limits) -> dict[str, float]:
    """Gaussian fits in the way of the manual, started at the true places."""
    size = max(5, int(2.5 * fwhm) | 1)
    sky = float(np.median(image))
    data, places = image - sky, truth[:, :2]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # fits that do not settle are counted by the median
        width = fit_fwhm(data, xypos=places, fwhm=fwhm, fit_shape=size)
        table = fit_2dgaussian(
            data, xypos=places, fwhm=fwhm, fix_fwhm=False, fit_shape=size
        ).results
    # Its model is integrated over the pixel: the pixel's share of a Gaussian's width is put back.
    return {
        "fwhm": float(np.sqrt(np.nanmedian(width) ** 2 + 2.3548**2 / 12)),
        "half": np.nan,
        "ecc": np.nan,
        "centroid": pulls(table["x_fit"], table["y_fit"], truth, limits, fwhm),
    }


def with_moments(image, fwhm: float, truth, limits) -> dict[str, float]:
    """galsim's adaptive moments (Hirata & Seljak 2003; Mandelbaum et al. 2005)."""
    half = int(max(10, 4 * fwhm))
    sky, x, y, width, ecc = float(np.median(image)), [], [], [], []
    for px, py in truth[:, :2]:
        i, j = round(px), round(py)
        cut = image[max(0, j - half) : j + half + 1, max(0, i - half) : i + half + 1] - sky
        stamp = galsim.Image(
            np.ascontiguousarray(cut, dtype=float), xmin=max(0, i - half), ymin=max(0, j - half)
        )
        got = galsim.hsm.FindAdaptiveMom(
            stamp, guess_centroid=galsim.PositionD(px, py), guess_sig=fwhm / 2.3548, strict=False
        )
        if got.error_message:
            continue
        x.append(got.moments_centroid.x)
        y.append(got.moments_centroid.y)
        width.append(2.3548 * got.moments_sigma)
        ecc.append(
            np.sqrt(1 - np.exp(-2 * np.hypot(got.observed_shape.eta1, got.observed_shape.eta2)))
        )
    return {
        "fwhm": float(np.median(width)) if width else np.nan,
        "half": np.nan,
        "ecc": float(np.median(ecc)) if ecc else np.nan,
        "centroid": pulls(np.array(x), np.array(y), truth, limits, fwhm) if x else np.nan,
    }


def measure_all(image, star, fwhm: float, truth, *, others: bool = True) -> dict[str, dict]:
    """Each method's numbers for one image; `true` is the profile's own."""
    width, half, ecc, _ = true_shape(star)
    limits = bound(star, 1.0) / truth[:, 2]
    quality = measure_image(image)
    table = quality.star_list
    result = {
        "true": {"fwhm": width, "half": half, "ecc": ecc, "centroid": 1.0},
        "here": {
            "fwhm": quality.fwhm,
            "half": quality.half_flux_radius,
            "ecc": quality.eccentricity,
            "centroid": pulls(table["x"], table["y"], truth, limits, fwhm),
            "found": len(set(pair(table["x"], table["y"], truth, fwhm)[1])) / len(truth),
            "line": quality.spike_raw / quality.spike_raw_err,
        },
    }
    if others:
        result["sep"] = with_sep(image, fwhm, truth, limits)
        result["gauss"] = with_photutils(image, fwhm, truth, limits)
        result["moments"] = with_moments(image, fwhm, truth, limits)
    return result


def percent(value: float, truth: float) -> str:
    return f"{100 * (value / truth - 1):+.1f}" if np.isfinite(value) else "-"


def show(label: str, found: dict[str, dict]) -> None:
    true, here = found["true"], found["here"]
    others = [found.get(name) for name in ("sep", "gauss", "moments")]
    cells = [label, f"{true['fwhm']:.3f}", percent(here["fwhm"], true["fwhm"])]
    cells += [percent(one["fwhm"], true["fwhm"]) if one else "-" for one in others]
    cells += [percent(here["half"], true["half"])]
    cells += [percent(others[0]["half"], true["half"]) if others[0] else "-"]
    cells += [f"{true['ecc']:.2f}", f"{here['ecc'] - true['ecc']:+.3f}"]
    cells += [f"{one['ecc'] - true['ecc']:+.3f}" if one else "-" for one in (others[0], others[2])]
    cells += [f"{one['centroid']:.2f}" if one else "-" for one in (here, *others)]
    print("| " + " | ".join(cells) + " |", flush=True)


def head(title: str) -> None:
    print(f"\n{title}\n")
    names = ["", "true FWHM", "FWHM: here", "sep", "Gauss", "moments", "half-flux: here", "sep"]
    names += ["true ecc.", "ecc.: here", "sep", "moments"]
    names += ["centroid: here", "sep", "Gauss", "moments"]
    print("| " + " | ".join(names) + " |")
    print("| " + " | ".join("---" for _ in names) + " |")


def widths(side: int) -> None:
    head("Round, S/N 20 to 1000")
    for kind in KINDS:
        for fwhm in WIDTHS:
            rng = np.random.default_rng([1, int(10 * fwhm)])
            star = profile(kind, fwhm)
            image, truth = star_grid(star, fwhm, (20, 1000), rng=rng, side=side)
            show(f"{NAMES[kind]} {fwhm:g}", measure_all(image, star, fwhm, truth))


def depth(side: int) -> None:
    head("One S/N")
    for kind, fwhm in (("gauss", 1.6), ("m3", 3.0), ("kolm", 4.5)):
        star = profile(kind, fwhm)
        for snr in (20, 50, 100, 300, 1000):
            rng = np.random.default_rng([2, snr])
            image, truth = star_grid(star, fwhm, snr, rng=rng, side=side)
            label = f"{NAMES[kind]} {fwhm:g}, {snr}"
            show(label, measure_all(image, star, fwhm, truth))


def trails(side: int) -> None:
    head("Sheared, or moved on a straight line of so many FWHM; S/N 50 to 1000")
    for kind, fwhm in (("gauss", 2.0), ("m3", 3.0), ("kolm", 4.5)):
        for e in (0.1, 0.3):
            rng = np.random.default_rng([3, int(10 * fwhm)])
            star = profile(kind, fwhm, e, 30.0)
            image, truth = star_grid(star, fwhm, (50, 1000), rng=rng, side=side)
            label = f"{NAMES[kind]} {fwhm:g}, e {e:g}"
            show(label, measure_all(image, star, fwhm, truth))
        for length in (0.5, 1.0, 2.0):
            rng = np.random.default_rng([4, int(10 * fwhm)])
            star = trailed(kind, fwhm, length * fwhm, 30.0)
            image, truth = star_grid(star, fwhm, (50, 1000), rng=rng, side=side)
            label = f"{NAMES[kind]} {fwhm:g}, trail {length:g}"
            show(label, measure_all(image, star, fwhm, truth))


def spoil(name: str, image, star, fwhm: float, rng):
    """An image with something in the way of its stars."""
    y, x = np.indices(image.shape)
    if name == "nebulosity":
        cloud = 600 * np.exp(-((x - 120) ** 2 + (y - 140) ** 2) / 2 / (8 * fwhm) ** 2)
        cloud += 200 * (1 + np.sin(x / (6 * fwhm)) * np.cos(y / (7 * fwhm)))
        return image + cloud
    if name == "crowded":
        image = image.astype(float)
        whole, half = galsim.ImageD(image), int(6 * fwhm)
        for _ in range(int(image.size / (18 * fwhm**2))):
            px, py = rng.uniform(0, image.shape[1]), rng.uniform(0, image.shape[0])
            flux = 10 * NOISE * fwhm * 10 ** rng.exponential(0.35)
            ix, iy = int(px), int(py)
            drawn = star.withFlux(flux).drawImage(
                nx=2 * half + 1, ny=2 * half + 1, scale=1.0, offset=(px - ix, py - iy)
            )
            drawn.setCenter(ix + 1, iy + 1)
            both = drawn.bounds & whole.bounds
            whole[both] += drawn[both]
        return whole.array
    if name == "saturated":
        return np.minimum(image, SKY + np.percentile(image - SKY, 99.9))
    hit = image.copy()
    for _ in range(image.size // 2000):
        hit[rng.integers(0, image.shape[0]), rng.integers(0, image.shape[1])] += rng.uniform(
            300, 20000
        )
    for _ in range(image.size // 8000):
        angle, length = rng.uniform(0, np.pi), rng.uniform(3, 12)
        px, py = rng.uniform(15, image.shape[1] - 15), rng.uniform(15, image.shape[0] - 15)
        for s in np.arange(0.0, length):
            hit[round(py + s * np.sin(angle)), round(px + s * np.cos(angle))] += 1500
    return hit


def conditions(side: int) -> None:
    head("In the way of the stars; S/N 50 to 1000")
    for kind, fwhm in (("gauss", 2.0), ("m3", 3.0), ("kolm", 6.0)):
        star = profile(kind, fwhm)
        for name in ("nebulosity", "crowded", "saturated", "hot pixels, cosmic rays"):
            rng = np.random.default_rng([5, int(10 * fwhm)])
            image, truth = star_grid(star, fwhm, (50, 1000), rng=rng, side=side)
            image = spoil(name, image, star, fwhm, rng).astype(np.float32)
            show(f"{NAMES[kind]} {fwhm:g}, {name}", measure_all(image, star, fwhm, truth))


def main() -> None:
    parts = {"widths": widths, "depth": depth, "trails": trails, "conditions": conditions}
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=sorted(parts))
    parser.add_argument("--side", type=int, default=7, help="stars along a side of each image")
    chosen = parser.parse_args()
    for name, part in parts.items():
        if chosen.only in (None, name):
            part(chosen.side)


if __name__ == "__main__":
    main()
