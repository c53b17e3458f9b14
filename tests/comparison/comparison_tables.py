"""Tables of frames with known effects, for tests of comparisons."""

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.comparison import Configuration


def make_frames(
    *,
    seed,
    blur,
    spike=0.03,
    frames=8,
    off_frames=10,
    seeing=2.6,
    power=50.0,
    exposure=60.0,
    filter_name="L",
    drift=0.0,
    scatter=0.02,
    day=0,
):
    """Heater-off and heated frames in turn; `blur` in pixels, `drift` of log FWHM an hour."""
    rng = np.random.default_rng(seed)
    heated = np.zeros(frames + off_frames, dtype=bool)
    heated[np.linspace(1, len(heated) - 2, frames).round().astype(int)] = True
    hours = np.arange(len(heated)) * (exposure + 8) / 3600
    off_fwhm = seeing * np.exp(drift * hours + rng.normal(0, scatter, len(heated)))
    noise = rng.normal(0, 0.004, (2, len(heated)))
    vector = np.where(heated, spike, 0) * np.exp(2j * np.radians(40)) + noise[0] + 1j * noise[1]
    return Table(
        {
            "start": Time(1.76e9 + 86400 * day + 3600 * hours, format="unix"),
            "exposure": np.full(len(heated), exposure),
            "filter": [filter_name] * len(heated),
            "heater_share": heated.astype(float),
            "heater_power": power * heated,
            "fwhm": np.hypot(off_fwhm, np.where(heated, blur, 0.0)),
            "spike_strength": np.abs(vector),
            "spike_strength_err": np.full(len(heated), 0.004),
            "spike_angle": np.degrees(np.angle(vector)) / 2 % 180,
        }
    )


def make_two(*, before=1.3, after=1.3, spikes=(0.03, 0.03), seed=1, second=None, **options):
    """Two configurations on two nights; `second` holds what differs in the second one."""
    first = make_frames(seed=seed, blur=before, spike=spikes[0], **options)
    changed = {**options, **(second or {})}
    other = make_frames(seed=seed + 5000, blur=after, spike=spikes[1], day=1, **changed)
    return [Configuration("before", first), Configuration("after", other)]
