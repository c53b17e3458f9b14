"""Compare ways to replace stars on simulated scenes with known truth; prints Markdown tables.

    python tests/bench/compare_replacement.py [SCENE ...] [--seed N] [--pictures PNG]

The scenes cloud, spiral, filaments and flat are of ``tests/replacement``: all light, nebula and
stars, passes through the profile of each stack. ``--hard`` adds pairs of the same kind that are
made difficult on purpose. Other names are scenes of the scene maker and the
scorer in the folder named by FRAMESORT_SCORE, in which the nebula is the same in both stacks;
``--size`` cuts their middle out. Every method gets the same scene; those that need star places
get the true ones, which is more than they would have in practice.

Columns of scenes in which the nebula is blurred:

structure
    rms error where heat moved the nebula's light by more than the deep stack's noise, outside
    star light; over that of the deep or the sharp stack, whichever is smaller
coarse
    the same of the errors between 4 and 16 pixels in size
elsewhere
    rms error outside structure and star light over the deep stack's
width, flux
    of isolated stars: median width over the true width, median error of the light in an aperture
spike
    share of the deep stack's spikes that is left
"""

import argparse
import os
import sys
import time
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.modeling.fitting import TRFLSQFitter
from astropy.table import Table
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.psf import EPSFBuilder, PSFPhotometry, extract_stars, fit_fwhm
from scipy import ndimage
from scipy.spatial import KDTree
from skimage.restoration import inpaint_biharmonic

from framesort.replacement import replace_stars
from framesort.stars import estimate_background

sys.path.insert(0, str(Path(__file__).parents[1] / "replacement"))
from scenes_for_replacement import BRIGHTNESS, make_blurred_pair


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


def sharp_alone(t):
    """The sharp stack on the deep one's scale and level."""
    if "same_scale" in t:
        return t["same_scale"].astype(float)
    light, back = _matched(t)
    return light + back


def mean_of_both(t):
    """The mean of both stacks, weighted by the inverse variance of the sky."""
    weights = [1 / estimate_background(t[name]).noise.mean() ** 2 for name in ("deep", "sharp")]
    return np.average([t["deep"].astype(float), sharp_alone(t)], axis=0, weights=weights)


METHODS = {
    "deep alone": lambda t: t["deep"],
    "sharp alone": sharp_alone,
    "mean of both": mean_of_both,
    "framesort": framesort_method,
    "biharmonic + pasting": biharmonic_and_pasting,
    "photutils PSF": psf_photometry,
    "plain pasting": plain_pasting,
}


def _with_trail(pair):
    """A satellite's trail of 100 ADU, 2 px wide, in the sharp stack alone."""
    rows, columns = np.indices(pair.sharp.shape)
    across = (rows - 60 - 0.6 * columns) / np.hypot(1, 0.6)
    light = 100 * np.exp(-(across**2) / 2)
    return replace(pair, sharp=(pair.sharp + light).astype(np.float32))


HARD = {
    "width ratio 1.05": {"widths": (2.8, 2.94)},
    "width ratio 2": {"widths": (2.8, 5.6)},
    "stars of 1.8 px": {"widths": (1.8, 2.5)},
    "stars of 5 px": {"widths": (5.0, 7.0)},
    "spikes of 20 %": {"line": 0.2},
    "nebula of 10,000 ADU": {"brightness": 1e4},
    "2 sharp frames, 100 heated": {"frames": (2, 100)},
    "8 stars": {"stars": 8},
    "6000 stars a megapixel": {"stars": 950},
    "flat, 6000 stars a megapixel": {"kind": "flat", "stars": 950},
    "trail in the sharp stack": {},
}
"""Pairs made difficult: arguments of `make_blurred_pair` that differ."""

CHANGED = {"trail in the sharp stack": _with_trail}
"""What is done to such a pair."""


def make_hard_pair(name, seed):
    """One of `HARD`."""
    return CHANGED.get(name, lambda pair: pair)(make_blurred_pair(seed=seed, **HARD[name]))


BLURRED = ("structure", "coarse", "elsewhere", "width", "flux", "spike")
"""Figures of the scenes in which heat blurs the nebula too."""

SCORED = (
    "under_rms",
    "under_bias",
    "blemish",
    "line_left",
    "noise_ratio",
    "width_bright",
    "flux_bias",
    "untouched",
)
"""Figures of the scorer's."""


def _rms(values):
    return float(np.sqrt(np.mean(values**2))) if values.size > 500 else np.nan


def _lone_stars(pair, apart=15):
    """Unsaturated bright stars with no neighbour that matters, away from the edge."""
    places = np.column_stack([pair.x, pair.y])
    light = [pair.flux[near].sum() for near in KDTree(places).query_ball_point(places, apart)]
    margin = np.minimum.reduce([places, np.array(pair.deep.shape[::-1]) - 1 - places]).min(axis=1)
    return places[
        (np.array(light) < 1.03 * pair.flux)
        & (margin > 20)
        & (pair.flux > 5e3)
        & (0.12 * pair.flux < 4e4)
    ]


