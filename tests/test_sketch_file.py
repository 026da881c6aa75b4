"""Sketch files of volunteers: read as layers, refused with a code, the same land in and out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely
from click.testing import CliRunner

from siting.cli.main import siting
from siting.errors import SitingError
from siting.read.sketch.sketches import outline_overrides, with_sketches
from siting.read.vector.sketch_file import is_sketch, read_sketch, sketch_frame
from siting.settings.load import load_inputs

SAMPLE = Path(__file__).parents[1] / "sample_rasters"
LAND = [[-80.51, 43.53], [-80.50, 43.53], [-80.50, 43.535], [-80.51, 43.535], [-80.51, 43.53]]


def feature(layer: str, kind: str, coordinates: Any, **more: str) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": {"layer": layer, **more},
    }


def sketch(*features: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "type": "FeatureCollection",
        "format": "siting sketch 1",
        "for": "P77",
        "answers": {},
        "features": [feature("parcel", "Polygon", [LAND]), *features],
        **more,
    }


def write(tmp_path: Path, content: Any) -> str:
    path = tmp_path / "sketch.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    return str(path)


def test_layers_are_what_was_drawn_or_denied(tmp_path):
    trail = feature("trails", "LineString", [[-80.505, 43.531], [-80.504, 43.534]], use="busy")
    path = write(tmp_path, sketch(trail, answers={"feeders": "none", "livestock": "unknown"}))
    assert is_sketch(path)
    found = read_sketch(path)
    assert found.layers() == ("parcel", "feeders", "trails")
    frame = sketch_frame(found, "trails", file="sketch.json")
    assert frame["use"].tolist() == ["busy"]
    assert len(sketch_frame(found, "feeders", file="sketch.json")) == 0


def test_several_areas_of_the_outline_are_one_parcel(tmp_path):
    far = [[x + 0.02, y] for x, y in LAND]
    path = write(tmp_path, sketch(feature("parcel", "Polygon", [far])))
    frame = sketch_frame(read_sketch(path), "parcel", file="sketch.json")
    assert frame["id"].tolist() == ["P77"]
    assert frame.geometry.iloc[0].geom_type == "MultiPolygon"


BAD = {
    "not JSON": ("E-SKETCH-01", '{"format": "siting sketch 1", '),
    "not a sketch": ("E-SKETCH-01", {"type": "FeatureCollection", "features": []}),
    "newer": ("E-SKETCH-02", sketch(format="siting sketch 2")),
    "unknown layer": ("E-SKETCH-01", sketch(feature("moats", "Point", [-80.5, 43.53]))),
    "wrong shape": ("E-SKETCH-01", sketch(feature("feeders", "Polygon", [LAND]))),
    "three numbers": ("E-SKETCH-01", sketch(feature("feeders", "Point", [-80.5, 43.5, 12.0]))),
    "outside the globe": ("E-SKETCH-01", sketch(feature("feeders", "Point", [-280.5, 43.5]))),
    "words for numbers": ("E-SKETCH-01", sketch(feature("feeders", "Point", ["a", "b"]))),
    "open ring of two": ("E-SKETCH-01", sketch(feature("no_go", "Polygon", [LAND[:2]]))),
    "a long name": (
        "E-SKETCH-01",
        sketch(feature("feeders", "Point", [-80.5, 43.5], name="n" * 201)),
    ),
    "too many": ("E-SKETCH-03", sketch(*[feature("feeders", "Point", [-80.5, 43.5])] * 501)),
    "too deep": ("E-SKETCH-01", '{"format": "siting sketch 1", "features": ' + "[" * 90_000),
}


@pytest.mark.parametrize("name", BAD)
def test_a_faulty_sketch_is_refused_with_its_code(name, tmp_path):
    code, content = BAD[name]
    with pytest.raises(SitingError) as raised:
        path = write(tmp_path, content)
        found = read_sketch(path)
        for layer in found.layers():
            sketch_frame(found, layer, file="sketch.json")
    assert raised.value.code == code


def test_a_sketch_gives_outline_and_layers_to_the_inputs(tmp_path):
    feeder = feature("feeders", "Point", [-80.505, 43.532])
    path = write(tmp_path, sketch(feeder, answers={"livestock": "none"}))
    inputs = load_inputs(SAMPLE / "inputs.toml", outline_overrides(path))
    both = with_sketches(inputs, [path])
    assert both.parcel.file == f"{path}::parcel"
    assert [Path(layer.file).name for layer in both.layers.feeders] == [
        "layers.gpkg",
        "sketch.json",
    ]
    assert both.layers.trails == inputs.layers.trails
    assert len(both.layers.livestock) == len(inputs.layers.livestock) + 1


def test_check_and_score_take_what_the_sample_farm_would_have_drawn(tmp_path):
    """The farm's own outline and layers through a sketch: within a centimetre of the original."""
    shapes = []
    for layer in ("parcel", "feeders", "livestock", "way_in"):
        frame = gpd.read_file(SAMPLE / "layers.gpkg", layer=layer).to_crs("EPSG:4326")
        shapes += [
            {
                "type": "Feature",
                "geometry": shapely.geometry.mapping(shape),
                "properties": {"layer": layer},
            }
            for shape in frame.geometry
        ]
    path = write(tmp_path, {**sketch(), "features": shapes, "answers": {"no_go": "none"}})
    line = [
        "check",
        *("--dem", str(SAMPLE / "dem.tif"), "--legend", "nlcd"),
        *("--land-cover", str(SAMPLE / "land_cover.tif"), "--sketch", path),
    ]
    outcome = CliRunner().invoke(siting, line)
    assert outcome.exit_code == 0, outcome.output
    assert "nothing of this kind: no_go" in outcome.output
    frame = sketch_frame(read_sketch(path), "parcel", file="sketch.json").to_crs("EPSG:32617")
    drawn = gpd.read_file(SAMPLE / "layers.gpkg", layer="parcel").geometry.iloc[0]
    assert shapely.hausdorff_distance(frame.geometry.iloc[0], drawn) < 0.02


def test_a_page_is_written_and_shows_no_other_parcel(tmp_path):
    target = tmp_path / "page.html"
    line = ["sketch", str(SAMPLE / "inputs.toml"), "--point=-80.505,43.532", "--radius", "400"]
    outcome = CliRunner().invoke(siting, [*line, "--for", "P77", "-o", str(target)])
    assert outcome.exit_code == 0, outcome.output
    text = target.read_text(encoding="utf-8")
    assert len(text) < 1_500_000
    island = json.loads(text.split('id="siting-data">')[1].split("</script>")[0])
    assert {row["layer"] for row in island["known"]} <= {"water", "roads", "trails", "buildings"}
    assert "P12" not in text.split('id="siting-data">')[1]
    again = tmp_path / "again.html"
    CliRunner().invoke(siting, [*line, "--for", "P77", "-o", str(again)])
    assert again.read_bytes() == target.read_bytes()


def test_a_page_without_any_map_has_squares(tmp_path):
    target = tmp_path / "page.html"
    outcome = CliRunner().invoke(siting, ["sketch", "--point", "25.5,-33.9", "-o", str(target)])
    assert outcome.exit_code == 0, outcome.output
    island = json.loads(target.read_text().split('id="siting-data">')[1].split("</script>")[0])
    assert len(island["grid"]) >= 10
    assert island["corners"] is None
