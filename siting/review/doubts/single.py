"""Whether one deployment or one cluster alone carries a weight."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from siting.criteria import label_of
from siting.review.cameras import Cameras
from siting.review.change import WeightRow, fit_of
from siting.review.recorded.season import warning
from siting.review.statistics.weights import Shrunken
from siting.types import Note

Floats = NDArray[np.float64]
_EACH_UP_TO = 100


def carried_by_one(
    cameras: Cameras, rows: Sequence[WeightRow], fit: Shrunken
) -> tuple[tuple[WeightRow, ...], list[Note]]:
    """The rows, those that move by more than their standard deviation without one place held back.

    Every deployment and every cluster is left out in turn, with dispersion and spread as they were
    found; the one that moves a weight most is then left out of the whole fit.
    """
    # Held as found, which makes each fit quick: only the worst case is fitted whole.
    known = (max(fit.alpha, 1e-3), fit.spread)
    base = fit_of(cameras, at=known)
    parts = list(_parts(cameras))
    moved = np.array([fit_of(cameras.part(kept), at=known).w - base.w for _, kept in parts])
    out, notes = list(rows), []
    for k, row in enumerate(rows):
        worst = int(np.abs(moved[:, k]).argmax())
        if row.code or abs(moved[worst, k]) <= row.sd:
            continue
        who, kept = parts[worst]
        without = fit_of(cameras.part(kept))
        if abs(without.w[k] - fit.w[k]) > row.sd:
            out[k] = replace(row, proposed=None, code="W-ONE-01")
            said = {"without": f"{np.exp(without.w[k]):.2f}", "value": f"{row.shrunken:.2f}"}
            notes.append(warning("W-ONE-01", who=who, name=label_of(row.name, row.name), **said))
    return tuple(out), notes


def _parts(cameras: Cameras) -> Iterable[tuple[str, NDArray[np.bool_]]]:
    """Each deployment and each cluster of several, with the cameras that are left without it."""
    # Above a hundred cameras one alone hardly counts, and its place is tried in any case.
    for i, name in enumerate(cameras.ids if len(cameras.ids) <= _EACH_UP_TO else ()):
        yield name, np.arange(len(cameras.ids)) != i
    for label in np.unique(cameras.cluster):
        held = cameras.cluster == label
        if held.sum() < len(held) and (held.sum() > 1 or len(held) > _EACH_UP_TO):
            yield f"place {label}", ~held
