"""The survey office's own tables: every deployment of all parcels, check visits, what is due.

deployments.csv follows the `deployments` table of the Camera Trap Data Package 1.0.2 and is made
from decisions alone (docs/decisions.md): what was set up, not what was planned.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from siting.decisions.history import Deployment, deployments_of
from siting.decisions.model import Record
from siting.disk.files import canonical_json
from siting.heading.compass import declination
from siting.read.vector.decision_files import Decisions
from siting.report.files.deployments import FIELDS, deployment_id, schema
from siting.report.files.random_places import placement_tags
from siting.report.files.tables import table
from siting.report.shared.text import clean
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.words.office.service_interval import visit_plan
from siting.words.sheet import bring_on_check

_NOON = dt.time(12, 0)
VISIT_COLUMNS = (
    "deploymentID", "parcel_id", "locationID", "when", "what", "battery_percent", "pictures",
    "clock_off_min", "card_out", "card_in", "done", "note",
)  # fmt: skip
DUE_COLUMNS = ("parcel_id", "locationID", "deploymentID", "last_visit", "due", "why", "bring")


def all_deployments(decided: Mapping[str, Decisions]) -> list[Deployment]:
    """The deployments of every parcel, in the order of the parcels."""
    return [
        deployment
        for parcel, decisions in decided.items()
        for deployment in deployments_of(decisions.records, parcel=parcel, known=decisions.known)
    ]


def due_list(
    decided: Mapping[str, Decisions], *, survey: SurveyInput, protocol: Protocol
) -> list[dict[str, Any]]:
    """Cameras that stand, by the day of the next visit: the rows of due.csv."""
    return _due(all_deployments(decided), _Clock(survey), protocol)


def office_files(
    decided: Mapping[str, Decisions], *, survey: SurveyInput, protocol: Protocol
) -> dict[str, str]:
    """The office's tables by file name; none where no camera was put up yet."""
    every = all_deployments(decided)
    if not every:
        return {}
    clock = _Clock(survey)
    rows = [_row(deployment, clock, survey) for deployment in every]
    return {
        "deployments.csv": table([field.name for field in FIELDS], rows),
        "datapackage.json": _package(),
        "check_visits.csv": table(VISIT_COLUMNS, _visits(every, clock)),
        "due.csv": table(DUE_COLUMNS, _due(every, clock, protocol)),
    }


class _Clock:
    """Moments of records in the survey's time zone; a day without a time counts as its noon."""

    def __init__(self, survey: SurveyInput) -> None:
        self._zone: dt.tzinfo = ZoneInfo(survey.time_zone) if survey.time_zone else dt.UTC

    def moment(self, record: Record) -> dt.datetime:
        """When it was."""
        if isinstance(record.at, dt.datetime):
            return record.at
        return dt.datetime.combine(record.at, _NOON, tzinfo=self._zone)

    def text(self, record: Record) -> str:
        """The moment as the standard writes it."""
        return self.moment(record).isoformat(timespec="seconds")


def _name(deployment: Deployment, clock: _Clock) -> str:
    return deployment_id(clean(deployment.location), clock.text(deployment.start))


def _row(deployment: Deployment, clock: _Clock, survey: SurveyInput) -> dict[str, Any]:
    start, end = deployment.start, deployment.end
    state = "retrieved" if end else "active"
    return {
        "deploymentID": _name(deployment, clock),
        "locationID": clean(deployment.location),
        "latitude": start.lat,
        "longitude": start.lon,
        # The standard allows no 0. 15 m is also what a review takes where nothing is stated.
        "coordinateUncertainty": max(round(start.accuracy_m or start.radius_m or 15.0), 1),
        "deploymentStart": clock.text(start),
        "deploymentEnd": _end(deployment, clock, survey).isoformat(timespec="seconds"),
        "cameraID": clean(start.camera) or None,
        "cameraHeight": start.height_m,
        "cameraHeading": _heading_deg(start),
        "timestampIssues": _clock_was_off(deployment),
        "baitUse": False,
        # The standard parts groups by a pipe, so a name may not hold one.
        "deploymentGroups": f"parcel:{clean(deployment.parcel).replace('|', '/')}",
        # Places drawn at random and chosen ones must be told apart in every estimate.
        "deploymentTags": " | ".join(
            (
                state,
                f"checks:{len(deployment.checks)}",
                *placement_tags(deployment.location, parcel=deployment.parcel),
            )
        ),
        "deploymentComments": _comment(deployment),
    }


