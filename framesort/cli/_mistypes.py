"""Wrong calls in one line: what was mistyped and what was meant, options as they are typed."""

import argparse
import re
import sys
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, NoReturn

__all__ = ["Parser", "as_typed", "options_only"]

_ARGUMENTS = {
    "form": "--log-form",
    "zone": "--log-zone",
    "start": "--log-start",
}
"""Arguments of the library's functions that have another name than their option."""


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, with what was probably meant."""

    _words: Sequence[str] = ()

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """As in argparse; the words are kept for the error."""
        self._words = list(sys.argv[1:] if args is None else args)
        return super().parse_known_args(self._words, namespace)

    def parse_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> argparse.Namespace:
        """As in argparse; the command whose option is wrong answers, since it knows its own."""
        found, rest = self.parse_known_args(args, namespace)
        if rest:
            chosen = self.commands().get(getattr(found, "command", ""), self)
            chosen.error(f"unrecognized arguments: {' '.join(rest)}")
        return found

    def commands(self) -> Mapping[str, "Parser"]:
        """The parsers of the commands by name."""
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction):
                return dict(action.choices)
        return {}

    def error(self, message: str) -> NoReturn:
        """End with one line and status 2."""
        hint = self._hint()
        help_of = f"`{self.prog} --help` shows more"
        self.exit(2, f"framesort: {' '.join(message.split())}; {hint or help_of}\n")

    def _hint(self) -> str:
        commands = self.commands()
        if commands:
            known, pool = commands, [w for w in self._words if not w.startswith("-")][:1]
        else:
            known = self._option_string_actions  # type: ignore[assignment]
            pool = [word.partition("=")[0] for word in self._words if word.startswith("--")]
        for word in pool:
            short = not commands and any(name.startswith(word) for name in known)
            if word not in known and not short:  # options may be shortened, commands not
                near = get_close_matches(word, known, n=1, cutoff=0.6)
                if near:
                    return f"did you mean {near[0]} instead of {word}?"
        return ""


def options_only(text: str) -> str:
    """Of an argument named with its option, "zone (--log-zone)", the option."""
    return re.sub(r"\b\w+ \((--[a-z-]+)\)", r"\1", text)


def as_typed(message: str, options: argparse.Namespace, parser: Parser) -> str:
    """A message of the library with the names of arguments as they are typed as options.

    A settings file has the names of the library, so what is said of one is left as it is.
    """
    message = options_only(message)
    given = getattr(options, "settings", None)
    if given and message.startswith(f"{given}: "):
        return message
    command: Any = parser.commands().get(options.command, parser)
    names = dict(_ARGUMENTS)
    for action in command._actions:
        if action.option_strings:
            names[action.dest] = action.option_strings[-1]
    # An argument is named at the beginning, or after the file that is spoken of.
    return re.sub(
        r"(^|: )([a-z_]+)(?= (?:must|needs|is for) )",
        lambda found: found[1] + names.get(found[2], found[2]),
        message,
        count=1,
    )
