"""The index of every cell; where steps are remembered, only of those that an edit changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from siting.grid import FloatArray
from siting.kernels.remembered import lasting, remembered, remembering, window_of_change
from siting.scoring.combine import combine, memberships, weights_of
from siting.settings.protocol import Protocol
from siting.settings.protocol_score import Scoring
from siting.types import Scores


@remembered("layers")
def score_cells(layers: Mapping[str, FloatArray], protocol: Protocol) -> Scores:
    """Index of every cell, without a unit; the heading is judged later, where it can matter.

    `layers` maps names of layers to (rows, cols) arrays, NaN = not known; see `combine`.
    """
    parts = memberships(layers, attractors=protocol.attractors, conditions=protocol.conditions)
    weights = weights_of(parts, attractors=protocol.attractors, conditions=protocol.conditions)
    if not remembering():
        return combine(parts, weights=weights, scoring=protocol.scoring)
    shape = [values.shape for values in parts.values()]
    # A cell's index follows from its own memberships alone.
    kept = lasting("index of cells", weights, protocol.scoring, shape)
    before: Scores | None = kept.get("scores")
    if before is None:
        kept["scores"] = combine(parts, weights=weights, scoring=protocol.scoring)
    else:
        kept["scores"] = _where_changed(before, parts, protocol.scoring)
    found: Scores = kept["scores"]
    return found


def _where_changed(before: Scores, parts: Mapping[str, FloatArray], scoring: Scoring) -> Scores:
    """The scores for new memberships of the same criteria: a moved trail changes a strip."""
    there = window_of_change(list(before.memberships.values()), list(parts.values()))
    if there[0].start == there[0].stop:
        return replace(before, memberships=parts)
    some = {name: values[there] for name, values in parts.items()}
    new = combine(some, weights=before.weights, scoring=scoring)
    made = []
    for name in ("attraction", "conditions", "total"):
        made.append(getattr(before, name).copy())
        made[-1][there] = getattr(new, name)
    return Scores(parts, made[0], made[1], made[2], before.weights)
