"""Planned deployments as the `deployments` table of a Camera Trap Data Package 1.0.2.

The open standard's package has two more tables, media and observations, which exist only after
the camera came back; so what is written here is a plain data package with the one table, ready to
be completed. Without planned days the required times are empty and the package says so.

Source: Bubnicki JW et al. (2024) Camtrap DP: an open standard for the FAIR exchange and archiving
of camera trap data, Remote Sensing in Ecology and Conservation 10:283-295 (citation from memory);
the standard itself: doi 10.5281/zenodo.10068760, table schema of version 1.0.2.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from shapely import Point

from siting.disk.files import canonical_json
from siting.report.files.tables import table
from siting.report.shared.credits import package_sources
from siting.report.shared.facts import SpotFacts, uncertainty_m, whole_degrees
from siting.report.shared.lonlat import geojson_geometry
from siting.report.shared.text import clean
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import CameraRules
from siting.types import Result

VERSION = "1.0.2"
SCHEMA_URL = "https://raw.githubusercontent.com/tdwg/camtrap-dp/1.0.2/deployments-table-schema.json"
PROFILE_URL = "https://raw.githubusercontent.com/tdwg/camtrap-dp/1.0.2/camtrap-dp-profile.json"

FEATURE_TYPES = (
    "roadPaved",
    "roadDirt",
    "trailHiking",
    "trailGame",
    "roadUnderpass",
    "roadOverpass",
    "roadBridge",
    "culvert",
    "burrow",
    "nestSite",
    "carcass",
    "waterSource",
    "fruitingTree",
)
"""The values that the standard lists; what it has no word for goes into the tags."""

# The standard has no word for an edge, a crossing or a passage; trails are judged one by one.
FEATURE_OF_KIND = {"water": "waterSource"}
_TRAIL_REACH_M = 60.0

FIELD_DAY = (
    "deploymentStart",
    "deploymentEnd",
    "latitude",
    "longitude",
    "coordinateUncertainty",
    "setupBy",
    "cameraID",
    "cameraModel",
    "cameraDelay",
    "cameraHeight",
    "cameraTilt",
    "cameraHeading",
    "detectionDistance",
    "featureType",
    "habitat",
)
"""Fields to fill or to correct by what was done on the day; planned values stand until then."""


@dataclass(frozen=True)
class Field:
    """One column of the table as the standard has it; limits are in the unit of the field."""

    name: str
    type: str
    required: bool = False
    unique: bool = False
    minimum: float | None = None
    maximum: float | None = None
    values: tuple[str, ...] = ()

    def descriptor(self) -> dict[str, Any]:
        """The field for a table schema."""
        limits: dict[str, Any] = {"required": self.required}
        if self.unique:
            limits["unique"] = True
        if self.minimum is not None:
            limits["minimum"] = self.minimum
        if self.maximum is not None:
            limits["maximum"] = self.maximum
        if self.values:
            limits["enum"] = list(self.values)
        found: dict[str, Any] = {"name": self.name, "type": self.type, "constraints": limits}
        if self.type == "datetime":
            # With the offset: a clock time without one is refused, as it is no moment.
            found["format"] = "%Y-%m-%dT%H:%M:%S%z"
        return found


FIELDS: tuple[Field, ...] = (
    Field("deploymentID", "string", required=True, unique=True),
    Field("locationID", "string"),
    Field("locationName", "string"),
    Field("latitude", "number", required=True, minimum=-90, maximum=90),
    Field("longitude", "number", required=True, minimum=-180, maximum=180),
    Field("coordinateUncertainty", "integer", minimum=1),
    Field("deploymentStart", "datetime", required=True),
    Field("deploymentEnd", "datetime", required=True),
    Field("setupBy", "string"),
    Field("cameraID", "string"),
    Field("cameraModel", "string"),
    Field("cameraDelay", "integer", minimum=0),
    Field("cameraHeight", "number", minimum=0),
    Field("cameraDepth", "number", minimum=0),
    Field("cameraTilt", "integer", minimum=-90, maximum=90),
    Field("cameraHeading", "integer", minimum=0, maximum=360),
    Field("detectionDistance", "number", minimum=0),
    Field("timestampIssues", "boolean"),
    Field("baitUse", "boolean"),
    Field("featureType", "string", values=FEATURE_TYPES),
    Field("habitat", "string"),
    Field("deploymentGroups", "string"),
    Field("deploymentTags", "string"),
    Field("deploymentComments", "string"),
)


def planned_times(survey: SurveyInput) -> tuple[str, str] | None:
    """Start of the first and end of the last planned day with their offset from UTC.

    None when the days or the time zone are not given: a clock time without a zone is not a moment.
    """
    if survey.first_day is None or survey.last_day is None or not survey.time_zone:
        return None
    zone = ZoneInfo(survey.time_zone)
    # Each with the offset of its own day: summer time may begin or end between the two.
    start = dt.datetime.combine(survey.first_day, dt.time(0, 0, 0), tzinfo=zone)
    end = dt.datetime.combine(survey.last_day, dt.time(23, 59, 59), tzinfo=zone)
    return start.isoformat(), end.isoformat()


def deployments_csv(
    result: Result, facts: Sequence[SpotFacts], *, survey: SurveyInput, camera: CameraRules
) -> str:
    """The table: one planned deployment to a spot.

    Parameters
    ----------
    result : Result
    facts : the spots
    survey : SurveyInput
        Planned days and time zone; without them the times stay empty.
    camera : CameraRules
        Planned height of the lens.
    """
    times = planned_times(survey)
    rows = [_row(result, fact, times=times, camera=camera) for fact in facts]
    return table([field.name for field in FIELDS], rows)


def _row(
    result: Result, fact: SpotFacts, *, times: tuple[str, str] | None, camera: CameraRules
) -> dict[str, Any]:
    parcel = result.land.parcel
    groups = [f"parcel:{piped(parcel.id)}"] if parcel.id else []
    if parcel.cell:
        groups.append(f"surveyCell:{piped(parcel.cell)}")
    # By "planned" an analyst finds the rows that nobody replaced on the day.
    tags = ["planned", f"rank:{fact.spot.rank}"]
    asked = result.proposal
    if asked is not None and asked.place_id == fact.spot.place_id:
        tags.append(f"decision:{asked.state}")
    if fact.spot.kind:
        tags.append(f"feature:{piped(fact.spot.kind)}")
    return {
        "deploymentID": deployment_id(fact.id, times[0] if times else ""),
        "locationID": fact.id,
        "locationName": fact.title,
        "latitude": fact.lat,
        "longitude": fact.lon,
        "coordinateUncertainty": uncertainty_m(fact),
        "deploymentStart": times[0] if times else None,
        "deploymentEnd": times[1] if times else None,
        "cameraHeight": round(camera.lens_height_m, 2),
        # A direction of 45 degrees is no heading in whole degrees: it is filled in on the day.
        "cameraHeading": None if fact.facing.span_deg else whole_degrees(fact.facing.heading_deg),
        # As the cautions ask; a survey that baits has to say so itself.
        "baitUse": False,
        "featureType": feature_type(result, fact),
        "habitat": fact.habitat or None,
        "deploymentGroups": " | ".join(groups) or None,
        "deploymentTags": " | ".join(tags),
        "deploymentComments": _comment(times),
    }


def deployment_id(location: str, start: str) -> str:
    """A place and the day and time a camera began there: seasons at one place stay apart.

    Examples
    --------
    >>> deployment_id("P01-7KQ3", "2027-04-03T10:20:00-05:00")
    'P01-7KQ3-20270403T1020'
    """
    digits = start[:16].replace("-", "").replace(":", "")
    return f"{location}-{digits}" if start else location


def feature_type(result: Result, fact: SpotFacts) -> str | None:
    """The standard's word for what the spot is at, None where it has no sure one.

    A trail counts as a game trail only when its layer says so: the standard's other trails and
    roads are for people, and a map does not tell whether people use this one.
    """
    trails = result.land.vectors.get("trails")
    if fact.spot.kind != "trail" or trails is None or "use" not in trails.columns or trails.empty:
        return FEATURE_OF_KIND.get(fact.spot.kind)
    away = trails.geometry.distance(Point(fact.spot.easting, fact.spot.northing)).to_numpy()
    nearest = int(away.argmin())
    game = trails["use"].iloc[nearest] == "game" and away[nearest] <= _TRAIL_REACH_M
    return "trailGame" if game else None


def _comment(times: tuple[str, str] | None) -> str:
    """What a reader of the table must know of the planned values."""
    planned = "Planned from maps: replace by what was set up on the day. "
    dates = "" if times else "Fill in deploymentStart and deploymentEnd. "
    return f"{planned}{dates}cameraHeading counts from true north."


def piped(text: str) -> str:
    """Text that fits a list with pipes between its parts and colons after its keys."""
    return " ".join(clean(text).replace("|", "/").replace(":", "-").split())


def datapackage_json(
    result: Result, facts: Sequence[SpotFacts], *, survey: SurveyInput, outline: bool = True
) -> str:
    """The descriptor beside the table: what it is, and what is still to be done.

    `outline` False leaves the parcel's outline out, for files that are passed on.
    """
    complete = planned_times(survey) is not None
    return package_json(
        result,
        survey=survey,
        name="planned-deployments",
        path="deployments.csv",
        design="targeted",
        description=_description(complete),
        outline=outline,
    )


def package_json(
    result: Result,
    *,
    survey: SurveyInput,
    name: str,
    path: str,
    design: str,
    description: str,
    outline: bool = True,
) -> str:
    """A data package of one table of planned deployments.

    `design` is a value of the standard's samplingDesign, which speaks of a whole package: places
    that were chosen and places drawn at random need a package each.
    """
    complete = planned_times(survey) is not None
    parcel = result.land.parcel
    land = clean(parcel.label or parcel.id)
    title = f"Planned camera deployments on {land}" if land else "Planned camera deployments"
    package: dict[str, Any] = {
        # Not the standard's own profile: media, observations and people are missing until the
        # season is over.
        "profile": "data-package",
        "name": name,
        "title": title,
        "description": description,
        "resources": [
            {
                "name": "deployments",
                "path": path,
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": schema(),
            }
        ],
        "project": {
            "title": title,
            "samplingDesign": design,
            "captureMethod": ["activityDetection"],
            "individualAnimals": False,
            "observationLevel": ["media"],
        },
        # Nothing was recorded yet: a list of species would be a promise.
        "taxonomic": [],
        "fieldDay": {
            "mustFill": [] if complete else ["deploymentStart", "deploymentEnd"],
            "fillOrCorrect": list(FIELD_DAY),
        },
        "target": {"standard": f"Camera Trap Data Package {VERSION}", "profile": PROFILE_URL},
    }
    if result.land.credits:
        package["sources"] = package_sources(result.land.credits)
    if outline:
        package["spatial"] = geojson_geometry(result.land.parcel_shape, result.land.grid.crs)
    if complete and survey.first_day and survey.last_day:
        package["temporal"] = {
            "start": survey.first_day.isoformat(),
            "end": survey.last_day.isoformat(),
        }
    return canonical_json(package) + "\n"


def _description(complete: bool) -> str:
    state = (
        "Planned deployments, one to a spot; choose those that are used and remove the others. "
        if complete
        else "A template: the inputs give no planned first and last day with a time zone, so "
        "deploymentStart and deploymentEnd are empty and must be filled on the field day. "
    )
    return state + (
        "The table follows the deployments table of the Camera Trap Data Package "
        f"{VERSION} ({SCHEMA_URL}). To make a whole package of it, add the tables media and "
        "observations and the contributors, creation time and licences that its profile asks for, "
        "and set the profile. Headings count from true north; coordinateUncertainty is the radius "
        "in which to look for the right tree, or reaches over all of a stretch or area."
    )


def schema() -> dict[str, Any]:
    """The table schema of the standard, as far as values are checked by it."""
    return {
        "name": "deployments",
        "fields": [field.descriptor() for field in FIELDS],
        "missingValues": ["", "NA", "NaN", "nan"],
        "primaryKey": "deploymentID",
    }
