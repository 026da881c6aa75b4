"""Fingerprints of values: equal for equal values only, and no part of a value is left out."""

from __future__ import annotations

import hashlib
import threading
import weakref
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry


class NoFingerprintError(TypeError):
    """A kind of value of which nothing is known: it is then worked out, never guessed."""


class Fingerprints:
    """Digests of values; those of arrays and tables are kept while the array or table lives."""

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
        lasting = hasattr(value, "columns") or (array and value.base is None)
        with self._lock:
            kept = self.kept.get(id(value)) if lasting else None
        if kept is not None and kept[0]() is value:
            return kept[1]
        found = _of_array(value) if array else self._of_parts(value)
        if lasting:
            with self._lock:
                self.kept[id(value)] = (weakref.ref(value, self._forget(id(value))), found)
        return found

    def _of_parts(self, value: Any) -> bytes:
        digest = hashlib.blake2b(digest_size=16)
        for part in self._parts(value):
            digest.update(part)
        return digest.digest()

    def _parts(self, value: Any) -> Iterator[bytes]:
        yield f"{type(value).__module__}.{type(value).__qualname__}:".encode()
        if isinstance(value, str | bytes | int | float | None | np.generic | range) or hasattr(
            value, "isoformat"
        ):
            yield repr(value).encode()
        elif isinstance(value, Geometry):
            yield shapely.to_wkb(value, include_srid=True)
        elif isinstance(value, Mapping):
            # In their order: a step may go through them in it.
            yield from (self.of(pair) for pair in value.items())
        elif isinstance(value, tuple | list | np.ndarray):
            yield str(len(value)).encode()
            yield from (self.of(item) for item in value)
        elif (names := _parts_of(value)) is not None:
            yield from (self.of(getattr(value, name)) for name in names)
        elif hasattr(value, "columns"):
            yield str(value.index.tolist()).encode()
            for name in value.columns:
                yield from (self.of(name), self._of_column(np.asarray(value[name])))
        else:
            raise NoFingerprintError(f"A step was given {type(value)}, which has no fingerprint.")

    def _of_column(self, values: NDArray[Any]) -> bytes:
        return self.of(values.astype(object))

    def _forget(self, number: int) -> Callable[[object], None]:
        def forget(reference: object) -> None:
            kept = self.kept.get(number)
            # The number may belong to a new array by now.
            if kept is not None and kept[0] is reference:
                self.kept.pop(number, None)

        return forget


def _of_array(value: NDArray[Any]) -> bytes:
    digest = hashlib.blake2b(f"{value.dtype.str}{value.shape}".encode(), digest_size=16)
    digest.update(np.ascontiguousarray(value).view(np.uint8).data if value.size else b"")
    return digest.digest()


def _parts_of(value: Any) -> list[str] | None:
    """Names of the fields of a dataclass, a table of settings or the like; None of other kinds."""
    if is_dataclass(value):
        # What does not count when two are compared is a store of what follows from the rest.
        return [f.name for f in fields(value) if f.compare]
    if hasattr(type(value), "model_fields"):
        return list(type(value).model_fields)
    attributes = getattr(type(value), "__attrs_attrs__", None)
    return None if attributes is None else [a.name for a in attributes]
