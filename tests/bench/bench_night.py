"""A whole night, frames to final picture, against a script that glues general libraries together.

    python tests/bench/bench_night.py [--frames 8] [--rows 1044] [--columns 1562] [--folder DIR]
                                      [--only framesort | glued]

Full size: ``--frames 40 --rows 4176 --columns 6248`` writes 2 GB of frames and, by the glued
script, 4 GB of resampled ones. ``--folder`` is kept and used again, so that both can be run one
at a time with ``--only``; without it everything goes to a temporary folder.

The glued script, in one process: photutils (Background2D, detect_sources, SourceCatalog) for each
frame, sharp ones chosen by FWHM, astroalign onto the sharpest, scikit-image's warp (bicubic), and
ccdproc.combine with median and MAD clipping at 3 sigma for both sets. It ends there: no
spike, no star replacement, no report. This library does those as well.
"""

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from tools import machine, make_night, run_child, serve_child, show, show_ratio

MEMORY_LIMIT = 2e9  # what ccdproc.combine is allowed


def by_framesort(folder, workers, again):
    from framesort import workers as pools

    pools.tune_heaps()  # this and more as the command line does
    pools.skip_last_search()
    stages = []

    def progress(name):
        def follow(items):
            stages.append((name, time.time()))
            yield from items
            stages.append(("", time.time()))

        return follow

    out = Path(folder) / "framesort"
    if not again:
        shutil.rmtree(out, ignore_errors=True)
    pools.prepare_workers(["framesort.quality", "framesort.report"])
    with pools.loading_modules():
        from framesort.night import process_night

    with pools.open_executor(workers) as pool:
        result = process_night(
            sorted(Path(folder).glob("frame_*.fits")), out=out, heater=Path(folder) / "heater.csv",
            executor=pool, progress=progress, overwrite=again,
        )  # fmt: skip
    return {"stages": stages, "status": result.status}


def by_glue(folder):
    """What an imager would write; returns what each part took."""
    import astroalign
    import ccdproc
    from astropy import log
    from astropy.stats import mad_std
    from photutils.background import Background2D, MedianBackground
    from photutils.segmentation import SourceCatalog, detect_sources
    from skimage.transform import warp

    warnings.simplefilter("ignore")
    log.setLevel("ERROR")
    out = Path(folder) / "glued"
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    took = {"measure": 0.0, "align": 0.0, "warp": 0.0, "combine": 0.0}
    paths = sorted(Path(folder).glob("frame_*.fits"))
    lists, widths = [], []
    for path in paths:
        begin = time.perf_counter()
        image = fits.getdata(path).astype(np.float32)
        background = Background2D(image, 64, bkg_estimator=MedianBackground())
        image -= background.background
        found = detect_sources(image, 5 * background.background_rms, n_pixels=5)
        catalog = SourceCatalog(image, found)
        order = np.argsort(catalog.segment_flux)[::-1]
        lists.append(np.column_stack([catalog.x_centroid, catalog.y_centroid])[order])
        widths.append(float(np.median(catalog.fwhm.value[order[:300]])))
        took["measure"] += time.perf_counter() - begin
    best = int(np.argmin(widths))
    made = []
    for path, stars in zip(paths, lists, strict=True):
        begin = time.perf_counter()
        transform, _ = astroalign.find_transform(lists[best][:200], stars[:200])
        took["align"] += time.perf_counter() - begin
        begin = time.perf_counter()
        moved = warp(
            fits.getdata(path).astype(np.float32), transform, order=3, cval=np.nan,
            preserve_range=True,
        )  # fmt: skip
        made.append(str(out / path.name))
        fits.writeto(made[-1], moved.astype(np.float32))
        took["warp"] += time.perf_counter() - begin
    begin = time.perf_counter()
    sharp = [p for p, width in zip(made, widths, strict=True) if width < 1.1 * min(widths)]
    for name, chosen in (("sharp", sharp), ("deep", made)):
        stack = ccdproc.combine(
            chosen, method="average", unit="adu", mem_limit=MEMORY_LIMIT, sigma_clip=True,
            sigma_clip_low_thresh=3, sigma_clip_high_thresh=3, sigma_clip_func=np.ma.median,
            sigma_clip_dev_func=mad_std, dtype=np.float32,
        )  # fmt: skip
        fits.writeto(out / f"{name}.fits", stack.data)
    took["combine"] = time.perf_counter() - begin
    for path in made:
        os.unlink(path)
    return took


def show_stages(result):
    """Where the time went, and how many threads were ready to run meanwhile."""
    marks = result["said"]["stages"]
    moments = result["moments"]
    first, last = moments[0][0], moments[-1][0]
    spans = [("start and first reading", first, marks[0][1])]
    for (name, begin), (_, end) in zip(marks, [*marks[1:], ("", last)], strict=True):
        spans.append((name or "between stages", begin, end))
    total = {}
    for name, begin, end in spans:
        here = [
            (ready, memory or 0.0) for moment, ready, memory in moments if begin <= moment < end
        ]
        seconds, both, number, peak = total.get(name, (0.0, 0, 0, 0.0))
        total[name] = (
            seconds + end - begin,
            both + sum(ready >= 2 for ready, _ in here),
            number + len(here),
            max([peak, *(memory for _, memory in here)]),
        )
    for name, (seconds, both, number, peak) in total.items():
        print(
            f"  {name:32s} {seconds:6.1f} s, two or more threads ready in "
            f"{100 * both / max(number, 1):3.0f} % of it, peak {peak:5.0f} MiB"
        )
    ready = [count for _, count, _ in moments]
    print(
        f"  over all: two or more threads ready in {100 * np.mean(np.array(ready) >= 2):.0f} %, "
        f"one in {100 * np.mean(np.array(ready) == 1):.0f} % of the time"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--rows", type=int, default=1044)
    parser.add_argument("--columns", type=int, default=1562)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--only", choices=["framesort", "glued"])
    parser.add_argument("--again", action="store_true", help="with measurements kept before")
    options = parser.parse_args()
    print(machine())
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        shape = (options.rows, options.columns)
        about = folder / "night.json"
        made = json.dumps([options.frames, *shape])
        if not about.exists() or about.read_text() != made:
            for old in folder.glob("frame_*.fits"):
                old.unlink()
            make_night(folder, options.frames, shape)
            about.write_text(made)
        print(f"{options.frames} frames of {shape[0] * shape[1] / 1e6:.1f} megapixels")
        results = {}
        if options.only != "glued":
            results["framesort"] = run_child(
                __file__, "framesort", one_thread=True, folder=str(folder),
                workers=options.workers, again=options.again,
            )  # fmt: skip
            show("framesort, whole night", results["framesort"])
            show_stages(results["framesort"])
        if options.only != "framesort":
            results["glued"] = run_child(__file__, "glued", folder=str(folder))
            show("glued, two stacks", results["glued"])
            for name, seconds in results["glued"]["said"].items():
                print(f"  {name:32s} {seconds:6.1f} s")
        kept = folder / "results.json"
        if options.folder:  # the other road may have been run before
            before = json.loads(kept.read_text()) if kept.exists() else {}
            results = {**before, **results}
            keys = ("seconds", "core", "memory")
            kept.write_text(json.dumps({n: {k: r[k] for k in keys} for n, r in results.items()}))
        if len(results) == 2:
            show_ratio("framesort", results["framesort"], results["glued"], "the glued script")


if __name__ == "__main__":
    if not serve_child({"framesort": by_framesort, "glued": by_glue}):
        sys.exit(main())
