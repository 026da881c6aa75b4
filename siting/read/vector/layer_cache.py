"""Small vector layers kept whole in memory, so that the parcels of a batch share one reading.

Whether a layer is kept depends on its size alone, never on what was read before: a parcel gets the
same features alone and in a batch. A layer is read again as soon as its file has changed.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.disk.files import State, file_state

if TYPE_CHECKING:
    import geopandas as gpd

Value = TypeVar("Value")
Bounds = tuple[float, float, float, float]
Shapes = NDArray[np.object_]

MOST_FEATURES = 20_000
_MOST_BYTES = 60_000_000
_MOST_ENTRIES = 64


class WholeLayer:
    """All usable features of a layer, in the file's order, and where they went on other maps.

    Parameters
    ----------
    frame : GeoDataFrame
        The features that have a shape, rows numbered from 0.
    repair : function of the shapes
        Gives the repaired shapes; which ones it changed is counted.
    """

    def __init__(self, frame: gpd.GeoDataFrame, repair: Callable[[Shapes], Shapes]) -> None:
        shapes = np.asarray(frame.geometry.values, dtype=object)
        usable = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
        # Without the shapes: each parcel of a batch takes rows of it, and a table of shapes that is
        # cut costs several times one of texts and numbers.
        self.columns = frame[usable].drop(columns="geometry").reset_index(drop=True)
        self._bounds = shapely.bounds(shapes[usable])
        self._bad = ~shapely.is_valid(shapes[usable])
        self._shapes = repair(shapes[usable])
        self._moved: dict[str, dict[int, Geometry]] = {}

    def rows_in(self, boxes: Sequence[Bounds]) -> NDArray[np.int64]:
        """Numbers (n,) of the features whose bounds meet one of the boxes; all without a box."""
        if not boxes:
            return np.arange(len(self._shapes))
        left, bottom, right, top = self._bounds.T
        hit = np.zeros(len(self._shapes), dtype=bool)
        for west, south, east, north in boxes:
            hit |= (left <= east) & (right >= west) & (bottom <= north) & (top >= south)
        return np.flatnonzero(hit)

    def mended(self, rows: NDArray[np.int64]) -> int:
        """How many of these (n,) features had to be repaired."""
        return int(self._bad[rows].sum())

    def moved(
        self, rows: NDArray[np.int64], crs: str, move: Callable[[Geometry], Geometry]
    ) -> Shapes:
        """These (n,) features' shapes in another system; each is moved there only once."""
        known = self._moved.setdefault(crs, {})
        for row in rows.tolist():
            if row not in known:
                known[row] = move(self._shapes[row])
        out = np.empty(len(rows), dtype=object)
        out[:] = [known[row] for row in rows.tolist()]
        return out


def state_of(path: str) -> tuple[State, ...] | None:
    """The state of a local file and of the files that belong to it; None for others."""
    local = Path(path)
    names = [path, path + "-wal"]
    if local.suffix.lower() == ".shp":
        names += [str(local.with_suffix(end)) for end in (".dbf", ".shx", ".prj", ".cpg")]
    out = [file_state(name) or (-1, -1, -1, -1) for name in names]
    return tuple(out) if 0 <= out[0][0] <= _MOST_BYTES else None


class Kept:
    """The values used last, by key.

    Parameters
    ----------
    most : int
        The sizes of all values together; above it the one not used for longest goes.
    size : function of a value
    """

    def __init__(self, most: int, size: Callable[[Any], int] = lambda value: 1) -> None:
        self._values: OrderedDict[Hashable, Any] = OrderedDict()
        self._most, self._size, self._sum = most, size, 0

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """The value under a key, made when it is not there; a failure is not kept."""
        if key in self._values:
            self._values.move_to_end(key)
            value: Value = self._values[key]
            return value
        # Made before it is counted: a failure leaves nothing behind under the key.
        value = self._values[key] = make()
        self._sum += self._size(value)
        while self._sum > self._most:
            self._sum -= self._size(self._values.popitem(last=False)[1])
        return value


_FACTS, _LAYERS = Kept(_MOST_ENTRIES), Kept(_MOST_ENTRIES)


def facts(path: str, key: Hashable, read: Callable[[], Value]) -> Value:
    """What a file says of itself, read again only when the file has changed."""
    state = state_of(path)
    return read() if state is None else _FACTS.get((path, state, key), read)


def layer(path: str, key: Hashable, make: Callable[[], WholeLayer]) -> WholeLayer:
    """A whole layer, read again only when its file has changed."""
    return _LAYERS.get((path, state_of(path), key), make)


def is_small(path: str, features: int) -> bool:
    """Whether a layer of so many features is kept whole."""
    return features <= MOST_FEATURES and state_of(path) is not None
