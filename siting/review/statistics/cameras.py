"""A season as arrays, for everything that is worked out from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cameras:
    """The deployments that were used, as arrays of shape (n,), or (n, k) for k criteria.

    Parameters
    ----------
    ids, cluster : (n,) identifiers; deployments of one cluster are not independent of each other
    events, days : (n,) independent events of the group, and camera-days
    score : (n,) ln of the score of the place
    columns : (n, k) what each criterion gives there, 0..1; no columns where the protocol does not
        score by rate ratios, else `columns @ protocol_w` is `score`
    names : k criteria
    protocol_w : (k,) ln rate ratios of the protocol
    land_score : (m,) ln of the score over open ground, a sample; None where not known
    """

    ids: tuple[str, ...]
    events: Floats
    days: Floats
    score: Floats
    cluster: NDArray[np.str_]
    columns: Floats
    names: tuple[str, ...]
    protocol_w: Floats
    land_score: Floats | None = None
