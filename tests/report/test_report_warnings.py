"""Every note that the subpackages give has a severity and says what to do about it."""

import ast
import pickle
from pathlib import Path

import pytest

import framesort
from framesort.records import NOTES, Note, as_notes
from framesort.report._advice import split_notes


def codes_in_source():
    """Codes of all `Note(...)` calls whose code is written out, also one of two."""
    found = set()
    for path in Path(framesort.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Note" and node.args:
                first = node.args[0]
                both = (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,)
                found |= {part.value for part in both if isinstance(part, ast.Constant)}
    return found


def test_every_code_is_known_and_every_known_code_is_used():
    used = codes_in_source()
    assert used <= set(NOTES)
    # The star table takes these from the reasons of its rows.
    assert set(NOTES) - used == {"no sharp data", "not stellar", "kept by user"}


@pytest.mark.parametrize("code", NOTES)
def test_advice_goes_with_the_severity(code):
    kind = NOTES[code]
    assert kind.advice.endswith(".")
    # "Nothing to do if ..." asks for a look.
    idle = kind.advice.startswith(("Nothing to do:", "Nothing to do;", "Nothing to do."))
    idle = idle or kind.advice.startswith("Nothing to do,")
    assert idle == (kind.severity == "info")


def test_only_what_asks_for_nothing_is_folded():
    loud, quiet = Note("hardly sharper", "A"), Note("not stellar", "B")
    grave = Note("log contradicted", "C")
    assert split_notes([quiet, loud, grave]) == ([loud, grave], [quiet])


def test_a_note_is_its_text():
    note = Note("self-check", "L: 3 holes.", ["a.fits"])
    assert note == "L: 3 holes." and f"{note}" == "L: 3 holes."
    assert (note.code, note.files, note.severity) == ("self-check", ("a.fits",), "warning")
    again = pickle.loads(pickle.dumps(note))
    assert (again, again.code, again.files) == (note, note.code, note.files)
    moved = note.within("2026-02-13")
    assert (moved, moved.code, moved.files) == ("2026-02-13: L: 3 holes.", note.code, note.files)
    with pytest.raises(KeyError):
        Note("no such code", "text")


def test_plain_texts_of_a_plug_in_become_notes():
    mine = Note("not stellar", "mine")
    assert as_notes(["theirs", mine]) == ["theirs", mine]
    assert [note.code for note in as_notes(["theirs", mine])] == ["plug-in", "not stellar"]
