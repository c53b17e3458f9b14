"""The next night: heater-off time needed, time of dew, heater power; and a test night."""

from framesort.planning._dew import (
    deposit_point,
    dew_margin,
    dew_point,
    frost_point,
    saturation_pressure,
)
from framesort.planning._experiment import ExperimentPlan, compare_orders, plan_experiment
from framesort.planning._experiment_files import write_experiment
from framesort.planning._exposure import (
    HeaterOffTime,
    describe_need,
    frames_needed,
    signal_to_noise,
    star_pixels,
    unheated_minutes_needed,
)
from framesort.planning._figures import Figures, Rates, need_from_figures
from framesort.planning._forecast import DewForecast, predict_dew, read_forecast, read_moment
from framesort.planning._goal import DriftModel, ExperimentGoal
from framesort.planning._onset import OnsetFrames, OnsetPlan
from framesort.planning._plan import CAUTIONS, NightPlan, plan_night
from framesort.planning._test_text import format_checklist
from framesort.planning._weather import NightWeather, find_weather

__all__ = [
    "CAUTIONS",
    "DewForecast",
    "DriftModel",
    "ExperimentGoal",
    "ExperimentPlan",
    "Figures",
    "HeaterOffTime",
    "NightPlan",
    "NightWeather",
    "OnsetFrames",
    "OnsetPlan",
    "Rates",
    "compare_orders",
    "deposit_point",
    "describe_need",
    "dew_margin",
    "dew_point",
    "find_weather",
    "format_checklist",
    "frames_needed",
    "frost_point",
    "need_from_figures",
    "plan_experiment",
    "plan_night",
    "predict_dew",
    "read_forecast",
    "read_moment",
    "saturation_pressure",
    "signal_to_noise",
    "star_pixels",
    "unheated_minutes_needed",
    "write_experiment",
]
