"""States of a night that several test files of the page share."""

import base64
import math
import struct
import zlib
from datetime import UTC, datetime

import numpy as np

from framesort.live import FilterMinutes, LiveEvent, LiveFrame, LiveStatus, SkyVerdict

BEGIN = datetime(2024, 10, 14, 20, 30, tzinfo=UTC).timestamp()


def png(pixels):
    """Grey pixels as the data URI of a PNG image."""
    rows = b"".join(b"\0" + bytes(row) for row in np.asarray(pixels, np.uint8))
    height, width = np.shape(pixels)

    def chunk(kind, data):
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    whole = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head)
    whole += chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    return "data:image/png;base64," + base64.b64encode(whole).decode()


def star(sigma, spike=0.0):
    y, x = np.mgrid[-16:17, -16:17]
    light = np.exp(-0.5 * (x**2 + y**2) / sigma**2)
    light += spike * np.exp(-0.5 * ((x - y) / 1.5) ** 2 - np.hypot(x, y) / 9)
    return png(255 * np.clip(light, 0, 1) ** 0.5)


def frames(number=150, *, seed=1):
    """Frames of two filters; the heater goes on and off, and dew begins near the end."""
    rng = np.random.default_rng(seed)
    made = []
    for k in range(number):
        phase = k % 40
        state = "off" if phase < 18 else "part" if phase in (18, 39) else "on"
        wide = {"off": 1.0, "part": 1.12, "on": 1.28}[state]
        ratio = wide * rng.normal(1, 0.03)
        late = max(k - 0.9 * number, 0) / number
        made.append(
            LiveFrame(
                file=f"/data/2024-10-14/light_{'L' if k % 3 else 'Ha'}_{k:04d}.fits",
                start=BEGIN + 126 * k,
                exposure=120.0,
                filter="L" if k % 3 else "Ha",
                group="L" if k % 3 else "Ha",
                heater_state=state,
                heater_power={"off": 0.0, "part": 22.0, "on": 60.0}[state],
                heater_share={"off": 0.0, "part": 0.4, "on": 1.0}[state],
                fwhm=3.1 * ratio,
                fwhm_ratio=ratio,
                halo=0.6,
                spike=0.0 if state == "off" else 0.031,
                spike_err=0.004,
                transparency=float(np.clip(rng.normal(0.96 - 2 * late, 0.015), 0, 1)),
                sky=900.0,
                noise=12.0,
                stars=412,
            )
        )
    return tuple(made)


def busy_status(number=150, **changes):
    """A night with everything that can be shown."""
    shown = frames(number)
    now = BEGIN + 126 * number + 20
    values = {
        "sentence": "Heater on since 01:03; dew is likely on the corrector plate.",
        "time": now,
        "heater": "on, 60 %",
        "switched": now - 2520,
        "frames_since_switch": 19,
        "fwhm_since_switch": 1.24,
        "frames": shown,
        "minutes": (
            FilterMinutes(filter="Ha", off=44, on=58, goal=60, ready=now + 4200),
            FilterMinutes(filter="L", off=92, on=110, goal=90),
            FilterMinutes(filter="OIII", off=0, on=12, goal=60),
        ),
        "sky": SkyVerdict(
            dew=0.83, cloud=0.11, focus=0.04, loss=0.06, minutes_to_loss=24,
            reasons=("halo grows while FWHM stays", "the plate is 0.4 K above the dew point"),
        ),
        "events": (
            LiveEvent(kind="goal", text="90 min of L with the heater off are reached.",
                      time=BEGIN + 9000, key="goal-L"),
            LiveEvent(kind="forgotten", text="The heater is off near the dew point.",
                      time=BEGIN + 14000, key="forgotten-1"),
            LiveEvent(kind="dew", text="Dew is likely: stars lose 6 % of their light.",
                      time=now - 600, key="dew-1"),
        ),
        "hints": (
            "Heater on would keep the plate clear; the maker's instructions have the last word.",
            "16 more minutes of Ha with the heater off reach the goal.",
        ),
        "star_last": star(3.4, 0.4),
        "star_off": star(2.6),
    }  # fmt: skip
    return LiveStatus(**(values | changes))


HOSTILE = (
    "<img src=x onerror=alert(1)>\"'&</script><script>alert(2)</script>\x00\u202egnp.fits\udcff"
)


def hostile_status():
    """Every text is an attack; every number is not known or absurd."""
    bad = math.nan
    odd = [
        LiveFrame(file=HOSTILE, filter=HOSTILE, heater_state=HOSTILE, reason=HOSTILE, start=BEGIN),
        LiveFrame(file="a/../" + "x" * 5000, start=BEGIN, exposure=-5.0, fwhm_ratio=math.inf),
        LiveFrame(file="", start=1e300, exposure=1e300, fwhm_ratio=1e300, transparency=-1e300),
        LiveFrame(file="late.fits", start=BEGIN + 60, exposure=120, fwhm_ratio=0, transparency=9),
        LiveFrame(file=HOSTILE, start=bad, exposure=math.inf, reason=HOSTILE),
    ]
    return LiveStatus(
        sentence=HOSTILE,
        time=BEGIN + 200,
        heater=HOSTILE,
        switched=1e18,
        frames=tuple(odd),
        minutes=(FilterMinutes(filter=HOSTILE, off=bad, on=-1, goal=0, ready=1e30),
                 FilterMinutes(filter="", off=math.inf, goal=math.inf)),
        sky=SkyVerdict(dew=bad, cloud=math.inf, focus=-3, reasons=(HOSTILE,), loss=bad),
        events=(LiveEvent(kind=HOSTILE, text=HOSTILE, time=bad, key=HOSTILE),
                LiveEvent(kind="dew", text=HOSTILE, time=1e25, key="")),
        hints=(HOSTILE,),
        star_last='data:image/png;base64,AAAA" onload="alert(3)',
        star_off="javascript:alert(4)",
    )  # fmt: skip
