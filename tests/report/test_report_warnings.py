"""Every warning that the subpackages give comes with what to do about it."""

import pytest

from framesort.report._advice import _OTHERWISE, Notice, _advice_for, split_notices

KNOWN = [
    "No reading is above 1: they were read as fractions of full power.",
    "The lowest heater level in the log is assumed to be off.",
    "Times without a zone were read as UTC; give zone (--log-zone) if they are local.",
    "Times outside the list of intervals are off.",
    "None of the 4 steps of the supply current can be attributed to the heater: its "
    "power is unknown. Give full_current, or a log of the heater itself.",
    "The steps are ambiguous in 3 of 5 intervals: the power there is unknown.",
    "Rows were read as samples of the heater's power (form='samples').",
    "The heading names UTC; times were read in zone X as requested.",
    "The highest heater level, 2.10 A, is assumed to be full power; otherwise give "
    "full_current (--full-current) if it is another.",
    "Times were read as seconds since the given start, times 1.",
    "line 3: the clock of Europe/Berlin never showed that time, left out",
    "DATE-OBS: zone -0700 at the end of the time, not by the standard, turned into UTC",
    "4 darks, flats or bias among the files left out (first: x)",
    "a.fits: holds the bias by its level; it is subtracted",
    "d.fits: 60 s, scaled by 2 for frames of 120 s",
    "L: no sharp stack, so the stars of the deep stack stay as they are",
    "L: stars not replaced: too few stars",
    "3 of 9 frames do not agree with the checksum in their header, but are used (first: a)",
    "x.fits: left out, vanished",
    "x.tif: 8 bits a pixel are too coarse for faint light.",
    "x covers 50 % of the deep stack; stars beyond it stay.",
    "x: is a mirror image of the deep stack and was turned over.",
    "x: the first of 3 pages was taken.",
    "x: 4 of 9 values are rounded in 16 bits.",
    "3 of 4 steps of the supply current are the heater's",
    "x: no common area with the reference, only the level of its background",
    "x: no common stars for its flux scale, 1 is assumed",
    "8 rows repeat the time and value of another.",
    "5 excursions of up to 150 s were treated as slews.",
    "x.fits: not measured: OSError",
    "L: Only 20 stars were replaced: their profiles rest on few.",
    "L: The sharp stack is hardly sharper: 2 px against 2.1",
    "L: Isolated stars have 1.041 ± 0.003 of the sharp stack's width of 2.12 px.",
    "L: Isolated stars have 1.041 ± 0.003 of the sharp stack's flux.",
    "L: Coarse structure of the deep stack has 0.9 ± 0.01 of the flux that the scaled sharp stack "
    "has.",
    "L: Beside the 20 brightest stars 31 ± 1 % of the deep stack's spike remain; at most +9 "
    "times the noise.",
    "L: The pixel noise beside replaced stars is 1.30 of the deep stack's.",
    "L: Holes: 3, lumps: 0; the strongest is -9 times the noise at x 3, y 4.",
    "L: 9.0 % of the replaced entries with S/N 10 or more are not stellar by their profile in the "
    "sharp stack.",
    "L: In scales of 2 to 16 px the picture differs from the sharp stack by 0.9 of that stack's "
    "noise, beyond noise.",
    "L: In 80 % of the field the picture is nearer to the sky than the sharp stack by itself; its "
    "error is 0.90 of that stack's.",
    "Rows 4, 7: malformed",
]  # fmt: skip
"""One of each kind that the library gives, with example numbers."""


@pytest.mark.parametrize("sentence", KNOWN)
def test_known_warnings_have_words_of_their_own(sentence):
    assert _advice_for(sentence) not in ("", _OTHERWISE)


def test_unknown_warnings_get_advice_too():
    assert _advice_for("Something nobody thought of.") == _OTHERWISE


@pytest.mark.parametrize(
    ("part", "asks"),
    [("rows were read as", False), ("read as utc", True), ("can be attributed to the heater", True),
     ("hardly sharper", True), ("darks, flats", False)],
)  # fmt: skip
def test_only_what_asks_for_nothing_is_folded(part, asks):
    sentence = next(t for t in KNOWN if part in t.lower())
    heeded, idle = split_notices([Notice(sentence, _advice_for(sentence))])
    assert (len(heeded), len(idle)) == ((1, 0) if asks else (0, 1))
