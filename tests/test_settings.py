"""Settings: one rule a field, of which checks, options, docstring and page are made."""

import argparse
import inspect
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated

import pytest

from framesort.cli._options import add_setting, option_flags, option_help
from framesort.cli._parser import build_parser, join_negative
from framesort.errors import InputError
from framesort.frames import MAX_SIZE
from framesort.rules import Rule, check_fields, document_fields, list_entries
from framesort.settings import Settings

ENTRIES = list_entries(Settings)
DOCS = Path(__file__).parents[1] / "docs"
ELSEWHERE = {"plan": {"dark", "zero_point"}}
"""Options of a command that have the name of a setting and are none: figures of the camera."""


def options_of(command):
    """Actions of a command whose values are settings, by name."""
    actions = build_parser().commands()[command]._actions
    names = set(ENTRIES) - ELSEWHERE.get(command, set())
    return {action.dest: action for action in actions if action.dest in names}


def test_every_field_has_a_rule_and_a_group():
    assert list(ENTRIES) == [field.name for field in fields(Settings)]
    for entry in ENTRIES.values():
        assert entry.rule.group and entry.rule.text, entry.name
        assert not entry.rule.text.endswith("."), entry.name
        # An option that takes a value says what stands for it.
        takes = entry.kind is not bool or entry.default is True
        assert bool(entry.rule.metavar or entry.rule.choices) == takes, entry.name


def test_night_offers_every_setting_and_the_others_parts_of_them():
    night = set(options_of("night"))
    assert night == set(ENTRIES)
    assert set(options_of("sort")) | set(options_of("merge")) == night
    assert not set(options_of("sort")) & set(options_of("merge"))
    assert set(options_of("swap")) == {"amount", "detail", "white"}
    read = {name for name, entry in ENTRIES.items() if entry.rule.group == "reading the log"}
    assert set(options_of("log")) == read


@pytest.mark.parametrize("command", sorted(build_parser().commands()))
def test_options_that_are_settings_are_made_of_the_rules(command):
    for name, action in options_of(command).items():
        entry = ENTRIES[name]
        parser = argparse.ArgumentParser(argument_default=argparse.SUPPRESS)
        group = parser.add_argument_group(entry.rule.group)
        add_setting(group, name)
        [made] = group._group_actions
        for part in ("option_strings", "nargs", "const", "type", "choices", "metavar", "help"):
            assert getattr(action, part) == getattr(made, part), (name, part)
        assert type(action) is type(made), name


def test_options_that_are_not_given_leave_the_settings_alone():
    options = build_parser().parse_args(["night", "a.fits", "--out", "o"])
    assert not set(ENTRIES) & set(vars(options))
    swap = build_parser().parse_args(["swap", "a", "b", "--out", "o"])
    assert (swap.amount, swap.detail, swap.white) == (1.0, True, None)


def test_words_become_values_of_the_field():
    words = (
        "night a.fits --out o --log-zone -07:00 --time-column Date --time-column Time "
        "--clock-offset auto --clock-offset -3 --no-day-first --mirrored --detail off --crop "
        "--keep-in b c --min-frames 7 --clip 2.5 --tiff 16 -0 --colour place"
    )
    options = vars(build_parser().parse_args(join_negative(words.split())))
    assert {name: value for name, value in options.items() if name in ENTRIES} == {
        "log_zone": "-07:00",
        "time_column": ["Date", "Time"],
        "clock_offset": ["auto", -3.0],
        "day_first": False,
        "mirrored": True,
        "detail": False,
        "crop": 1.0,
        "keep_in": ["b", "c"],
        "min_frames": 7,
        "clip": 2.5,
        "tiff": 16,
        "null": True,
        "colour": "place",
    }


@pytest.mark.parametrize(
    ("words", "joined"),
    [
        ("--log-zone -07:00", ["--log-zone=-07:00"]),
        ("--clock-offset -3600.5 --link", ["--clock-offset=-3600.5", "--link"]),
        ("--temperature -.5", ["--temperature=-.5"]),
        ("--link -0", ["--link", "-0"]),
        ("a.fits -1 -q --out=x -2", ["a.fits", "-1", "-q", "--out=x", "-2"]),
    ],
)
def test_negative_numbers_are_values(words, joined):
    assert join_negative(words.split()) == joined


