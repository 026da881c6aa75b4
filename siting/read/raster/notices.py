"""Notices of libraries that cannot be read: not a word of them reaches the terminal.

GDAL quotes what stands in a damaged file. Where that is no UTF-8, rasterio cannot hand the notice
to the log, and Python prints a trace instead, although nothing has failed.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Any

_lock = threading.Lock()
_inside = 0
_before: tuple[Any, Any] = (None, None)


@contextmanager
def unreadable_notices_ignored() -> Iterator[None]:
    """While this lasts, a notice that is no UTF-8 is dropped; every other failure is told."""
    global _inside, _before
    with _lock:
        if _inside == 0:
            _before = sys.excepthook, sys.unraisablehook
            sys.excepthook, sys.unraisablehook = _failed, _unraisable
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0:
                sys.excepthook, sys.unraisablehook = _before


def _failed(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    # A failure of Python code has a trace; that of a notice comes from compiled code and has none.
    if not (isinstance(error, UnicodeDecodeError) and trace is None):
        _before[0](kind, error, trace)


def _unraisable(told: Any) -> None:
    if not isinstance(told.exc_value, UnicodeDecodeError):
        _before[1](told)
