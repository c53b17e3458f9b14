"""Small simulated result folders with every file the report reads."""

import json
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.files import write_fits, write_table
from framesort.records import add_column

SHAPE = 200, 320
ANGLE = 62.0


def _moffat(shape, x, y, flux, fwhm, beta=3.2):
    """Moffat profile (Moffat 1969, A&A 3, 455): I0 (1 + r^2/a^2)^-beta."""
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    r2 = (xx - x) ** 2 + (yy - y) ** 2
    return flux * (beta - 1) / (np.pi * alpha**2) * (1 + r2 / alpha**2) ** -beta


def _line(shape, x, y, flux):
    """A faint two-sided streak through (x, y)."""
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    c, s = np.cos(np.radians(ANGLE)), np.sin(np.radians(ANGLE))
    along, across = (xx - x) * c + (yy - y) * s, -(xx - x) * s + (yy - y) * c
    return flux * 0.004 * np.exp(-0.5 * (across / 1.2) ** 2 - np.abs(along) / 9)


def make_scene(seed=3, shape=SHAPE):
    """Nebula, and the stars of a deep (wide, with lines) and a sharp picture; list of stars."""
    rng = np.random.default_rng(seed)
    ny, nx = shape
    yy, xx = np.mgrid[:ny, :nx]
    nebula = 30 * np.exp(-((xx - 0.6 * nx) ** 2 + (yy - 0.5 * ny) ** 2) / (2 * (0.12 * nx) ** 2))
    nebula *= 1 + 0.4 * np.sin(xx / 13 + np.sin(yy / 17))
    number = 60
    x, y = rng.uniform(6, nx - 6, number), rng.uniform(6, ny - 6, number)
    flux = 10 ** rng.uniform(2.6, 5.2, number)
    deep, sharp = np.zeros(shape), np.zeros(shape)
    for star in zip(x, y, flux, strict=True):
        deep += _moffat(shape, *star, 3.6) + _line(shape, *star)
        sharp += _moffat(shape, *star, 2.1)
    return nebula, deep, sharp, (x, y, flux)


def _write_stacks(folder, seed):
    nebula, deep, sharp, (x, y, flux) = make_scene(seed)
    rng = np.random.default_rng(seed + 100)
    sky = 400 + 0.05 * np.arange(SHAPE[1])
    background = sky + nebula + rng.normal(0, 2, SHAPE)
    pictures = {
        "deep": background + deep,
        "sharp": sky + nebula + sharp + rng.normal(0, 4, SHAPE),
        "final": background + sharp,
        "stars": sharp,
        "background": background,
    }
    for name, pixels in pictures.items():
        write_fits(folder / f"{name}.fits", pixels.astype(np.float32))
    stars = Table({"x": x, "y": y, "flux_deep": flux, "flux_sharp": flux * 1.01})
    stars["method"] = np.where(np.arange(len(x)) % 9, "cut", "left")
    stars["reason"] = np.where(np.arange(len(x)) % 9, "", "saturated")
    write_table(folder / "stars.ecsv", stars)


def make_table(filters, number=30):
    """An evening with the heater off, switched on in the middle of an exposure, then stronger."""
    rng = np.random.default_rng(11)
    n = number * len(filters)
    exposure = np.full(n, 120.0)
    start = Time("2024-03-14T19:40:00").unix + 150.0 * np.arange(n)
    power = np.where(np.arange(n) < n / 3, 0.0, np.where(np.arange(n) < 2 * n / 3, 40.0, 80.0))
    switched = int(np.ceil(n / 3))
    power[switched] = 17.0
    state = np.where(power == 0, "off", "on").astype(object)
    state[switched] = "part"
    table = Table()
    add_column(table, "file", [f"night/light_{i:04d}.fits" for i in range(n)])
    add_column(table, "start", Time(start, format="unix", scale="utc").isot)
    table["start"] = Time(table["start"].astype(str), scale="utc")
    names = np.array([filters[i % len(filters)] for i in range(n)], dtype=object)
    add_column(table, "exposure", exposure)
    add_column(table, "filter", names)
    add_column(table, "group", names)
    add_column(table, "heater_share", (power > 0).astype(float))
    add_column(table, "heater_power", power)
    add_column(table, "heater_state", state)
    add_column(table, "stars", rng.integers(280, 320, n))
    fwhm = 2.1 * (1 + 0.008 * power) + rng.normal(0, 0.05, n)
    fwhm[5] = 9.0
    add_column(table, "fwhm", fwhm)
    add_column(table, "eccentricity", rng.uniform(0.2, 0.35, n))
    line = 0.0006 * power + rng.normal(0, 0.002, n)
    add_column(table, "spike_strength", line)
    add_column(table, "spike_angle", np.where(power > 0, ANGLE + rng.normal(0, 2, n), np.nan))
    add_column(table, "sky", 400 + rng.normal(0, 5, n))
    add_column(table, "noise", 20 + rng.normal(0, 0.3, n))
    clear = 1 - 0.02 * rng.random(n)
    clear[-4] = 0.4
    add_column(table, "transparency", clear)
    add_column(table, "residual", 0.06 + 0.02 * rng.random(n))
    grade = np.where(state == "off", "sharp", "usable").astype(object)
    grade[5] = grade[-4] = "poor"
    add_column(table, "grade", grade)
    add_column(table, "sharp_set", grade == "sharp")
    add_column(table, "deep_set", grade != "poor")
    reason = np.where(state == "on", "heated", "").astype(object)
    reason[switched], reason[5], reason[-4] = "part heated", "trailed; wide stars", "heated; cloud"
    add_column(table, "reason", reason)
    return table


