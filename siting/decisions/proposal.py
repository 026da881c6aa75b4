"""The place that is asked for: what the survey proposes, the volunteer chose, or a camera holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from siting.decisions.history import (
    Deployment,
    deployments_of,
    last_states,
    moment_of,
    point_of,
)
from siting.decisions.model import Record
from siting.decisions.places import KnownPlace

PROPOSED, CHOSEN, CAMERA_UP = "proposed", "chosen", "camera up"


@dataclass(frozen=True)
class Proposal:
    """A place that page, sheet, GPX, letter and deployments name first.

    Parameters
    ----------
    place_id : str
    rank : int or None
        Its rank in this run; None where it is not among the spots any more.
    state : str
        "proposed", "chosen" or "camera up".
    reason : str
        Why, as a clause without a full stop; "" where nobody said.
    lon, lat : degrees WGS 84, or None
        Where it is, as it was reported; None for a place that only this run knows.
    drawn : str
        Stratum and number of a place drawn at random, "" for every other place.
    """

    place_id: str
    rank: int | None
    state: str
    reason: str = ""
    lon: float | None = None
    lat: float | None = None
    drawn: str = ""


def proposal_of(
    records: Iterable[Record],
    ranks: Mapping[str, int],
    *,
    parcel: str,
    known: Iterable[KnownPlace] = (),
    offered: tuple[str, str] | None = None,
) -> Proposal | None:
    """The place that is asked for, by decisions first and by the assignment after them.

    A camera that stands counts before a choice, a choice before the wish of an office.

    Parameters
    ----------
    records : of one parcel
    ranks : mapping from the name of each spot's place to its rank
    parcel : its identifier
    known : places that have a name
    offered : (name of a place, why) that the assignment proposes, or None
    """
    records = tuple(records)
    standing = [d for d in deployments_of(records, parcel=parcel, known=known) if d.end is None]
    if standing:
        # By name where two were put up at one moment, so that the answer is the same in any order
        # of files.
        return _standing(max(standing, key=lambda d: (moment_of(d.start), d.location)), ranks)
    for state in (CHOSEN, PROPOSED):
        asked = {n: r for n, r in last_states(records).items() if r.state == state}
        if asked:
            name = max(asked, key=lambda n: (moment_of(asked[n]), n))
            return _asked(name, asked[name], ranks)
    # What people decided outranks what the assignment would choose.
    if offered is None:
        return None
    name, reason = offered
    return Proposal(name, ranks.get(name), PROPOSED, reason.strip().rstrip("."))


def _standing(camera: Deployment, ranks: Mapping[str, int]) -> Proposal:
    name, up = camera.location, camera.start
    return Proposal(name, ranks.get(name), CAMERA_UP, lon=up.lon, lat=up.lat)


def _asked(name: str, record: Record, ranks: Mapping[str, int]) -> Proposal:
    lon, lat = point_of(record) or (None, None)
    reason = record.note.strip().rstrip(".")
    return Proposal(name, ranks.get(name), record.state, reason, lon, lat)
