"""What the later steps find out about one place: which way to look, the walk, how firm its rank is.

Numbers and keys only. The sentences made from them stand beside them on the `Spot`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from siting.grid import FloatArray

if TYPE_CHECKING:
    from shapely import LineString
    from shapely.geometry.base import BaseGeometry as Geometry


@dataclass(frozen=True)
class PlaceName:
    """What a spot is called, in its parts.

    Parameters
    ----------
    what : str
        What is there: "Saddle between two knolls".
    side : str
        "" or the side of the land, "south-east" or "middle", where two are called the same.
    aside : str
        "" or how far off it is: "20 m (66 ft) to the north".
    short : str
        `what` for a small screen: "saddle"; "" where none shorter was made.
    """

    what: str
    side: str = ""
    aside: str = ""
    short: str = ""


# Without ==: arrays have no single answer to it.
@dataclass(frozen=True, eq=False)
class HeadingFacts:
    """One heading of one candidate; units in the names, directions clockwise from true north.

    `sun_by_hour` is (24,) minutes of low sun a day by the local clock; `clear_m` is None where the
    elevations cannot show it. `line` names the line that animals follow, "" for none, met at
    `met_m` under `crossing_deg`; `target` names the feature the place serves, `target_turn_deg` off
    the heading. `won_by` is the part by which this heading beats `rival_deg`, which has less low
    sun; "" where none has. `exact` is False where only eight directions
    can be told.
    """

    heading_deg: float
    sun_minutes: float
    sun_by_hour: FloatArray
    least_sun_minutes: float
    flat_minutes: float
    sun_never_up: bool
    clear_m: float | None
    zone_m: float
    line: str
    crossing_deg: float
    met_m: float
    target: str
    target_turn_deg: float
    target_m: float
    neighbour_share: float
    people_m: float
    rise_deg: float
    tilt_deg: float
    brush_share: float
    water_share: float
    reach_m: float
    inside_m: float = float("inf")
    side_open: bool = True
    won_by: str = ""
    rival_deg: float = float("nan")
    exact: bool = True


# Without ==, as above; two aims are compared by their headings.
@dataclass(frozen=True, eq=False)
class Aim:
    """Where one camera should look.

    Parameters
    ----------
    best, second : HeadingFacts
        Their headings are clockwise from true north, [0, 360), multiples of 5, or of 45 where
        `span_deg` is 45; `second` is None where no other heading is open.
    score, second_score : float, 0..1; 0 where every heading is closed, NaN without a second
    span_deg : float
        How wide the direction is that can be told: 0 for degrees, 45 for one of eight.
    magnetic_heading_deg, second_magnetic_deg : float or None
        The same as a compass shows them; None where the model does not hold.
    declination_deg : float or None; compass_model : str and its day as ISO text
    compass_trouble : "", "years" (out of the model's years), "pole" or "near pole"
    scores : (72,) float, combined score of every heading
    parts : mapping from part to (72,) float; a part that is not claimed is missing
    sun_minutes : (72,) float, low sun in the picture, minutes a day
    """

    best: HeadingFacts
    second: HeadingFacts | None
    score: float
    second_score: float
    magnetic_heading_deg: float | None
    second_magnetic_deg: float | None
    declination_deg: float | None
    compass_model: str
    compass_day: str
    compass_trouble: str
    scores: FloatArray
    parts: Mapping[str, FloatArray]
    sun_minutes: FloatArray
    span_deg: float = 0.0

    @property
    def heading_deg(self) -> float:
        """The best heading, degrees clockwise from true north."""
        return self.best.heading_deg

    @property
    def second_heading_deg(self) -> float:
        """The second heading, degrees clockwise from true north; NaN without one."""
        return self.second.heading_deg if self.second else float("nan")

    def __repr__(self) -> str:
        return f"<Aim {self.heading_deg:.0f} degrees true, score {self.score:.3f}>"


@dataclass(frozen=True)
class HeadingWords:
    """What a reader is told of a heading: why it, why the second, how to set the lens, what else.

    `sun_when` is "" or when low sun is in the picture: "morning", "midday", "evening" or two.
    """

    reason: str = ""
    second_reason: str = ""
    lens: str = ""
    notes: tuple[str, ...] = ()
    sun_when: str = ""


@dataclass(frozen=True)
class Walk:
    """The way from the start to one spot.

    Parameters
    ----------
    line : LineString in the grid's coordinate system, from the start to the spot
    length_m : float, length on the map
    minutes_there, minutes_back : float
        By Tobler's hiking function; rests, brush and deep snow not counted.
    climb_m, drop_m : float, metres up and down on the way there, both positive
    height_error_m : float, error of the elevations they were added up from, metres
    start_kind : "given" or "road"
    outside_m : float
        Metres that lead over ground outside the parcel and off every road, track and trail.
    known_crossings, unknown_crossings : int
        Streams crossed where a path or a known crossing is, and elsewhere.
    steepest_deg : float, steepest ground on the way, degrees
    """

    line: LineString
    length_m: float
    minutes_there: float
    minutes_back: float
    climb_m: float
    drop_m: float
    start_kind: str
    outside_m: float
    known_crossings: int
    unknown_crossings: int
    steepest_deg: float
    height_error_m: float = 0.0


@dataclass(frozen=True)
class Extent:
    """What the maps can tell where they cannot tell a point.

    Parameters
    ----------
    kind : "stretch" of a line, or "area"
    shape : LineString or Polygon in the grid's coordinate system
    length_m : length of a stretch, 0 for an area
    area_m2 : ground that scores alike, of a stretch that beside it
    along : what a stretch runs along ("the brook"), "" for an area
    ground : Polygon, where a camera may stand: all of it open, none of it another spot's
    """

    kind: str
    shape: Geometry
    length_m: float
    area_m2: float
    along: str
    ground: Geometry


@dataclass(frozen=True)
class RandomPlace:
    """A place drawn at random for a survey that estimates.

    Parameters
    ----------
    easting, northing : float, the point drawn, metres in the grid's coordinate system
    stratum : str, the habitat it was drawn from
    order : int, 1 the first of its stratum; a refused place gives way to the next spare
    spare : bool
    inclusion_per_ha : float
        Main places of the stratum to a hectare of its open ground: the chance of a small area.
    stratum_ha : float, open ground of the stratum, hectares
    reach_m : float, how far from the point a tree may stand, metres
    tree_m : float or None
        Distance to tree cover on the map, None where none is mapped within reach.
    """

    easting: float
    northing: float
    stratum: str
    order: int
    spare: bool
    inclusion_per_ha: float
    stratum_ha: float
    reach_m: float
    tree_m: float | None

    @property
    def label(self) -> str:
        """A short name: its stratum, its number, and whether it is a spare."""
        return f"{self.stratum} {self.order}{' (spare)' if self.spare else ''}"

    @property
    def sign(self) -> str:
        """What stands for it on a map: the first letter of its stratum, and its number."""
        return f"{self.stratum[:1].upper()}{self.order}"


@dataclass(frozen=True)
class PlaceStability:
    """How a place did in the trials.

    Parameters
    ----------
    share_first, share_among : float
        Share of the draws in which it was picked first, and among the first `among`: that is,
        one of the places picked lies in its search circle.
    among, draws : int
    word : str
        "firm", "fair" or "toss-up", by `share_among`.
    radius_m : float
        The search radius: the circle that holds the stated share of the best positions.
    low, high : float
        The index of the best position in the circle, 5 % and 95 % of the draws.
    """

    share_first: float
    share_among: float
    among: int
    draws: int
    word: str
    radius_m: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
