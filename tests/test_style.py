"""Limits of the program's own style; `python -m tests.style_measures ROOM` says what is lacking."""

from __future__ import annotations

import ast
from functools import cache
from statistics import median, quantiles

import pytest

from tests.mutants import FAULTS, ROOT
from tests.style_measures import (
    PACKAGE,
    Measured,
    files_of,
    has_quantity,
    lines_of,
    measured,
    public_nodes,
    rooms,
)


@cache
def measured_room(room: str) -> Measured:
    """What a room comes to, read once for all tests."""
    return measured(files_of(room))


def test_functions_are_short():
    sizes = list(measured(sorted(PACKAGE.rglob("*.py"))).functions.values())
    assert median(sizes) <= 8
    assert quantiles(sizes, n=10)[-1] <= 25


@pytest.mark.parametrize("room", rooms())
def test_comments_say_why(room):
    assert measured_room(room).comments_per_100 >= 4


@pytest.mark.parametrize("room", rooms())
def test_modules_are_of_one_sitting(room):
    long = {name: n for name, n in measured_room(room).lines.items() if n > 350}
    assert long == {}


@pytest.mark.parametrize("room", rooms())
def test_docstrings_name_the_unit_of_what_they_take_and_give(room):
    assert measured_room(room).without_unit == []


def test_a_quantity_without_a_unit_is_found():
    tree = ast.parse(
        "class A:\n"
        "    width_m: float\n"
        "    def _own(self, x: float): ...\n"
        "    def name(self) -> str: ...\n"
        "def f(dem: FloatArray | None) -> None:\n"
        "    def inner(x: float): ...\n"
    )
    found = {name: has_quantity(node) for name, node in public_nodes(tree)}
    assert found == {"A": True, "A.name": False, "f": True}


def test_comments_are_counted_apart_from_code():
    code, comments = lines_of('"""Doc."""\n\n# why\nx = 1  # because\ny = "# no"  # noqa: E1\n')
    assert (sorted(code), sorted(comments)) == ([1, 4, 5], [3, 4])


def test_every_planted_fault_finds_its_line():
    """Seen here in a moment, not after half an hour by the step that plants them."""
    lost = [
        fault.name
        for fault in FAULTS
        if fault.old not in (ROOT / "siting" / fault.file).read_text(encoding="utf-8")
    ]
    assert lost == []
