"""Exceptions and warnings: one class an idea, each with the exit status it stands for.

Every message is one line that says what is wrong, where, and what to do.
"""

import sys
import warnings

__all__ = [
    "FrameError",
    "FramesortError",
    "FramesortWarning",
    "HeaderWarning",
    "HeaterLogError",
    "HeaterLogWarning",
    "InputError",
    "NotEnoughFramesError",
    "OutputError",
    "QualityWarning",
    "WorkerError",
    "check_positive",
    "hide_deprecations",
]


class FramesortError(Exception):
    """Base of everything this library raises on purpose.

    Attributes
    ----------
    exit_status : int
        What the command line exits with: 2 for a wrong input or call, 3 where
        the frames do not allow it.
    """

    exit_status = 2


class InputError(FramesortError, ValueError):
    """An argument or an input file is not what it must be."""


class FrameError(InputError):
    """One frame cannot be used. In a night this becomes a reason in the table, not a stop."""


class HeaterLogError(InputError):
    """A heater log cannot be understood."""


class OutputError(FramesortError, OSError):
    """A result cannot be written, or would overwrite another."""


class NotEnoughFramesError(FramesortError):
    """The frames do not allow the request, for example no heater-off frame at all."""

    exit_status = 3


class WorkerError(FramesortError, RuntimeError):
    """A worker process died, killed or out of memory, and so did the retry."""


class FramesortWarning(UserWarning):
    """Base of the warnings of this library."""


class HeaderWarning(FramesortWarning):
    """A header breaks the FITS standard in a way that could be understood all the same."""


class HeaterLogWarning(FramesortWarning):
    """A heater log has rows that were left out or had to be interpreted."""


class QualityWarning(FramesortWarning):
    """A result exists, but should be looked at before it is trusted."""


def check_positive(**values: float) -> None:
    """Raise InputError, which names the argument, for a value that is not above 0."""
    for name, value in values.items():
        if not value > 0:
            raise InputError(f"{name} must be above 0, got {value:g}")


def hide_deprecations() -> None:
    """Silence deprecation warnings of libraries unless Python was started with -W.

    For programs, and for workers; ``python -W default`` or ``PYTHONWARNINGS`` shows them again.
    """
    if not sys.warnoptions:
        # By its words, since classes of such warnings differ from library to library.
        warnings.filterwarnings("ignore", message=r"(?s).*\bdeprecated\b")
