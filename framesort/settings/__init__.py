"""Every setting of a night: one frozen record, on the command line and from TOML or JSON files.

Nothing heavy is imported, so that the command line answers a call for help at once.
"""

from framesort.settings._read import read_settings
from framesort.settings._settings import Settings

__all__ = ["Settings", "read_settings"]
