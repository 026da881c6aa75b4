"""A camera for each survey cell of the office, chosen in the worker as `siting batch` chooses."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siting.decisions.proposal import CHOSEN
from siting.desk.storage.store import Store

if TYPE_CHECKING:
    from siting.batch.rows import ScoredParcel
    from siting.batch.survey.assign import CellChoice


def rows_for(store: Store) -> list[str]:
    """The row of every sign-up with a cell and an up-to-date list, as JSON.

    What the office decided already stands, as a camera or a volunteer's choice does.
    """
    signups = {row["uid"]: row for row in store.signups()}
    found = []
    for uid, text in store.rows_of_runs():
        signup = signups.get(uid)
        if signup is None or not signup["cell"] or signup["set_aside_why"]:
            continue
        row = json.loads(text)["parcel"]
        # Cell and priority are words of the office, which the land file does not hold.
        row |= {"survey_cell": signup["cell"], "priority": signup["priority"]}
        row["decided"] = row["decided"] or _taken(store, uid, row)
        found.append(json.dumps(row))
    return found


def _taken(store: Store, uid: str, row: dict[str, Any]) -> dict[str, Any] | None:
    decision = store.decision(uid)
    if decision is None or not decision["spot_id"]:
        return None
    ranks = {spot["place_id"]: spot["spot"] for spot in row["top"]}
    place = {"lon_deg": decision["lon"], "lat_deg": decision["lat"]}
    spot = ranks.get(decision["spot_id"])
    return {"state": CHOSEN, "spot": spot, "place_id": decision["spot_id"], **place}


def proposed(
    rows: Sequence[str], protocol_file: Path | None, *, random_share: float | None = None
) -> dict[str, Any]:
    """In the worker: the choice for each cell, by the names that files call the land by.

    `random_share`, 0 to 1, is that of the protocol's key; None leaves it to the protocol.

    Raises
    ------
    SitingError
        E-ASSIGN-01 where no sign-up names a cell.
    """
    # Here, for the server makes the rows and must not wait for what chooses.
    from siting.batch.jobs import options_of
    from siting.batch.survey.assign import assign
    from siting.batch.survey.at_random import with_random
    from siting.scoring.common_maps import not_common
    from siting.settings.load import load_protocol

    protocol = load_protocol(protocol_file, random_share=random_share)
    parcels: list[ScoredParcel] = [json.loads(row) for row in rows]
    left_out = not_common([row["judged_by"] for row in parcels])
    options = [one for row in parcels for one in options_of(row, left_out=left_out)]
    cells = sorted({row["survey_cell"] for row in parcels})
    picked = assign(options, cells=cells, rules=protocol.assign)
    seed = protocol.random.seed
    choices = with_random(picked, parcels, rules=protocol.assign, seed=seed).cells
    return {
        "random_share": protocol.assign.random_share,
        "cells": [_choice(choice) for choice in choices],
    }


def _choice(choice: CellChoice) -> dict[str, Any]:
    chosen = choice.chosen
    return {
        "cell": choice.cell,
        "parcel": chosen.parcel if chosen else "",
        "spot": chosen.spot if chosen else None,
        "random": choice.lot is not None,
        "decided": chosen.decided if chosen else "",
        "reason": choice.reason,
        "traded": choice.traded,
        "reserves": [option.parcel for option in choice.reserves],
    }
