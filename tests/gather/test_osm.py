"""An OpenStreetMap extract becomes layers: the counts of docs/gather.md, in seconds, whole or not.

The extract is a real one beside the repository; without it these tests skip. Outlines are invented.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from rasterio.transform import from_origin

from siting.cli.main import siting
from siting.errors import SitingError
from siting.gather.vector import mapping, osm, pbf, tags
from tests.batch_tools import few_trials
from tests.real_places import DATA

EXTRACT = DATA / "osm-extract" / "andorra.osm.pbf"
pytestmark = pytest.mark.skipif(not EXTRACT.exists(), reason=f"no real data at {DATA}")
NOW = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
PLACE = (1.58, 42.54, 1.60, 42.555)


@pytest.fixture(scope="module")
def extract():
    return osm.read(EXTRACT, [], now=NOW)


def counts(frame, column="kind"):
    return frame[column].value_counts().to_dict()


def test_roads_are_counted_as_the_table_has_them(extract):
    roads = extract.layers.frames["roads"]
    assert counts(roads, "class") == {"major": 948, "minor": 2144, "track": 694}
    assert extract.layers.counts["roads in tunnels, dropped"] == 68


def test_trails_are_counted_as_the_table_has_them(extract):
    trails = extract.layers.frames["trails"]
    kind = counts(trails)
    squares = trails.geom_type.isin(["LinearRing"]).sum() + 197  # pedestrian squares, as rings
    on_foot = sum(kind[k] for k in ("footway", "pedestrian", "steps", "cycleway"))
    assert on_foot - squares == 633
    assert kind["path, for walkers or riders"] == 26
    assert kind["path, marked"] == 310  # the table: 311, one of them in a tunnel
    assert kind["path, faint"] == 67
    # The table has 8 and 1,099: one path stands in the other row by the order of the rules. Paths
    # on marked routes are a row of their own here, which the table did not count.
    assert kind["path, closed or steep"] == 7
    assert (kind["path, use not known"], kind["path, on a marked route"]) == (969, 131)
    assert set(trails["use"]) == {"busy", "quiet", "unknown"}


def test_waters_crossings_buildings_and_the_rest_are_counted_as_the_table_has_them(extract):
    frames = extract.layers.frames
    water = frames["water"]
    shape = water.geom_type
    assert int(shape.isin(["LineString", "MultiLineString"]).sum()) == 561
    assert int((shape == "Point").sum()) == 40
    assert int(shape.isin(["Polygon", "MultiPolygon"]).sum()) == 258  # the table: 259
    # The table has 97 of all lines, those in tunnels among them, which are dropped here.
    assert int(water["kind"].str.endswith("dry at times").sum()) == 87
    assert extract.layers.counts["waterways in tunnels, dropped"] == 135
    kinds = counts(frames["crossings"])
    assert kinds["ford"] == 136
    assert kinds["bridge"] == 108
    assert len(frames["crossings"]) - 136 - 108 == 65
    shelters = {"camp site", "alpine hut", "wilderness hut", "shelter"}
    built = frames["buildings"]
    assert int((~built["kind"].isin(shelters)).sum()) == 5769
    assert (len(frames["livestock"]), len(frames["no_go"]), len(frames["fences"])) == (20, 1, 369)
    assert len(frames["feeders"]) == 0
    assert extract.layers.strange == {}


def test_the_head_tells_box_date_and_origin():
    head = pbf.header(EXTRACT)
    assert head.box == pytest.approx((1.412368, 42.4276, 1.787481, 42.65717))
    assert head.date == dt.datetime(2023, 5, 2, 20, 16, 4, tzinfo=dt.UTC)
    assert "andorra" in head.origin


def test_no_trail_of_a_map_is_ever_a_game_trail(extract):
    assert "game" not in set(extract.layers.frames["trails"]["use"])


def test_a_path_without_tags_of_use_stays_not_known_and_is_told(extract):
    told = next(note for note in extract.notes if note.code == "A-USE-01")
    assert "do not say who uses them" in told.text
    assert "969 of 2,340" in told.text


def run(*words: object) -> str:
    done = CliRunner().invoke(siting, [str(w) for w in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("country") / "andorra"
    run("gather", "--osm", EXTRACT, "-o", folder)
    return folder


def test_extract_to_layers_takes_little_memory(tmp_path):
    """Under 600 MB, the program and its libraries within; its seconds: tests/speed/bench_gather.py.

    The peak is VmHWM of the kernel: `ru_maxrss` would count the tests' own process, too, because
    Linux carries it over from the process that started this one.
    """
    words = ["gather", "--osm", str(EXTRACT), "-o", str(tmp_path / "out")]
    code = (
        "import sys; from pathlib import Path; from siting.cli.main import siting; "
        f"siting.main({words!r}, standalone_mode=False); "
        "sys.stderr.write(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    assert int(done.stderr.split()[-1]) / 1e3 < 600


def test_the_same_extract_gives_the_same_bytes(country, tmp_path):
    run("gather", "--osm", EXTRACT, "-o", tmp_path / "again")
    assert (tmp_path / "again" / "layers.gpkg").read_bytes() == (
        country / "layers.gpkg"
    ).read_bytes()


def test_a_window_of_the_converted_folder_is_that_of_the_extract(country):
    from siting.gather.vector import layers

    near = layers.window(country, [PLACE])
    direct = osm.read(EXTRACT, [PLACE], now=NOW).layers.frames
    for name in ("roads", "trails", "water", "buildings", "crossings"):
        box = shapely.box(*PLACE)
        ours = near[name][near[name].intersects(box)]
        theirs = direct[name][direct[name].intersects(box)]
        assert len(ours) == len(theirs) > 0, name
        assert sorted(ours["kind"]) == sorted(theirs["kind"]), name


def invented_dem(path: Path, cell_deg: float = 0.0005) -> Path:
    """A DEM of our own making over the whole extract: hills of about a kilometre."""
    west, south, east, north = 1.40, 42.42, 1.80, 42.67
    rows, cols = round((north - south) / cell_deg), round((east - west) / cell_deg)
    y, x = np.mgrid[0:rows, 0:cols]
    height = 1500 + 150 * np.sin(x / 19.0) * np.cos(y / 23.0) + 40 * np.sin((x + y) / 7.0)
    return written(path, height.astype("float32"), west, north, cell_deg, "m")


def invented_cover(path: Path, cell_deg: float = 0.0005) -> Path:
    west, south, east, north = 1.40, 42.42, 1.80, 42.67
    rows, cols = round((north - south) / cell_deg), round((east - west) / cell_deg)
    y, x = np.mgrid[0:rows, 0:cols]
    codes = np.where(np.sin(x / 9.0) + np.sin(y / 11.0) > 0, 10, 30).astype("uint8")
    return written(path, codes, west, north, cell_deg, "")


def written(path: Path, values, west: float, north: float, cell: float, unit: str) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1,
        dtype=values.dtype, crs="EPSG:4326", transform=from_origin(west, north, cell, cell),
    ) as file:  # fmt: skip
        file.write(values, 1)
        if unit:
            file.set_band_unit(1, unit)
    return path


def outlines(path: Path, count: int) -> Path:
    """Invented parcels on a lattice over the valleys."""
    side = int(np.ceil(np.sqrt(count)))
    west, south, width, height = 1.46, 42.46, 0.27, 0.15
    shapes = []
    for number in range(count):
        x = west + width * (number % side) / side
        y = south + height * (number // side) / side
        shapes.append(shapely.box(x, y, x + 0.006, y + 0.004))
    frame = gpd.GeoDataFrame({"id": [f"p{n:03d}" for n in range(count)]}, geometry=shapes, crs=4326)
    frame.to_file(path, driver="GPKG", layer="parcel")
    return path


@pytest.mark.slow
def test_outlines_over_the_extract_are_gathered_and_scored_in_one_batch(country, tmp_path):
    count = int(os.environ.get("SITING_OUTLINES", "6"))  # 200 take some minutes
    region = tmp_path / "region"
    run(
        "gather", "--parcel", outlines(tmp_path / "parcels.gpkg", count), "--osm", country,
        "--dem", invented_dem(tmp_path / "dem.tif"), "--surface", "no",
        "--land-cover", invented_cover(tmp_path / "cover.tif"), "--legend", "worldcover",
        "--margin", 800, "-o", region,
    )  # fmt: skip
    inputs = (region / "inputs.toml").read_text(encoding="utf-8")
    assert "feeders" not in inputs  # an empty one says nothing
    told = run(
        "batch", region / "inputs.toml", "-o", tmp_path / "office", "--pages", "none",
        "--workers", 0, "--protocol", few_trials(tmp_path),
    )  # fmt: skip
    assert f"{count} parcels scored" in told


def test_an_extract_that_does_not_reach_over_the_land_is_refused():
    with pytest.raises(SitingError, match=r"E-OSM-02: .*reaches from 1.412"):
        osm.read(EXTRACT, [(1.78, 42.5, 1.80, 42.6)], now=NOW)


def test_an_old_extract_is_told():
    later = dt.datetime(2026, 11, 26, tzinfo=dt.UTC)
    notes = osm.read(EXTRACT, [PLACE], now=later).notes
    assert [n.code for n in notes if n.level == "warning"] == ["W-AGE-01"]


@pytest.mark.parametrize("share", [0.3, 0.6, 0.97])
def test_half_an_extract_writes_nothing(share, tmp_path):
    data = EXTRACT.read_bytes()
    part = tmp_path / "half.osm.pbf"
    part.write_bytes(data[: int(share * len(data))])
    with pytest.raises(SitingError, match="E-FILE-02"):
        run("gather", "--osm", part, "-o", tmp_path / "out")
    assert [p.name for p in (tmp_path / "out").glob("*")] in ([], [".lock"])


@pytest.mark.parametrize(
    "data",
    [b"<html>please log in</html>", b"", b"BZh91AY&SY", b"\0\0\0\xff" * 40, b"\xff" * 5000],
    ids=["web page", "empty", "bz2", "noise", "ones"],
)
def test_what_is_no_extract_is_told(data, tmp_path):
    path = tmp_path / "x.osm.pbf"
    path.write_bytes(data)
    with pytest.raises(SitingError, match=r"E-FILE-02: .*not a complete OpenStreetMap extract"):
        osm.read(path, [], now=NOW)


def test_a_blob_that_unfolds_without_end_is_cut(tmp_path):
    import struct
    import zlib

    bomb = zlib.compress(b"\0" * 200_000_000, 9)
    blob = b"\x1a" + _varint(len(bomb)) + bomb
    head = b"\x0a\x09OSMHeader\x18" + _varint(len(blob))
    path = tmp_path / "bomb.osm.pbf"
    path.write_bytes(struct.pack(">I", len(head)) + head + blob)
    with pytest.raises(SitingError, match="E-FILE-02"):
        pbf.header(path)


def _varint(value: int) -> bytes:
    out = b""
    while value > 0x7F:
        out += bytes([value & 0x7F | 0x80])
        value >>= 7
    return out + bytes([value])


def test_land_cover_of_areas_with_wide_gaps_is_refused(country, tmp_path):
    with pytest.raises(SitingError, match=r"E-COVER-02: .*unknown"):
        run(
            "gather", "--point", "1.72,42.62", "--radius", 300, "--osm", country,
            "--dem", invented_dem(tmp_path / "dem.tif"), "--land-cover", "osm",
            "-o", tmp_path / "out",
        )  # fmt: skip


def table(**columns):
    count = len(next(iter(columns.values())))
    shapes = [shapely.LineString([(0, i), (1, i)]) for i in range(count)]
    columns.setdefault("name", [None] * count)
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=4326)


def ways(**columns):
    empty = gpd.GeoDataFrame({"name": []}, geometry=[], crs=4326)
    return tags.layers_of(empty, table(**columns), empty)


def test_case_lists_and_unknown_ways_are_read_with_care():
    made = ways(highway=["Residential", "track;path", "moving_walkway", "proposed"])
    assert list(made.frames["roads"]["class"]) == ["minor", "track"]
    assert made.strange == {"moving_walkway": 1}


def test_sidewalks_are_no_trails():
    made = ways(highway=["footway", "footway"], footway=["sidewalk", None])
    assert len(made.frames["trails"]) == 1


def test_a_path_is_busy_only_where_a_tag_says_so():
    made = ways(
        highway=["path"] * 5,
        foot=[None, "designated", None, None, "no"],
        trail_visibility=[None, None, "good", "horrible", None],
    )
    assert sorted(made.frames["trails"]["use"]) == ["busy", "busy", "quiet", "quiet", "unknown"]


def own_file(folder: Path) -> Path:
    frame = gpd.GeoDataFrame(
        {"FCODE": [4101.0, 4102.0, 4999.0, np.nan], "ROAD": ["A", "B", "C", "D"]},
        geometry=[
            shapely.LineString([(1.59, 42.545 + i / 1e3), (1.592, 42.545)]) for i in range(4)
        ],
        crs=4326,
    )
    frame.to_file(folder / "roads.gpkg", driver="GPKG", layer="road_link")
    return folder / "roads.gpkg"


MAPPING = """
title = "County roads"
licence = "CC0"
attribution = "Example county"
[layers.roads]
file = "roads.gpkg::road_link"
column = "FCODE"
values = {{ "4101" = "major", "4102" = "minor" }}
{more}
name = "ROAD"
"""


def test_a_mapping_says_what_values_mean_and_what_is_left_out(tmp_path):
    own_file(tmp_path)
    path = tmp_path / "map.toml"
    path.write_text(MAPPING.format(more='drop = ["4999"]\nempty = "minor"'), encoding="utf-8")
    frames, notes = mapping.read(mapping.load_mapping(path), tmp_path, [PLACE])
    roads = frames["roads"]
    assert list(zip(roads["name"], roads["class"], strict=True)) == [
        ("A", "major"), ("B", "minor"), ("D", "minor"),
    ]  # fmt: skip
    assert [note.code for note in notes] == ["A-DROP-01"]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ("", "'', '4999'"),
        ('drop = ["4999"]', "''"),
        ('drop = ["4999"]\nempty = "huge"', "'huge'"),
        ('drop = ["4999"]\nempty = "drop"\nkind = "WHAT"', "no column 'WHAT'"),
    ],
)
def test_a_value_without_a_meaning_is_an_error(more, told, tmp_path):
    own_file(tmp_path)
    path = tmp_path / "map.toml"
    path.write_text(MAPPING.format(more=more), encoding="utf-8")
    with pytest.raises(SitingError, match="E-FIELD-01") as failure:
        mapping.read(mapping.load_mapping(path), tmp_path, [PLACE])
    assert told in str(failure.value)


def test_one_thing_mapped_twice_is_told():
    short = [shapely.LineString([(0, i / 100), (0.01, i / 100)]) for i in range(3)]
    first = gpd.GeoDataFrame(geometry=short, crs=4326)
    moved = first.translate(0, 0.00002)
    second = gpd.GeoDataFrame(
        geometry=[*moved[:2], shapely.LineString([(5, 5), (5.01, 5)])], crs=4326
    )
    assert mapping.count_twins(first, second) == 2


def test_layers_name_their_source_and_the_record_its_duties(country):
    names = [name for name, _ in pyogrio.list_layers(country / "layers.gpkg")]
    assert "roads" in names
    roads = pyogrio.read_dataframe(country / "layers.gpkg", layer="roads")
    assert set(roads["source"]) == {"OpenStreetMap"}
    record = json.loads((country / "sources.json").read_text(encoding="utf-8"))
    entry = record["sources"][0]
    assert entry["licence"] == "ODbL-1.0"
    assert "openstreetmap.org/copyright" in entry["attribution"]
    assert entry["items"][0]["datetime"] == "2023-05-02"
