"""Whether neighbouring cameras recorded alike beyond what the score and their cluster say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.review.cameras import Cameras
from siting.review.change import fit_of
from siting.review.recorded.season import warning
from siting.review.statistics.glm import morans_i
from siting.review.statistics.headline import slope_fit
from siting.review.statistics.weights import Shrunken
from siting.types import Note
from siting.words.office.review import neighbourhood

Floats = NDArray[np.float64]
_LEAST_CAMERAS, _LEAST_AREAS = 20, 5
_CHANCE = 0.05
_BLOCK_SPACINGS = (5.0, 3.0, 2.0)


class Widened(NamedTuple):
    """The cameras with the clusters that serve each question, and what was noticed.

    `places` counts the independent places and is what ratios are worked out from, `slope` is what
    the slope and the pairs are worked out from.
    """

    places: Cameras
    slope: Cameras
    notes: list[Note]


def wider_clusters(cameras: Cameras) -> Widened:
    """The cameras, in wider clusters where neighbours are alike on the map.

    Cameras of one cluster are allowed to be alike by the model, so only pairs of different clusters
    are asked. Wider clusters are the survey cells where all cameras have one, square blocks of five
    usual spacings otherwise, smaller ones where those are fewer than five (our choice).

    Neighbours that are alike only because a criterion should have another ratio are not one place:
    where each criterion with a ratio of its own explains the pattern, the slope alone, which leans
    on the protocol's ratios, is worked out with the wider clusters.
    """
    same = Widened(cameras, cameras, [])
    if cameras.at_m is None or len(cameras.ids) < _LEAST_CAMERAS or not cameras.events.any():
        return same
    fit = _fit(cameras)
    distance = _between_clusters(cameras.at_m, cameras.cluster)
    spacing = float(np.median(distance.min(axis=1)))
    if fit is None or not np.isfinite(spacing) or spacing <= 0:
        return same
    index, p = _pattern(cameras, fit, distance, spacing)
    if not p < _CHANCE:
        return same
    # Distance to a river counted for ungulates of the savanna data (p 0.046) until near cameras
    # were allowed to be alike: then a quarter of the effect was left.
    wider = _wider(cameras, spacing)
    if wider is None:
        return same._replace(notes=[warning("W-SPACE-02", index=index, p=p)])
    changed = replace(cameras, cluster=wider)
    after = _fit(changed)
    said = {"index": index, "p": p, "blocks": len(set(wider)), "before": _slope(fit),
            "after": _slope(after), "more": _between_parts(fit, after)}  # fmt: skip
    if cameras.columns.shape[1]:
        _, left = _pattern(cameras, fit_of(cameras), distance, spacing)
        if not left < _CHANCE:
            return Widened(cameras, changed, [warning("W-SPACE-03", left=left, **said)])
    return Widened(changed, changed, [warning("W-SPACE-01", **said)])


def _pattern(
    cameras: Cameras, fit: Shrunken, distance: Floats, spacing_m: float
) -> tuple[float, float]:
    """Moran's I of what a fit leaves, between clusters, and its p by chance alone, 0..1."""
    residual = (cameras.events - fit.fitted) / np.sqrt(fit.fitted + fit.alpha * fit.fitted**2)
    # A grid of cameras has neighbours at exactly twice the spacing: rounding must not decide on
    # them.
    return morans_i(residual, distance, within=2 * spacing_m * (1 + 1e-9))


def _between_parts(before: Shrunken, after: Shrunken | None) -> str:
    """The sentence where less than half of the slope is left within the wider areas."""
    gone = after is not None and before.w[0] > 0 and after.w[0] < before.w[0] / 2
    return f" {neighbourhood()}" if gone else ""


def _fit(cameras: Cameras) -> Shrunken | None:
    return slope_fit(
        cameras.events, cameras.days, cameras.score, cluster=cameras.cluster, terms=cameras.terms
    )


def _slope(fit: Shrunken | None) -> str:
    if fit is None:
        return "none"
    return f"{fit.w[0]:.2f} ({fit.low[0]:.2f} to {fit.high[0]:.2f})"


def _between_clusters(at_m: Floats, cluster: NDArray[Any]) -> Floats:
    """Metres between cameras (n, n), infinite within a cluster."""
    east, north = at_m.T
    distance = np.hypot(np.subtract.outer(east, east), np.subtract.outer(north, north))
    return np.where(cluster[:, None] == cluster[None, :], np.inf, distance)


def _wider(cameras: Cameras, spacing_m: float) -> NDArray[np.str_] | None:
    """Labels of wider clusters; None where none are both wider and enough."""
    count = len(set(cameras.cluster))
    cells = cameras.cells
    if cells is not None and (cells != "").all() and _LEAST_AREAS <= len(set(cells)) < count:
        return cells
    if cameras.at_m is None:
        return None
    # A cluster goes into the block of its middle, so that no property is torn in two.
    _, group = np.unique(cameras.cluster, return_inverse=True)
    sizes = np.bincount(group)
    middle = np.column_stack([np.bincount(group, axis) / sizes for axis in cameras.at_m.T])
    for spacings in _BLOCK_SPACINGS:
        block = np.floor((middle - middle.min(axis=0)) / (spacings * spacing_m)).astype(int)
        labels = np.array([f"block {a} {b}" for a, b in block])[group]
        if _LEAST_AREAS <= len(set(labels)) < count:
            return labels
    return None
