"""No sentence, name, column, letter or drawing says more than the layers given carry.

Every combination of layers that are given, missing or of unknown use is run on one small invented
land, and all that a reader is told is held against what could be known. The patterns below are
claims ("there is a stream"); what is said conditionally ("may be dry") or in general (the usual
cautions, the checks on site) claims nothing.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from siting.criteria import CRITERIA
from siting.ground.layers import build_ground
from siting.pipeline import site_parcel
from siting.read.land import read_land, read_parcel
from siting.report.files.deployments import deployments_csv
from siting.report.files.gpx import gpx
from siting.report.files.tables import geojson, spots_csv
from siting.report.page.layers import layers_data
from siting.report.paper.cover import marks as _marks
from siting.report.shared.facts import spot_facts
from siting.report.shared.zones import zones_data
from siting.settings.load import load_protocol
from siting.settings.protocol import Protocol
from siting.types import NoGo
from siting.words.office.letters import letter_sentence, limit_of
from tests.bad_inputs.land import LEFT, PROTOCOL, SIZE, TOP, clean, frame, raster
from tests.test_read import inputs_of

Given = frozenset
WET = r"\b(?:water|waterSource|streams?|brook|ponds?|lake|rivers?|ford)\b"
# What a statement claims, and one of which layers must have been given for it.
CLAIMS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (WET, ("water", "crossings")),
    (r"\b(?:game|quiet) trail\b", ("known trails",)),
    (r"\btrails?\b", ("known trails", "unknown trails")),
    (r"crossing of a stream|stream crossing|^crossing\b", ("crossings", "water and trails")),
    (r"\broads?\b", ("roads",)),
    (r"\b(?:buildings?|houses?)\b", ("buildings",)),
    (r"\b(?:livestock|cows?|pasture)\b", ("livestock",)),
    (r"\b(?:forest|woods|(?<!livestock )field|brush|reeds|opening)\b", ("cover",)),
    (r"\b(?:no|next) tree cover\b", ("cover",)),
    (r"\bvalley line\b", ("no water",)),
)
# A statement with one of these says that something is possible, not that it is there.
CONDITIONAL = re.compile(
    r"may be (?:near|close)|may stand in the view|nobody has said|not mapped|"
    r"a road or building is in sight",
    re.IGNORECASE,
)
# Columns that hold a measure of a layer: empty without it.
MEASURES = {
    "distance_to_water_m": ("water",),
    "height_above_water_m": ("water",),
    "distance_to_trail_m": ("known trails", "unknown trails"),
    "distance_to_crossing_m": ("crossings", "water and trails"),
    "distance_to_edge_m": ("cover",),
}
COMBINATIONS = list(itertools.product((0, 1), ("", "quiet", "unknown"), (0, 1), (0, 1), (0, 1)))


def land_with(folder, *, water, trails, people, crossings, cover):
    """The clean land with some layers; roads, buildings and livestock come together."""
    land = clean(folder)
    lines = {
        "water": [LineString([(LEFT + 60, TOP), (LEFT + 110, TOP - 150), (LEFT + 90, TOP - 300)])],
        "trails": [LineString([(LEFT, TOP - 140), (LEFT + 300, TOP - 170)])],
        "crossings": [Point(LEFT + 108, TOP - 150)],
        "roads": [LineString([(LEFT, TOP - 290), (LEFT + 300, TOP - 295)])],
        "buildings": [box(LEFT + 270, TOP - 40, LEFT + 280, TOP - 30)],
        "livestock": [box(LEFT + 200, TOP - 100, LEFT + 240, TOP - 60)],
    }
    given = {
        "water": water, "trails": bool(trails), "crossings": crossings, "roads": people,
        "buildings": people, "livestock": people,
    }  # fmt: skip
    for name, shapes in lines.items():
        land.set(f"layers.{name}", None)
        if not given[name]:
            continue
        columns = {"use": [trails]} if name == "trails" and trails != "unknown" else {}
        columns |= {"class": ["minor"]} if name == "roads" else {}
        frame(*shapes, **columns).to_file(folder / f"{name}.gpkg")
        land.set(f"layers.{name}", f"{name}.gpkg")
    if not cover:
        land.set("land_cover", None)
    return land


def ground_of(inputs):
    """The layers of the parcel of these inputs, by the rules that ship."""
    rules = Protocol()
    land = read_land(inputs, read_parcel(inputs), rules=rules.grid)
    return build_ground(
        land,
        cover=rules.cover,
        camera=rules.camera,
        drainage=rules.drainage,
        disturbance=rules.disturbance,
        brush_m=(rules.heading.brush_least_m, rules.heading.brush_most_m),
    )


def known_of(*, water, trails, people, crossings, cover) -> Given:
    """What can be known, by the words of the table of claims."""
    return frozenset(
        name
        for name, there in {
            "water": water,
            "no water": not water,
            "known trails": trails == "quiet",
            "unknown trails": trails == "unknown",
            "crossings": crossings,
            "water and trails": water and bool(trails),
            "roads": people,
            "buildings": people,
            "livestock": people,
            "cover": cover,
        }.items()
        if there
    )


def unfounded(said: str, known: Given) -> list[str]:
    """Which claims of a statement nothing that was given carries."""
    if CONDITIONAL.search(said):
        return []
    return [
        f"{said!r} needs {' or '.join(needs)}"
        for pattern, needs in CLAIMS
        if re.search(pattern, said, re.IGNORECASE) and not known & set(needs)
    ]


def statements(result, protocol, inputs) -> Iterator[str]:
    """Everything a reader is told about this land as a fact."""
    facts = spot_facts(result)
    for fact in facts:
        yield fact.title
        yield from (*fact.why, *fact.pulled_down, *fact.facing.why, fact.facing.second_why)
        yield fact.spot.kind.replace("_", " ")
    yield from (feature.words for feature in result.features)
    limit = limit_of(result, rules=protocol.no_go)
    yield letter_sentence(result, limit=limit, firm=None, scant_share=0.05)
    for row in layers_data(result, grid=result.land.grid):
        yield row["label"] if row["key"] != "features" else ""
    yield from (words for name, words in _marks(result, facts) if name not in ("no-go", "road"))
    drawn = {zone["bit"] for zone in zones_data(result.no_go, grid=result.land.grid)}
    yield from (flag.name.lower().replace("_", " ") for flag in NoGo if flag.value in drawn)
    table = deployments_csv(result, facts, survey=inputs.survey, camera=protocol.camera)
    yield from (row["featureType"] for row in csv.DictReader(io.StringIO(table)))
    text = gpx(result, facts)
    yield from re.findall(r"<name>(?:\d+ )?(.*?)</name>", text)


@pytest.mark.parametrize("given", COMBINATIONS, ids=lambda given: "-".join(map(str, given)))
def test_no_statement_says_more_than_the_layers_carry(given, tmp_path):
    asked = dict(zip(("water", "trails", "people", "crossings", "cover"), given, strict=True))
    land = land_with(tmp_path, **asked)
    inputs = inputs_of(land)
    rules = tmp_path / "protocol.toml"
    rules.write_text(PROTOCOL)
    protocol = load_protocol(rules)
    result = site_parcel(inputs, protocol, read_parcel(inputs))
    known = known_of(**asked)
    faults = [f for said in statements(result, protocol, inputs) for f in unfounded(said, known)]
    assert faults == []
    codes = {note.code for note in result.notes}
    assert ("W-STREAM-01" in codes) == (not asked["water"])
    assert ("W-USE-01" in codes) == (asked["trails"] == "unknown")
    assert not any(result.no_go.ravel() & NoGo.WATER) or asked["water"]
    for spot in result.spots:
        for row in CRITERIA:
            if row.name in spot.memberships and row.name != "heading":
                assert row.layer in spot.measures
    facts = spot_facts(result)
    for column, needs in MEASURES.items():
        for row in csv.DictReader(io.StringIO(spots_csv(result, facts).lstrip("\ufeff"))):
            assert not row.get(column) or known & set(needs), (column, row[column])
    assert shapely.is_valid(result.land.parcel_shape)
    assert geojson(result, facts)


@pytest.mark.parametrize(
    ("said", "known", "clean_of_faults"),
    [
        ("Water close by.", {"no water"}, False),
        ("Water close by.", {"water"}, True),
        ("A game or quiet trail close by.", {"unknown trails"}, False),
        ("A valley line close by; it may be dry.", {"no water"}, True),
        ("A valley line close by; it may be dry.", {"water"}, False),
        ("Where two streams meet", {"no water", "cover"}, False),
        ("narrow passage beside a road", {"buildings"}, False),
        ("The next tree cover is about 40 m (130 ft) away: bring a post.", {"water"}, False),
        ("narrow woods between open ground", set(), False),
        ("waterSource", set(), False),
        ("Livestock field", {"livestock"}, True),
    ],
)
def test_the_table_of_claims_finds_a_claim(said, known, clean_of_faults):
    assert (unfounded(said, frozenset(known)) == []) is clean_of_faults


def test_every_criterion_says_what_it_needs():
    """A phrase that speaks of water or trails stands in a row that needs them."""
    needed = {row.name: {layer for need in row.needs for layer in need.layers} for row in CRITERIA}
    for row in CRITERIA:
        phrases = [
            getattr(row, f, "") for f in ("label", "why", "letter_place", "draws", "assumed_why")
        ]
        for phrase in phrases:
            if re.search(r"\btrail\b", phrase):
                assert "trails" in needed[row.name], row.name
            if re.search(r"\bstream\b|\bwater\b", phrase, re.IGNORECASE):
                assert needed[row.name] & {"water", "crossings"}, row.name


@pytest.mark.parametrize(
    ("pond", "said"), [(False, "nearness to them is not judged"), (True, "judged by that alone")]
)
def test_water_in_the_land_cover_is_not_called_unknown(pond, said, tmp_path):
    """A run without a water layer says which water it knows all the same."""
    land = land_with(tmp_path, water=0, trails="", people=0, crossings=0, cover=1)
    if pond:
        codes = np.full((SIZE, SIZE), 71, dtype=np.uint8)
        codes[:20, :20] = 11
        land.cover(codes)
    inputs = inputs_of(land)
    ground = ground_of(inputs)
    notes = [n.text for n in ground.notes if n.code == "W-STREAM-01"]
    assert len(notes) == 1
    assert said in notes[0]
    assert ("distance_to_water_m" in ground.layers) is pond


def test_too_little_elevation_finds_no_valley_and_says_so(tmp_path):
    """9 ha of elevations cannot show what drains 10 ha: that is no proof of dry ground."""
    land = land_with(tmp_path, water=0, trails="", people=0, crossings=0, cover=1)
    (note,) = (n.text for n in ground_of(inputs_of(land)).notes if n.code == "W-STREAM-01")
    assert note.endswith("The elevations cover 9 ha: too little to find valley lines.")


@pytest.mark.parametrize(
    ("code", "use", "draws"), [(21, "unknown", False), (21, "quiet", True), (71, "unknown", True)]
)
def test_a_path_of_unknown_use_through_a_park_draws_no_animals(code, use, draws, tmp_path):
    """NLCD 21 is lawns and parks: who walks there is most likely on two legs."""
    land = land_with(tmp_path, water=0, trails=use, people=0, crossings=0, cover=1)
    land.cover(np.full((SIZE, SIZE), code, dtype=np.uint8))
    ground = ground_of(inputs_of(land))
    assert np.isfinite(ground.layers["distance_to_trail_m"]).any() == draws
    assert ("A-USE-02" in {n.code for n in ground.notes}) == (not draws)
    if use == "unknown":
        assert ground.layers["distance_to_unknown_trail_m"].min() < 10.0


def test_the_view_is_judged_by_the_canopy_where_it_is_known(tmp_path):
    """Heights say which cells stand before a lens; without land cover they are all there is."""
    land = land_with(tmp_path, water=0, trails="", people=0, crossings=0, cover=0)
    heights = np.zeros((SIZE, SIZE), dtype=np.float32)
    heights[:, :20], heights[:, 40:] = 1.5, 15.0
    raster(tmp_path / "canopy.tif", heights, left=LEFT, top=TOP)
    land.set("canopy.file", "canopy.tif")
    inputs = inputs_of(land)
    grid = read_land(inputs, read_parcel(inputs), rules=Protocol().grid).grid
    clear, rules = ground_of(inputs).layers["clear_share"], Protocol().cover
    row, col = grid.rowcol(LEFT + np.array([50.0, 150.0, 250.0]), np.full(3, TOP - 150.0))
    shares = [rules.clear_shrub, rules.clear_grass, rules.clear_tree]
    assert clear[row, col] == pytest.approx(shares, abs=0.01)
