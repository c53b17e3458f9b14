"""A thin layer over the public functions: it parses, calls, prints and sets the exit status."""

import os
import sys
import traceback
import warnings
from collections.abc import Sequence

from framesort.cli._mistypes import as_typed
from framesort.cli._parser import build_parser, join_negative
from framesort.errors import FramesortError, hide_deprecations
from framesort.workers import (
    limit_library_threads,
    loading_modules,
    prepare_workers,
    skip_last_search,
    tune_heaps,
)

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str or None
        Without the program's name; None for those of the process.

    Returns
    -------
    int
        0 done, 1 done but something was left out, 2 wrong input or call, 3 the frames do
        not allow it, 130 stopped by the user.
    """
    try:
        if arguments is None:  # this process is the program: its warnings and memory are ours
            hide_deprecations()
            limit_library_threads()
            tune_heaps()
            skip_last_search()
        return _run(sys.argv[1:] if arguments is None else arguments)
    except KeyboardInterrupt:
        print("framesort: stopped; what was finished is kept", file=sys.stderr)
        return 130


def _run(words: Sequence[str]) -> int:
    """Parse the call, run it, and make one line of what it raises."""
    parser = build_parser()
    options = parser.parse_args(join_negative(words))
    options.words = list(words)
    if getattr(options, "workers", 1) != 1:
        prepare_workers(["framesort.quality", "framesort.report"])
    # The heavy libraries are loaded only once the call is known to be well-formed.
    with loading_modules():
        from framesort.cli._commands import COMMANDS
        from framesort.cli._console import print_note, show_log

    try:
        with warnings.catch_warnings(), show_log(options.verbose):
            _silence_others()
            return COMMANDS[options.command](options)
    except BrokenPipeError:
        # The reader of the output went away, as `| head` does; nothing is wrong.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        print_note("not enough memory; run again with fewer workers (--workers 1)")
        return 2
    except Exception as error:
        if options.debug:
            traceback.print_exc()
        if isinstance(error, FramesortError):
            print_note(as_typed(" ".join(str(error).split()), options, parser))
            return error.exit_status
        print_note(
            f"internal error: {type(error).__name__}: {' '.join(str(error).split())}; "
            "run again with --debug for the traceback"
        )
        return 2


def _silence_others() -> None:
    """Keep remarks of other libraries on headers and years off the screen; ours say what counts."""
    from astropy.utils.exceptions import AstropyWarning
    from erfa import ErfaWarning

    for category in (AstropyWarning, ErfaWarning):
        warnings.simplefilter("ignore", category)
