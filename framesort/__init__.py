"""Sorts and merges the frames of a night by the state of the dew heater."""

__version__ = "0.1.0"
