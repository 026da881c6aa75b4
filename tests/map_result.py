"""A result for the tests of the map page: real arithmetic on invented memberships, and aims."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from shapely import LineString, box
from shapely.affinity import translate

from siting.scoring.combine import combine, weights_of
from siting.settings.load import protocol_for
from siting.settings.protocol import Protocol
from siting.spot_parts import Aim, Walk
from siting.types import NoGo, Note, Result, Spot
from tests.fake_result import FACES_NORTH, FIRM, PLACES, fake_aim, fake_result

CELL_CRITERIA = ("trail", "water", "edge", "flat", "view", "quiet", "strap")


def surfaces(shape: tuple[int, int], *, seed: int = 7) -> dict[str, np.ndarray]:
    """Memberships of 0..1 that reach both ends, wavy and each different."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0 : shape[0], 0 : shape[1]]
    out = {}
    for name in CELL_CRITERIA:
        a, b, phase = rng.uniform(5, 25), rng.uniform(5, 25), rng.uniform(0, 6)
        wave = 0.5 + 0.75 * np.sin(row / a + phase) * np.cos(col / b)
        out[name] = np.clip(wave, 0.0, 1.0).astype(np.float32)
    return out


def turned_aim(heading_deg: float, **changes: Any) -> Aim:
    """An aim whose scores are best where it says and fall off to the other side."""
    turn = np.radians(np.arange(0.0, 360.0, 5.0) - heading_deg)
    scores = (0.5 + 0.48 * np.cos(turn)).astype(np.float32)
    sun = {"scores": scores, "sun_minutes": 40.0 * (1.0 - scores)}
    return fake_aim(heading_deg, (heading_deg + 180.0) % 360.0, **{**sun, **changes})


def fake_walk(spot: Spot, **changes: Any) -> Walk:
    """A walk from the farm gate to a spot."""
    line = LineString([(540200, 4820062), (540230, 4820180), (spot.easting, spot.northing)])
    walk = Walk(
        line=line,
        length_m=float(line.length),
        minutes_there=5.4,
        minutes_back=5.0,
        climb_m=6.0,
        drop_m=0.5,
        start_kind="given",
        outside_m=0.0,
        known_crossings=0,
        unknown_crossings=1,
        steepest_deg=6.0,
    )
    return replace(walk, **changes)


def map_result(
    *, protocol: Protocol | None = None, with_heading: bool = True, **land: Any
) -> Result:
    """A result whose scores follow from its memberships by the program's own formula."""
    rules = protocol or Protocol()
    base = fake_result(**land)
    parts = surfaces(base.land.grid.shape)
    weights = weights_of(parts, attractors=rules.attractors, conditions=rules.conditions)
    scores = combine(parts, weights=weights, scoring=rules.scoring)
    spots = [
        _spot(spot, parts, rules, heading=(0.9 - 0.15 * i) if with_heading else None)
        for i, spot in enumerate(base.spots)
    ]
    spots.sort(key=lambda spot: (-round(spot.score, 9), spot.row, spot.col))
    ranked = tuple(replace(spot, rank=i + 1) for i, spot in enumerate(spots))
    notes = (*base.notes, Note("A-DEM-01", "assumption", "Elevations are taken to be metres."))
    return replace(base, scores=scores, spots=ranked, notes=notes)


def _spot(
    spot: Spot, parts: dict[str, np.ndarray], rules: Protocol, *, heading: float | None
) -> Spot:
    own = {name: float(values[spot.row, spot.col]) for name, values in parts.items()}
    aim = None
    if heading is not None:
        own["heading"] = heading
        aim = turned_aim(355.0 if spot.rank % 2 else 180.0)
    cells = {name: np.array([value], dtype=np.float32) for name, value in own.items()}
    weights = weights_of(cells, attractors=rules.attractors, conditions=rules.conditions)
    total = combine(cells, weights=weights, scoring=rules.scoring)
    general = "Tell someone where you go. Follow your organisation's rules."
    return replace(
        spot,
        score=float(total.total[0]),
        memberships={name: float(values[0]) for name, values in cells.items()},
        cautions=(f"Look out at the {PLACES[spot.rank - 1][2]}; if in doubt, ask.", general),
        aim=aim,
        heading_words=FACES_NORTH if aim else None,
        walk=fake_walk(spot),
        stability=FIRM,
    )


def moved(result: Result, crs: str, *, left: float, top: float) -> Result:
    """The same land somewhere else on Earth, without the walks."""
    old = result.land.grid
    east, north = left - old.left, top - old.top
    grid = replace(old, crs=crs, left=left, top=top)
    vectors = {
        name: frame.set_geometry(
            frame.geometry.translate(east, north).set_crs(crs, allow_override=True)
        )
        for name, frame in result.land.vectors.items()
    }
    shape = translate(result.land.parcel_shape, east, north)
    land = replace(
        result.land,
        grid=grid,
        parcel_shape=shape,
        vectors=vectors,
        parcel=replace(result.land.parcel, geometry=shape, crs=crs),
    )
    spots = []
    for spot in result.spots:
        lon, lat = grid.to_lonlat.transform(spot.easting + east, spot.northing + north)
        place = {"easting": spot.easting + east, "northing": spot.northing + north}
        spots.append(replace(spot, lon=lon, lat=lat, walk=None, **place))
    return replace(result, land=land, spots=tuple(spots))


def variants() -> dict[str, tuple[Result, Protocol]]:
    """Results that a page must also be made from: little known, odd shapes, far places."""
    plain, rules = map_result(), Protocol()
    bare = replace(plain, land=replace(plain.land, vectors={}), spots=(), notes=(), features=())
    small = protocol_for("small mammals")
    holed = shapely.union_all(
        [box(540110, 4820110, 540300, 4820490).difference(box(540150, 4820200, 540200, 4820300)),
         box(540350, 4820150, 540480, 4820350)]
    )  # fmt: skip
    parts = replace(plain, land=replace(plain.land, parcel_shape=holed))
    closed = replace(plain, no_go=plain.no_go | np.uint16(NoGo.STEEP), spots=())
    unknown = np.full(plain.land.grid.shape, np.nan, dtype=np.float32)
    scores = replace(plain.scores, total=unknown)
    valleys = (LineString([(540120, 4820480), (540300, 4820300), (540480, 4820120)]),)
    shaped = {name: frame.iloc[:0] for name, frame in plain.land.vectors.items()}
    return {
        "nothing given": (bare, rules),
        "small mammals": (map_result(protocol=small), small),
        "no heading": (map_result(with_heading=False), rules),
        "parts and a hole": (parts, rules),
        "all closed": (closed, rules),
        "no score anywhere": (replace(plain, scores=scores, spots=()), rules),
        "valley lines": (replace(plain, valley_lines=valleys), rules),
        "empty layers": (replace(plain, land=replace(plain.land, vectors=shaped)), rules),
        "one spot": (replace(plain, spots=plain.spots[:1]), rules),
        "180th meridian": (moved(plain, "EPSG:32701", left=180540.0, top=8099170.0), rules),
        "south": (moved(plain, "EPSG:32734", left=446000.0, top=6233000.0), rules),
        "far north": (moved(plain, "EPSG:32633", left=500000.0, top=8700000.0), rules),
        "flat": (
            replace(plain, land=replace(plain.land, dem=np.zeros_like(plain.land.dem))),
            rules,
        ),
        "no elevations": (replace(plain, land=replace(plain.land, dem=unknown)), rules),
    }
