"""Every column of the tables of spots, one row each.

spots.csv, spots.geojson, spots.gpkg, the public files and the table of docs/outputs.md are made
from `COLUMNS`. A column is in a public file only when its row says `public=True`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

import numpy as np
import pandas as pd

from siting import criteria
from siting.report.shared.facts import SEPARATOR, SpotFacts, whole_degrees
from siting.report.shared.text import clean
from siting.spot_parts import Walk
from siting.types import Parcel, Spot
from siting.words.spot.card import climb_known_m
from siting.words.spot.extents import extent_words

Kind = Literal["text", "texts", "whole", "decimal"]
Source = TypeVar("Source")


@dataclass(frozen=True)
class Column(Generic[Source]):
    """One column of a table.

    Parameters
    ----------
    name : str
        Ends in its unit where it has one.
    type : str
        "text", "texts" (several sentences), "whole" or "decimal".
    unit, meaning : str
        As the docs say them.
    get : function of what the row is made from
        Gives the value, None where it is not known.
    public : bool
        Whether a file that may be passed on holds it. A new column is private.
    table_only : bool
        Left out of GeoJSON, which holds the same as an object.
    """

    name: str
    type: Kind
    unit: str
    meaning: str
    get: Callable[[Source], Any]
    public: bool = False
    table_only: bool = False

    def cell(self, source: Source) -> Any:
        """The value for a table: several sentences stand in one cell."""
        value = self.get(source)
        return SEPARATOR.join(value) if self.type == "texts" else value


@dataclass(frozen=True)
class SpotRow:
    """What a row of the spots is made from."""

    parcel: Parcel
    fact: SpotFacts

    @property
    def spot(self) -> Spot:
        """The spot as it was ranked."""
        return self.fact.spot


def rounded(value: float | None, digits: int) -> float | None:
    """A number with so many decimals, in the unit of its column; None where it is not known."""
    # Infinite means "none near", and JSON has no word for it: the cell stays empty.
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def typed(column: Column[Any], values: Sequence[Any]) -> Any:
    """Values of a column with the type that its row promises, whatever this parcel's values are."""
    if column.type in ("text", "texts"):
        return pd.array(list(values), dtype="string")
    # Int64 with a capital letter: the plain type has no "not known".
    if column.type == "whole":
        return pd.array(list(values), dtype="Int64")
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def named(columns: Iterable[Column[Any]]) -> dict[str, Column[Any]]:
    """Columns by their names."""
    return {column.name: column for column in columns}


def _walk(get: Callable[[Walk], Any]) -> Callable[[SpotRow], Any]:
    """A value of the walk, None where no way in was found."""
    return lambda row: None if row.fact.walk is None else get(row.fact.walk)


def _part(name: str) -> Column[SpotRow]:
    return Column(
        f"part_{name}", "decimal", "0..1", f"how well the place does by the criterion `{name}`",
        lambda row: rounded(row.spot.memberships.get(name), 4), table_only=True,
    )  # fmt: skip


def _measure(name: str, unit: str, meaning: str) -> Column[SpotRow]:
    """What was measured at the spot, by the name of the layer; an empty cell is "none near"."""
    return Column(
        name, "decimal", unit, meaning,
        lambda row: rounded(row.spot.measures.get(name), 2), table_only=True,
    )  # fmt: skip


_TO = "to the nearest one; empty if there is none on this land"

