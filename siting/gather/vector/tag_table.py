"""A table of features whose tags are asked for by name."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting.types import BoolArray


@dataclass
class Layers:
    """Layers by name, and what must be said of them.

    `frames` hold name, kind (reason in no_go), class of roads, use of trails, and shapes in
    degrees. `counts` hold numbers to tell: dropped, unknown, hunting stands.
    """

    frames: dict[str, gpd.GeoDataFrame] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    strange: dict[str, int] = field(default_factory=dict)


class Tags:
    """A table of features whose tags are asked for by name: lower case, first value of a list."""

    def __init__(self, frame: gpd.GeoDataFrame) -> None:
        self.frame = frame
        self._known: dict[str, tuple[NDArray[np.intp], list[str]]] = {}

    def __getitem__(self, name: str) -> pd.Series:
        at, words = self._coded(name)
        return pd.Series(np.array(words, dtype=object)[at], index=self.frame.index, dtype=object)

    def _coded(self, name: str) -> tuple[NDArray[np.intp], list[str]]:
        """The word of each feature: its place in the list, and the list of words.

        A tag has a few hundred words on ten thousands of features: each is read once.
        """
        if name not in self._known:
            self._known[name] = self._column(name)
        return self._known[name]

    def _column(self, name: str) -> tuple[NDArray[np.intp], list[str]]:
        if name not in self.frame.columns:
            return np.zeros(len(self.frame), dtype=np.intp), [""]
        at, texts = pd.factorize(np.asarray(self.frame[name], dtype=object))
        # "path;track" is a path that is a track as well: the first is what the mapper thought of
        # first. A tag that is not set (-1) is the last of the words.
        return at, [*(str(text).split(";", 1)[0].strip().lower() for text in texts), ""]

    def isin(self, name: str, values: Iterable[str]) -> BoolArray:
        """Where a tag has one of the values; (n,) bool, one for each feature."""
        at, words = self._coded(name)
        wanted = set(values)
        out: BoolArray = np.array([word in wanted for word in words], dtype=bool)[at]
        return out

    def has(self, name: str) -> BoolArray:
        """Where a tag is set and is not "no"; (n,) bool, one for each feature."""
        return ~self.isin(name, ("", "no"))

    def part(
        self, rows: BoolArray, kind: object, *, shapes: object = None, **more: object
    ) -> gpd.GeoDataFrame:
        """The features of some rows with their name and kind, and columns besides."""
        frame = self.frame[rows]
        name = frame["name"].fillna("").astype(str) if "name" in frame else ""
        columns: dict[str, object] = {"name": name, "kind": _of(kind, rows)}
        columns |= {key: _of(value, rows) for key, value in more.items()}
        geometry = frame.geometry if shapes is None else shapes
        out = gpd.GeoDataFrame(columns, geometry=np.asarray(geometry), crs=frame.crs)
        return out.reset_index(drop=True)


def _of(value: object, rows: BoolArray) -> object:
    """Values of some rows, from one value for all or a column of every row."""
    if isinstance(value, str):
        return [value] * int(rows.sum())
    return np.asarray(value, dtype=object)[rows]
