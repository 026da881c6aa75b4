"""Warnings worst first, and every code in the order."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from siting.notes import GAP, SEVERITY, head_and_gaps, severity, worst_first
from siting.types import Note
from siting.words.notes import list_notes
from siting.words.spot.card import walk_lines

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
        if not {"review", "gather", "gather.py", "season.py", "review_notes.py"} & set(path.parts)
        for code in re.findall(r'"(W-[A-Z]+(?:-[A-Z]+)*-\d\d)"', path.read_text(encoding="utf-8"))
    }
    assert found - set(SEVERITY) == set()


@pytest.mark.parametrize(
    ("spots", "usable", "words"),
    [
        (3, 0.01, "Only 1\u00a0% of this parcel is open to a camera."),
        (1, 0.6, "There is one place only"),
        (3, 0.06, ""),
        (0, 0.01, "No spot was found"),
    ],
)
def test_a_parcel_that_suits_badly_warns(spots, usable, words):
    found = list_notes(spots, usable, scant_share=0.05)
    assert [n.text.startswith(words) for n in found] == ([True] if words else [])
    if words and spots:
        assert [n.code for n in found] == ["W-SCANT-01"]
        assert "before a camera is promised" in found[0].text


def test_a_walk_over_the_land_of_others_is_said_first():
    walk = {"length_m": 990.0, "there_min": 20.0, "back_min": 20.0, "climb_m": 0.0, "along": (),
            "from_road": False, "unknown_crossings": 0}  # fmt: skip
    first, then = walk_lines(**walk, outside_m=932.0)
    assert first.startswith("930 m (3050 ft) of the walk are on somebody else's land: ask")
    assert then.startswith("990 m")
    assert len(walk_lines(**walk, outside_m=4.0)) == 1
