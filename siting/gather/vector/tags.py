"""What tags of OpenStreetMap mean for a camera: the table of docs/gather.md as code.

Meanings are those of the OpenStreetMap wiki, from memory except where docs/gather.md says read.
Tables in, tables out: each has the columns name, kind and, where the layer has one, class or use.
A path whose tags say nothing of who uses it stays "unknown": absence of a tag is no statement.
"""

from __future__ import annotations

from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from siting.gather.vector.tag_table import Layers, Tags
from siting.types import BoolArray

MAJOR = ("motorway", "trunk", "primary", "secondary", "raceway")
MINOR = ("tertiary", "unclassified", "residential", "living_street", "road", "service")
ON_FOOT = ("footway", "pedestrian", "cycleway", "steps")
_NOT_YET = ("proposed", "construction", "corridor")
_BARRED = ("no", "private", "permit")
_UNDER = ("yes", "building_passage", "culvert")
_EASY = ("hiking", "mountain_hiking")
_HARD = ("demanding_alpine_hiking", "difficult_alpine_hiking")
_FAINT = ("bad", "horrible", "no")
_RUNNING = ("river", "stream", "canal", "ditch", "drain", "tidal_channel")
_STANDING = ("dock", "riverbank")
_OPENINGS = ("gate", "lift_gate", "cattle_grid", "stile", "gap", "entrance", "log")
# Railings, retaining walls and ditches are no fences that turn a walking animal.
FENCES = ("fence", "wall", "hedge")
_STOCK = ("farmyard", "animal_keeping")
_FEEDING = ("game_feeding", "feeding_place")
_HUTS = ("wilderness_hut", "alpine_hut", "camp_site")


def layers_of(
    points: gpd.GeoDataFrame,
    lines: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame,
    *,
    on_route: BoolArray | None = None,
    hunting_no_go: bool = False,
) -> Layers:
    """The layers that a survey knows, from the tables of an extract.

    Parameters
    ----------
    points, lines, areas : tables with a column per tag, in degrees
    on_route : (lines,) bool, True where a line is part of a hiking route; None for not known
    hunting_no_go : bool
        Keep clear of hunting stands, too.
    """
    node, way, area = Tags(points), Tags(lines), Tags(areas)
    out = Layers()
    sound = ~(way.isin("highway", _NOT_YET) | way.has("indoor"))
    route = np.zeros(len(lines), dtype=bool) if on_route is None else on_route
    _roads(out, way, area, sound)
    _trails(out, way, area, sound, route)
    _water(out, node, way, area)
    _crossings(out, node, way, sound)
    _buildings(out, node, area)
    _animals(out, node, area)
    _no_go(out, node, area, hunting_no_go=hunting_no_go)
    _others(out, node, way, area)
    _strange(out, way, sound)
    return out


def _base(way: Tags) -> pd.Series:
    """highway=* without "_link": a slip road is of the kind of its road."""
    return way["highway"].str.removesuffix("_link")


def _roads(out: Layers, way: Tags, area: Tags, sound: BoolArray) -> None:
    kind, rows = _road_class(way)
    # Nothing on top of the ground meets a road below it.
    under = way.isin("tunnel", _UNDER)
    rows &= sound
    out.counts["roads in tunnels, dropped"] = int((rows & under).sum())
    frames = [way.part(rows & ~under, way["highway"], **{"class": kind})]
    # Some closed ways come as areas: what counts of a road is its edge.
    kind, rings = _road_class(area)
    if rings.any():
        edges = shapely.boundary(np.asarray(area.frame.geometry[rings]))
        frames.append(area.part(rings, area["highway"], shapes=edges, **{"class": kind}))
    out.frames["roads"] = _together(frames)


def _road_class(way: Tags) -> tuple[NDArray[np.str_], BoolArray]:
    """(class, which are roads) of features with highway=*."""
    base = _base(way)
    major, minor = base.isin(MAJOR).to_numpy(), base.isin(MINOR).to_numpy()
    track = way.isin("highway", ["track"])
    barred = way.isin("access", _BARRED)
    # A private street has houses and cars all the same; a private driveway hardly any.
    side = way.isin("highway", ["service"]) & (
        barred | way.isin("service", ("driveway", "emergency_access"))
    )
    motors = ~(barred | way.isin("motor_vehicle", _BARRED) | way.isin("vehicle", _BARRED))
    paved = track & way.isin("tracktype", ["grade1"]) & motors
    kind = np.where(major, "major", np.where(paved | (minor & ~side), "minor", "track"))
    return kind, major | minor | track


