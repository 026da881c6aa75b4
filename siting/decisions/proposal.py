"""The place that is asked for: what the survey proposes, or the volunteer chose."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from siting.decisions.history import last_states, moment_of
from siting.decisions.model import Record

# What counts more comes first: a camera that stands, a choice, a wish.
_ORDER = ("camera up", "chosen", "proposed")


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
    """

    place_id: str
    rank: int | None
    state: str
    reason: str = ""


def proposal_of(
    records: Iterable[Record],
    ranks: Mapping[str, int],
    *,
    offered: tuple[str, str] | None = None,
) -> Proposal | None:
    """The place that is asked for, by decisions first and by the assignment after them.

    Parameters
    ----------
    records : of one parcel
    ranks : mapping from the name of each spot's place to its rank
    offered : (name of a place, why) that the assignment proposes, or None
    """
    counts = {"checked": "camera up", "moved": "camera up"}
    found = [
        (_ORDER.index(state), -moment_of(record).timestamp(), name, state, record)
        for name, record in last_states(records).items()
        if (state := counts.get(record.state, record.state)) in _ORDER
    ]
    if found:
        _, _, name, state, record = min(found, key=lambda row: row[:3])
        return Proposal(name, ranks.get(name), state, record.note.strip().rstrip("."))
    # What people decided outranks what the assignment would choose.
    if offered is None:
        return None
    name, reason = offered
    return Proposal(name, ranks.get(name), "proposed", reason.strip().rstrip("."))
