"""Ways to make three planes of a colour filter array, compared with the truth.

    python tests/bench/compare_colour.py [FOLDER]

A simulated night with a filter array is drawn (kept in FOLDER if one is given), its heater-off
frames are stacked on their true transforms, and isolated stars are measured on each plane:
flux and width against the truth, colour, noise per pixel and in blocks of 4 x 4 (where what
interpolation moves between neighbours has averaged out).
"""

import sys
import tempfile
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry
from photutils.background import Background2D
from photutils.psf import fit_fwhm
from scipy.ndimage import convolve
from scipy.spatial import cKDTree

from framesort.colour import PlaneReader, green_lattice, restore_quality
from framesort.files import read_image
from framesort.records import Transform
from framesort.simulation import read_scenario, simulate_night
from framesort.stacking import Execution, FrameValues, StackMethod, stack_frames
from framesort.stars import measure_image

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 21
[camera]
width = 700
height = 520
pattern = "RGGB"
hot_pixels = 60
[stars]
count = 420
faintest = 10.0
brightest = 1e5
colour = 0.2
[nebula]
arcs = 3
galaxies = 2
coarsest = 120.0
[seeing]
fwhm = 2.8
trail = 0.2
[mount]
dither = 10.0
drift = 6.0
[[filter]]
name = "R"
sky = 4.0
diffuse = 2.0
filaments = 2.0
[[filter]]
name = "G"
stars = 1.3
sky = 6.0
diffuse = 1.0
filaments = 0.7
[[filter]]
name = "B"
stars = 0.8
sky = 5.0
diffuse = 1.0
filaments = 0.4
[[run]]
filter = "colour"
exposure = 60.0
count = 48
"""
SHAPE = (520, 700)
WAYS = ("bilinear", "gradient", "own colour", "placed")
LETTERS = np.tile(np.array([["R", "G"], ["G", "B"]]), (SHAPE[0] // 2, SHAPE[1] // 2))


def bilinear(mosaic):
    cross = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    square = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    return {
        c: convolve(np.where(LETTERS == c, mosaic, 0), cross if c == "G" else square, mode="mirror")
        for c in "RGB"
    }


def gradient_corrected(mosaic):
    """Malvar, He & Cutler 2004 (ICASSP, 485): bilinear, corrected by the other colours' bends."""
    to_green = np.array(
        [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]
    )
    along = np.array(
        [[0, 0, 1, 0, 0], [0, -2, 0, -2, 0], [-2, 8, 10, 8, -2], [0, -2, 0, -2, 0], [0, 0, 1, 0, 0]]
    )
    across = np.array(
        [[0, 0, -3, 0, 0], [0, 4, 0, 4, 0], [-3, 0, 12, 0, -3], [0, 4, 0, 4, 0], [0, 0, -3, 0, 0]]
    )
    green = convolve(mosaic, to_green / 8, mode="mirror")
    row, column = (convolve(mosaic, k / 16, mode="mirror") for k in (along, along.T))
    other = convolve(mosaic, across / 16, mode="mirror")
    red_row = (np.arange(SHAPE[0]) % 2 == 0)[:, None]
    result = {"G": np.where(LETTERS == "G", mosaic, green)}
    for c, opposite, here in (("R", "B", red_row), ("B", "R", ~red_row)):
        beside = np.where(here, row, column)
        result[c] = np.where(LETTERS == c, mosaic, np.where(LETTERS == opposite, other, beside))
    return result


def reader(way, colour):
    if way in ("own colour", "placed"):
        return PlaneReader(pattern="RGGB", colour=colour, fill=way == "own colour")
    make = bilinear if way == "bilinear" else gradient_corrected

    def read(path, rows=None):
        pixels, header = read_image(path)
        return make(pixels)[colour][rows or slice(None)].astype("f4"), header

    return read


def fluxes(image, xy):
    ring = CircularAnnulus(xy, 10, 14).to_mask(method="center")
    level = np.array([np.median(cut.get_values(image)) for cut in ring])
    total = np.asarray(aperture_photometry(image, CircularAperture(xy, 7))["aperture_sum"])
    return total - level * np.pi * 49


def spread(values):
    return 1.4826 * np.median(np.abs(values - np.median(values)))