def _trails(
    out: Layers, way: Tags, area: Tags, sound: BoolArray, route: BoolArray
) -> None:  # fmt: skip
    on_foot = way.isin("highway", ON_FOOT) & ~way.isin("footway", ("sidewalk", "crossing"))
    path, bridle = way.isin("highway", ["path"]), way.isin("highway", ["bridleway"])
    designated = np.zeros(len(way.frame), dtype=bool)
    for mode in ("foot", "bicycle", "horse"):
        # Somebody put up a sign: people will come.
        designated |= way.isin(mode, ["designated"])
    shown = way.isin("sac_scale", _EASY) | way.isin("trail_visibility", ("excellent", "good"))
    marked = shown | way.has("ref") | (way["name"].to_numpy() != "")
    faint = way.isin("trail_visibility", _FAINT) | way.isin("informal", ["yes"])
    shut = way.isin("access", _BARRED) | way.isin("foot", ("no", "private"))
    hard = way.isin("sac_scale", _HARD)
    # The first that fits counts: what is known of few people outweighs a name.
    rules = (
        (on_foot, "busy", ""),
        (path & designated, "busy", ", for walkers or riders"),
        (path & faint, "quiet", ", faint"),
        (path & (shut | hard), "quiet", ", closed or steep"),
        (path & marked, "busy", ", marked"),
        (path & route, "busy", ", on a marked route"),
        (bridle & designated, "busy", ", for walkers or riders"),
        (bridle, "quiet", ""),
        (path, "unknown", ", use not known"),
    )
    # Under a road or a house no animal meets it.
    rows = sound & (on_foot | path | bridle) & ~way.isin("tunnel", ["yes"])
    use = np.select([r[0] for r in rules], [r[1] for r in rules], "unknown")
    words = np.select([r[0] for r in rules], [r[2] for r in rules], "")
    kind = way["highway"].to_numpy() + words.astype(object)
    # Squares and promenades: people walk along their edges and across.
    squares = area.isin("highway", ("pedestrian", "footway"))
    frames = [way.part(rows, kind, use=use)]
    if squares.any():
        edges = shapely.boundary(np.asarray(area.frame.geometry[squares]))
        frames.append(area.part(squares, area["highway"], shapes=edges, use="busy"))
    out.frames["trails"] = _together(frames)
    unknown = int((out.frames["trails"]["use"] == "unknown").sum())
    out.counts |= {"trails": len(out.frames["trails"]), "trails, use not known": unknown}


def _water(out: Layers, node: Tags, way: Tags, area: Tags) -> None:
    running = way.isin("waterway", _RUNNING)
    under = running & way.has("tunnel")
    # Shown in the kind: near a bed that is dry in summer the water counts all the same.
    dry = way.isin("intermittent", ["yes"]) | way.has("seasonal")
    kind = way["waterway"] + pd.Series(np.where(dry, ", dry at times", ""), index=way.frame.index)
    out.counts["waterways in tunnels, dropped"] = int(under.sum())
    still = (
        area.isin("natural", ["water"])
        | area.isin("landuse", ("reservoir", "basin"))
        | area.isin("waterway", _STANDING)
    )
    named = np.where(
        area["water"] != "", area["water"],
        np.where(area.isin("natural", ["water"]), "water",
                 np.where(area["landuse"] != "", area["landuse"], area["waterway"])),
    )  # fmt: skip
    spring = node.isin("natural", ["spring"])
    drink = spring | node.isin("amenity", ["watering_place"])
    out.frames["water"] = _together(
        [
            way.part(running & ~under, kind),
            area.part(still, named),
            node.part(drink, np.where(spring, "spring", "watering place")),
        ]
    )


def _crossings(out: Layers, node: Tags, way: Tags, sound: BoolArray) -> None:
    """Fords, bridges of trails, ways through fences: each a point, that of a way in its middle."""
    fords = ("yes", "stepping_stones")
    at_ford = node.isin("ford", fords)
    way_ford = way.isin("ford", fords)
    beside_road = way.isin("footway", ("sidewalk", "crossing"))
    trail = sound & ~beside_road & way.isin("highway", (*ON_FOOT, "path", "bridleway"))
    bridge = trail & way.has("bridge") & ~way_ford
    opening = node.isin("barrier", _OPENINGS)
    wildlife = node.isin("man_made", ["wildlife_crossing"])
    way_wild = way.isin("man_made", ["wildlife_crossing"])
    out.frames["crossings"] = _together(
        [
            node.part(at_ford, "ford"),
            way.part(way_ford, "ford", shapes=_middles(way, way_ford)),
            way.part(bridge, "bridge", shapes=_middles(way, bridge)),
            node.part(opening & ~at_ford, node["barrier"].str.replace("_", " ")),
            node.part(wildlife, "wildlife crossing"),
            way.part(way_wild, "wildlife crossing", shapes=_middles(way, way_wild)),
        ]
    )


def _middles(way: Tags, rows: BoolArray) -> object:
    shapes = np.asarray(way.frame.geometry[rows])
    return shapely.line_interpolate_point(shapes, 0.5, normalized=True)


