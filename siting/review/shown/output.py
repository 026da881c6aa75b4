"""The tables of a review, and the lines a coordinator may accept into the protocol."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence

import numpy as np

from siting import __version__
from siting.report.files.tables import table
from siting.review.answer import Answer
from siting.review.cameras import Cameras
from siting.review.change import TAU, Z95, accepted_ago
from siting.review.places import PlaceScore
from siting.review.recorded.effort import GAPS_MIN, CameraRow
from siting.review.statistics.ranks import class_of
from siting.settings.protocol import Protocol
from siting.settings.text.toml import toml_value

_FRAGMENT_HEAD = (
    "# Suggested by siting review. Nothing changes until you put these lines into your protocol."
)


def review_csv(
    rows: Sequence[CameraRow],
    places: Mapping[str, PlaceScore],
    cameras: Cameras,
    found: Answer,
    *,
    public: bool = False,
) -> str:
    """One row per deployment, used or not; with `public` one per class of the score."""
    if public:
        return _classes_csv(found)
    used = {key: i for i, key in enumerate(cameras.ids)}
    part = class_of(cameras.score) + 1 if len(cameras.ids) else np.empty(0)
    names = sorted({name for place in places.values() for name in place.columns})
    records = []
    for row in rows:
        key, place = row.deployment.id, places.get(row.deployment.id)
        record: dict[str, object] = {
            "deployment_id": key,
            "parcel_id": place.parcel_id if place else "",
            "survey_cell": place.survey_cell if place else "",
            "used": "yes" if key in used else "no",
            "left_out_code": row.left_out or (place.code if place else ""),
            "camera_days": round(row.days, 3),
            "events": row.events[GAPS_MIN[0]],
            "heading_known": row.deployment.heading_deg is not None,
            "heading_score": round(place.seen.heading_score, 4) if place and place.seen else None,
            "closed_ground": bool(place and place.no_go),
            "events_if_0min": row.events[GAPS_MIN[1]],
            "events_if_60min": row.events[GAPS_MIN[2]],
        }
        if key in used:
            i = used[key]
            record |= _of_used(cameras, found, i) | {"score_class": int(part[i])}
            record |= {f"part_{n}": round(place.columns.get(n, 0.0), 4) for n in names if place}
        records.append(record)
    return table((*_COLUMNS, *(f"part_{name}" for name in names)), records)


def _of_used(cameras: Cameras, found: Answer, i: int) -> dict[str, object]:
    expected = None if found.expected is None else float(found.expected[i])
    events = float(cameras.events[i])
    return {
        "rate": round(100 * events / float(cameras.days[i]), 3),
        "score": round(float(np.exp(cameras.score[i])), 4),
        "expected": None if expected is None else round(expected, 3),
        "residual": None
        if expected is None
        else round(float(np.log((events + 1) / (expected + 1))), 3),
    }


_COLUMNS = (
    "deployment_id", "parcel_id", "survey_cell", "used", "left_out_code", "camera_days", "events",
    "rate", "score", "score_class", "heading_known", "heading_score", "closed_ground",
    "expected", "residual", "events_if_0min", "events_if_60min",
)  # fmt: skip


def _classes_csv(found: Answer) -> str:
    """Classes of the score only, and none of fewer than five cameras."""
    records = [
        {"score_class": number, "cameras": one.cameras, "rate": round(one.rate, 1),
         "low": round(one.low, 1), "high": round(one.high, 1)}
        for number, one in enumerate(found.classes, start=1) if one.cameras >= 5
    ]  # fmt: skip
    return table(("score_class", "cameras", "rate", "low", "high"), records)


def weights_csv(found: Answer) -> str:
    """One row per criterion: rate ratios before and after, and why it stays."""
    names = ("criterion", "protocol", "data_only", "shrunken", "low", "high", "said_by_data",
             "proposed", "code")  # fmt: skip
    records = [
        {
            "criterion": row.name, "protocol": round(row.protocol, 4),
            "data_only": round(row.data_only, 4), "shrunken": round(row.shrunken, 4),
            "low": round(row.low, 4), "high": round(row.high, 4),
            "said_by_data": round(row.said_by_data, 4),
            "proposed": None if row.proposed is None else round(row.proposed, 2), "code": row.code,
        }
        for row in found.weights
    ]  # fmt: skip
    return table(names, records)


def groups_csv(found: Answer) -> str:
    """One row per kind of animals looked at besides: slope on the score, p adjusted by Holm."""
    names = ("group", "events", "slope", "low", "high", "p_adjusted")
    records = [
        {"group": row.name, "events": row.events, "slope": round(row.slope.value, 4),
         "low": round(row.slope.low, 4), "high": round(row.slope.high, 4),
         "p_adjusted": round(row.p, 4)}
        for row in found.groups
    ]  # fmt: skip
    return table(names, records)


def fragment(found: Answer, rows: Sequence[CameraRow], protocol: Protocol, *, made: dt.date) -> str:
    """TOML lines with the suggested rate ratios and where they come from.

    The deployments are named by hashes of identifier and dates, without their place: a protocol is
    passed around.
    """
    # Seasons of before stay named, or the one before last could be taken a second time.
    used = {deployment_hash(row) for row in rows if not row.left_out} | set(protocol.review.used)
    attractors = set(type(protocol.attractors).model_fields)
    lines = [
        _FRAGMENT_HEAD,
        f"# {found.cameras} cameras at {found.clusters} independent places, "
        f"{found.days:,.0f} camera-days, {found.events:,.0f} events of {found.group}.",
    ]
    for row in found.weights:
        group = "attractors" if row.name in attractors else "conditions"
        said = f"{row.shrunken:.2f} ({row.low:.2f} to {row.high:.2f})"
        if row.proposed is None:
            lines.append(f"# [{group}.{row.name}] stays at {row.protocol:.2f}: {row.code}, {said}")
            continue
        lines += [
            f"[{group}.{row.name}]",
            f"ratio = {row.proposed:.2f}   # was {row.protocol:.2f}; this season with the protocol "
            f"{said}; the cameras' share {row.said_by_data:.2f}",
            f"low = {row.proposed * np.exp(-Z95 * row.sd):.2f}",
            f"high = {row.proposed * np.exp(Z95 * row.sd):.2f}",
        ]
    lines += [
        "",
        "[review]",
        f"made = {toml_value(made.isoformat())}",
        f"program = {toml_value('siting ' + __version__)}",
        f"before = {toml_value(protocol_hash(protocol))}",
        f"used = {toml_value(sorted(used))}",
        f"accepted = {toml_value(_accepted(found, protocol))}",
        f"group = {toml_value(found.group)}",
        f"events_gap_min = {GAPS_MIN[0]:g}",
        f"prior_sd = {TAU:g}",
        "level = 0.9",
        *_held_out(found),
    ]
    return "\n".join(lines) + "\n"


def _held_out(found: Answer) -> list[str]:
    """How well these lines foretold cameras left out, beside the protocol."""
    held = found.held_out
    if held is None:
        return []
    scores = {"protocol": held.protocol, "suggested": held.fragment, "no_criteria": held.none,
              "se_of_difference": held.se_fragment_protocol}  # fmt: skip
    return [f"held_out = {toml_value({name: round(value, 1) for name, value in scores.items()})}"]


def _accepted(found: Answer, protocol: Protocol) -> list[str]:
    """Ratios as the next review may lean on them: those suggested now, and older ones still kept.

    Each with the seasons that will have passed; one whose lines are not taken over is ignored then.
    """
    now = {row.name: f"{row.name} {row.proposed:.2f} 1" for row in found.weights if row.proposed}
    for entry in protocol.review.accepted:
        name, ratio, _ = entry.split()
        ago = accepted_ago(name, protocol)
        if name not in now and ago is not None:
            now[name] = f"{name} {ratio} {ago + 1}"
    return sorted(now.values())


def deployment_hash(row: CameraRow) -> str:
    """SHA-256 of a deployment's identifier and dates; its place is left out of it."""
    one = row.deployment
    # A protocol is passed around, and a place could be guessed back from its hash.
    return hashlib.sha256(f"{one.id}|{one.start}|{one.end}".encode()).hexdigest()


def protocol_hash(protocol: Protocol) -> str:
    """SHA-256 of all numbers of a protocol."""
    return hashlib.sha256(protocol.model_dump_json().encode()).hexdigest()