COLUMNS: tuple[Column[SpotRow], ...] = (
    Column("rank", "whole", "", "1 is the best", lambda row: row.spot.rank, public=True),
    Column("spot_id", "text", "", "the place's own name", lambda row: row.fact.id),
    Column("parcel_id", "text", "", "as given", lambda row: clean(row.parcel.id)),
    Column("parcel_label", "text", "", "as given", lambda row: clean(row.parcel.label) or None),
    Column("survey_cell", "text", "", "as given", lambda row: clean(row.parcel.cell) or None),
    Column(
        "name", "text", "",
        "the feature the spot serves, else its strongest attractor and the side of the land",
        lambda row: row.fact.title,
    ),
    Column(
        "kind", "text", "",
        "the strongest attractor in the picture: trail, water, valley, crossing, edge, opening, "
        "funnel, soft_edge, feature; empty where none is in it",
        lambda row: clean(row.spot.kind), public=True,
    ),
    Column("lon_deg", "decimal", "degrees", "longitude, WGS 84, 7 decimals",
           lambda row: row.fact.lon, public=True),
    Column("lat_deg", "decimal", "degrees", "latitude, WGS 84, 7 decimals",
           lambda row: row.fact.lat, public=True),
    Column("utm_zone", "text", "", "WGS 84 / UTM zone of the spot (UPS near the poles)",
           lambda row: row.fact.utm_name),
    Column("utm_easting_m", "whole", "m", "easting in that zone",
           lambda row: row.fact.utm_easting_m),
    Column("utm_northing_m", "whole", "m", "northing in that zone",
           lambda row: row.fact.utm_northing_m),
    Column("elevation_m", "decimal", "m",
           "of the DEM, in its own height system; whole metres from cells wider than 5 m",
           lambda row: rounded(row.fact.elevation_m, 1)),
    Column("search_radius_m", "whole", "m", "how far around the point to look for the right tree",
           lambda row: row.fact.search_radius_m, public=True),
    Column("extent", "text", "",
           "where the maps cannot single out a point: the stretch or area that is as good",
           lambda row: clean(extent_words(e, radius_m=row.spot.search_radius_m))
           if (e := row.spot.extent) else None),
    Column("score", "decimal", "1 = plain ground", "index with the heading; what the rank is by",
           lambda row: rounded(row.spot.score, 4)),
    Column("site_score", "decimal", "1 = plain ground",
           "index without the heading, as in `suitability.tif`",
           lambda row: rounded(row.spot.site_score, 4)),
    Column("attraction", "decimal", "times",
           "factor of the index: what draws animals, mostly 1 or above",
           lambda row: rounded(row.spot.attraction, 4)),
    Column("conditions", "decimal", "times", "factor of the index: what is not ideal, 1 or less",
           lambda row: rounded(row.spot.conditions, 4)),
    Column(
        "stability", "text", "",
        "firm, fair or toss-up: would it keep its rank if maps and settings were slightly wrong",
        lambda row: row.fact.stability or None,
    ),
    Column("heading_true_deg", "whole", "degrees", "best heading, from true north",
           lambda row: whole_degrees(row.fact.facing.heading_deg)),
    Column("heading_magnetic_deg", "whole", "degrees", "the same by compass",
           lambda row: whole_degrees(row.fact.facing.magnetic_deg)),
    Column("heading_span_deg", "whole", "degrees",
           "how wide the direction is that the maps can tell; 0 for a heading in degrees",
           lambda row: None if row.fact.facing.heading_deg is None else row.fact.facing.span_deg),
    Column("heading_score", "decimal", "0..1", "how good it is",
           lambda row: rounded(row.fact.facing.score, 4)),
    Column("second_heading_true_deg", "whole", "degrees", "second heading, from true north",
           lambda row: whole_degrees(row.fact.facing.second_deg)),
    Column("second_heading_magnetic_deg", "whole", "degrees", "the same by compass",
           lambda row: whole_degrees(row.fact.facing.second_magnetic_deg)),
    Column("second_heading_score", "decimal", "0..1", "how good it is",
           lambda row: rounded(row.fact.facing.second_score, 4)),
    Column("compass_model", "text", "", "magnetic model and the day it was asked for",
           lambda row: row.fact.facing.compass or None),
    Column("low_sun_min_per_day", "decimal", "minutes a day",
           "low sun in the picture at the best heading",
           lambda row: rounded(row.fact.facing.sun_minutes, 1)),
    Column("low_sun_when", "text", "", "at what time of day",
           lambda row: row.fact.facing.sun_when or None),
    Column("clear_ahead_m", "decimal", "m",
           "ground in sight ahead; empty where the elevations are too coarse to claim it",
           lambda row: rounded(row.fact.facing.clear_m, 1)),
    Column("slope_ahead_deg", "decimal", "degrees", "slope of the ground ahead, up positive",
           lambda row: rounded(row.fact.facing.rise_deg, 1)),
    Column(
        "skyline_known_m", "whole", "m", "how far the skyline is known",
        lambda row: None if (far := row.fact.facing.skyline_m) is None else round(far),
    ),
    Column("lens", "text", "", "advice on height and tilt",
           lambda row: row.fact.facing.lens or None),
    Column("habitat", "text", "", "land-cover class at the spot, in the legend's words",
           lambda row: row.fact.habitat or None, public=True),
    Column("walk_length_m", "whole", "m", "way in on foot, on the map",
           _walk(lambda walk: round(walk.length_m))),
    Column("walk_there_min", "decimal", "minutes",
           "by Tobler's hiking function, rests not counted",
           _walk(lambda walk: rounded(walk.minutes_there, 1))),
    Column("walk_back_min", "decimal", "minutes", "the same on the way back",
           _walk(lambda walk: rounded(walk.minutes_back, 1))),
    Column("walk_climb_m", "whole", "m",
           "up on the way there; in tens where elevations err by more than 0.5 m",
           _walk(lambda walk: round(climb_known_m(walk.climb_m, walk.height_error_m)))),
    Column(
        "walk_start", "text", "",
        "`given` (your way in) or `road` (nearest road point: whether one may stop and cross there "
        "is not known)",
        _walk(lambda walk: walk.start_kind),
    ),
    Column("walk_unknown_crossings", "whole", "",
           "streams crossed where no crossing, road or trail is known",
           _walk(lambda walk: walk.unknown_crossings)),
    # All criteria, those not judged here as well: tables of any two parcels can be joined.
    *(_part(name) for name in criteria.names()),
    *(_measure(f"distance_to_{what}_m", "m", _TO)
      for what in ("trail", "water", "crossing", "edge", "feature", "boundary")),
    _measure("funnel_ratio", "times", "travel flow here against the flow around"),
    _measure(
        "height_above_water_m", "m",
        "above the stream or pond the ground drains to; the water stands at the lowest ground "
        "within about 10 m of a mapped line",
    ),
    _measure("wetter_than_share", "0..1",
             "share of the land read that is drier, by the wetness index"),
    _measure("quietness", "0..1", "the worst disturbance, 1 is quiet"),
    _measure("slope_deg", "degrees", "slope at the spot"),
    Column("heading_why", "texts", "", "why this heading, in sentences",
           lambda row: list(row.fact.facing.why)),
    Column("why", "texts", "", "why this place, in sentences", lambda row: list(row.fact.why)),
    Column("pulled_down", "texts", "", "what speaks against it, in sentences",
           lambda row: list(row.fact.pulled_down)),
    Column("check", "texts", "", "what to look at on the spot, in sentences",
           lambda row: list(row.fact.check)),
    Column("cautions", "texts", "", "what to beware of, in sentences",
           lambda row: list(row.fact.cautions)),
)  # fmt: skip
