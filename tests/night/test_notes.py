"""Remarks of a star replacement and of its check do not contradict each other."""

from framesort.night._notes import join_notes
from framesort.replacement import ReplacementCheck

FIT = (
    "The sharp stack's stars are hardly sharper (3.41 px against 2.94 px).",
    "The stacks are 0.80 px apart; stars stand where the sharp stack has them.",
)


def test_what_the_check_measures_is_its_word():
    assert join_notes(FIT, ReplacementCheck(replaced=300)) == FIT[1:]
    seen = "The sharp stack is hardly sharper: 3.00 px against 3.01 px."
    assert join_notes(FIT, ReplacementCheck(notes=(seen,))) == (FIT[1], seen)


def test_without_a_check_nothing_is_left_out():
    assert join_notes(FIT, None) == FIT
