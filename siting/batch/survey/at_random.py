"""Which of the proposed cameras stand at a place drawn at random, so that a review can compare.

Picked places alone cannot show what picking is worth: a review sets them beside places that chance
chose, on the same land and in the same season (docs/review.md). The cells are drawn in even steps
through a list by the kind of place that was picked, so that each kind has its share of them.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from siting.batch.rows import ScoredParcel
from siting.batch.survey.assign import Assignment, CellChoice
from siting.batch.survey.assign_program import geocentric
from siting.lengths import length
from siting.report.files.random_places import drawn_as
from siting.settings.protocol_assign import AssignRules
from siting.words.office.letters import because_drawn, drawn_reason, too_near


def with_random(
    assignment: Assignment, rows: Sequence[ScoredParcel], *, rules: AssignRules, seed: int
) -> Assignment:
    """The proposal with `rules.random_share` of its cameras at random places of their parcels.

    Cameras that stand at such places already count. A camera that stands or a place that a
    volunteer chose is never drawn: it is settled. The same proposal and seed give the same cells.

    Parameters
    ----------
    assignment : Assignment
    rows : the scored parcels
    rules : AssignRules
    seed : whole number, `random.seed` of the protocol
    """
    if rules.random_share == 0.0:
        return assignment
    parcels = {row["parcel_id"]: row for row in rows}
    drawn = _drawn(assignment.cells, parcels, rules=rules, seed=seed)
    cells = [
        _at_random(choice, parcels[choice.chosen.parcel])
        if choice.cell in drawn and choice.chosen is not None
        else choice
        for choice in assignment.cells
    ]
    return replace(assignment, cells=tuple(_near_told(cells, rules)))


def _drawn(
    cells: Sequence[CellChoice],
    parcels: Mapping[str, ScoredParcel],
    *,
    rules: AssignRules,
    seed: int,
) -> set[str]:
    """Names of the cells whose camera goes to a random place."""
    filled = [c for c in cells if c.chosen is not None]
    standing = sum(_stands_at_random(parcels.get(c.chosen.parcel)) for c in filled if c.chosen)
    ready = []
    for choice in filled:
        option = choice.chosen
        if option is not None and not option.decided and parcels[option.parcel]["lot"] is not None:
            ready.append((option.kind, _lot(f"{seed}|{choice.cell}|{option.parcel}"), choice.cell))
    asked = math.floor(rules.random_share * len(filled) + 0.5) - standing
    most = min(max(asked, 0), len(ready))
    # At even steps from a start by lot: each cell has the same chance, each kind its share of them.
    step = len(ready) / max(most, 1)
    start = _lot(str(seed)) / 2**64 * step
    order = sorted(ready)
    return {order[int(start + k * step)][2] for k in range(most)}


def _stands_at_random(row: ScoredParcel | None) -> bool:
    settled = row["decided"] if row is not None else None
    if row is None or settled is None:
        return False
    return drawn_as(settled["place_id"], parcel=row["parcel_id"]) is not None


def _lot(text: str) -> int:
    # Not Python's hash, which is another one in every process.
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def _at_random(choice: CellChoice, row: ScoredParcel) -> CellChoice:
    lot, option = row["lot"], choice.chosen
    if lot is None or option is None:
        return choice
    place = replace(
        option, spot=None, lon=lot["lon_deg"], lat=lot["lat_deg"], score=math.nan, kind=""
    )
    return replace(
        choice,
        chosen=place,
        reason=drawn_reason(option.parcel, lot["stratum"], spot=option.spot, score=option.score),
        traded="",
        because=because_drawn(),
        lot=lot,
    )


def _near_told(cells: Sequence[CellChoice], rules: AssignRules) -> list[CellChoice]:
    """The choices; a random place nearer to another camera than the rule asks says so."""
    filled = [c for c in cells if c.chosen is not None]
    if len(filled) < 2:
        return list(cells)
    at = geocentric([c.chosen for c in filled if c.chosen is not None])
    told = {}
    for n, choice in enumerate(filled):
        apart_m = np.linalg.norm(at - at[n], axis=1)
        apart_m[n] = np.inf
        near = int(np.argmin(apart_m))
        if choice.lot is not None and apart_m[near] < rules.distance_m:
            told[choice.cell] = too_near(
                filled[near].cell, apart=length(apart_m[near]), asked=length(rules.distance_m)
            )
    return [replace(c, reason=f"{c.reason} {told[c.cell]}") if c.cell in told else c for c in cells]
