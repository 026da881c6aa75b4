"""Whether neighbouring cameras recorded alike beyond what the score and their cluster say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.review.cameras import Cameras
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


def wider_clusters(cameras: Cameras) -> tuple[Cameras, list[Note]]:
    """The cameras, in wider clusters where neighbours are alike on the map.

    Cameras of one cluster are allowed to be alike by the model, so only pairs of different clusters
    are asked. Wider clusters are the survey cells where all cameras have one, square blocks of five
    usual spacings otherwise, smaller ones where those are fewer than five (our choice).
    """
    if cameras.at_m is None or len(cameras.ids) < _LEAST_CAMERAS or not cameras.events.any():
        return cameras, []
    fit = _fit(cameras)
    if fit is None:
        return cameras, []
    distance = _between_clusters(cameras.at_m, cameras.cluster)
    spacing = float(np.median(distance.min(axis=1)))
    if not np.isfinite(spacing) or spacing <= 0:
        return cameras, []
    residual = (cameras.events - fit.fitted) / np.sqrt(fit.fitted + fit.alpha * fit.fitted**2)
    # A grid of cameras has neighbours at exactly twice the spacing: rounding must not decide on
    # them.
    index, p = morans_i(residual, distance, within=2 * spacing * (1 + 1e-9))
    if not p < _CHANCE:
        return cameras, []
    # Distance to a river counted for ungulates of the savanna data (p 0.046) until near cameras
    # were allowed to be alike: then a quarter of the effect was left.
    wider = _wider(cameras, spacing)
    if wider is None:
        return cameras, [warning("W-SPACE-02", index=index, p=p)]
    changed = replace(cameras, cluster=wider)
    after = _fit(changed)
    note = warning(
        "W-SPACE-01", index=index, p=p, blocks=len(set(wider)), before=_slope(fit),
        after=_slope(after), more=_between_parts(fit, after),
    )  # fmt: skip
    return changed, [note]


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
