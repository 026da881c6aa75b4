"""Sketches of volunteers added to the inputs of a run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from siting.read.vector.sketch_file import OUTLINE, read_sketch
from siting.settings.given.layers import LayerInput
from siting.settings.given.tables import LAYER_NAMES
from siting.settings.inputs import Inputs


def outline_overrides(path: str) -> dict[str, Any]:
    """The outline of a sketch as the parcel of the inputs; empty when none was drawn.

    Values to lay over those of an inputs file: its outline, point and columns no longer count.
    """
    if OUTLINE not in read_sketch(path).layers():
        return {}
    unset = {"point": None, "radius_m": None, "id": "", "id_column": "", "crs": ""}
    unset |= {"cell_column": "", "priority_column": ""}
    return {"parcel": {"file": f"{path}::{OUTLINE}", "label_column": "name", **unset}}


def with_sketches(inputs: Inputs, paths: Sequence[str]) -> Inputs:
    """The inputs with every layer that the sketches speak of, after the inputs' own.

    A layer answered "none" is given as an empty one (there is none); one answered "unknown" adds
    nothing.

    Raises
    ------
    SitingError
        E-SKETCH-01 to E-SKETCH-03 for a file that is no whole sketch.
    """
    more: dict[str, tuple[LayerInput, ...]] = {}
    for path in paths:
        spoken = read_sketch(path).layers()
        for name in (name for name in LAYER_NAMES if name in spoken):
            before = more.get(name, getattr(inputs.layers, name))
            more[name] = (*before, LayerInput(file=path, layer=name))
    return inputs.model_copy(update={"layers": inputs.layers.model_copy(update=more)})
