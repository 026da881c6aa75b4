"""Lines that publishers of the data ask for, as they stand on pages and in files."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from siting.credits import Credit
from siting.report.shared.text import clean

_MOST_SHORT = 60


def short_lines(every: Iterable[Credit]) -> list[str]:
    """The short lines of the sources, for the edge of a map: of equal ones the first.

    A publisher of several of the maps is named once; the full lines tell which ones.
    """
    return list(dict.fromkeys(clean(_short(credit)) for credit in every))


def _short(credit: Credit) -> str:
    if credit.short:
        return credit.short
    if len(credit.line) <= _MOST_SHORT:
        return credit.line
    return credit.title or credit.line[: _MOST_SHORT - 1] + "\u2026"


def full_lines(every: Iterable[Credit]) -> list[str]:
    """Line, licence with its address written out, and what was changed: paper has no links."""
    return [clean(_full(credit)) for credit in every]


def _full(credit: Credit) -> str:
    parts = [f"{credit.title}: {credit.line}" if credit.title else credit.line]
    licence = " ".join(text for text in (credit.licence, credit.licence_url) if text)
    parts += [f"Licence: {licence}"] if licence else []
    parts += [f"Changed: {credit.changed}"] if credit.changed else []
    return ". ".join(part.rstrip(".") for part in parts) + "."


def one_line(every: Iterable[Credit]) -> str:
    """All lines as one text, for a tag of a file; "" without any."""
    return " | ".join(full_lines(every))


def records(every: Iterable[Credit]) -> list[dict[str, Any]]:
    """The sources as data, for run.json and the data package."""
    return [
        {
            "title": clean(credit.title or credit.line),
            "attribution": clean(credit.line),
            "licence": clean(credit.licence),
            "licence_url": clean(credit.licence_url),
            "changed": clean(credit.changed),
        }
        for credit in every
    ]


def package_sources(every: Iterable[Credit]) -> list[dict[str, str]]:
    """The sources as a Data Package has them: a title, and an address where there is one."""
    out = []
    for credit in every:
        one = {"title": clean(_full(credit))}
        # Any other text would pass for a file beside the package.
        if credit.licence_url.startswith("https://"):
            one["path"] = clean(credit.licence_url)
        out.append(one)
    return out
