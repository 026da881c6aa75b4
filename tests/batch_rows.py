"""Rows of an invented batch, made without scoring anything, for the tests of the overview."""

from __future__ import annotations

import math
import random
from typing import Any

import shapely

from siting.batch.output.tables import Batch
from siting.batch.survey.assign import Assignment, assign
from siting.batch.survey.assign_program import Option
from siting.settings.protocol_assign import AssignRules

PROBLEMS = (
    "none",
    "none",
    "none",
    "road",
    "livestock",
    "few_draws",
    "boundary",
    "building",
    "view",
)
KINDS = ("trail", "water", "edge", "passage")
CAUTIONS = ("Ticks: wear long trousers.", "Water: do not cross it.", "Livestock: ask first.")


def row(k: int, count: int, chance: random.Random) -> dict[str, Any]:
    """One scored parcel of a square net about 40 km wide; every ninth has no spot."""
    across = math.ceil(math.sqrt(count))
    lon = -80.7 + 0.5 * (k % across) / across
    lat = 43.7 - 0.36 * (k // across) / across
    score = None if k % 9 == 4 else round(chance.random(), 4)
    problem = "road" if score is None else "none" if score > 0.5 else chance.choice(PROBLEMS)
    spot = {"spot": 1, "place_id": f"P{k:04d}",
        "lon_deg": lon, "lat_deg": lat, "score": score, "kind": KINDS[k % 4],
        "where": "where West trail meets the brook", "heading_true_deg": k % 360,
        "walk_there_min": 7.0, "stability": "firm"}  # fmt: skip
    return {
        "parcel_id": f"L{k:04d}",
        "parcel_label": f"Land {k} <b>&",
        "survey_cell": f"C{k % across // 8}-{k // across // 8}",
        "priority": float(1 + k % 3),
        "lon_deg": lon,
        "lat_deg": lat,
        "area_ha": 31.5,
        "best_score": score,
        "judged_by": ["trails", "water"],
        "best_without": {},
        "spots": 0 if score is None else 1 + k % 10,
        "firm_spots": 0 if score is None else k % 4,
        "usable_share": round(chance.random(), 4),
        "limit": "nearly all of it lies within 100 m (330 ft) of a major road",
        "limit_share": 0.93,
        "problem": problem,
        "sentence": f"Thank you for offering your land (Land {k}): the maps show 3 places that "
        "would suit a camera well, 2 of them firm choices. The best: where West trail meets "
        "the brook.",
        "cautions": list(CAUTIONS),
        "caution_spots": [[] for _ in CAUTIONS],
        "decided": None,
        "drawn": [],
        "lot": {
            "place_id": f"L{k:04d}-random-woods-1",
            "stratum": "woods",
            "lon_deg": lon + 0.001,
            "lat_deg": lat,
        },
        "warnings": [],
        "begin": None if score is None else 1,
        "top": [] if score is None else [spot],
    }


def outline(k: int, row_: dict[str, Any]) -> shapely.Polygon:
    corners = [math.radians(turn) for turn in (10, 75, 140, 200, 255, 310)]
    far = [0.0024 + 0.0006 * math.sin(k + n) for n in range(6)]
    return shapely.Polygon([
        (row_["lon_deg"] + 1.35 * r * math.cos(a), row_["lat_deg"] + r * math.sin(a))
        for a, r in zip(corners, far, strict=True)
    ])  # fmt: skip


def invented_batch(count: int, *, failures: int = 3, assigned: bool = True) -> Batch:
    """A finished batch of this many parcels, the last ones failures."""
    chance = random.Random(1)
    rows = [row(k, count, chance) for k in range(count - failures)]
    failed = [row(k, count, chance) for k in range(count - failures, count)]
    shapes: dict[str, Any] = {r["parcel_id"]: outline(k, r) for k, r in enumerate([*rows, *failed])}
    faults = [
        {
            "parcel_id": r["parcel_id"],
            "parcel_label": r["parcel_label"],
            "survey_cell": r["survey_cell"],
            "code": "E-GEOM-02",
            "message": "The outline crosses itself.",
        }
        for r in failed
    ]
    pages = {r["parcel_id"]: f"parcels/{r['parcel_id'].lower()}" for r in rows[:40]}
    return Batch(rows, faults, shapes, pages, proposal(rows) if assigned else None)


def proposal(rows: list[dict[str, Any]]) -> Assignment:
    options = [
        Option(r["survey_cell"], r["parcel_id"], 1, r["lon_deg"], r["lat_deg"], r["best_score"],
            KINDS[k % 4], r["priority"])
        for k, r in enumerate(rows) if r["best_score"] is not None
    ]  # fmt: skip
    rules = AssignRules(distance_m=500.0)
    return assign(options, cells=sorted({r["survey_cell"] for r in rows}), rules=rules)
