"""Compare ways to replace stars on invented scenes with known truth.

    python tests/bench/compare_replacement.py [SCENE ...] [--size N] [--pictures PNG]

Needs the scene maker and the scorer (``../shared/score`` beside the repository, or the folder
named by FRAMESORT_SCORE). Every method gets the same cut of the same scene; those that need
star places get the true ones, which is more than they would have in practice.
"""

import argparse
import os
import sys
import time
import warnings
from pathlib import Path

import numpy as np
from astropy.modeling.fitting import TRFLSQFitter
from astropy.table import Table
from photutils.psf import EPSFBuilder, PSFPhotometry, extract_stars
from scipy import ndimage
from skimage.restoration import inpaint_biharmonic

from framesort.replacement import replace_stars
from framesort.stars import estimate_background

SCORE = Path(
    os.environ.get("FRAMESORT_SCORE", Path(__file__).parents[2] / "../shared/score")
).resolve()


def cut_scene(truth, size):
    """The middle of a scene, with everything that belongs to it."""
    ny, nx = truth["deep"].shape
    y0, x0 = max(0, (ny - size) // 2), max(0, (nx - size) // 2)
    part = {
        k: v[y0 : y0 + size, x0 : x0 + size] if np.ndim(v) == 2 else v for k, v in truth.items()
    }
    inside = (
        (truth["x"] > x0)
        & (truth["x"] < x0 + size - 1)
        & (truth["y"] > y0)
        & (truth["y"] < y0 + size - 1)
    )
    part["x"], part["y"] = truth["x"][inside] - x0, truth["y"][inside] - y0
    part["flux"] = truth["flux"][inside]
    part["knots_x"], part["knots_y"] = truth["knots_x"] - x0, truth["knots_y"] - y0
    if len(part["knots_x"]):
        fine = (np.minimum(part["knots_x"], part["knots_y"]) > 20) & (
            np.maximum(part["knots_x"], part["knots_y"]) < size - 20
        )
        part["knots_x"], part["knots_y"] = part["knots_x"][fine], part["knots_y"][fine]
    return part


def _matched(t):
    """Sharp stack on the deep one's flux scale and level, by stars' sums and the background."""
    sharp = t["sharp"].astype(float)
    back_d = estimate_background(t["deep"]).level
    back_s = estimate_background(t["sharp"]).level
    cores = t["sharp_light"] > 100
    scale = np.median(((t["deep"] - back_d)[cores]).sum() / ((sharp - back_s)[cores]).sum())
    return (sharp - back_s) * scale, back_d


def _hole(t, level):
    """Discs that hold the deep stars' light down to `level` ADU."""
    return ndimage.binary_dilation(t["deep_light"] > level, iterations=1)


def plain_pasting(t):
    """Sharp pixels within a disc around each star, background matched; no removal."""
    light, back = _matched(t)
    soft = ndimage.gaussian_filter(_hole(t, 3.0).astype(float), 1.5)
    return t["deep"] * (1 - soft) + soft * (light + back)


def biharmonic_and_pasting(t):
    """Holes of the deep stars filled by biharmonic inpainting, then sharp light added."""
    light, _ = _matched(t)
    hole = _hole(t, 3.0)
    low, span = float(np.median(t["deep"])), 1000.0
    filled = (
        inpaint_biharmonic((t["deep"].astype(float) - low) / span, hole, split_into_regions=True)
        * span
        + low
    )
    star = ndimage.binary_dilation(t["sharp_light"] > 3.0 * float(t["sigma"]))
    return filled + np.where(star, light, 0.0)


def psf_photometry(t):
    """Profiles and fluxes of both stacks by photutils; deep model off, sharp model on."""
    models = []
    for name, width in (("deep", 25), ("sharp", 25)):
        image = t[name].astype(float)
        flat = image - estimate_background(t[name]).level
        peak = t["flux"] * 0.03
        pick = (peak > 300) & (peak < 20000)
        pick &= np.minimum(t["x"], t["y"]) > 20
        pick &= (t["x"] < flat.shape[1] - 20) & (t["y"] < flat.shape[0] - 20)
        places = Table({"x": t["x"][pick], "y": t["y"][pick]})
        from astropy.nddata import NDData

        cuts = extract_stars(NDData(flat), places, size=width)
        epsf, _ = EPSFBuilder(oversampling=2, maxiters=6, progress_bar=False)(cuts)
        init = Table({"x_init": t["x"], "y_init": t["y"], "flux_init": t["flux"]})
        fit = PSFPhotometry(epsf, (9, 9), grouper=None, aperture_radius=5, fitter=TRFLSQFitter())
        fit(flat, init_params=init)
        models.append(fit.make_model_image(flat.shape, psf_shape=(width, width)))
    return t["deep"] - models[0] + models[1]


def framesort_method(t):
    """This project's `replace_stars`; it finds the stars itself."""
    return replace_stars(t["deep"], t["sharp"]).final


METHODS = {
    "framesort": framesort_method,
    "biharmonic + pasting": biharmonic_and_pasting,
    "photutils PSF": psf_photometry,
    "plain pasting": plain_pasting,
}


def draw_pictures(path, rows, titles):
    """One row a scene: cut-outs around a bright star by every method, and the truth."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    fig, axes = plt.subplots(
        len(rows),
        len(titles),
        figsize=(1.6 * len(titles), 1.65 * len(rows)),
        squeeze=False,
        layout="constrained",
    )
    for line, (name, level, noise, cuts) in zip(axes, rows, strict=True):
        for ax, cut, title in zip(line, cuts, titles, strict=True):
            ax.imshow(
                np.arcsinh((cut - level) / (4 * noise)),
                origin="lower",
                cmap="gray",
                vmin=-1.5,
                vmax=4,
            )
            ax.set_xticks([])
            ax.set_yticks([])
            if name == rows[0][0]:
                ax.set_title(title, fontsize=8)
        line[0].set_ylabel(name, fontsize=8)
    fig.savefig(path, dpi=90)


def cut_bright(truth, pictures, half=48):
    """The surroundings of the brightest star that is not at the edge, in each picture."""
    ny, nx = truth["deep"].shape
    room = np.minimum.reduce([truth["x"], truth["y"], nx - 1 - truth["x"], ny - 1 - truth["y"]])
    k = int(np.argmax(np.where(room > half + 1, truth["flux"], 0)))
    y, x = round(truth["y"][k]), round(truth["x"][k])
    return [p[y - half : y + half + 1, x - half : x + half + 1] for p in pictures]


def main():
    """Print a table of figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scene", nargs="*", default=["plain", "bright"])
    parser.add_argument("--size", type=int, default=600)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--pictures", help="also draw a PNG with one row a scene")
    args = parser.parse_args()
    sys.path.insert(0, str(SCORE))
    import scenes
    import score

    figures = (
        "under_rms",
        "under_bias",
        "blemish",
        "line_left",
        "noise_ratio",
        "width_bright",
        "flux_bias",
        "untouched",
    )
    print(f"{'scene':8s} {'method':22s} {'s':>6s} " + " ".join(f"{n:>12s}" for n in figures))
    rows = []
    for name in args.scene:
        t = cut_scene(scenes.make(name, args.seed), args.size)
        finals = []
        for method, work in METHODS.items():
            start = time.process_time()
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                final = np.asarray(work(t), dtype=float)
                took = time.process_time() - start
                values = score.score(t, t["deep"].astype(float), final)
            finals.append(final)
            print(
                f"{name:8s} {method:22s} {took:6.1f} "
                + " ".join(f"{values.get(n, np.nan):12.3f}" for n in figures),
                flush=True,
            )
        back = t["neb"] + t["sky"]
        pictures = [t["deep"], t["sharp"], *finals, back + t["sharp_light"]]
        cuts = cut_bright(t, pictures)
        # The sharp stack may have another level and scale: shown on its own.
        level, noise = float(np.median(t["deep"])), float(t["sigma"])
        cuts[1] = _shown_as(t["sharp"], cuts[1], level)
        rows.append((name, level, noise, cuts))
        if args.pictures:  # after each scene: what is done is done
            draw_pictures(args.pictures, rows, ["deep", "sharp", *METHODS, "truth"])


def _shown_as(sharp, cut, level):
    return cut - float(np.median(sharp)) + level


if __name__ == "__main__":
    main()