def _end(deployment: Deployment, clock: _Clock, survey: SurveyInput) -> dt.datetime:
    """When it ended; of a camera that stands, the planned end, else the last visit."""
    if deployment.end is not None:
        return clock.moment(deployment.end)
    last = clock.moment(deployment.last_seen)
    if survey.last_day is None:
        return last
    zone = ZoneInfo(survey.time_zone) if survey.time_zone else dt.UTC
    return max(last, dt.datetime.combine(survey.last_day, dt.time(23, 59, 59), tzinfo=zone))


def _heading_deg(record: Record) -> int | None:
    """Whole degrees from true north; a compass reading is turned by the declination of its day."""
    if record.heading_true_deg is not None:
        return round(record.heading_true_deg) % 360
    if record.heading_magnetic_deg is None or record.lat is None or record.lon is None:
        return None
    day = record.at.date() if isinstance(record.at, dt.datetime) else record.at
    turn = declination(record.lat, record.lon, day=day).east_deg
    return None if turn is None else round(record.heading_magnetic_deg + turn) % 360


def _clock_was_off(deployment: Deployment) -> bool | None:
    known = [c.clock_off_min for c in deployment.checks if c.clock_off_min is not None]
    # An empty cell where nobody looked: false would claim that the clock was right.
    return any(abs(minutes) >= 1 for minutes in known) if known else None


def _comment(deployment: Deployment) -> str:
    parts = [clean(deployment.start.note)]
    if deployment.end is None:
        parts.append("The camera is still out; deploymentEnd is planned or the last visit.")
    if not isinstance(deployment.start.at, dt.datetime):
        parts.append("The time of day of the start was not noted; noon is used.")
    return " ".join(part for part in parts if part)


def _visits(every: Sequence[Deployment], clock: _Clock) -> list[dict[str, Any]]:
    return [
        {
            "deploymentID": _name(deployment, clock),
            "parcel_id": clean(deployment.parcel),
            "locationID": clean(deployment.location),
            "when": clock.text(record),
            "what": record.state,
            "battery_percent": record.battery_percent,
            "pictures": record.pictures,
            "clock_off_min": record.clock_off_min,
            "card_out": clean(record.card_out) or None,
            "card_in": clean(record.card) or None,
            "done": " | ".join(record.done) or None,
            "note": clean(record.note) or None,
        }
        for deployment in every
        for record in (*deployment.checks, *([deployment.end] if deployment.end else []))
    ]


def _due(every: Sequence[Deployment], clock: _Clock, protocol: Protocol) -> list[dict[str, Any]]:
    """Cameras that stand, by the day of the next visit; the sums of card and battery say when."""
    days = visit_plan(protocol.visits).check_after_days
    rows = []
    for deployment in every:
        if deployment.end is not None:
            continue
        last = clock.moment(deployment.last_seen)
        due = last.date() + dt.timedelta(days=days)
        first = not deployment.checks
        rows.append({
            "parcel_id": clean(deployment.parcel),
            "locationID": clean(deployment.location),
            "deploymentID": _name(deployment, clock),
            "last_visit": last.date().isoformat(),
            "due": due.isoformat(),
            "why": f"{'first check' if first else 'next check'}, {days} days after "
                   f"{'set-up' if first else 'the last visit'}",
            "bring": bring_on_check(),
        })  # fmt: skip
    return sorted(rows, key=lambda row: (row["due"], row["locationID"]))


def _package() -> str:
    package = {
        "profile": "data-package",
        "name": "deployments",
        "title": "Camera deployments of the survey",
        "description": "Deployments as volunteers reported them, one row for each stay of a camera "
        "at a place. The table follows the deployments table of the Camera Trap Data Package "
        "1.0.2.",
        "resources": [
            {
                "name": "deployments",
                "path": "deployments.csv",
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": schema(),
            }
        ],
    }
    return canonical_json(package) + "\n"
