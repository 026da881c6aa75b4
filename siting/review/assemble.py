"""From rows and scored places to the arrays that the answer is worked out from."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from siting.review.cameras import Cameras
from siting.review.change import prior_sds
from siting.review.doubts.exactness import too_vague
from siting.review.doubts.terms import Terms, other_counts, terms_of
from siting.review.doubts.visits import unevenly_classified, visits_of_days
from siting.review.places import Judged
from siting.review.recorded.effort import GAPS_MIN, CameraRow
from siting.review.recorded.season import Deployment, Season
from siting.review.recorded.tables import M_PER_DEG
from siting.review.seen import heading_column
from siting.settings.protocol import Protocol
from siting.types import Note

HEADING = "heading"
"""Name of the criterion that only a real camera has: places are judged before a heading."""


def cameras_of(
    rows: Sequence[CameraRow], judged: Judged, protocol: Protocol, season: Season | None = None
) -> tuple[Cameras, list[Note]]:
    """The deployments that can be used, as arrays; cameras of one parcel are one cluster."""
    used = [row for row in rows if not row.left_out and not judged.places[row.deployment.id].code]
    held = [row.deployment for row in used]
    places = [judged.places[one.id] for one in held]
    # A criterion that one parcel's maps cannot judge is judged nowhere: places must compare.
    names = tuple(n for n in judged.protocol_w if all(n in place.columns for place in places))
    columns = np.array([[place.columns[name] for name in names] for place in places], dtype=float)
    columns = columns.reshape(len(used), len(names))
    weights = np.array([judged.protocol_w[name] for name in names], dtype=float)
    # Cameras on one property record the same animals; one off every parcel stands for itself.
    clusters = [place.parcel_id or row.cluster for row, place in zip(used, places, strict=True)]
    days = np.array([row.days for row in used], dtype=float)
    counted = np.array([row.events[GAPS_MIN[0]] for row in used], dtype=float)
    events, notes = visits_of_days(counted, days)
    score = np.array([place.score for place in places], dtype=float)
    place_score = score
    # The place is chosen by the score without it; what the camera recorded depends on it, too.
    heading, more = heading_column([place.seen for place in places], protocol)
    notes += more
    if heading is not None and names:
        names, weights = (*names, HEADING), np.append(weights, protocol.conditions.heading.weight)
        columns = np.column_stack([columns, heading])
        score = score + heading * protocol.conditions.heading.weight
    if season is not None and used:
        notes += unevenly_classified(season.open_share, [one.id for one in held], score)
    terms = terms_of(used) if used else Terms(None, (), None, {}, [])
    cameras = Cameras(
        ids=tuple(one.id for one in held),
        events=events,
        days=days,
        score=score,
        cluster=np.array(clusters, dtype=str),
        columns=columns,
        names=names,
        protocol_w=weights,
        place_score=place_score,
        land_score=judged.land_score,
        terms=terms.columns,
        term_names=terms.names,
        at_m=positions_m(held),
        cells=np.array([place.survey_cell for place in places], dtype=str),
        comparable=terms.comparable,
        others=other_counts(used),
        blocked=too_vague(held, protocol, names) | terms.blocked,
        by_group=_by_group(used),
        random=np.array([one.at_random for one in held], dtype=bool),
        recorded_days=counted if any(n.code == "W-COUNT-01" for n in notes) else None,
        prior_sd=prior_sds(names, protocol),
    )
    return cameras, [*notes, *terms.notes]


def _by_group(used: Sequence[CameraRow]) -> dict[str, NDArray[np.float64]]:
    names = used[0].by_group if used else {}
    return {name: np.array([row.by_group[name] for row in used], dtype=float) for name in names}


def positions_m(held: Sequence[Deployment]) -> NDArray[np.float64] | None:
    """Easting and northing in metres from the middle of the cameras, (n, 2); None for one place."""
    if len(held) < 2:
        return None
    lat = np.array([one.lat for one in held])
    lon = np.array([one.lon for one in held])
    east = (lon - lon.mean()) * M_PER_DEG * math.cos(math.radians(float(lat.mean())))
    return np.column_stack([east, (lat - lat.mean()) * M_PER_DEG])
