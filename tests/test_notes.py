"""Warnings worst first, and every code in the order."""

from __future__ import annotations

import re
from pathlib import Path

from siting.notes import GAP, SEVERITY, head_and_gaps, severity, worst_first
from siting.types import Note

PACKAGE = Path(__file__).parents[1] / "siting"


def note(code: str, text: str = "x") -> Note:
    return Note(code, "warning" if code.startswith("W") else "assumption", text)


def test_the_worst_comes_first_and_equals_keep_their_order():
    notes = [note("W-COARSE-01"), note("A-GRID-01"), note("W-STEEP-01"), note("W-COVER-01")]
    assert [n.code for n in worst_first(notes)] == ["W-STEEP-01", "W-COARSE-01", "W-COVER-01"]


def test_at_most_three_stand_at_the_head_and_none_is_lost():
    codes = ["W-ABSENT-01", "W-USE-01", "W-COARSE-01", "W-NOSPOT-01", "W-COVER-02"]
    head, gaps = head_and_gaps([note(c) for c in codes])
    assert [n.code for n in head] == ["W-NOSPOT-01", "W-USE-01", "W-COARSE-01"]
    assert [n.code for n in gaps] == ["W-COVER-02", "W-ABSENT-01"]


def test_a_gap_never_stands_at_the_head():
    head, gaps = head_and_gaps([note("W-ABSENT-01"), note("W-LAYER-01")])
    assert head == ()
    assert len(gaps) == 2


def test_a_sentence_said_twice_is_told_once():
    assert len(worst_first([note("W-COARSE-01"), note("W-COARSE-01")])) == 1


def test_an_assumption_changes_nothing_at_the_head():
    assert severity(note("A-GRID-01")) == GAP


def test_every_warning_of_the_program_has_a_place_in_the_order():
    """A code that is not listed would take a middle place without anybody having thought of it."""
    found = {
        code
        for path in PACKAGE.rglob("*.py")
        # Those of gathering and of a review have commands of their own.
        if not {"review", "gather", "gather.py", "season.py"} & set(path.parts)
        for code in re.findall(r'"(W-[A-Z]+(?:-[A-Z]+)*-\d\d)"', path.read_text(encoding="utf-8"))
    }
    assert found - set(SEVERITY) == set()
