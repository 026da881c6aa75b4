"""Warnings and assumptions as the map page shows them: the worst at its head, all in the guide."""

from __future__ import annotations

from siting.notes import BEFORE_ADVICE, head_and_gaps, severity, worst_first
from siting.report.shared.text import clean_note
from siting.types import Result


def notes(result: Result) -> list[dict[str, str]]:
    """All warnings, the worst first, then assumptions: the guide lists what stands on the first
    screen, too, so that nobody takes the rest for all that is not known."""
    found = worst_first(result.notes)
    taken = [note for note in result.notes if note.level != "warning"]
    return [{"level": note.level, "text": clean_note(note.text)} for note in (*found, *taken)]


def warned(result: Result) -> dict[str, list[str]]:
    """The warnings at the head of the page: those read before the advice, and those after it."""
    urgent = {True: "before", False: "after"}
    said: dict[str, list[str]] = {"before": [], "after": []}
    for note in head_and_gaps(result.notes)[0]:
        said[urgent[severity(note) >= BEFORE_ADVICE]].append(clean_note(note.text))
    return said
