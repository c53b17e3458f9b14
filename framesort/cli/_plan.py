"""The command `plan`: its options, its call, its result on the screen."""

import argparse
from argparse import Namespace
from dataclasses import fields
from typing import Any

from framesort.cli._experiment import (
    EXPERIMENT_EXAMPLE,
    add_experiment_options,
    check_experiment,
    run_experiment,
)
from framesort.errors import InputError, NotEnoughFramesError

__all__ = ["PLAN_EXAMPLE", "add_plan_options", "run_plan"]

PLAN_EXAMPLE = f"""framesort plan result --temperature 8 --humidity 75
  framesort plan result --forecast tonight.csv --forecast-zone Europe/Lisbon
  framesort plan --magnitude 17 --exposure 60 --aperture 280 --focal-length 560 \\
      --pixel-size 3.8 --forecast tonight.csv --begin 2024-10-14T20:30 --end 2024-10-15T04:00
  {EXPERIMENT_EXAMPLE}"""

_STAR = (
    ("flux", "ADU", "its light in DIR (default: what the deep stack shows)"),
    ("magnitude", "MAG", "its magnitude, with the figures below or with DIR and --zero-point"),
    ("snr", "R", "wanted ratio to noise (default 20; 10 for what the deep stack shows)"),
    ("zero_point", "MAG", "magnitude that gives one ADU a second"),
)
_AIR = (
    ("temperature", "C", "of the air now (default: from the headers of DIR's last frame)"),
    ("humidity", "PCT", "relative humidity now (default likewise)"),
)
_FIGURES = (
    ("exposure", "S", "of one frame, seconds"),
    ("aperture", "MM", "aperture, millimetres"),
    ("focal_length", "MM", "focal length, millimetres"),
    ("pixel_size", "UM", "pixel size, micrometres, with binning"),
    ("obstruction", "F", "central obstruction, share of the aperture's diameter (default 0.35)"),
    ("bandwidth", "NM", "width of the filter's band, nanometres (default 300: luminance)"),
    ("throughput", "F", "share of the photons that become electrons (default 0.5)"),
    ("extinction", "MAG", "dimming of stars by the air (default 0.2)"),
    ("gain", "E", "electrons per ADU (default 1)"),
    ("read_noise", "E", "electrons a pixel (default 2)"),
    ("dark", "E", "dark current, electrons a second and pixel (default 0)"),
    ("sky_brightness", "MAG", "magnitudes per square arcsec in the band (default 20.5)"),
    ("seeing", "ARCSEC", "FWHM of heater-off stars, arcsec (default 3)"),
)
"""Options that take a number: name, what stands for it, help."""


def _add_numbers(group: argparse._ArgumentGroup, options: tuple[tuple[str, str, str], ...]) -> None:
    for name, metavar, text in options:
        group.add_argument(_flag(name), type=float, metavar=metavar, help=text)


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")


def add_plan_options(plan: argparse.ArgumentParser) -> None:
    """Arguments and options of the command."""
    plan.add_argument(
        "folder", nargs="?", metavar="DIR", help="folder of a sorted night to learn from"
    )
    _add_numbers(plan.add_argument_group("the faintest star that is to be replaced"), _STAR)
    air = plan.add_argument_group("dew")
    _add_numbers(air, _AIR)
    air.add_argument(
        "--forecast", metavar="TABLE", help="CSV with time, temperature, humidity through the night"
    )
    air.add_argument(
        "--forecast-zone",
        default="",
        metavar="ZONE",
        help="zone of its times and of those printed: Europe/Lisbon or -07:00 (default UTC)",
    )
    air.add_argument("--begin", metavar="TIME", help="when imaging begins: 2024-10-14T20:30")
    air.add_argument("--end", metavar="TIME", help="when it ends")
    air.add_argument(
        "--plate-below",
        type=float,
        default=3.0,
        metavar="K",
        help="how far the plate settles below the air (default 3, a rule of thumb: clear sky, dew "
        "shield; about 5 without a shield, 1 in wind or under cloud)",
    )
    figures = plan.add_argument_group("telescope, camera and sky, instead of DIR")
    _add_numbers(figures, _FIGURES)
    figures.add_argument("--filter", default="", metavar="NAME", help="what to call the filter")
    add_experiment_options(plan)


def run_plan(options: Namespace) -> int:
    """Answer the call; everything that is not given is left out of the plan."""
    # Loaded only when the call is known to be well-formed, as everything heavy.
    from framesort.cli._console import print_json, print_text
    from framesort.planning import plan_night

    check_experiment(options, (*(name for name, _, _ in (*_STAR, *_FIGURES)), "filter"))
    dew = _dew(options)
    temperature, humidity, source = _air(options)
    if options.experiment:
        return run_experiment(
            options, temperature=temperature, humidity=humidity, dew=dew, notes=source
        )
    needs, response, highest_acceptable, notes = _needs(options)
    plan = plan_night(
        needs=needs,
        dew=dew,
        temperature=temperature,
        humidity=humidity,
        response=response,
        highest_acceptable=highest_acceptable,
        plate_below=options.plate_below,
    )
    if options.json:
        print_json({**plan.as_dict(), "notes": [*source, *notes]})
        return 0
    print_text("\n".join([*plan.sentences, *source, *notes]))
    print_text("\nCautions\n" + "\n".join(plan.cautions))
    return 0


