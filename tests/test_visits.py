"""What volunteers and offices decided: read from many files, matched by parcel, and respected."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from siting.batch.run import run_batch
from siting.batch.work import Options
from siting.decisions.history import deployments_of, last_states
from siting.decisions.model import Record
from siting.decisions.places import KnownPlace, apart_m, named_places
from siting.errors import SitingError
from siting.kernels.remembered import Memory
from siting.pipeline import site_parcel
from siting.read.land import read_decisions_of, read_parcel
from siting.read.vector.decision_files import read_decisions, read_given
from siting.report import write_report
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.settings.text.faults import validate
from siting.types import NoGo
from tests.batch_tools import Quiet, quick_protocol, small_land

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[1] / "sample_rasters"
# Names and closed places need a search radius, and not one known to the metre.
PROTOCOL = validate(Protocol, {"stability": {"draws": 40}}, source="test")


def run(visited=(), *, before=None, over=None):
    words = {**(over or {}), "survey": {"visited": [str(path) for path in visited]}}
    inputs = load_inputs(SAMPLE / "inputs.toml", words)
    parcel = read_parcel(inputs)
    decisions = read_decisions_of(inputs, parcel, before=before)
    return site_parcel(inputs, PROTOCOL, parcel, decisions=decisions)


@pytest.fixture(scope="module", autouse=True)
def _remembered():
    """The steps before the decisions are worked out once, as at the desk: the land stays."""
    with Memory().at_work():
        yield


@pytest.fixture(scope="module")
def first():
    return run()


def record(spot, state, day=3, **more):
    return {"state": state, "at": f"2027-04-{day:02d}", "location": spot.place_id,
            "spot": spot.rank, "planned_lat": spot.lat, "planned_lon": spot.lon,
            "radius_m": spot.search_radius_m, **more}  # fmt: skip


def saved(path, records, parcel="P01", **more):
    text = {"format": "siting decisions 1", "parcel": parcel, "records": records, **more}
    path.write_text(json.dumps(text), encoding="utf-8")
    return path


def away_m(a, b):
    return math.hypot(a.easting - b.easting, a.northing - b.northing)


# --- places keep their names ----------------------------------------------------------


def test_every_place_has_a_name_of_its_own(first):
    names = [spot.place_id for spot in first.spots]
    assert len(set(names)) == len(names)
    assert all(name.startswith("P01-") for name in names)


def test_names_survive_a_visit_that_changes_the_ranks(first, tmp_path):
    gone = first.spots[0]
    visited = saved(tmp_path / "a.json", [record(gone, "ruled out", reason="wet")])
    again = run([visited])
    assert gone.place_id not in [s.place_id for s in again.spots]
    kept = {s.place_id for s in first.spots} & {s.place_id for s in again.spots}
    assert len(kept) >= 5
    where = {s.place_id: s for s in first.spots}
    for spot in again.spots:
        if spot.place_id in kept:
            radius = max(spot.search_radius_m, where[spot.place_id].search_radius_m)
            assert away_m(spot, where[spot.place_id]) <= radius
    ranks = {s.place_id: s.rank for s in first.spots}
    assert any(ranks[s.place_id] != s.rank for s in again.spots if s.place_id in kept)


def test_names_survive_another_dem(first, tmp_path):
    """The ranked places of 10 m elevations take the names of those within the search radius."""
    write_report(first, tmp_path, protocol=PROTOCOL, inputs=load_inputs(SAMPLE / "inputs.toml"))
    coarse = {"dem": {"file": "dem_10m.tif"}}
    again = run(before=tmp_path / "places.csv", over=coarse)
    names = {s.place_id: s for s in first.spots}
    for spot in again.spots:
        near = [s for s in first.spots if apart_m(spot.lon, spot.lat, KnownPlace(
            "", s.lon, s.lat, 0)) <= max(spot.search_radius_m, s.search_radius_m)]  # fmt: skip
        if spot.place_id not in names:
            # Only where another spot of this list has the name of every old place nearby.
            taken = {s.place_id for s in again.spots if s is not spot}
            assert {s.place_id for s in near} <= taken, spot
        else:
            assert spot.place_id in {s.place_id for s in near}
    assert any(spot.place_id in names for spot in again.spots)
    # A place that is not on this list keeps its name for the one after the next.
    write_report(again, tmp_path, protocol=PROTOCOL, inputs=load_inputs(SAMPLE / "inputs.toml"))
    with (tmp_path / "places.csv").open(encoding="utf-8", newline="") as file:
        held = {row["spot_id"] for row in csv.DictReader(file)}
    assert held == set(names) | {s.place_id for s in again.spots}


def test_the_nearest_pair_gets_the_name_and_no_name_comes_twice():
    known = [KnownPlace("P-AAAA", 0.0, 0.0, 20.0)]
    degree = 1 / 111_320
    spots = [(15 * degree, 0.0, 20.0), (5 * degree, 0.0, 20.0), (200 * degree, 0.0, 20.0)]
    names = [place.id for place in named_places(spots, known, parcel="P")]
    assert names[1] == "P-AAAA"
    assert len(set(names)) == 3
    # What was ruled out lends its name to nothing beside it, and nobody else gets it either.
    closed = named_places(spots, known, parcel="P", gone=["P-AAAA"])
    assert "P-AAAA" not in [place.id for place in closed]
    assert len({place.id for place in closed}) == 3
    east = named_places(
        [(-179.99999, 0.0, 20.0)], [KnownPlace("P-B", 179.99999, 0, 20)], parcel="P"
    )
    assert east[0].id == "P-B"


# --- ruled out, by reason -------------------------------------------------------------


def test_a_circle_is_closed_wider_than_the_next_offer(first, tmp_path):
    reasons = ["no tree", "view blocked", "wet", "unsafe", "other"]
    gone = first.spots[: len(reasons)]
    records = [record(s, "ruled out", reason=r) for s, r in zip(gone, reasons, strict=True)]
    again = run([saved(tmp_path / "a.json", records)])
    for closed in gone:
        assert NoGo.RULED_OUT in NoGo(int(again.no_go[closed.row, closed.col]))
        assert all(away_m(spot, closed) >= 39 for spot in again.spots), closed.rank
    assert again.spots[0].score <= gone[0].score


def test_people_take_the_trail_as_far_as_it_goes(first, tmp_path):
    trails = first.land.vectors["trails"]
    near = (s for s in first.spots if s.measures["distance_to_trail_m"] <= 10)
    gone = next(s for s in near if s.kind != "crossing")
    way = trails.geometry.iloc[int(trails.geometry.distance(
        shapely.Point(gone.easting, gone.northing)).to_numpy().argmin())]  # fmt: skip
    again = run([saved(tmp_path / "a.json", [record(gone, "ruled out", reason="people")])])
    for spot in again.spots:
        assert shapely.Point(spot.easting, spot.northing).distance(way) >= 29
    changed = again.land.vectors["trails"]
    assert changed["use"][changed.geometry == way].tolist() == ["busy"]
    assert (first.land.vectors["trails"]["use"][trails.geometry == way] != "busy").all()


def test_the_owner_takes_an_area(first, tmp_path):
    gone = first.spots[0]
    again = run([saved(tmp_path / "a.json", [record(gone, "ruled out", reason="owner")])])
    assert all(away_m(spot, gone) >= 99 for spot in again.spots)
    corners = gpd.GeoSeries([shapely.Point(gone.easting, gone.northing).buffer(150, quad_segs=2)],
                            crs=first.land.grid.crs).to_crs(4326)  # fmt: skip
    area = shapely.geometry.mapping(corners.iloc[0])
    drawn = record(gone, "ruled out", reason="owner", area=area)
    again = run([saved(tmp_path / "b.json", [drawn])])
    assert all(away_m(spot, gone) >= 135 for spot in again.spots)


@pytest.mark.parametrize("state", ["visited", "chosen", "proposed", "camera up"])
def test_only_a_place_ruled_out_is_closed(first, state, tmp_path):
    """Chosen is no "ruled out": the place stays where it is, and comes first."""
    spot = first.spots[2]
    more = {"lat": spot.lat, "lon": spot.lon} if state == "camera up" else {}
    again = run([saved(tmp_path / "a.json", [record(spot, state, **more)])])
    assert (again.no_go == first.no_go).all()
    if state == "visited":
        assert again.proposal is None
    else:
        assert (again.proposal.place_id, again.proposal.rank) == (spot.place_id, 3)
        assert again.proposal.state == state


def test_the_last_word_counts(first, tmp_path):
    spot = first.spots[0]
    records = [record(spot, "chosen", day=9), record(spot, "ruled out", day=3, reason="wet")]
    again = run([saved(tmp_path / "a.json", records)])
    assert (again.no_go == first.no_go).all()


# --- many files -----------------------------------------------------------------------


def test_a_file_of_another_parcel_is_refused(first, tmp_path):
    path = saved(tmp_path / "a.json", [record(first.spots[0], "chosen")], parcel="P99")
    with pytest.raises(SitingError, match=r"E-VISIT-02.*P99"):
        run([path])


def test_a_file_of_a_namesake_far_away_is_refused(first, tmp_path):
    far = record(first.spots[0], "chosen") | {"planned_lat": 44.9, "planned_lon": -80.5}
    with pytest.raises(SitingError, match=r"E-VISIT-02.* km from parcel P01"):
        run([saved(tmp_path / "a.json", [far])])


def test_a_folder_may_hold_files_of_other_parcels(first, tmp_path):
    saved(tmp_path / "a.json", [record(first.spots[0], "ruled out", reason="wet")])
    saved(tmp_path / "b.json", [record(first.spots[0], "chosen")], parcel="P99")
    again = run([tmp_path])
    assert any(note.code == "W-VISIT-02" and "P99" in note.text for note in again.notes)
    assert NoGo.RULED_OUT in NoGo(int(again.no_go[first.spots[0].row, first.spots[0].col]))
    assert [s.file for s in again.land.sources if s.role == "visited"] == ["a.json"]


def test_of_one_device_the_export_saved_last_counts(first, tmp_path):
    spot = first.spots[0]
    saved(tmp_path / "old.json", [record(spot, "ruled out", reason="wet")], device="d1",
          saved="2027-04-03T18:00:00-05:00")  # fmt: skip
    saved(tmp_path / "new.json", [record(spot, "chosen")], device="d1",
          saved="2027-04-03T23:30:00Z")  # fmt: skip
    saved(tmp_path / "zz.json", [record(first.spots[1], "visited")], device="d2",
          saved="2027-04-01T12:00:00Z")  # fmt: skip
    inputs = load_inputs(SAMPLE / "inputs.toml", {"survey": {"visited": [str(tmp_path)]}})
    assert [given.name for given in read_given(inputs)] == ["new.json", "zz.json"]


def test_a_table_is_read_like_json(first, tmp_path):
    spot = first.spots[0]
    rows = [
        record(spot, "camera up", lat=spot.lat, lon=spot.lon, cleared=["grass", "branches"],
               camera="=C1", note="-ok"),
        record(first.spots[1], "ruled out", reason="people", note="a, b\nc"),
    ]  # fmt: skip
    columns = sorted({name for row in rows for name in row} | {"parcel"})
    path = tmp_path / "a.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        for row in rows:
            cells = row | {"parcel": "P01"}
            cells = {n: " | ".join(v) if isinstance(v, list) else v for n, v in cells.items()}
            writer.writerow({n: f"'{v}" if str(v)[:1] in "=-" and n in ("camera", "note") else v
                             for n, v in cells.items()})  # fmt: skip
    whole = read_decisions(saved(tmp_path / "a.json", rows))
    assert [r.model_copy(update={"parcel": ""}) for r in read_decisions(path).records] == list(
        whole.records
    )


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("{", "E-FILE-02"),
        ("{}", "E-FILE-02"),
        ('{"format": "siting decisions 2", "records": []}', "E-FILE-02"),
        ('{"format": "siting decisions 1", "records": [1]}', "E-VISIT-01"),
        ('{"format": "siting decisions 1", "records": [{"state": "eaten"}]}', "E-VISIT-01"),
        ("a,b\n1,2\n", "E-FILE-02"),
        ("state,at,lat,lon\nchosen,soon,1,2\n", "E-VISIT-01.*record 1.*not a date"),
        ("state,at,lat,lon,radius_m\nchosen,2027-04-03,1,2,9999\n", "E-VISIT-01.*radius_m"),
        ('{"format": "siting decisions 1", "records": [], "x": 1' + "0" * 400 + "}", "E-VISIT-01"),
    ],
)
def test_a_faulty_file_is_told(text, code, tmp_path):
    path = tmp_path / "visited"
    path.write_text(text)
    with pytest.raises(SitingError, match=code):
        read_decisions(path)


# --- what the records come to ---------------------------------------------------------


def test_a_move_ends_one_deployment_and_begins_another():
    here = {"location": "P-AAAA", "planned_lat": 45.0, "planned_lon": -92.0, "radius_m": 15}
    records = [
        Record(state="camera up", at="2027-04-03T10:00:00-05:00", lat=45.00005, lon=-92.0, **here),
        Record(state="checked", at="2027-04-17T10:00:00-05:00", battery_percent=70, **here),
        Record(state="moved", at="2027-04-20T10:00:00-05:00", lat=45.001, lon=-92.0, **here),
        Record(state="checked", at="2027-05-04T10:00:00-05:00", **here),
        Record(state="taken down", at="2027-06-01T10:00:00-05:00", **here),
    ]
    one, two = deployments_of(reversed(records), parcel="P")
    assert (one.location, len(one.checks), one.end.state) == ("P-AAAA", 1, "moved")
    assert two.location not in ("", "P-AAAA")
    assert (len(two.checks), two.end.state) == (1, "taken down")
    assert last_states(records)["P-AAAA"].state == "taken down"


def test_a_batch_reads_a_folder_and_redoes_only_the_parcel_it_speaks_of(tmp_path):
    path = small_land(tmp_path / "land")
    out, returned = tmp_path / "out", tmp_path / "returned"
    returned.mkdir()
    words = {"survey": {"visited": [str(returned)]}}

    def batch(over):
        watcher = Quiet()
        outcome = run_batch(load_inputs(path, over), quick_protocol(), out,
                            options=Options(pages=0, workers=0), watcher=watcher)  # fmt: skip
        return outcome, watcher

    (returned / "none.json").write_text('{"format": "siting decisions 1", "records": []}')
    outcome, _ = batch(words)
    row = next(r for r in outcome.batch.rows if len(r["top"]) > 1)
    best = row["top"][0]
    saved(returned / "one.json", [{
        "state": "ruled out", "reason": "no tree", "at": "2027-04-03",
        "location": best["place_id"], "planned_lat": best["lat_deg"],
        "planned_lon": best["lon_deg"], "radius_m": 15,
    }], parcel=row["parcel_id"])  # fmt: skip
    again, watcher = batch(words)
    assert watcher.count == 1
    new = next(r for r in again.batch.rows if r["parcel_id"] == row["parcel_id"])
    assert best["place_id"] not in [spot["place_id"] for spot in new["top"]]
    kept = {s["place_id"] for s in row["top"]} & {s["place_id"] for s in new["top"]}
    assert kept
    saved(returned / "one.json", [], parcel=row["parcel_id"])
    third, watcher = batch(words)
    assert watcher.count == 1
    assert [s["place_id"] for r in third.batch.rows for s in r["top"]] == [
        s["place_id"] for r in outcome.batch.rows for s in r["top"]
    ]


def test_several_files_to_one_layer(first, tmp_path):
    """A pond from a second file counts like one from the first."""
    spot = first.spots[0]
    pond = shapely.Point(spot.easting, spot.northing).buffer(12)
    gpd.GeoDataFrame(geometry=[pond], crs=first.land.grid.crs).to_file(tmp_path / "pond.gpkg")
    both = [f"{SAMPLE / 'layers.gpkg'}::water", str(tmp_path / "pond.gpkg")]
    again = run(over={"layers": {"water": both}})
    assert len(again.land.vectors["water"]) == len(first.land.vectors["water"]) + 1
    assert NoGo.WATER in NoGo(int(again.no_go[spot.row, spot.col]))
