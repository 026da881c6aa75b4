"""How loops are compiled: once, without the interpreter's lock, kept on disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def compiled(function: Callable[..., Any]) -> Any:
    """The function compiled, without the interpreter's lock, kept on disk where that is allowed."""
    try:
        return njit(cache=True, nogil=True)(function)
    except RuntimeError:  # no folder to keep it in: it is compiled anew by each process
        return njit(nogil=True)(function)