def _spike_left(error, pair):
    """Share of the spikes in an error; wider wings and the nebula's blur are fitted beside it."""
    some = (pair.spike > pair.noise) & (pair.sharp_light < 30 * pair.noise)
    wings = pair.deep_light - pair.spike - pair.sharp_light
    parts = np.stack([pair.spike, wings, pair.deep_nebula - pair.nebula], axis=-1)
    parts = (parts / pair.noise[..., None])[some]
    return float(np.linalg.lstsq(parts, (error / pair.noise)[some], rcond=None)[0][0])


def measure_picture(final, pair):
    """Figures of a picture made of a `BlurredPair`; see above."""
    lost = np.abs(pair.deep_nebula - pair.nebula) > pair.noise
    free = np.maximum(pair.deep_light, pair.sharp_light) < 0.5 * pair.noise
    core = pair.sharp_light > 20 * pair.noise

    def errors(image):
        error = np.where(core, 0.0, (image - pair.truth) / pair.noise)
        coarse = ndimage.gaussian_filter(error, 1.7) - ndimage.gaussian_filter(error, 6.8)
        return _rms(error[lost & free]), _rms(coarse[lost & free]), _rms(error[~lost & free])

    own, deep, sharp = (errors(np.asarray(v, float)) for v in (final, pair.deep, pair.sharp))
    out = {
        "structure": own[0] / min(deep[0], sharp[0]),
        "coarse": own[1] / min(deep[1], sharp[1]),
        "elsewhere": own[2] / deep[2],
        "spike": _spike_left(final - pair.truth, pair),
    }
    lone = _lone_stars(pair)
    if len(lone):
        stars = final - pair.nebula
        found, true = (
            fit_fwhm(data, xypos=lone, fit_shape=(11, 11)) for data in (stars, pair.sharp_light)
        )
        inside, whole = (
            np.asarray(aperture_photometry(data, CircularAperture(lone, 6.0))["aperture_sum"])
            for data in (stars, pair.sharp_light)
        )
        out["width"] = float(np.nanmedian(found / true))
        out["flux"] = float(np.median(inside / whole - 1))
    return out


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
    for line, (name, cuts) in zip(axes, rows, strict=True):
        low, high = np.percentile(cuts[-1], [1, 99])
        for ax, cut, title in zip(line, cuts, titles, strict=True):
            shown = np.arcsinh(10 * (cut - low) / (high - low))
            ax.imshow(shown, origin="lower", cmap="gray", vmin=-0.7, vmax=3)
            ax.set_xticks([])
            ax.set_yticks([])
            if name == rows[0][0]:
                ax.set_title(title, fontsize=8)
        line[0].set_ylabel(name, fontsize=8)
    fig.savefig(path, dpi=80)


def cut_bright(truth, pictures, half=48):
    """The surroundings of the brightest star that is not at the edge, in each picture."""
    ny, nx = truth["deep"].shape
    margin = np.minimum.reduce([truth["x"], truth["y"], nx - 1 - truth["x"], ny - 1 - truth["y"]])
    k = int(np.argmax(np.where(margin > half + 1, truth["flux"], 0)))
    y, x = round(truth["y"][k]), round(truth["x"][k])
    return [p[y - half : y + half + 1, x - half : x + half + 1] for p in pictures]


def open_scene(name, seed, size):
    """What the methods are given, the figures' names, and a callable that measures a picture."""
    if name in BRIGHTNESS or name in HARD:
        pair = make_blurred_pair(name, seed) if name in BRIGHTNESS else make_hard_pair(name, seed)
        scene = {**vars(pair), "same_scale": pair.sharp, "truth": pair.truth}
        return scene, BLURRED, lambda final: measure_picture(final, pair)
    sys.path.insert(0, os.environ["FRAMESORT_SCORE"])
    import scenes
    import score

    scene = cut_scene(scenes.make(name, seed), size)
    scene["truth"] = scene["neb"] + scene["sky"] + scene["sharp_light"]
    return scene, SCORED, lambda final: score.score(scene, scene["deep"].astype(float), final)


def main():
    """Print a table a scene."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("scene", nargs="*", default=list(BRIGHTNESS))
    parser.add_argument("--size", type=int, default=600)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--methods", nargs="*", choices=METHODS, default=list(METHODS))
    parser.add_argument("--hard", action="store_true", help="pairs made difficult as well")
    parser.add_argument("--pictures", help="also draw a PNG with one row a scene")
    args = parser.parse_args()
    rows = []
    for name in [*args.scene, *(HARD if args.hard else ())]:
        scene, figures, measure = open_scene(name, args.seed, args.size)
        print("\n| " + " | ".join([name, "s", *figures]) + " |")
        print("|---" * (2 + len(figures)) + "|")
        finals = []
        for method in args.methods:
            start = time.process_time()
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                final = np.asarray(METHODS[method](scene), dtype=float)
                took = time.process_time() - start
                values = measure(final)
            finals.append(final)
            known = {n: values.get(n, np.nan) for n in figures}
            told = [f"{v:.3f}" if np.isfinite(v) else "-" for v in known.values()]
            print("| " + " | ".join([method, f"{took:.1f}", *told]) + " |", flush=True)
        rows.append((name, cut_bright(scene, [*finals, scene["truth"]])))
        if args.pictures:  # after each scene: what is done is done
            draw_pictures(args.pictures, rows, [*args.methods, "truth"])


if __name__ == "__main__":
    main()