def compare(folder, truth, stars, frames):
    xy = np.stack([stars["x"], stars["y"]], axis=1)
    light = np.stack([stars[f"flux_{c}"] for c in "RGB"], axis=1)
    near = cKDTree(xy).query_ball_point(xy, 14)
    alone = [
        all((light[j] < 0.02 * light[i]).all() for j in near[i] if j != i) for i in range(len(xy))
    ]
    good = np.array(alone) & (light.min(axis=1) > 1e4) & (light.max(axis=1) < 3e5)
    good &= np.all((xy > 30) & (xy < np.array(SHAPE[::-1]) - 30), axis=1)
    rows = truth[:frames]
    files = [str(folder / str(file)) for file in rows["file"]]
    transforms = [Transform(matrix=np.array(m), matched=50) for m in rows["matrix"]]
    print(f"\n{frames} frames, {good.sum()} isolated stars")
    print("way             plane  flux     width   noise  noise 4x4  empty")
    for way in WAYS:
        ratio = {}
        for c in "RGB":
            stack = stack_frames(
                files, transforms, sets={"all": np.ones(frames)}, shape=SHAPE,
                values=FrameValues(
                    reference=0, gain=0.8, saturation=65000.0,
                    scales=1 / np.array(rows["transparency"]),
                    fwhm=None if way == "placed" else rows["fwhm"],
                ),
                method=StackMethod(kernel="linear" if way == "placed" else "lanczos3"),
                execution=Execution(read=reader(way, c)),
            )["all"].data  # fmt: skip
            empty = np.mean(~np.isfinite(stack[20:-20, 20:-20]))
            drawn = fits.getdata(folder / f"truth-{c}.fits", "STARS")
            rest = np.nan_to_num(stack, nan=np.nanmedian(stack))
            rest = rest - fits.getdata(folder / f"truth-{c}.fits", "NEBULA")
            rest -= Background2D(rest, 40).background
            ratio[c] = fluxes(rest, xy[good]) / fluxes(drawn, xy[good])
            width = fit_fwhm(rest, xypos=xy[good], fit_shape=9)
            width = np.median(width / fit_fwhm(drawn, xypos=xy[good], fit_shape=9))
            quiet = np.where(drawn < 0.5, rest, np.nan)[20:-20, 20:-20]
            blocks = quiet.reshape(quiet.shape[0] // 4, 4, quiet.shape[1] // 4, 4)
            blocks = np.nanmean(blocks, axis=(1, 3)).ravel()
            print(
                f"{way:15} {c:5} {np.median(ratio[c]):6.3f} {width:9.3f} "
                f"{spread(quiet[np.isfinite(quiet)]):7.2f} "
                f"{4 * spread(blocks[np.isfinite(blocks)]):9.2f} {100 * empty:7.1f} %"
            )
        for c in "RB":
            colour = ratio[c] / ratio["G"]
            print(f"{'':15} {c}/G: median {np.median(colour):.4f}, scatter {spread(colour):.4f}")


def measure_green(folder, truth):
    print("\nWidth of stars over the true one, first ten frames")
    for way in ("green pixels on their lattice", "green interpolated bilinearly"):
        found = []
        for row in truth[:10]:
            pixels, _ = read_image(folder / str(row["file"]))
            if way.startswith("green pixels"):
                quality = measure_image(green_lattice(pixels, "RGGB"), saturation=65000.0)
                quality = restore_quality(quality, "RGGB", SHAPE[1])
            else:
                quality = measure_image(bilinear(pixels)["G"].astype("f4"), saturation=65000.0)
            found.append(quality.fwhm / row["fwhm"])
        print(f"{way}: {np.median(found):.3f}")


def main():
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(sys.argv[1] if len(sys.argv) > 1 else scratch)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "night.toml").write_text(SCENARIO)
        if not (folder / "truth.ecsv").exists():
            simulate_night(read_scenario(folder / "night.toml"), folder)
        truth = Table.read(folder / "truth.ecsv")
        stars = Table.read(folder / "truth-stars.ecsv")
        measure_green(folder, truth)
        for frames in (8, 24, 48):
            compare(folder, truth, stars, frames)


if __name__ == "__main__":
    main()
