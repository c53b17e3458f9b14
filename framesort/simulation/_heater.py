"""The heater of a simulated night, and configurations of the rig that change what it does."""

from dataclasses import dataclass
from typing import Annotated

from framesort.rules import Rule, document_fields

__all__ = ["Configuration", "Heater"]


@document_fields
@dataclass(frozen=True, kw_only=True)
class Heater:
    """The heater and what it does to stars.

    The effect x follows the power p by ``dx/dt = (p - x) / tau``, with tau `warming` where p is
    above x and `cooling` where it is below; at once where they are 0. At effect p and exposure
    t, stars are wider by ``blur * (p / 100)^blur_power * (t / 60 s)^exposure_power`` in
    quadrature, and carry a spike with the share ``spike * (p - spike_from) /
    (100 - spike_from)`` of their light above `spike_from`.
    """

    events: Annotated[
        tuple[tuple[float, float], ...],
        Rule("list of [minute, percent]: from this minute the heater runs at this power"),
    ] = ()
    blur: Annotated[float, Rule("blur at full power and 60 s, FWHM in quadrature [px]", 0, 50)] = (
        2.4
    )
    blur_power: Annotated[float, Rule("exponent of power", 0.1, 5)] = 0.8
    exposure_power: Annotated[float, Rule("exponent of exposure time", 0, 2)] = 0.15
    beta: Annotated[float, Rule("Moffat's exponent at full power", 1.5, 20)] = 2.7
    spike: Annotated[float, Rule("share of star light in the spike at full power", 0, 0.9)] = 0.06
    spike_from: Annotated[float, Rule("power at which the spike appears [%]", 0, 99)] = 33.0
    spike_angle: Annotated[float, Rule("angle of the spike, ccw from +x [deg]", -360, 360)] = 62.0
    spike_length: Annotated[float, Rule("1/e length of the spike, in FWHM", 0.5, 100)] = 5.0
    warming: Annotated[float, Rule("time constant of the effect's rise [minutes]", 0, 1000)] = 0.0
    cooling: Annotated[float, Rule("time constant of its decay [minutes]", 0, 1000)] = 0.0
    share_law: Annotated[
        str,
        Rule(
            "a short heated part of an exposure counts by its share of the light (mixture), or "
            "nearly as a whole (whole)",
            choices=("mixture", "whole"),
        ),
    ] = "mixture"
    share_scale: Annotated[
        float,
        Rule("heated share at which whole saturates: 1 - exp(-share / share_scale)", 0.005, 10),
    ] = 0.07


@document_fields
@dataclass(frozen=True, kw_only=True)
class Configuration:
    """A state of the rig that changes what the heater does, such as a ring partly covered.

    Its factors hold for exposures that start from `minute` on, until the next configuration.
    """

    minute: Annotated[float, Rule("from which it holds [minutes after the start]", 0)] = 0.0
    name: Annotated[str, Rule("what to call it")]
    blur: Annotated[float, Rule("factor on the heater's blur", 0, 10)] = 1.0
    spike: Annotated[float, Rule("factor on the spike's share of star light", 0, 10)] = 1.0
    spike_length: Annotated[float, Rule("factor on the spike's length", 0.1, 10)] = 1.0
