"""Reporting a visit on the page, as a volunteer does it."""

from __future__ import annotations

from typing import Any


def report(page: Any, form: str, state: str, **fields: Any) -> None:
    """Fill in the form named, for instance "visit-1", and keep the report.

    A list of numbers ticks the boxes of that place; text goes into a box or chooses from a list.
    Where a camera stands and no `lat` and `lon` are given it is "Where this page says".
    """
    page.select_option(f"#{form}-state", state)
    for name, value in fields.items():
        if isinstance(value, list):
            for number in value:
                page.check(f"#{form}-{name}-{number}")
        elif name in ("reason",):
            page.select_option(f"#{form}-{name}", value)
        else:
            page.fill(f"#{form}-{name}", value)
    # A camera up at no stated place stands right at the point: said, never taken for granted.
    if state in ("camera up", "moved") and "lat" not in fields:
        page.click(f"#{form}-planned")
    page.click(f"#{form}-save")


def open_card(page: Any, rank: int) -> None:
    """Open the card of a spot, where it is not open."""
    if not page.locator(f"#card-{rank}").is_visible():
        page.click(f"#row-{rank}")
