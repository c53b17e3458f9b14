"""Simulated nights and stacks with known truth: for the demo, for tests, for users' own checks.

No other subpackage uses this one.
"""

from framesort.simulation._night import simulate_night
from framesort.simulation._reading import read_scenario
from framesort.simulation._replay import Replay, ReplayOptions, replay_night
from framesort.simulation._scenario import Scenario
from framesort.simulation._stacks import SimulatedStacks, StackScene, simulate_stacks
from framesort.simulation._truth import draw_truth

__all__ = [
    "Replay",
    "ReplayOptions",
    "Scenario",
    "SimulatedStacks",
    "StackScene",
    "draw_truth",
    "read_scenario",
    "replay_night",
    "simulate_night",
    "simulate_stacks",
]