def _buildings(out: Layers, node: Tags, area: Tags) -> None:
    no = ("", "no", "entrance")
    built, spot = ~area.isin("building", no), ~node.isin("building", no)
    # A hut is a house for our purpose: somebody sleeps there.
    hut = node.isin("tourism", _HUTS) | node.isin("amenity", ["shelter"])
    camp = (area.isin("tourism", _HUTS) | area.isin("amenity", ["shelter"])) & ~built
    out.frames["buildings"] = _together(
        [
            area.part(built, _plain(area["building"], "building")),
            node.part(spot, _plain(node["building"], "building")),
            node.part(hut & ~spot, _first(node, ("tourism", "amenity"))),
            area.part(camp, _first(area, ("tourism", "amenity"))),
        ]
    )


def _animals(out: Layers, node: Tags, area: Tags) -> None:
    feeding, fields = node.isin("amenity", _FEEDING), area.isin("amenity", _FEEDING)
    out.frames["feeders"] = _together(
        [
            node.part(feeding, node["amenity"].str.replace("_", " ")),
            area.part(fields, area["amenity"].str.replace("_", " ")),
        ]
    )
    stock = (
        area.isin("landuse", _STOCK)
        | area.isin("leisure", ["horse_riding"])
        | area.isin("amenity", ["animal_breeding"])
    )
    # Said apart: a pasture is empty for half the year, a farmyard is not.
    grazed = area.isin("meadow", ["pasture"]) & ~stock
    out.frames["livestock"] = _together(
        [
            area.part(stock, _first(area, ("landuse", "leisure", "amenity"))),
            area.part(grazed, "pasture, grazed at times"),
        ]
    )


def _no_go(out: Layers, node: Tags, area: Tags, *, hunting_no_go: bool) -> None:
    military = area.isin("landuse", ["military"]) | area.isin("military", ("danger_area", "range"))
    stand = node.isin("amenity", ["hunting_stand"]) | node.has("hunting")
    grounds = area.isin("leisure", ["hunting"]) | area.has("hunting")
    # Told even where they close nothing: whoever goes there in the season must know.
    out.counts["hunting stands and grounds"] = int(stand.sum() + grounds.sum())
    parts = [area.part(military, "military")]
    if hunting_no_go:
        parts += [node.part(stand, "hunting stand"), area.part(grounds, "hunting ground")]
    out.frames["no_go"] = _together(parts).rename(columns={"kind": "reason"})
    out.frames["hunting"] = _together(
        [node.part(stand, "hunting stand"), area.part(grounds, "hunting ground")]
    )


def _others(out: Layers, node: Tags, way: Tags, area: Tags) -> None:
    closed = ("private", "no", "customers")
    parking = node.isin("amenity", ["parking"]) & ~node.isin("access", closed)
    lots = area.isin("amenity", ["parking"]) & ~area.isin("access", closed)
    head = node.isin("highway", ["trailhead"])
    # A point in the car park: the way in begins at one place.
    inside = shapely.point_on_surface(np.asarray(area.frame.geometry[lots]))
    out.frames["way_in"] = _together(
        [
            node.part(parking, "parking"),
            area.part(lots, "parking", shapes=inside),
            node.part(head, "trailhead"),
        ]
    )
    out.frames["fences"] = way.part(way.isin("barrier", FENCES), way["barrier"])
    kept = area.isin("boundary", ("protected_area", "national_park")) | area.isin(
        "leisure", ["nature_reserve"]
    )
    out.frames["protected"] = area.part(kept, "protected area")
    out.counts["protected areas"] = int(kept.sum())


_KNOWN_WAYS = {
    *MAJOR, *MINOR, *ON_FOOT, *_NOT_YET, "track", "path", "bridleway",
    # Of no meaning here: not on the ground, or no way at all.
    "platform", "rest_area", "services", "via_ferrata", "bus_stop", "elevator", "street_lamp",
    "crossing", "bus_guideway", "escape", "traffic_island", "no",
}  # fmt: skip


def _strange(out: Layers, way: Tags, sound: BoolArray) -> None:
    """highway=* that the table does not know: counted and told, never guessed."""
    base = _base(way)
    rows = sound & (base != "").to_numpy() & ~base.isin(list(_KNOWN_WAYS)).to_numpy()
    counted = way["highway"][rows].value_counts()
    out.strange = {str(k): int(v) for k, v in sorted(counted.items())}


def _plain(values: pd.Series, usual: str) -> pd.Series:
    return values.where(values != "yes", usual).str.replace("_", " ")


def _first(tags: Tags, names: Iterable[str]) -> pd.Series:
    """The first tag of several that is set."""
    out = pd.Series("", index=tags.frame.index, dtype=object)
    for name in names:
        out = out.where(out != "", tags[name])
    return out.str.replace("_", " ")


def _together(frames: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    some = [frame for frame in frames if len(frame)] or frames[:1]
    joined = pd.concat(some, ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=frames[0].crs)
