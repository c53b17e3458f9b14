"""Response against time since the last change of power, in summary and report."""

import json

import numpy as np
import pytest
from matplotlib.figure import Figure

from framesort.records import Interval, NightSummary, Onset, OnsetFit, OnsetPoint
from framesort.report import write_report
from framesort.report._onset_figure import draw_onset

WARM = Interval(value=2.0, low=1.5, high=2.5, low95=1.0, high95=3.0)
COLD = Interval(value=0.0, low=0.0, high=0.2, low95=0.0, high95=0.4)
ONSET = Onset(
    frames=30,
    switches=2,
    holding=1,
    both=OnsetFit(warming=WARM, cooling=COLD, whole=0.99, log_likelihood_difference=4.6),
    points=(
        OnsetPoint(minutes=-0.3, holds=True, spike=0.2, spike_err=0.1),
        OnsetPoint(minutes=2.0, spike=0.6, spike_err=0.1, width=0.65, width_err=0.2),
        OnsetPoint(minutes=4.0, warming=False, width=1.02, width_err=0.2),
        OnsetPoint(minutes=90.0, warming=False, width=0.95, width_err=0.2),
    ),
    sentences=("When the heater is switched on, the effect builds up slowly.", "Second <one>."),
)


def add_onset(table, shown):
    shown["onset"] = json.loads(json.dumps(NightSummary(onset=ONSET).to_plain()["onset"]))


def test_summary_keeps_it():
    text = json.dumps(NightSummary(onset=ONSET).to_plain()).replace("NaN", "null")
    again = NightSummary.from_json(text).onset
    assert again.both == ONSET.both and again.sentences == ONSET.sentences
    assert again.points[2].minutes == 4.0 and np.isnan(again.points[2].spike)
    assert NightSummary.from_json("{}").onset is None


def test_page_shows_figure_and_sentences(night_writer, tmp_path):
    page = write_report(night_writer(tmp_path / "a", merged=False, change=add_onset))
    text = page.read_text(encoding="utf-8")
    assert "Response against time since the switch" in text
    assert "the effect builds up slowly." in text and "Second &lt;one&gt;." in text
    without = write_report(night_writer(tmp_path / "b", merged=False)).read_text(encoding="utf-8")
    assert "Response against time since the switch" not in without


def test_curve_and_points():
    axes = Figure().add_subplot()
    draw_onset(axes, [point for point in ONSET.points if point.warming], WARM)
    curve = next(line for line in axes.lines if len(line.get_xdata()) > 300)
    time, part = np.array(curve.get_xdata()), np.array(curve.get_ydata())
    assert part[time < 0] == pytest.approx(0)
    # 1 - 1/e at the time constant.
    assert np.interp(2.0, time, part) == pytest.approx(63.2, abs=0.3)
    drawn = [line for line in axes.lines if line.get_marker() in ("o", "s")]
    hollow = [line for line in drawn if line.get_markerfacecolor() == "none"]
    assert len(drawn) == 3 and [list(line.get_ydata()) for line in hollow] == [[20.0]]
    late = Figure().add_subplot()
    draw_onset(late, [point for point in ONSET.points if not point.warming], COLD)
    assert late.get_xlim()[1] < 10  # 90 minutes after the change is not drawn
