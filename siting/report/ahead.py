"""Pages made ahead: what a land looks like is drawn while its places are still sought."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from functools import partial
from typing import Any

from siting.grid import FloatArray
from siting.kernels.aside import Ahead, Maker
from siting.settings.protocol import Protocol
from siting.types import Land, NoGoArray, Result, Scores

NAMES = ("map.html", "suitability.tif")
"""The files that are made by the second process."""

# What the second process has already when it begins: too large to be handed over.
_KNOWN = ("land", "layers", "scores", "no_go")


class ReportAhead:
    """A second process that begins the report of a parcel before its places are known.

    A context; see `siting.kernels.aside.Ahead`.
    """

    def __init__(self, protocol: Protocol) -> None:
        self._protocol = protocol
        self._ahead = Ahead()

    def __enter__(self) -> ReportAhead:
        return self

    def __exit__(self, *_: object) -> None:
        self._ahead.__exit__()

    @property
    def at_work(self) -> bool:
        """Whether there is a second process."""
        return self._ahead.at_work

    def begin(
        self,
        land: Land,
        layers: Mapping[str, FloatArray],
        scores: Scores,
        no_go: NoGoArray,
    ) -> None:
        """Begin with the land; parameters as the fields of `Result`, (rows, cols) arrays."""
        known = dict(zip(_KNOWN, (land, layers, scores, no_go), strict=True))
        self._ahead.begin(partial(_prepared, known, self._protocol))

    @contextmanager
    def made(self, result: Result, makers: Mapping[str, Maker]) -> Iterator[Mapping[str, Maker]]:
        """What makes the same files, where the second process makes them only waiting for it."""
        rest = {f.name: getattr(result, f.name) for f in fields(Result) if f.name not in _KNOWN}
        with self._ahead.made(rest, makers) as waiting:
            yield waiting


def _prepared(
    known: Mapping[str, Any], protocol: Protocol
) -> Callable[[Mapping[str, Any]], Mapping[str, Maker]]:
    """All of the two files that does not depend on the places; what is loaded stays loaded."""
    import folium  # noqa: F401

    from siting.report.files.raster import suitability_tif
    from siting.report.page.land_drawn import land_drawn
    from siting.report.page.map import map_page
    from siting.report.page.window import likely_window

    land, scores, no_go = known["land"], known["scores"], known["no_go"]
    drawn = land_drawn(land, scores, no_go, window=likely_window(land))
    raster = suitability_tif(land, scores, no_go)

    def makers(rest: Mapping[str, Any]) -> Mapping[str, Maker]:
        result = Result(**known, **rest)
        return {
            "suitability.tif": lambda: raster,
            "map.html": lambda: map_page(result, protocol=protocol, ready=drawn),
        }

    return makers
