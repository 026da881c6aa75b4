"""Days with a record taken for visits, and pictures that nobody has classified."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from siting.review.recorded.season import warning
from siting.types import Note

Floats = NDArray[np.float64]
_NEAR, _MANY = 0.8, 0.1
_UNEVEN = 0.1


def visits_of_days(events: Floats, days: Floats) -> tuple[Floats, list[Note]]:
    """Visits, where the table counts days with a record; the events themselves otherwise.

    On d days with rate v a day a share 1 - exp(-v) of the days has a record: the complementary
    log-log of that share is ln v, so -d ln(1 - y / d) stands for the visits. A ratio of 2 would
    look like 1.37 at one visit a day. A full count is taken as half a day short, as no rate is
    infinite.

    Parameters
    ----------
    events, days : (n,) counts, and camera-days above 0
    """
    whole = np.floor(days)
    recorded = events > 0
    if not recorded.any() or (events > np.ceil(days)).any():
        return events, []
    # Seasons of few records never have more events than days, and mean visits all the same.
    if (events >= _NEAR * whole).mean() < _MANY:
        return events, []
    share = np.minimum(events, whole - 0.5) / np.maximum(whole, 1.0)
    return np.asarray(-days * np.log1p(-share)), [warning("W-COUNT-01")]


def unevenly_classified(
    open_share: Mapping[str, float], ids: Sequence[str], score: Floats
) -> list[Note]:
    """A note where pictures not classified yet lie on one side of the score.

    Parameters
    ----------
    open_share : share (0..1) of a deployment's observations that nobody has classified
    score : (n,) of the deployments `ids`
    """
    shares = np.array([open_share.get(key, 0.0) for key in ids])
    upper = score > np.median(score)
    if not shares.any() or upper.all() or not upper.any():
        return []
    low, high = float(shares[~upper].mean()), float(shares[upper].mean())
    return [warning("W-TYPE-02", low=low, high=high)] if abs(high - low) > _UNEVEN else []