def _summary(table, filters, merged):
    groups = []
    for k, name in enumerate(filters):
        group = {
            "label": name,
            "filter": name,
            "exposure": 120.0,
            "frames": int(np.sum(table["filter"] == name)),
            "advice": ["9 heater-off frames are enough for this exposure; keep that many."],
            "sharp": {"frames": 9, "hours": 0.3},
            "deep": {"frames": 28, "hours": 0.93},
        }
        if merged:
            group |= {
                "sharp": {"frames": 9, "hours": 0.3, "fwhm": 2.12, "depth": 4.0},
                "deep": {"frames": 28, "hours": 0.93, "fwhm": 3.41, "depth": 2.0 + k},
                "replaced": 53,
                "left": 7,
                "fwhm": {"deep": 3.41, "sharp": 2.12, "final": 2.14},
                "spike": {"deep": 0.041, "final": 0.002},
                "check": {
                    "fwhm_deep": 3.41,
                    "fwhm_sharp": 2.12,
                    "star_bins": [
                        {
                            "stars": 9,
                            "flux": 9e4,
                            "width_ratio": 1.004,
                            "width_error": 0.002,
                            "flux_ratio": 1.004,
                            "flux_error": 0.002,
                        },
                    ],
                    "flux_ratio": 1.004,
                    "flux_scatter": 0.02,
                    "noise_ratio": 1.03,
                    "noise_ratio_deep": 1.01,
                    "scale_ratio": 0.996,
                    "scale_error": 0.004,
                    "one_sky": True,
                    "spike_left": 0.01,
                    "spike_error": 0.01,
                    "spikes": [
                        {"x": 50.0, "y": 70.0, "sigma": 1.5, "share": 0.02, "sigma_deep": 60.0},
                    ],
                    "blemishes": [],
                    "false_share": 0.01,
                    "chains": 0,
                    "false_stars": [{"x": 80.0, "y": 90.0, "sigma": 4.0}],
                    "structure_error": 0.3,
                    "better_share": 0.99,
                    "gain": 0.6,
                    "worse": [{"x": 48.0, "y": 48.0, "ratio": 1.3}],
                    "worst": [
                        {"x": 40.0 + 9 * i, "y": 60.0, "flux": 900.0, "residual": 3.0 - i / 9}
                        for i in range(12)
                    ],
                },
            }
        groups.append(group)
    hour = "2024-03-14T"
    bins = (np.arange(90) + 0.5) * 2
    spike = 0.004 * np.exp(-0.5 * ((bins - ANGLE) / 3) ** 2)
    for group in groups[:2]:
        group["light_by_angle"] = {
            "off": (0.0002 * np.sin(np.radians(2 * bins))).tolist(),
            "on": (spike - spike.mean()).tolist(),
        }
    return {
        "framesort": "0.1.0",
        "created": "2024-03-15T09:00:00Z",
        "command": "framesort night night --heater heater.csv --out result",
        "versions": {"numpy": "2.3.1"},
        "settings": {"sort": {"seed": 1}, "grid": None},
        "heater": {
            "source": "log",
            "log": "heater.csv",
            "steps": [
                {"start": None, "stop": hour + "20:06:00Z", "power": 0},
                {"start": hour + "20:06:00Z", "stop": hour + "20:32:00Z", "power": 40},
                {"start": hour + "20:32:00Z", "stop": None, "power": 80},
            ],
            "notes": [{"code": "log rows", "text": "3 rows without a number were left out."}],
        },
        "clock": {"seconds": 1.0, "error": 2.0, "significant": False, "sentence": "In step."},
        "groups": groups,
        "response": [
            {"filter": name, "exposure": 120.0, "power": power, "fwhm_growth": 1 + 0.008 * power,
             "fwhm_growth_err": 0.01, "spike": 0.0006 * power, "spike_err": 0.001, "frames": 9}
            for name in filters for power in (0.0, 40.0, 80.0)
        ],
        "highest_acceptable": [
            {"filter": name, "exposure": 120.0, "power": 12.0,
             "sentence": "Up to 12 % power costs less than a tenth in star width."}
            for name in filters
        ],
        "left_out": [{"file": "night/dark.fits", "reason": "calibration frame"}],
        "notes": [{"code": "not stellar", "text": "One frame was lost to cloud."}],
    }  # fmt: skip


def write_night(folder, *, filters=("L",), merged=True, summary=True, change=None):
    """Write a result folder; `change` may alter the table and the summary before."""
    folder = Path(folder)
    table = make_table(filters)
    told = _summary(table, filters, merged)
    if change is not None:
        change(table, told)
    folder.mkdir(parents=True, exist_ok=True)
    write_table(folder / "frames.ecsv", table)
    if summary:
        (folder / "night.json").write_text(json.dumps(told), encoding="utf-8")
    if merged:
        for k, name in enumerate(filters):
            _write_stacks(folder / name, k)
    return folder
