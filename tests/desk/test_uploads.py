"""Files dropped onto the desk: the usual ones are read, hostile ones end with a code."""

from __future__ import annotations

import json
import stat
import zipfile
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from siting.desk.uploads import shapes_in, table_rows
from siting.errors import SitingError

LAND = shapely.Polygon([(-80.51, 43.53), (-80.50, 43.53), (-80.50, 43.54), (-80.51, 43.54)])
HOLED = shapely.Polygon(LAND.exterior, [shapely.box(-80.507, 43.533, -80.505, 43.535).exterior])


def frame(*shapes) -> gpd.GeoDataFrame:
    names = [f"land {k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({"name": names}, geometry=list(shapes), crs="EPSG:4326")


def saved(folder: Path, ending: str, data: gpd.GeoDataFrame) -> Path:
    path = folder / f"made{ending}"
    data.to_file(path, driver={".kml": "KML"}.get(ending))
    return path


def zipped(folder: Path, paths: list[Path]) -> Path:
    target = folder / "made.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in paths:
            archive.write(path, path.name)
    return target


@pytest.mark.parametrize("ending", [".geojson", ".kml", ".gpkg"])
def test_usual_formats_give_the_land(tmp_path, ending):
    dropped = tmp_path / "dropped"
    dropped.write_bytes(saved(tmp_path, ending, frame(LAND)).read_bytes())
    (shape,) = shapes_in(dropped, f"farm{ending}")["shapes"]
    assert shape["layer"] == "parcel"
    assert shape["label"] == "land 0"
    assert shapely.Polygon(shape["corners"]).equals_exact(LAND, 1e-6, normalize=True)


def test_a_zipped_shapefile_in_metres(tmp_path):
    path = saved(tmp_path, ".shp", frame(LAND).to_crs("EPSG:32617"))
    parts = [path.with_suffix(s) for s in (".shp", ".shx", ".dbf", ".prj", ".cpg")]
    (shape,) = shapes_in(zipped(tmp_path, parts), "farm.zip")["shapes"]
    assert shapely.Polygon(shape["corners"]).equals_exact(LAND, 1e-6, normalize=True)


def test_a_hole_comes_as_a_place_to_leave_alone(tmp_path):
    shapes = shapes_in(saved(tmp_path, ".geojson", frame(HOLED)), "farm.geojson")["shapes"]
    assert [shape["layer"] for shape in shapes] == ["parcel", "no_go"]
    assert shapes[1]["reason"] == "not part of the land"


def test_a_walked_track_that_closes_is_an_outline(tmp_path):
    points = "".join(f'<trkpt lon="{x}" lat="{y}"/>' for x, y in LAND.exterior.coords)
    path = tmp_path / "walk.gpx"
    path.write_text(
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
        f"<trk><trkseg>{points}</trkseg></trk></gpx>"
    )
    (shape,) = shapes_in(path, "walk.gpx")["shapes"]
    assert shape["kind"] == "area"


def bomb(folder: Path) -> Path:
    path = folder / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.shp", b"\0" * 60_000_000)
    return path


def climbing(folder: Path) -> Path:
    path = folder / "climb.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../../outside.shp", b"x")
    return path


def linked(folder: Path) -> Path:
    path = folder / "link.zip"
    with zipfile.ZipFile(path, "w") as archive:
        entry = zipfile.ZipInfo("a.shp")
        entry.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(entry, "/etc/passwd")
    return path


def crowded(folder: Path) -> Path:
    path = folder / "many.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for k in range(5000):
            archive.writestr(f"{k}.txt", b"")
    return path


def written(name: str, text: str):
    def make(folder: Path) -> Path:
        path = folder / name
        path.write_text(text)
        return path

    return make


VRT = (
    "<!-- <kml> --><OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>{0}</SrcDataSource>"
    "</OGRVRTLayer></OGRVRTDataSource>"
)
ENTITIES = (
    '<!DOCTYPE g [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    "<gpx><trk><trkseg><name>&b;</name></trkseg></trk></gpx>"
)
OUTSIDE = (
    '<!DOCTYPE g [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx><trk><trkseg><trkpt lon="1" '
    'lat="1"/><trkpt lon="2" lat="&x;"/></trkseg></trk></gpx>'
)
HOSTILE = {
    "bomb": (bomb, "E-DESK-03"),
    "climbing name": (climbing, "E-DESK-02"),
    "link": (linked, "E-DESK-02"),
    "crowded": (crowded, "E-DESK-03"),
    "a VRT called KML": (written("a.kml", VRT), "E-DESK-02"),
    "entity bomb": (written("a.gpx", ENTITIES), "E-DESK-02"),
    "entity of a file": (written("b.gpx", OUTSIDE), "E-DESK-02"),
    "a picture": (written("a.png", "\x89PNG"), "E-DESK-02"),
    "half a GeoJSON": (written("a.json", '{"type": "FeatureCollection", "fea'), "E-DESK-02"),
    "no shapes": (written("b.json", '{"type": "FeatureCollection", "features": []}'), "E-DESK-02"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_end_with_a_code_and_leave_nothing(name, tmp_path, monkeypatch):
    make, code = HOSTILE[name]
    path = make(tmp_path)
    before = sorted(tmp_path.iterdir())
    monkeypatch.setenv("OGR_SKIP", "OGR_VRT")
    with pytest.raises(SitingError) as raised:
        shapes_in(path, path.name)
    assert raised.value.code == code
    assert sorted(tmp_path.iterdir()) == before
    assert not (tmp_path.parent.parent / "outside.shp").exists()


def test_a_sketch_is_known_by_what_it_says(tmp_path):
    content = {
        "type": "FeatureCollection",
        "format": "siting sketch 1",
        "for": "P1",
        "answers": {"feeders": "none", "trails": "marked"},
        "features": [
            {
                "type": "Feature",
                "geometry": shapely.geometry.mapping(LAND),
                "properties": {"layer": "parcel"},
            }
        ],
    }
    path = tmp_path / "dropped"
    path.write_text(json.dumps(content))
    found = shapes_in(path, "sketch.json")
    assert found["kind"] == "sketch"
    assert found["made_for"] == "P1"
    assert found["answers"] == {"feeders": "none"}
    assert found["shapes"][0]["via"] == "sketch"


def test_tables_of_several_kinds():
    for mark in "\t;,":
        text = mark.join(["Label", "cell"]) + "\n" + mark.join(["Brook", "A1"]) + "\n"
        assert table_rows(text) == [{"label": "Brook", "cell": "A1"}]
