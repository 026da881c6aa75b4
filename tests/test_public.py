"""What is passed on tells no exact place and not whose land it is."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from siting.report import write_report
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from tests.sample_run import sample_result

SAMPLE = Path(__file__).parents[1] / "sample_rasters"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    inputs = load_inputs(SAMPLE / "inputs.toml")
    result = sample_result()
    folder = tmp_path_factory.mktemp("public")
    write_report(result, folder, protocol=Protocol(), inputs=inputs, public=True)
    return inputs, result, folder


def test_only_these_files_and_none_with_a_map(run):
    _, _, folder = run
    assert sorted(p.name for p in folder.iterdir()) == [
        "datapackage.json", "deployments.csv", "run.json", "spots.csv", "spots.geojson",
    ]  # fmt: skip


def test_no_exact_place_no_name_no_parcel_in_any_file(run):
    _, result, folder = run
    words = [result.land.parcel.id, result.land.parcel.label, "layers.gpkg", "dem.tif"]
    words += [s.name for s in result.spots if s.name]
    for frame in result.land.vectors.values():
        words += [name for name in frame["name"] if name]
    for spot in result.spots:
        words += [f"{spot.lon:.4f}", f"{spot.lat:.4f}", str(round(spot.easting)),
                  str(round(spot.northing))]  # fmt: skip
    for path in folder.iterdir():
        text = path.read_text(encoding="utf-8")
        found = [w for w in words if w in text]
        # A two-letter parcel id may stand inside a hash; it must not stand as a word.
        found = [w for w in found if w != result.land.parcel.id or f'"{w}' in text]
        assert found == [], path.name


def _written(metres: float, degrees: bool) -> set[str]:
    """The ways that a coordinate may be written, from coarse to fine."""
    digits = (3, 4, 5, 6) if degrees else (0, 1)
    return {f"{metres:.{n}f}" for n in digits}


def test_no_corner_of_parcel_or_layers_in_any_file(run):
    """Not a coordinate of outline, layers or grid, in degrees or metres, to a hundred metres."""
    _, result, folder = run
    frames = [gpd.GeoSeries([result.land.parcel_shape], crs=result.land.grid.crs)]
    frames += [frame.geometry for frame in result.land.vectors.values()]
    told: set[str] = set()
    for shapes in frames:
        for here, degrees in ((shapes, False), (shapes.to_crs(4326), True)):
            for value in shapely.get_coordinates(here.to_numpy()).ravel():
                told |= _written(float(value), degrees)
    for value in result.land.grid.bounds:
        told |= _written(float(value), False)
    # A place rounded to two digits may be written with noughts after them.
    shown = [w for spot in result.spots for w in (f"{spot.lon:.2f}", f"{spot.lat:.2f}")]
    told -= {word + "0" * n for word in shown for n in range(1, 5)}
    assert len(told) > 200
    for path in folder.iterdir():
        found = set(re.findall(r"-?\d+\.\d+|\d{6,}", path.read_text(encoding="utf-8"))) & told
        assert found == set(), path.name


def test_uncertainty_covers_rounding_and_parcel(run):
    from siting.grid import transformer

    _, result, folder = run
    with (folder / "spots.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(result.spots)
    to_metres = transformer("EPSG:4326", result.land.grid.crs)
    for row in rows:
        lon, lat = float(row["lon_deg"]), float(row["lat_deg"])
        assert lon == round(lon, 2)
        assert lat == round(lat, 2)
        place = shapely.Point(to_metres.transform(lon, lat)).buffer(float(row["search_radius_m"]))
        assert place.contains(result.land.parcel_shape)
    # One place for all: several would tell on which side of the parcel each spot lies.
    assert len({(row["lon_deg"], row["lat_deg"], row["search_radius_m"]) for row in rows}) == 1
    points = json.loads((folder / "spots.geojson").read_text(encoding="utf-8"))["features"]
    assert [f["properties"]["rank"] for f in points] == [s.rank for s in result.spots]
