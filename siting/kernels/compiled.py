"""How loops are compiled: once, without the interpreter's lock, kept on disk."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from numba import njit

ASKED: list[tuple[Any, str]] = []
"""Every loop that is called from Python, with the kinds of numbers that it is called with."""


def compiled(kinds: str = "") -> Callable[[Callable[..., Any]], Any]:
    """Mark a function as one that is compiled when it is first called, or by `prepare`.

    Parameters
    ----------
    kinds : what it is given, as numba writes it: "f4[:,::1], i8"; "" where only other loops call it
    """

    def mark(function: Callable[..., Any]) -> Any:
        made = _compiled(function)
        if kinds:
            ASKED.append((made, f"({kinds})"))
        return made

    return mark


def prepare(loops: Sequence[tuple[Any, str]]) -> None:
    """Compile some loops, or load them where they lie on disk, before they are called."""
    for loop, kinds in loops:
        loop.compile(kinds)


def _compiled(function: Callable[..., Any]) -> Any:
    """The function compiled, without the interpreter's lock, kept on disk where that is allowed."""
    try:
        return njit(cache=True, nogil=True)(function)
    except RuntimeError:  # no folder to keep it in: it is compiled anew by each process
        return njit(nogil=True)(function)
