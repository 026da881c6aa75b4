"""Small invented lands that differ in what decides sentences, and all text that is made of each."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import LineString, Point, box

from siting.commands import summary
from siting.grid import Grid, transformer
from siting.pipeline import site_land
from siting.report.files.gpx import gpx
from siting.report.files.tables import spots_csv
from siting.report.page.data import page_data
from siting.report.page.land_drawn import land_drawn
from siting.report.page.window import ground_window
from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.settings.text.faults import validate
from siting.types import CoverRole, Result
from siting.words.office.letters import letter_sentence, limit_of
from tests.fake_result import fake_land, frame

SIZE = 60


@dataclass(frozen=True)
class Place:
    """One land of the matrix.

    Parameters
    ----------
    lat, lon : degrees; height_m : of its lowest ground; steep : slope of its hills, rise over run
    cell_m : of elevations and cover; parcel_m : edge of the parcel
    cover : role of all ground; woods : whether the west of it is woods
    days : first and last of the deployment
    layers : names of the vector layers given
    given : whether a land cover was given
    lake : whether the land cover has water in the middle, which no layer has
    """

    lat: float
    lon: float
    height_m: float = 100.0
    steep: float = 0.05
    cell_m: float = 5.0
    parcel_m: float = 200.0
    cover: CoverRole = CoverRole.GRASS
    woods: bool = False
    days: tuple[str, str] | None = None
    layers: tuple[str, ...] = ()
    given: bool = True
    random: int = 0
    lake: bool = False


ALL = ("water", "trails", "roads", "buildings", "livestock", "way_in")
PLACES: Mapping[str, Place] = {
    "tropics, open": Place(11.6, 37.4, 1900.0, cell_m=30.0, parcel_m=900.0, layers=ALL),
    "tropics, woods": Place(11.6, 37.4, 300.0, cover=CoverRole.TREE, layers=("water",), random=2),
    "tropics, high": Place(11.6, 37.4, 3600.0, woods=True, layers=("water",)),
    "south, orchard": Place(-34.0, 20.5, cover=CoverRole.ORCHARD, layers=("roads",)),
    "south, winter": Place(
        -34.0, 20.5, steep=0.4, cover=CoverRole.SHRUB, days=("2027-06-01", "2027-08-15"), random=2
    ),
    "south, summer": Place(
        -34.0, 20.5, woods=True, days=("2027-12-15", "2028-02-20"), layers=ALL, random=2
    ),
    "desert, heights alone": Place(25.0, 15.0, cell_m=30.0, parcel_m=900.0, given=False),
    "desert": Place(25.0, 15.0, cover=CoverRole.BARE, days=("2027-06-01", "2027-08-31")),
    "north, summer": Place(52.1, 0.5, woods=True, days=("2027-06-01", "2027-08-20"), layers=ALL),
    "north, tiny": Place(52.1, 0.5, cell_m=2.0, parcel_m=55.0, woods=True, layers=("way_in",)),
    "park": Place(41.0, -84.0, cover=CoverRole.PARK),
    "town": Place(45.0, -93.0, cover=CoverRole.BUILT, parcel_m=66.0),
    "far north, winter": Place(
        65.2, 25.5, cover=CoverRole.TREE, days=("2027-12-01", "2028-02-10"), layers=ALL, random=2
    ),
    "lake": Place(61.0, 24.0, 80.0, woods=True, cell_m=10.0, parcel_m=400.0, lake=True),
    "bog": Place(60.0, 18.0, 10.0, steep=0.0, cell_m=10.0, parcel_m=400.0,
                 cover=CoverRole.WETLAND, woods=True, layers=("water",)),
}  # fmt: skip


@dataclass(frozen=True)
class Made:
    """What was made of one land: the result, the text of each output, the data of the page."""

    place: Place
    result: Result
    texts: Mapping[str, str]
    data: Mapping[str, Any]

    @property
    def whole(self) -> str:
        return "\n".join(self.texts.values())


@cache
def made(name: str) -> Made:
    """One land of the matrix, scored with few trials, and all that a reader is given of it."""
    place = PLACES[name]
    protocol = validate(
        Protocol,
        {
            "candidates": {"places": 10, "spots": 3},
            "stability": {"draws": 12},
            "random": {"places": place.random},
        },
        source="test",
    )
    days = tuple(dt.date.fromisoformat(day) for day in place.days or ())
    survey = SurveyInput(**dict(zip(("first_day", "last_day"), days, strict=False)))
    when = ("", survey.first_day, survey.last_day)
    result = site_land(_land(place), protocol, survey=when)
    window = ground_window(result)
    drawn = land_drawn(result.land, result.scores, result.no_go, window=window)
    page = page_data(result, protocol=protocol, drawn=drawn)
    return Made(place, result, dict(_texts(result, page, protocol, survey)), page)


def _land(place: Place) -> Any:
    zone = (32600 if place.lat >= 0 else 32700) + int((place.lon + 180) // 6) + 1
    crs = f"EPSG:{zone}"
    x, y = transformer("EPSG:4326", crs).transform(place.lon, place.lat)
    half = SIZE * place.cell_m / 2.0
    grid = Grid(crs, round(x) - half, round(y) + half, place.cell_m, SIZE, SIZE)
    east, north = (np.asarray(v) for v in grid.xy(*np.indices(grid.shape)))
    east, north = east - round(x), north - round(y)
    wave = half / 4.0
    height = place.height_m + place.steep * wave * (
        2.0 + np.sin(east / wave) + np.cos(north / wave)
    )
    role = np.full(grid.shape, place.cover if place.given else CoverRole.UNKNOWN, np.int8)
    if place.woods:
        role[east < -0.1 * place.parcel_m] = CoverRole.TREE
    if place.lake:
        role[np.hypot(east, north) < 0.15 * place.parcel_m] = CoverRole.WATER
    around = place.parcel_m / 2.0
    land = fake_land(
        grid=grid,
        height=height,
        role=role,
        parcel_shape=box(x - around, y - around, x + around, y + around),
        vectors={k: v for k, v in _layers(x, y, around, crs).items() if k in place.layers},
        label="",
    )
    cover = {} if place.given else {"coverage": {"dem": 1.0}}
    return replace(land, dem_cell_m=place.cell_m, cover_cell_m=place.cell_m, **cover)


def _layers(x: float, y: float, around: float, crs: str) -> dict[str, Any]:
    def at(*shapes: Any) -> list[Any]:
        return [shapely.transform(shape, lambda xy: xy * around + [x, y]) for shape in shapes]

    return {
        "water": frame(
            *at(LineString([(-2, 0.2), (2, -0.3)])), crs=crs, kind=["stream"], name=[""]
        ),
        "trails": frame(
            *at(LineString([(-2, -0.5), (2, 0.6)])), crs=crs, use=["unknown"], kind=[""], name=[""]
        ),
        "roads": frame(
            *at(LineString([(-2, -1.3), (2, -1.3)])), crs=crs, **{"class": ["minor"], "name": [""]}
        ),
        "buildings": frame(*at(box(0.8, 0.8, 0.9, 0.9)), crs=crs, kind=["house"], name=[""]),
        "livestock": frame(*at(box(0.3, 0.3, 0.9, 0.9)), crs=crs, kind=["pasture"], name=[""]),
        "way_in": frame(*at(Point(-0.9, -0.9)), crs=crs, name=["gate"]),
    }


def _texts(
    result: Result, page: Mapping[str, Any], protocol: Protocol, survey: SurveyInput
) -> Iterator[tuple[str, str]]:
    facts = spot_facts(result)
    yield "page", "\n".join(_strings({k: page[k] for k in page.keys() - {"form"}}))
    yield "form", "\n".join(_strings({k: page["form"][k] for k in ("check", "choices")}))
    yield "sheet", plain(field_sheet(result, facts, protocol=protocol, survey=survey))
    yield "gpx", plain(gpx(result, facts))
    yield "csv", spots_csv(result, facts)
    yield "terminal", summary(result, Path("map.html"))
    limit = limit_of(result, rules=protocol.no_go)
    yield "letter", letter_sentence(result, limit=limit, firm=0, scant_share=0.1)


def _strings(value: Any) -> Iterator[str]:
    """Every sentence in a tree of plain values; numbers and drawn pictures are none."""
    if isinstance(value, str):
        if len(value) < 2000:
            yield value
    elif isinstance(value, Mapping):
        for one in value.values():
            yield from _strings(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _strings(one)


def plain(page: str) -> str:
    """The words of a page, a line to each element, without styles and drawings."""
    page = re.sub(r"<(style|svg|script)\b.*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\n\s*", "\n", html.unescape(re.sub(r"<[^>]+>", "\n", page)))