def _air(options: Namespace) -> tuple[float | None, float | None, list[str]]:
    """Temperature and humidity: as given, else of the night's headers; and where they are from."""
    given = options.temperature, options.humidity
    if given != (None, None) or options.forecast is not None or options.folder is None:
        return *given, []
    from framesort.night import read_sorted
    from framesort.planning import find_weather

    weather = find_weather(read_sorted(options.folder)[0])
    if weather is None:
        return None, None, []
    return weather.temperature, weather.humidity, [weather.sentence]


def _dew(options: Namespace) -> Any:
    from framesort.planning import predict_dew, read_forecast, read_moment

    zone = options.forecast_zone
    if options.forecast is None:
        if options.begin or options.end or zone:
            raise InputError("--begin, --end and --forecast-zone need a --forecast")
        return None
    if options.temperature is not None or options.humidity is not None:
        raise InputError("give either --forecast, or --temperature and --humidity")
    begin, end = (read_moment(t, zone=zone) if t else None for t in (options.begin, options.end))
    return predict_dew(
        read_forecast(options.forecast, zone=zone),
        plate_below=options.plate_below,
        begin=begin,
        end=end,
    )


def _needs(options: Namespace) -> tuple[list[Any], Any, Any, list[str]]:
    """Heater-off time needed, what the night has shown of power, and what was assumed."""
    if options.folder is None:
        needs, notes = _needs_by_figures(options)
        return needs, None, (), notes
    from framesort.night import read_sorted
    from framesort.planning import unheated_minutes_needed
    from framesort.settings import Settings

    given = sorted(name for name, _, _ in _FIGURES if _has(options, name))
    if given:
        raise InputError(f"{_flag(given[0])} is for a plan without a folder")
    table, summary = read_sorted(options.folder)
    settings = Settings.from_mapping(summary.settings, where=str(options.folder))
    points = settings.zero_points()
    needs = []
    notes = []
    for group in summary.groups:
        # The faintest stars that the deep stack shows are those worth replacing.
        flux, snr, star = options.flux, options.snr or 20.0, ""
        if flux is None:
            # There the deep stack has a ratio of ten; the sharp one shall have as much.
            flux, snr = group.deep.limit_flux, options.snr or 10.0
            star = f"the faintest stars of the deep stack ({flux:.0f} ADU)"
        if options.magnitude is not None:
            zero = options.zero_point
            zero = points.get(group.filter, points.get("")) if zero is None else zero
            if zero is None:
                raise InputError(
                    f"--magnitude with a folder needs --zero-point ({group.label} has none); or "
                    "give --flux in ADU"
                )
            light = 10 ** (0.4 * (zero - options.magnitude))
            flux, snr = light * group.exposure, options.snr or 20.0
            star = f"stars of magnitude {options.magnitude:g} ({flux:.0f} ADU)"
        if not flux > 0:  # no deep set, or no limit known
            continue
        try:
            rows = table[table["group"] == group.label]
            needs += unheated_minutes_needed(rows, flux=flux, snr=snr, star=star)
        except NotEnoughFramesError:
            notes.append(f"{group.label}: no heater-off frame to reckon from.")
    response = [vars(point) for point in summary.response]
    return needs, response, [vars(limit) for limit in summary.highest_acceptable], notes


def _has(options: Namespace, name: str) -> bool:
    return getattr(options, name, None) is not None


def _needs_by_figures(options: Namespace) -> tuple[list[Any], list[str]]:
    from framesort.planning import Figures, need_from_figures

    if options.flux is not None:
        raise InputError("--flux needs the folder of a sorted night to know noise and star width")
    names = {field.name for field in fields(Figures)}
    given = {name: getattr(options, name) for name in names if _has(options, name)}
    if options.magnitude is None and not given and options.exposure is None:
        return [], [
            "For the heater-off time needed give the folder of a sorted night, or --magnitude, "
            "--exposure and the telescope's figures."
        ]
    for name in ("magnitude", "exposure", "focal_length", "pixel_size"):
        if not _has(options, name):
            raise InputError(f"a plan from figures needs {_flag(name)}")
    figures = Figures(**given)
    need = need_from_figures(
        figures,
        magnitude=options.magnitude,
        exposure=options.exposure,
        snr=options.snr or 20.0,
        filter_name=options.filter,
    )
    assumed = figures.assumed(set(given))
    return [need], [assumed] if assumed else []
