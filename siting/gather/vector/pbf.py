"""What an OpenStreetMap extract (.osm.pbf) says of itself, read without a library.

The form: blobs, each with a small head, most of them packed; the first holds box, date and origin.
Only as much of the form is read as is needed for that and for the relations (OpenStreetMap
wiki, "PBF Format", from memory; held to the extract in the tests).
"""

from __future__ import annotations

import datetime as dt
import itertools
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from siting.errors import SitingError

# The form's own limits; a damaged or made-up size must not be believed.
_MOST_BLOB = 32 * 1024 * 1024
_MOST_HEAD = 64 * 1024
# The form of a member of a relation: 0 is a node, 2 another relation.
_WAY = 1
Field = tuple[int, int, int | bytes]


@dataclass(frozen=True)
class Header:
    """Box (west, south, east, north) in degrees or None, date or None, and origin as text."""

    box: tuple[float, float, float, float] | None
    date: dt.datetime | None
    origin: str


def header(path: Path) -> Header:
    """The head of an extract.

    Raises
    ------
    SitingError
        E-FILE-02 when the file is none.
    """
    kind, data = next(_blobs(path), ("", b""))
    if kind != "OSMHeader":
        raise _no_extract(path)
    box, date, origin = None, None, ""
    try:
        for number, _, value in _fields(data):
            if number == 1 and isinstance(value, bytes):
                box = _box(value)
            # The numbers of the fields are those of the form's description (osmformat.proto).
            elif number == 32 and isinstance(value, int):
                date = dt.datetime.fromtimestamp(value, dt.UTC)
            elif number in (17, 34) and isinstance(value, bytes) and not origin:
                origin = value.decode("utf-8", "replace")[:200]
    except (IndexError, ValueError, OverflowError, OSError):
        raise _no_extract(path) from None
    return Header(box, date, "".join(c for c in origin if c.isprintable()))


def _box(data: bytes) -> tuple[float, float, float, float]:
    found = {number: _signed(value) * 1e-9 for number, _, value in _fields(data)
             if isinstance(value, int)}  # fmt: skip
    return (found.get(1, 0.0), found.get(4, 0.0), found.get(2, 0.0), found.get(3, 0.0))


def relations(path: Path) -> Iterator[tuple[dict[str, str], list[int]]]:
    """(tags, numbers of the ways in it) of each relation of an extract.

    Raises
    ------
    SitingError
        E-FILE-02 when the file is broken or ends early.
    """
    for kind, data in _blobs(path):
        if kind == "OSMData":
            try:
                yield from _relations(data)
            except (IndexError, ValueError):
                raise _no_extract(path) from None


def _relations(data: bytes) -> Iterator[tuple[dict[str, str], list[int]]]:
    groups = [v for n, _, v in _fields(data) if n == 2 and isinstance(v, bytes)]
    found = [v for g in groups for n, _, v in _fields(g) if n == 4 and isinstance(v, bytes)]
    if not found:
        return
    table = next((v for n, _, v in _fields(data) if n == 1 and isinstance(v, bytes)), b"")
    texts = [v for n, _, v in _fields(table) if n == 1 and isinstance(v, bytes)]
    for relation in found:
        parts = {n: v for n, _, v in _fields(relation) if isinstance(v, bytes)}
        # Keys and values as places in the table of texts; members as steps from one to the next.
        keys, values, steps, forms = (_numbers(parts.get(n, b"")) for n in (2, 3, 9, 10))
        tags = {texts[k].decode(): texts[v].decode() for k, v in zip(keys, values, strict=True)}
        members = itertools.accumulate(map(_signed, steps))
        yield tags, [m for m, form in zip(members, forms, strict=True) if form == _WAY]


def _blobs(path: Path) -> Iterator[tuple[str, bytes]]:
    """(kind, content) of each blob; sizes are checked before anything is unpacked."""
    with path.open("rb") as stream:
        while start := stream.read(4):
            size = struct.unpack(">I", start)[0] if len(start) == 4 else 0
            if not 0 < size <= _MOST_HEAD:
                raise _no_extract(path)
            try:
                head = {n: v for n, _, v in _fields(stream.read(size))}
                kind, length = head.get(1, b""), head.get(3, 0)
                if not isinstance(kind, bytes) or not isinstance(length, int):
                    raise _no_extract(path)
                if length > _MOST_BLOB:
                    raise _no_extract(path)
                blob = stream.read(length)
                if len(blob) != length:
                    raise _no_extract(path)
                yield kind.decode("ascii"), _unpacked(blob)
            except (IndexError, ValueError, zlib.error):
                raise _no_extract(path) from None


def _unpacked(blob: bytes) -> bytes:
    for number, _, value in _fields(blob):
        if number == 1 and isinstance(value, bytes):
            return value
        if number == 3 and isinstance(value, bytes):
            unpacker = zlib.decompressobj()
            # At most so much comes out, whatever the head promised.
            data = unpacker.decompress(value, _MOST_BLOB)
            if unpacker.unconsumed_tail or not unpacker.eof:
                raise ValueError("more than a blob may hold")
            return data
    raise ValueError("packed in an unknown way")


def _fields(data: bytes) -> Iterator[Field]:
    """(number, form, value) of each field of a message."""
    at = 0
    while at < len(data):
        tag, at = _varint(data, at)
        number, form = tag >> 3, tag & 7
        if not number:
            raise ValueError("a field without a number")
        if form == 0:
            value, at = _varint(data, at)
            yield number, form, value
        elif form == 2:
            size, at = _varint(data, at)
            if at + size > len(data):
                raise ValueError("a field ends behind its message")
            yield number, form, data[at : at + size]
            at += size
        elif form in (1, 5):
            at += 8 if form == 1 else 4
        else:
            raise ValueError("a field of an unknown form")


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, at
        shift += 7
        # Ten bytes hold any number of 64 bits: a longer one is damaged.
        if shift > 63:
            raise ValueError("a number without end")


def _numbers(data: bytes) -> list[int]:
    out, at = [], 0
    while at < len(data):
        value, at = _varint(data, at)
        out.append(value)
    return out


def _signed(value: int) -> int:
    return (value >> 1) ^ -(value & 1)


def _no_extract(path: Path) -> SitingError:
    return SitingError(
        "E-FILE-02",
        f"{path} is not a complete OpenStreetMap extract.",
        rule="An extract is a file in the PBF form (.osm.pbf), complete and not compressed again.",
        cure="Download it again; unpack .bz2 and .gz files first.",
    )