def test_help_tells_the_meaning_and_the_default():
    assert option_flags(ENTRIES["heater_form"]) == ("--log-form",)
    assert option_flags(ENTRIES["deep_max_fwhm"]) == ("--deep-max-fwhm",)
    assert option_help(ENTRIES["clip"]).endswith("(default 3)")
    assert option_help(ENTRIES["detail"]).endswith("(default: on)")
    assert option_help(ENTRIES["max_share"]).endswith("(default: its stars decide)")
    assert option_help(ENTRIES["zero_point"]).endswith("; may be given again")
    assert option_help(ENTRIES["bias"]) == "master bias"


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"max_share": 3}, "max_share must be a number from 0 to 1, got 3"),
        ({"max_share": True}, "max_share must be a number from 0 to 1, got True"),
        ({"clip": "3"}, "clip must be a number from 1 to 100, got '3'"),
        ({"clip": None}, "clip must be a number from 1 to 100, got None"),
        ({"clip": float("nan")}, "clip must be a number from 1 to 100, got nan"),
        ({"min_frames": 2.5}, "min_frames must be a whole number from 1 to 1000000, got 2.5"),
        ({"tiff": 8}, "tiff must be 16 or 32, got 8"),
        ({"colour": "mixed"}, "colour must be interpolate or place, got 'mixed'"),
        ({"link": "yes"}, "link must be true or false, got 'yes'"),
        ({"mirrored": 2}, "mirrored must be true or false, got 2"),
        ({"stacker": 3}, "stacker must be a text, got 3"),
        ({"target": "M 31"}, "target must be a list, got 'M 31'"),
        ({"flat": 3}, "flat must be a list, got 3"),
        ({"clock_offset": "soon"}, "clock_offset must be seconds or 'auto', got 'soon'"),
        ({"clock_offset": [1, "b"]}, r"clock_offset must be seconds or 'auto', got \[1, 'b'\]"),
        ({"zero_point": ["L=x"]}, "zero_point must be MAGNITUDE or FILTER=MAGNITUDE, got 'L=x'"),
        ({"gap_angle": "upstairs"}, "'upstairs'"),
        ({"white": 5}, "white is for TIFF files"),
        ({"clips": 3}, r"no setting 'clips'; did you mean clip\?"),
        ({"zzz": 3}, "no setting 'zzz'; known are heater_form, log_zone, "),
    ],
)
def test_wrong_values_are_told_with_what_they_must_be(values, message):
    with pytest.raises(InputError, match=message) as caught:
        Settings.from_mapping(values, where="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert "\n" not in str(caught.value)


def test_values_are_held_as_their_fields_say():
    settings = Settings.from_mapping(
        {"clip": 3, "keep_in": ["a"], "clock_offset": [0, 2], "crop": 0, "min_frames": 4}
    )
    assert repr(settings.clip) == "3.0" and repr(settings.min_frames) == "4"
    assert settings.keep_in == ("a",) and settings.clock_offset == (0, 2)
    assert settings.crop is None
    assert Settings.from_mapping(settings.as_dict()) == settings


def test_default_of_the_largest_frame_is_that_of_the_reader():
    assert Settings().max_size == MAX_SIZE


def test_docstring_lists_every_setting():
    told = inspect.getdoc(Settings)
    for name in ENTRIES:
        assert f"\n{name} : " in told
    assert "max_share: float | None = None, " in str(inspect.signature(Settings))
    assert "\nmax_share : float or None\n    Largest heater share of a sharp frame (from" in told
    assert "\ncolour : {'interpolate', 'place'}\n" in told
    assert "\ntiff : {16, 32} or None\n" in told
    assert "\nclock_offset : float, str or tuple of float\n" in told


@pytest.mark.skipif(not DOCS.is_dir(), reason="no documentation beside the package")
def test_the_page_lists_every_setting_with_its_option():
    page = (DOCS / "settings.md").read_text(encoding="utf-8")
    for name, entry in ENTRIES.items():
        flags = ", ".join(f"`{flag}`" for flag in option_flags(entry))
        assert page.count(f"\n| `{name}` | {flags} | ") == 1


def test_range_in_words():
    assert Rule("x").limits == ""
    assert Rule("x", 0).limits == "from 0"
    assert Rule("x", high=2.5).limits == "to 2.5"
    assert Rule("x", -1, 10**12).limits == "from -1 to 1000000000000"
    assert Rule("x", choices=("a", "b", "c")).limits == "one of a, b, c"


def test_rules_of_another_class():
    @document_fields
    @dataclass(frozen=True)
    class Rig:
        """A rig."""

        power: Annotated[float, Rule("watts", 0, 50)]
        names: Annotated[tuple[str, ...], Rule("of its parts", default="made up")] = ()

        def __post_init__(self):
            check_fields(self)

    assert Rig.__doc__.splitlines()[4:] == [
        "power : float",
        "    Watts (from 0 to 50).",
        "names : tuple of str",
        "    Of its parts (default: made up).",
    ]
    assert Rig(power=2, names=["a"]) == Rig(power=2.0, names=("a",))
    with pytest.raises(InputError, match="power must be a number from 0 to 50, got 60"):
        Rig(power=60)


def test_a_field_without_a_rule_is_a_fault():
    @dataclass
    class Rig:
        power: float

    with pytest.raises(TypeError, match=r"Rig\.power has no rule"):
        list_entries(Rig)
