"""Travel, features and water on the invented valley of sample_rasters, and on drawn land."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import shapely

from siting.lengths import percent
from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.scoring.choose import search_radius_m
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import Protocol
from siting.types import CoverRole, Feature
from siting.words.spot.doubt import stability_words
from siting.words.spot.names import full_name, place_name
from siting.words.spot.reasons import wet_warnings
from tests.fake_result import fake_land, frame
from tests.properties.test_scores_properties import ground_of
from tests.sample_run import sample_result

SAMPLE = Path(__file__).parents[1] / "sample_rasters"
# Landmark of the sample: kinds of feature that may stand for it, and how near one must lie.
FOUND_AS = {
    "saddle": (("saddle",), 30),
    "strip": (("woods strip",), 20),
    "inside_corner": (("woods corner",), 20),
    "peninsula": (("woods point",), 25),
    "crossing": (("known crossing", "stream crossing"), 5),
    "pond_end": (("pond end", "inflow"), 40),
    "gap": (("funnel", "woods strip"), 40),
}


def quick_inputs():
    """The same land with the 10 m elevations: a run in about a second."""
    return load_inputs(SAMPLE / "inputs.toml", {"dem": {"file": str(SAMPLE / "dem_10m.tif")}})


@cache
def quick_sample():
    inputs = quick_inputs()
    return site_parcel(inputs, Protocol(), read_parcel(inputs))


def landmarks(*kinds):
    with (SAMPLE / "landmarks.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [
        pytest.param(row["kind"], float(row["easting"]), float(row["northing"]), id=row["what"])
        for row in rows
        if row["kind"] in kinds
    ]


@pytest.mark.parametrize(("kind", "east", "north"), landmarks(*FOUND_AS))
def test_landmark_of_the_sample_is_found(kind, east, north):
    kinds, within = FOUND_AS[kind]
    away = [
        np.hypot(f.easting - east, f.northing - north)
        for f in sample_result().features
        if f.kind in kinds
    ]
    assert min(away) <= within


@pytest.mark.parametrize(("kind", "east", "north"), landmarks("gap", "strip", "saddle"))
def test_flow_is_squeezed_at_gap_strip_and_saddle(kind, east, north):
    result = sample_result()
    row, col = (int(v) for v in result.land.grid.rowcol(east, north))
    assert result.layers["funnel_ratio"][row, col] > (1.25 if kind == "saddle" else 1.4)


def test_what_a_spot_is_named_for_is_in_its_picture():
    """Field test A10: the best heading missed what the spot was named for in 4 of 10 spots."""
    result = sample_result()
    named = [spot for spot in result.spots if spot.name]
    assert named
    for spot in named:
        here = [f for f in result.features if spot.name.lower().startswith(f.words.lower())]
        feature = min(
            here, key=lambda f: np.hypot(f.easting - spot.easting, f.northing - spot.northing)
        )
        east, north = feature.easting - spot.easting, feature.northing - spot.northing
        away = np.hypot(east, north)
        turn = (np.degrees(np.arctan2(east, north)) - spot.aim.heading_deg + 180) % 360 - 180
        # The grid of the sample is turned by a third of a degree against true north.
        assert away <= 12.0, spot
        assert away <= 3.0 or abs(turn) <= 26.0, spot


def test_spots_say_how_firm_they_are_and_what_would_turn_the_list():
    result = sample_result()
    for spot in result.spots:
        firm = spot.stability
        assert firm.word in ("firm", "fair", "toss-up")
        assert firm.draws >= 300
        assert percent(firm.share_among) in stability_words(firm)
    (note,) = [n for n in result.notes if n.code == "A-STABILITY-01"]
    assert "300 times" in note.text
    assert "if the ratio of" in note.text or "No single ratio" in note.text


def test_the_same_run_gives_the_same_stability():
    inputs = quick_inputs()
    again = site_parcel(inputs, Protocol(), read_parcel(inputs))
    assert [s.stability for s in again.spots] == [s.stability for s in quick_sample().spots]


def test_best_of_each_kind_makes_the_alternatives_differ():
    inputs = quick_inputs()
    protocol = load_protocol(None, best_of_each_kind=True)
    result = site_parcel(inputs, protocol, read_parcel(inputs))
    kinds = {spot.kind for spot in result.spots}
    assert kinds >= {spot.kind for spot in quick_sample().spots}
    assert len(kinds) > len({spot.kind for spot in quick_sample().spots})
    scores = [spot.score for spot in result.spots]
    assert scores == sorted(scores, reverse=True)
    assert result.spots[0].score == quick_sample().spots[0].score


@pytest.mark.parametrize("each_kind", [False, True])
def test_a_list_that_nothing_shakes_is_sure(each_kind):
    """Each trial picks the same places: the first five always, the others never."""
    inputs = quick_inputs()
    protocol = unshaken(load_protocol(None, best_of_each_kind=each_kind))
    result = site_parcel(inputs, protocol, read_parcel(inputs))
    shares = [spot.stability.share_among for spot in result.spots]
    if not each_kind:
        assert shares == [1.0] * 5 + [0.0] * (len(result.spots) - 5)
    assert set(shares) <= {0.0, 1.0}
    least = search_radius_m(
        dem_cell_m=result.land.dem_cell_m, cover_cell_m=result.land.cover_cell_m, gps_m=5.0
    )
    assert min(spot.search_radius_m for spot in result.spots) == least


def unshaken(protocol):
    """The protocol with no error anywhere."""
    none = dict.fromkeys(
        ("line_error_m", "cover_error_cells", "misread_share", "travel_spread", "heading_spread",
         "missed_spread",
         "error_fine_m", "error_medium_m", "error_coarse_m"), 0.0
    )  # fmt: skip
    tables = {"stability": protocol.stability.model_copy(update={**none, "draws": 4})}
    for table in ("attractors", "conditions"):
        section = getattr(protocol, table)
        sure = {
            name: rule.model_copy(update={"low": rule.ratio, "high": rule.ratio})
            for name, rule in section
        }
        tables[table] = section.model_copy(update=sure)
    return protocol.model_copy(update=tables)


def test_pairwise_comparison_sets_the_weights_and_is_told(tmp_path):
    file = tmp_path / "protocol.toml"
    file.write_text(
        '[pairwise.attractors]\ncriteria = ["trail", "edge", "funnel"]\n'
        'matrix = [[1, 3, 5], ["1/3", 1, 3], [0.2, "1/3", 1]]\n'
    )
    protocol = load_protocol(file)
    given = [getattr(protocol.attractors, n).weight for n in ("trail", "edge", "funnel")]
    # Saaty's scale: .6370 .2583 .1047, the most important made twice as many pictures
    want = np.array([0.6370, 0.2583, 0.1047]) * np.log(2.0) / 0.6370
    np.testing.assert_allclose(given, want, atol=1e-4)
    assert protocol.attractors.trail.spread == pytest.approx(Protocol().attractors.trail.spread)
    assert protocol.attractors.water == Protocol().attractors.water
    inputs = quick_inputs()
    result = site_parcel(inputs, protocol, read_parcel(inputs))
    assert result.scores.weights["trail"] == pytest.approx(np.log(2.0))
    (note,) = [n for n in result.notes if n.code == "A-WEIGHTS-01"]
    assert "0.033" in note.text


def test_busy_trails_give_no_feature():
    brook = shapely.LineString([(540300, 4820600), (540300, 4820000)])
    path = shapely.LineString([(540110, 4820300), (540480, 4820300)])
    for use, expected in (("quiet", 1), ("busy", 0)):
        land = fake_land(vectors={"water": frame(brook), "trails": frame(path, use=[use])})
        kinds = [f.kind for f in ground_of(land).features]
        assert kinds.count("stream crossing") == expected


def test_pond_that_only_the_land_cover_knows_has_ends():
    role = fake_land().role.copy()
    role[50:56, 40:60] = CoverRole.WATER
    found = ground_of(fake_land(role=role, vectors={})).features
    words = [f.words for f in found if f.kind == "pond end"]
    assert sorted(words) == ["east end of the pond", "west end of the pond"]


def test_height_above_water_is_that_above_the_brook():
    """A plane that falls 1 in 10 to a brook in the south: 210 m up it lies 21 m higher."""
    plain = fake_land()
    _, northing = plain.grid.xy(*np.indices(plain.grid.shape))
    brook = shapely.LineString([(539990, 4820052), (540610, 4820052)])
    land = fake_land(height=0.1 * (northing - 4820000), vectors={"water": frame(brook)})
    ground = ground_of(land)
    row, col = (int(v) for v in land.grid.rowcol(540300.0, 4820262.0))
    assert ground.layers["height_above_water_m"][row, col] == pytest.approx(21.0, abs=0.6)
    below, _ = (int(v) for v in land.grid.rowcol(540300.0, 4820020.0))
    assert np.isnan(ground.layers["height_above_water_m"][below, col])
    share = ground.layers["wetter_than_share"]
    known = share[np.isfinite(share)]
    assert known.min() == 0
    assert known.max() < 1
    # water gathers downhill
    assert share[110, col] > share[10, col]


def test_unknown_ground_stays_unknown_and_is_no_wall():
    height = fake_land().dem.copy()
    height[:30] = np.nan
    ratio = ground_of(fake_land(height=height)).layers["funnel_ratio"]
    assert np.isnan(ratio[:30]).all()
    assert (ratio[40:] > 0).all()


def test_a_name_says_how_far_and_where_to():
    fork = Feature("trail fork", 100.0, 200.0, 1.0, "where the cart track meets the deer path")
    named = full_name(place_name(fork, 90.0, 200.0, radius_m=15.0))
    assert named == "Where the cart track meets the deer path"
    aside = full_name(place_name(fork, 100.0, 233.0, radius_m=15.0))
    assert aside.endswith("deer path, about 30 m (100 ft) to the south")


@pytest.mark.parametrize(
    ("measures", "expected"),
    [
        (
            {"height_above_water_m": 0.4, "distance_to_water_m": 20.0},
            "only about 0.4 m (1 ft) above",
        ),
        ({"height_above_water_m": -0.4, "distance_to_water_m": 20.0}, "level with"),
        ({"height_above_water_m": 0.4, "distance_to_water_m": 900.0}, ""),
        ({"height_above_water_m": 4.0, "distance_to_water_m": 20.0}, ""),
        ({"height_above_water_m": np.nan, "distance_to_water_m": 20.0}, "cannot show"),
        ({"height_above_water_m": 1.2, "distance_to_water_m": 20.0}, "cannot show"),
        ({"distance_to_valley_m": 20.0}, "streams are not mapped here"),
        ({"distance_to_valley_m": 200.0}, ""),
        ({"wetter_than_share": 0.99, "slope_deg": 1.0}, "Wet ground"),
        ({"wetter_than_share": 0.99, "slope_deg": 9.0}, ""),
        ({"wetter_than_share": 0.5, "slope_deg": 1.0}, ""),
    ],
)
def test_warnings_of_floods_and_wet_ground(measures, expected):
    said = " ".join(wet_warnings(measures, rules=Protocol().wet, dem_cell_m=2.0, error_m=0.2))
    assert expected in said
    assert bool(said) == bool(expected)


def test_from_wide_cells_no_height_above_water_is_told():
    """Field test A8: "1.0 m above the water" from whole metres and wide cells."""
    near = {"height_above_water_m": 0.6, "distance_to_water_m": 20.0}
    rules = Protocol().wet
    (said,) = wet_warnings(near, rules=rules, dem_cell_m=25.0, error_m=3.0)
    assert "cannot show" in said
    high = {"height_above_water_m": 5.0, "distance_to_water_m": 20.0}
    assert wet_warnings(high, rules=rules, dem_cell_m=25.0, error_m=3.0)
    assert not wet_warnings(high | {"height_above_water_m": 8.0}, rules=rules,
                            dem_cell_m=25.0, error_m=3.0)  # fmt: skip


def test_missing_layers_are_no_fault():
    ground = ground_of(replace(fake_land(), vectors={}))
    assert np.isfinite(ground.layers["distance_to_feature_m"]).any() or not ground.features
