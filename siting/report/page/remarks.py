"""Warnings and assumptions as the map page shows them: at its head, or in the guide."""

from __future__ import annotations

from siting.notes import BEFORE_ADVICE, head_and_gaps, severity
from siting.report.shared.text import clean
from siting.types import Result


def notes(result: Result) -> list[dict[str, str]]:
    """Warnings, the worst first, then assumptions; what heads the list is not said again."""
    _, gaps = head_and_gaps(result.notes)
    taken = [note for note in result.notes if note.level != "warning"]
    return [{"level": note.level, "text": clean(note.text)} for note in (*gaps, *taken)]


def warned(result: Result) -> dict[str, list[str]]:
    """The warnings at the head of the page: those read before the advice, and those after it."""
    urgent = {True: "before", False: "after"}
    said: dict[str, list[str]] = {"before": [], "after": []}
    for note in head_and_gaps(result.notes)[0]:
        said[urgent[severity(note) >= BEFORE_ADVICE]].append(clean(note.text))
    return said
