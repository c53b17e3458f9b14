"""Notes of a run: from warnings, of a star replacement and of its check, and as log lines."""

import logging
import warnings

import pytest

from framesort.errors import QualityWarning
from framesort.night._notes import collect_warnings, join_notes, log_notes
from framesort.records import Note
from framesort.replacement import ReplacementCheck

FIT = (
    Note("hardly sharper", "The sharp stack's stars are hardly sharper (3.41 px against 2.94)."),
    Note("stacks apart", "The stacks are 0.80 px apart."),
)


def test_what_the_check_measures_is_its_word():
    assert join_notes(FIT, ReplacementCheck(replaced=300)) == FIT[1:]
    seen = Note("hardly sharper", "The sharp stack is hardly sharper: 3.00 px against 3.01 px.")
    assert join_notes(FIT, ReplacementCheck(notes=(seen,))) == (FIT[1], seen)


def test_without_a_check_nothing_is_left_out():
    assert join_notes(FIT, None) == FIT


def test_warnings_become_notes_and_keep_their_code():
    with collect_warnings() as notes:
        warnings.warn(Note("wrong checksum", "one", ["a"]), QualityWarning, stacklevel=1)
        warnings.warn("two", QualityWarning, stacklevel=1)
    assert [(note, note.code) for note in notes] == [("one", "wrong checksum"), ("two", "plug-in")]
    assert notes[0].files == ("a",)


def test_warnings_are_collected_when_the_block_fails():
    with pytest.raises(ZeroDivisionError), collect_warnings() as notes:
        warnings.warn("seen", QualityWarning, stacklevel=1)
        raise ZeroDivisionError
    assert notes == ["seen"]


def test_warnings_of_other_libraries_are_not_lost():
    with pytest.warns(UserWarning, match="of another library"), collect_warnings() as notes:
        warnings.warn("of another library", UserWarning, stacklevel=1)
    assert notes == []


def test_notes_are_logged_at_their_severity(caplog):
    logger = logging.getLogger("framesort.test")
    with caplog.at_level(logging.INFO, logger="framesort.test"):
        log_notes(logger, [*FIT, Note("log contradicted", "wrong log")])
    levels = [record.levelname for record in caplog.records]
    assert levels == ["WARNING", "INFO", "ERROR"]
