"""Places drawn at random: a table, waypoints, and planned deployments in a package of their own.

The standard has one samplingDesign for a package and no field for the placement of a deployment
(Camera Trap Data Package 1.0.2), so they never stand in one table with places that were chosen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from siting.report.files.deployments import (
    FIELDS,
    deployment_id,
    package_json,
    piped,
    planned_times,
)
from siting.report.files.gpx import waypoint_file
from siting.report.files.tables import table
from siting.report.shared.credits import full_lines
from siting.report.shared.facts import written_lon
from siting.report.shared.lonlat import DECIMALS
from siting.report.shared.text import clean
from siting.scoring.random_places import STRATA
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.spot_parts import RandomPlace
from siting.types import Result
from siting.words.spot.random_places import how_at_random, what_to_do

COLUMNS = (
    "place", "stratum", "order", "spare", "lon_deg", "lat_deg", "easting_m", "northing_m", "crs",
    "inclusion_per_ha", "stratum_ha", "reach_m", "tree_m", "index", "seed",
    "used_lon_deg", "used_lat_deg", "offset_m", "refused_because",
)  # fmt: skip
"""The last four are empty: they are filled in on the day."""


def places_csv(result: Result, *, protocol: Protocol) -> str:
    """The table of the places, with all that an analysis needs of the draw."""
    return table(COLUMNS, place_rows(result, seed=protocol.random.seed))


def place_rows(result: Result, *, seed: int) -> list[dict[str, Any]]:
    """The rows of the table without what is filled in on the day, as plain values.

    Their keys are those of `COLUMNS`: degrees, metres and hectares by their names.
    """
    rows = []
    for place, name, lon, lat in located(result):
        cell = result.land.grid.rowcol(place.easting, place.northing)
        index = float(result.scores.total[cell])
        rows.append(
            {
                "place": name,
                "stratum": place.stratum,
                "order": place.order,
                "spare": place.spare,
                "lon_deg": lon,
                "lat_deg": lat,
                "easting_m": round(place.easting, 1),
                "northing_m": round(place.northing, 1),
                "crs": result.land.grid.crs,
                # What an estimate has to weight by (docs/random-places.md).
                "inclusion_per_ha": place.inclusion_per_ha,
                "stratum_ha": place.stratum_ha,
                "reach_m": place.reach_m,
                "tree_m": None if place.tree_m is None else round(place.tree_m),
                # It had no say in the draw; it is there to explain results by.
                "index": round(index, 2) if math.isfinite(index) else None,
                "seed": seed,
            }
        )
    return rows


def places_gpx(result: Result) -> str:
    """The places as waypoints, in the order of the draw."""
    land = clean(result.land.parcel.label or result.land.parcel.id)
    points = [
        (lon, lat, clean(place.label), what_to_do(place, lat))
        for place, _, lon, lat in located(result)
    ]
    words = " ".join((_how(result), *full_lines(result.land.credits)))
    return waypoint_file(points, name=land, words=words)


def deployments_csv(result: Result, *, protocol: Protocol, survey: SurveyInput) -> str:
    """One planned deployment to a place, spares among them, each marked as drawn at random."""
    times = planned_times(survey)
    parcel = result.land.parcel
    rows = []
    for place, name, lon, lat in located(result):
        tags = {
            "placement": "random",
            "stratum": place.stratum,
            "draw": place.order,
            "spare": str(place.spare).lower(),
            "seed": protocol.random.seed,
            "inclusion_per_ha": place.inclusion_per_ha,
        }
        groups = [f"stratum:{place.stratum}"]
        groups += [f"surveyCell:{piped(parcel.cell)}"] if parcel.cell else []
        rows.append(
            {
                "deploymentID": deployment_id(name, times[0] if times else ""),
                "locationID": name,
                "locationName": place.label,
                "latitude": lat,
                "longitude": lon,
                "coordinateUncertainty": round(place.reach_m),
                "deploymentStart": times[0] if times else None,
                "deploymentEnd": times[1] if times else None,
                "cameraHeight": round(protocol.camera.lens_height_m, 2),
                "baitUse": False,
                "habitat": place.stratum,
                "deploymentGroups": " | ".join(groups),
                "deploymentTags": " | ".join(f"{key}:{value}" for key, value in tags.items()),
                "deploymentComments": what_to_do(place, lat),
            }
        )
    return table([field.name for field in FIELDS], rows)


def datapackage_json(result: Result, *, survey: SurveyInput) -> str:
    """The descriptor beside the deployments drawn at random."""
    return package_json(
        result,
        survey=survey,
        name="planned-random-deployments",
        path="random_deployments.csv",
        # The standard has no word for a draw within strata.
        design="simpleRandom",
        description="Places drawn at random within habitat strata, spatially balanced. "
        f"{_how(result)}",
    )


def _how(result: Result) -> str:
    return how_at_random(result.land.grid.latitude_deg)


def located(result: Result) -> Iterator[tuple[RandomPlace, str, float, float]]:
    """Each place with its identifier, longitude and latitude (degrees WGS 84)."""
    to_lonlat = result.land.grid.to_lonlat
    for place in result.random_places:
        lon, lat = to_lonlat.transform(place.easting, place.northing, errcheck=True)
        name = place_name(result.land.parcel.id, place.stratum, place.order)
        yield place, name, written_lon(lon, DECIMALS), round(lat, DECIMALS)


def placement_tags(location: str, *, parcel: str) -> tuple[str, ...]:
    """How a place came to be, by its name: drawn at random, with habitat and draw, or chosen.

    Examples
    --------
    >>> placement_tags("P01-random-open-ground-3", parcel="P01")
    ('placement:random', 'stratum:open ground', 'draw:3')
    >>> placement_tags("P01-7KQ3", parcel="P01")
    ('placement:targeted',)
    """
    drawn = drawn_as(location, parcel=parcel)
    if drawn is None:
        return ("placement:targeted",)
    return ("placement:random", f"stratum:{drawn[0]}", f"draw:{drawn[1]}")


def place_name(parcel: str, stratum: str, order: int) -> str:
    """What tables, decisions and deployments call a place drawn at random.

    Examples
    --------
    >>> place_name("P01", "open ground", 3)
    'P01-random-open-ground-3'
    """
    return f"{_begins(parcel, stratum)}{order}"


def drawn_as(location: str, *, parcel: str) -> tuple[str, int] | None:
    """Habitat and number of a place drawn at random, by its name; None for every other place.

    Examples
    --------
    >>> drawn_as("P01-random-woods-2", parcel="P01")
    ('woods', 2)
    """
    for stratum in STRATA:
        order = location.removeprefix(_begins(parcel, stratum))
        # A name is anybody's text: so many digits are no place of a draw.
        if order != location and order.isascii() and order.isdecimal() and len(order) < 5:
            return stratum, int(order)
    return None


def _begins(parcel: str, stratum: str) -> str:
    """What the names of the places of a habitat have in common."""
    parts = (piped(parcel), "random", stratum.replace(" ", "-"))
    return "".join(f"{part}-" for part in parts if part)
