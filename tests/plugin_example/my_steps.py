"""Four steps of one's own, each on another library than framesort's own.

A step names the options that it uses; what else framesort knows is not handed to it.
"""

import astroalign
import ccdproc
import numpy as np
import sep
from astropy.nddata import CCDData
from astropy.table import Table

from framesort.errors import HeaterLogError, NotEnoughFramesError
from framesort.files import read_image
from framesort.quality import adopt_star_list
from framesort.records import HeaterTrace, Stack, Transform
from framesort.stacking import resample_image


def read_ring_box(path):
    """Lines such as ``@1770840000 P055``: seconds since 1970 and percent from then on."""
    seconds, power = [], []
    with open(path, encoding="ascii") as lines:
        for number, line in enumerate(lines, start=1):
            try:
                stamp, level = line.split()
                seconds.append(float(stamp.removeprefix("@")))
                power.append(float(level.removeprefix("P")))
            except ValueError:
                raise HeaterLogError(f"{path}: line {number} is no sample of a ring box") from None
    # What was before the first line is not known; the last level holds on.
    return HeaterTrace(
        edges=np.array([-np.inf, *seconds, np.inf]), power=np.array([np.nan, *power])
    )


def measure_with_sep(image, *, saturation=None):
    """Stars by sep; widths from the radius that holds half of the light."""
    pixels = np.ascontiguousarray(image, dtype=float)
    mask = ~np.isfinite(pixels)
    background = sep.Background(pixels, mask=mask)
    flat = pixels - background.back()
    found = sep.extract(flat, 5.0, err=background.globalrms, mask=mask)
    radius, flag = sep.flux_radius(flat, found["x"], found["y"], 6.0 * found["a"], 0.5)
    level = np.inf if saturation is None else saturation
    stars = Table(
        {
            "x": found["x"],
            "y": found["y"],
            "flux": found["flux"],
            "a": found["a"],
            "b": found["b"],
            "theta": found["theta"],
            "fwhm": 2 * radius,  # exact for a Gaussian, and alike for all frames of a night
            "half_flux_radius": radius,
            "flag": found["flag"] | flag,
            "saturated": found["peak"] + background.globalback >= level,
        }
    )
    return adopt_star_list(
        stars, sky=background.globalback, noise=background.globalrms, saturation=level
    )


def place_with_astroalign(star_lists, *, reference):
    """Each star list onto that of the reference frame (a row, or a star list of its own)."""
    target = star_lists[reference] if isinstance(reference, int | np.integer) else reference
    there = np.column_stack([target["x"], target["y"]])[:60]
    placed = []
    for stars in star_lists:
        here = np.column_stack([stars["x"], stars["y"]])[:60]
        try:
            found, (source, _) = astroalign.find_transform(here, there)
        except (astroalign.MaxIterError, ValueError, TypeError):
            placed.append(Transform(reason="not matched"))
            continue
        placed.append(Transform(matrix=found.params, matched=len(source), residual=0.3))
    return placed


def stack_with_ccdproc(paths, transforms, *, sets, shape, header):
    """Mean of the frames within three sigma, all of them in memory."""
    stacks = {}
    for name, weights in sets.items():
        frames = []
        for path, transform, weight in zip(paths, transforms, weights, strict=True):
            if transform and weight > 0:
                pixels = resample_image(read_image(path)[0], transform, shape)
                empty = np.isnan(pixels)
                frames.append(CCDData(np.where(empty, 0, pixels), unit="adu", mask=empty))
        if not frames:
            raise NotEnoughFramesError(f"set {name!r} has no frame")
        combiner = ccdproc.Combiner(frames)
        combiner.sigma_clipping(low_thresh=3, high_thresh=3, func=np.ma.median)
        mean = combiner.average_combine()
        count = len(frames) - combiner.data_arr.mask.sum(axis=0)
        data = np.where(count > 0, mean.data, np.nan).astype(np.float32)
        stacks[name] = Stack(
            data=data,
            weight=count.astype(np.float32),
            coverage=count.astype(np.int16),
            header=header.copy(),
            frames=tuple(paths),
            rejected=np.full(len(paths), np.nan),
        )
    return stacks


def broken(*args):
    """What a mistake in a plug-in looks like."""
    return {}["power"]
