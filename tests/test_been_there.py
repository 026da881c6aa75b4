"""Places that a volunteer ruled out do not come back; several files to one layer."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from siting.errors import SitingError
from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.read.vector.visit_file import Visit, read_visits
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.types import NoGo

HEAD = '{"format": "siting visited 1", "spots": '
SAMPLE = Path(__file__).parents[1] / "sample_rasters"


def run(overrides=None):
    inputs = load_inputs(SAMPLE / "inputs.toml", overrides)
    return site_parcel(inputs, Protocol(), read_parcel(inputs))


@pytest.fixture(scope="module")
def first():
    return run()


def saved(spots, **changes):
    rows = [
        {"spot": s.rank, "lat": s.lat, "lon": s.lon, "radius_m": 25, "state": "ruled out",
         "reason": "bees", "note": ""} | changes
        for s in spots
    ]  # fmt: skip
    return {"format": "siting visited 1", "parcel": "P01", "page": "x", "spots": rows}


def test_a_ruled_out_spot_does_not_come_back(first, tmp_path):
    path = tmp_path / "visited.json"
    path.write_text(json.dumps(saved(first.spots[:2])))
    again = run({"survey": {"visited": str(path)}})
    for gone in first.spots[:2]:
        assert NoGo.RULED_OUT in NoGo(int(again.no_go[gone.row, gone.col]))
        for spot in again.spots:
            away = math.hypot(spot.easting - gone.easting, spot.northing - gone.northing)
            assert away > 24
    assert any("2 on this land are ruled out" in note.text for note in again.notes)
    assert "visited" in [source.role for source in again.land.sources]


def test_a_place_only_visited_stays(first, tmp_path):
    path = tmp_path / "visited.json"
    path.write_text(json.dumps(saved(first.spots[:1], state="visited")))
    again = run({"survey": {"visited": str(path)}})
    assert (again.no_go == first.no_go).all()


def test_csv_is_read_like_json(first, tmp_path):
    rows = saved(first.spots)["spots"]
    path = tmp_path / "visited.csv"
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    (tmp_path / "visited.json").write_text(json.dumps(saved(first.spots)))
    assert read_visits(path) == read_visits(tmp_path / "visited.json")
    assert read_visits(path)[0] == Visit(
        first.spots[0].lon, first.spots[0].lat, 25.0, "ruled out", "bees"
    )


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("{", "E-FILE-02"),
        ("{}", "E-FILE-02"),
        (HEAD + "[1]}", "E-VISIT-01"),
        (HEAD + '[{"lat": 95, "lon": 0, "state": ""}]}', "E-VISIT-01"),
        (HEAD + '[{"lat": 5, "lon": 0, "state": "eaten"}]}', "E-VISIT-01"),
        ("a,b\n1,2\n", "E-FILE-02"),
        ("lat,lon,state,radius_m\n1,2,ruled out,9999\n", "E-VISIT-01"),
    ],
)  # fmt: skip
def test_a_faulty_file_is_told(text, code, tmp_path):
    path = tmp_path / "visited"
    path.write_text(text)
    with pytest.raises(SitingError, match=code):
        read_visits(path)


def test_several_files_to_one_layer(first, tmp_path):
    """A pond from a second file counts like one from the first."""
    spot = first.spots[0]
    pond = shapely.Point(spot.easting, spot.northing).buffer(12)
    gpd.GeoDataFrame(geometry=[pond], crs=first.land.grid.crs).to_file(tmp_path / "pond.gpkg")
    both = [f"{SAMPLE / 'layers.gpkg'}::water", str(tmp_path / "pond.gpkg")]
    again = run({"layers": {"water": both}})
    assert len(again.land.vectors["water"]) == len(first.land.vectors["water"]) + 1
    assert NoGo.WATER in NoGo(int(again.no_go[spot.row, spot.col]))
    assert [s.role for s in again.land.sources].count("layers.water") == 2
