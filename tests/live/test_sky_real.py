"""The judgement on a real night without dew, where it lies beside the checkout."""

import math
from pathlib import Path

import pytest

from framesort.live import LiveFrame, call_dew, judge_sky
from framesort.night import sort_frames
from framesort.records import column_values

NIGHT = Path(__file__).parents[3] / "shared" / "nights" / "real"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not NIGHT.exists(), reason="needs a real night beside the checkout"),
    pytest.mark.filterwarnings("ignore"),
]


def test_no_dew_is_called_on_a_real_night():
    files = sorted((NIGHT / "frames").iterdir())
    table = sort_frames(files, heater=NIGHT / "heater_power.csv").table
    values = {
        name: column_values(table, name)
        for name in ("fwhm", "half_flux_radius", "transparency", "sky", "heater_power")
    }
    start = table["start"].unix
    frames = [
        LiveFrame(
            file=str(table["file"][k]),
            start=float(start[k]),
            exposure=60.0,
            group=str(table["group"][k]),
            heater_state=str(table["heater_state"][k]),
            heater_power=float(values["heater_power"][k]),
            fwhm=float(values["fwhm"][k]),
            halo=float(values["half_flux_radius"][k] / values["fwhm"][k]),
            transparency=float(values["transparency"][k]),
            sky=float(values["sky"][k]),
        )
        for k in range(len(table))
    ]
    verdicts = [judge_sky(frames[: k + 1]) for k in range(len(frames))]
    assert not any(call_dew(verdicts[: k + 1]) for k in range(len(verdicts)))
    assert max(one.dew for one in verdicts) < 0.1
    assert max(one.cloud for one in verdicts) < 0.5

    # The same frames as if dew had formed in the first hour, 30 % an hour: that is called.
    def dewed(frame):
        lost = 0.3 * max(frame.start - start[10], 0) / 3600
        return LiveFrame(
            **{
                **vars(frame),
                "transparency": frame.transparency * math.exp(-lost),
                "halo": frame.halo * math.exp(0.2 * lost),
            }
        )

    assert judge_sky([dewed(one) for one in frames[:23]]).dew > 0.9
