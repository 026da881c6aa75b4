"""A decision on a spot, kept as a row of the office and as a file of decisions for every run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from siting.desk.back.records import proposal_text
from siting.desk.server.requests import DecisionIn
from siting.desk.storage.store import Store


def decide_spot(
    store: Store, uid: str, run: str, spot: Mapping[str, Any], asked: DecisionIn
) -> None:
    """Take a spot, or rule it out where a reason is given.

    Raises
    ------
    ValueError
        For a refusal without a reason.
    """
    if (asked.kind == "refused") != bool(asked.reason):
        raise ValueError("A place that is ruled out needs a reason, and no other has one.")
    parcel_id = str(store.signup(uid)["parcel_id"])
    store.decide(
        uid,
        run_uid=run,
        rank=asked.rank,
        kind=asked.kind,
        why=asked.why,
        place=(spot["lon"], spot["lat"]),
        spot_id=spot["spot_id"],
        said=proposal_text(parcel_id, spot, at=dt.datetime.now(dt.UTC), reason=asked.reason),
    )
