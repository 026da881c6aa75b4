"""Fingerprints of values: equal for equal values only, and no part of a value is left out."""

from __future__ import annotations

import threading
import weakref
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry
from xxhash import xxh3_128, xxh3_128_digest

# Kinds whose text says all; exact kinds only, for one made from them may hold more.
_PLAIN = frozenset({str, bytes, int, float, bool, type(None), range})


class NoFingerprintError(TypeError):
    """A kind of value of which nothing is known: it is then worked out, never guessed."""


class Fingerprints:
    """Digests of values; those of arrays and tables are kept while the array or table lives.

    Of 128 bits, so that two values never meet by chance; nobody who can write the inputs gains by
    making two that do.
    """

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self.kept: dict[int, tuple[weakref.ref[Any], bytes]] = {}

    def of(self, value: Any) -> bytes:
        """A digest of a value and of all that it holds; equal for equal values only.

        Raises
        ------
        NoFingerprintError
            For a kind of value that it does not know; no part is ever left out.
        """
        array = isinstance(value, np.ndarray) and value.dtype != object
        # Nobody changes a table or an array that a step was given or gave: tests/desk/test_warm.py
        # looks. (To compiled loops read-only arrays are a kind of their own, compiled anew.)
        lasting = (array and value.base is None) or hasattr(value, "columns")
        with self._lock:
            kept = self.kept.get(id(value)) if lasting else None
        if kept is not None and kept[0]() is value:
            return kept[1]
        found = _of_array(value) if array else xxh3_128_digest(b"".join(self._parts(value)))
        if lasting:
            with self._lock:
                self.kept[id(value)] = (weakref.ref(value, self._forget(id(value))), found)
        return found

    def _parts(self, value: Any) -> Iterator[bytes]:
        kind: Any = type(value)
        if kind in _PLAIN:
            yield _plain(value)
            return
        yield _name_of(kind)
        if isinstance(value, Mapping) and not is_dataclass(kind):
            # In their order: a step may go through them in it.
            yield from (self._part(part) for pair in value.items() for part in pair)
        elif isinstance(value, tuple | list | np.ndarray):
            yield b"%d:" % len(value)
            yield from map(self._part, value)
        elif isinstance(value, Geometry):
            yield shapely.to_wkb(value, include_srid=True)
        elif (names := _fields_of(kind)) is not None:
            yield from (self._part(getattr(value, name)) for name in names)
        elif isinstance(value, _BY_TEXT) or hasattr(value, "isoformat"):
            yield repr(value).encode()
        elif hasattr(value, "columns"):
            yield _plain(str(value.index.tolist()))
            for name in value.columns:
                yield self._part(name)
                yield self._part(np.asarray(value[name]).astype(object))
        else:
            raise NoFingerprintError(f"A step was given {kind}, which has no fingerprint.")

    def _part(self, value: Any) -> bytes:
        """One part among others: plain ones as they are, with their length, the rest as digests."""
        return _plain(value) if type(value) in _PLAIN else b"#" + self.of(value)

    def _forget(self, number: int) -> Callable[[object], None]:
        def forget(reference: object) -> None:
            kept = self.kept.get(number)
            # The number may belong to a new array by now.
            if kept is not None and kept[0] is reference:
                self.kept.pop(number, None)

        return forget


# Kinds made from plain ones (the members of an enumeration) and numbers of arrays.
_BY_TEXT = (str, bytes, int, float, np.generic, range)


def _plain(value: Any) -> bytes:
    kind: Any = type(value)
    text = repr(value).encode()
    return b"%b%d:%b" % (_name_of(kind), len(text), text)


@cache
def _name_of(kind: type) -> bytes:
    return f"{kind.__module__}.{kind.__qualname__}:".encode()


def _of_array(value: NDArray[Any]) -> bytes:
    digest = xxh3_128(f"{value.dtype.str}{value.shape}".encode())
    digest.update(np.ascontiguousarray(value).view(np.uint8).data if value.size else b"")
    return digest.digest()


@cache
def _fields_of(kind: type) -> tuple[str, ...] | None:
    """Names of the fields of a dataclass, a table of settings or the like; None of other kinds."""
    if is_dataclass(kind):
        # What does not count when two are compared is a store of what follows from the rest.
        return tuple(f.name for f in fields(kind) if f.compare)
    if hasattr(kind, "model_fields"):
        return tuple(kind.model_fields)
    attributes = getattr(kind, "__attrs_attrs__", None)
    return None if attributes is None else tuple(a.name for a in attributes)
