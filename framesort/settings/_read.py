"""Settings from a TOML file or from an earlier run."""

import tomllib
from pathlib import Path

from framesort.errors import InputError
from framesort.settings._settings import Settings

__all__ = ["read_settings"]


def read_settings(path: str | Path) -> Settings:
    """Read settings from a TOML file, or from the night.json of an earlier run.

    Raises
    ------
    InputError
        The file cannot be read, or holds what is no setting.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
        values = tomllib.loads(text) if path.suffix != ".json" else {}
    except OSError as error:
        raise InputError(f"{path}: settings cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:  # TOML and UTF-8 errors are ValueErrors
        raise InputError(f"{path}: settings cannot be understood ({error})") from error
    if path.suffix == ".json":
        from framesort.records import NightSummary  # heavy, and --help does without it

        values = NightSummary.from_json(text, where=str(path)).settings
    return Settings.from_mapping(values, where=str(path))
