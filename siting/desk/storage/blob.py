"""Shapes as a GeoPackage keeps them: a header of 40 bytes and well-known binary.

OGC GeoPackage Encoding Standard 1.2 (12-128r14), clause 2.1.3.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

_MAGIC = b"GP"
_WITH_ENVELOPE = 0b0000_0011  # little endian, envelope of four numbers
_SRS_WGS84 = 4326
_HEADER = struct.Struct("<2sBBi4d")
_ENVELOPE_DOUBLES = (0, 4, 6, 6, 8)


def to_blob(shape: Geometry) -> bytes:
    """The shape (longitude, latitude, WGS 84) as a GeoPackage geometry.

    Examples
    --------
    >>> import shapely
    >>> from_blob(to_blob(shapely.Point(-80.5, 43.5))).wkt
    'POINT (-80.5 43.5)'
    """
    west, south, east, north = shape.bounds
    head = _HEADER.pack(_MAGIC, 0, _WITH_ENVELOPE, _SRS_WGS84, west, east, south, north)
    return head + shapely.to_wkb(shape, byte_order=1)


def from_blob(blob: bytes) -> Geometry:
    """The shape of a GeoPackage geometry, whichever envelope it has; ValueError for other bytes."""
    return shapely.from_wkb(_wkb(blob))


def from_blobs(blobs: Sequence[bytes | None]) -> NDArray[np.object_]:
    """The same of many at once, (n,), in degrees; None for None."""
    # An array of one kind: of bytes numpy would make one that cuts off zeros at their ends.
    found = np.empty(len(blobs), dtype=object)
    found[:] = [None if blob is None else _wkb(blob) for blob in blobs]
    made: NDArray[np.object_] = shapely.from_wkb(found)
    return made


def _wkb(blob: bytes) -> bytes:
    if len(blob) < 8 or blob[:2] != _MAGIC:
        raise ValueError("not a GeoPackage geometry")
    envelope = (blob[3] >> 1) & 0b111
    if envelope >= len(_ENVELOPE_DOUBLES):
        raise ValueError("not a GeoPackage geometry")
    return blob[8 + 8 * _ENVELOPE_DOUBLES[envelope] :]


def envelope_of(blob: bytes) -> tuple[float, float, float, float]:
    """(west, south, east, north) of a GeoPackage geometry, in degrees."""
    west, south, east, north = from_blob(blob).bounds
    return west, south, east, north
