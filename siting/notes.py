"""Remarks before they are sentences, and which warnings a reader must see first.

A warning changes what somebody does, or it only says what the maps lack. At most three stand at the
head of a page; the rest is listed under "Gaps in the maps".
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from siting.types import Note


@dataclass(frozen=True)
class Remark:
    """An assumption or a warning before it is a sentence: `siting.words.notes` says it.

    `code` is that of the `Note` it becomes, `values` what the sentence speaks of.
    """

    code: str
    values: Mapping[str, Any] = field(default_factory=dict)


# Three are read; a list of ten is passed over, and with it the one that matters.
MOST_AT_THE_HEAD = 3
BEFORE_ADVICE = 2
"""From this severity on a warning comes before the advice: it may be wrong, or people come by."""
GAP = 0
"""A severity of 0: the warning only says what the maps lack, and stands under the gaps."""

SEVERITY: Mapping[str, int] = {
    # 3: the spots may be wrong altogether.
    "W-NOSPOT-01": 3,
    "W-PLAIN-01": 3,
    "W-STEEP-01": 3,
    "W-LEGEND-01": 3,
    "W-PLACE-01": 3,
    "W-WATER-01": 3,
    # 2: what is said of some places may be wrong, or people may be there.
    "W-TERRACE-01": 2,
    "W-OFFSET-01": 2,
    "W-NOCOVER-01": 2,
    "W-USE-01": 2,
    "W-PEOPLE-01": 2,
    "W-STREAM-01": 2,
    "W-EXTENT-01": 2,
    "W-SCANT-01": 2,
    "W-CLASS-01": 2,
    "W-OVERVIEW-01": 2,
    "W-SURFACE-01": 2,
    # 1: less is judged, or less exactly, than the page may look.
    "W-DATUM-01": 1,
    "W-SEAM-01": 1,
    "W-HOLE-01": 1,
    "W-COVER-01": 1,
    "W-FAR-01": 1,
    "W-COVER-02": 1,
    "W-COARSE-01": 1,
    "W-CANOPY-01": 1,
    "W-QUIET-01": 1,
    "W-WALK-01": 1,
    "W-WALK-02": 1,
    "W-WALK-03": 1,
    # 0: a gap.
    "W-ABSENT-01": GAP,
    "W-ATTRIB-01": GAP,
    "W-LAYER-01": GAP,
    "W-TIME-01": GAP,
    "W-COMPASS-01": GAP,
    "W-PRIORITY-01": GAP,
    "W-VISIT-02": GAP,  # Usual where one folder holds the files of all parcels.
}
# A new warning that nobody has weighed must not hide among the gaps.
_UNLISTED = 1


def severity(note: Note) -> int:
    """How much a note changes what a reader should do: 3 most, 0 (and every assumption) least.

    Examples
    --------
    >>> severity(Note("W-STEEP-01", "warning", "Half of this land is steep."))
    3
    """
    return SEVERITY.get(note.code, _UNLISTED) if note.level == "warning" else GAP


def worst_first(notes: Iterable[Note]) -> tuple[Note, ...]:
    """The warnings, each sentence once, the worst first; equal ones in the order they arose."""
    once: dict[tuple[str, str], Note] = {}
    for note in notes:
        if note.level == "warning":
            # One sentence may come from several layers: it is read once.
            once.setdefault((note.code, note.text), note)
    return tuple(sorted(once.values(), key=lambda note: -severity(note)))


def head_and_gaps(notes: Iterable[Note]) -> tuple[tuple[Note, ...], tuple[Note, ...]]:
    """The warnings for the head of a page (at most three), and the rest, both worst first."""
    ordered = worst_first(notes)
    head = tuple(n for n in ordered if severity(n) > GAP)[:MOST_AT_THE_HEAD]
    return head, tuple(n for n in ordered if n not in head)
