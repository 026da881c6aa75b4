"""Halves of rows of the list of traps that no other test held, found by reading it row by row."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from rasterio.shutil import copy as copy_raster

from siting.cli import gather as command
from siting.cli.main import siting
from siting.errors import SitingError
from siting.gather.raster import lidar
from siting.gather.recipes import load_recipe
from siting.gather.vector import osm, tags
from siting.words.office import gather as words
from tests.gather import land
from tests.gather.catalogue import item
from tests.gather.server import serving

NOW = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)


@pytest.fixture
def site():
    with serving() as one:
        yield one


def with_false_overviews(folder: Path) -> Path:
    """The eastern tile with overviews that hold other heights than its cells."""
    tile = land.halves(folder)[1]
    with rasterio.open(tile, "r+") as file:
        file.build_overviews([2, 4], rasterio.enums.Resampling.average)
        cells = file.read(1)
    with rasterio.open(tile, "r+") as file:
        file.write(cells + 500, 1)
        file.build_overviews([2, 4], rasterio.enums.Resampling.average)
        file.write(cells, 1)
    made = folder / "east-seen.tif"
    copy_raster(tile, made, driver="GTiff", copy_src_overviews=True, tiled=True, compress="deflate")
    with rasterio.open(made) as file:
        assert file.overviews(1) == [2, 4]
    with rasterio.open(made, overview_level=1) as file:
        coarse = file.read(1)
        assert coarse.mean() > cells.mean() + 300
    return made


def test_g24_overviews_are_never_read(site, tmp_path):
    items = land.items_of(site, tmp_path)
    items[1] = item(site, with_false_overviews(tmp_path), "dem")
    land.serve(site, items)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert done.exit_code == 0, done.output
    with rasterio.open(tmp_path / "region" / "dem.tif") as dem:
        col = round((dem.transform.c - land.LEFT) / land.CELL)
        row = round((land.TOP - dem.transform.f) / land.CELL)
        whole = land.heights()[row : row + dem.height, col : col + dem.width]
        assert np.array_equal(dem.read(1), whole)


def test_g12_nothing_found_says_where_it_was_looked_for_and_how_far_off(site, tmp_path):
    items = land.items_of(site, tmp_path)
    land.serve(site, items)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path), point="-79.0,43.0545")
    error = done.exception
    assert isinstance(error, SitingError), done.output
    assert error.code == "E-STAC-03"
    said = str(error)
    assert "dem: Test dem has nothing at -79.114,42.970 to -78.885,43.138" in said
    assert "the collection has data from -80.51,43.03 to -80.43,43.08, 107 km away" in said


def test_g25_a_recipe_of_classes_without_a_legend_is_refused(tmp_path, site):
    path = land.rules(site, tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace('legend = "nlcd"\n', ""), "utf-8")
    with pytest.raises(SitingError, match="E-SETTINGS-01") as failure:
        load_recipe(str(path))
    assert "legend" in str(failure.value)


def test_g37_ways_of_unknown_kinds_are_told_with_their_number():
    note = words.strange_ways("x.osm.pbf", {"moving_walkway": 3, "slide": 1})
    assert note.code == "A-OSM-01"
    assert "moving_walkway" in note.text
    assert "3" in note.text


def test_g39_lines_mapped_twice_have_their_warning():
    note = words.twins("roads", 7)
    assert (note.code, note.level) == ("W-TWIN-01", "warning")
    assert "7" in note.text


def test_g41_spikes_have_their_warning(tmp_path):
    heights = np.full((60, 60), 300.0, dtype=np.float32)
    heights[30, 30] = 345.0
    note = words.spikes(lidar.count_spikes(heights))
    assert (note.code, note.level) == ("W-SPIKE-01", "warning")
    assert "1" in note.text


def test_a_build_without_the_reader_says_so(tmp_path, monkeypatch):
    (tmp_path / "x.osm.pbf").write_bytes(b"\0")
    monkeypatch.setattr(pyogrio, "list_drivers", lambda: {"GPKG": "rw"})
    with pytest.raises(SitingError, match=r"E-OSM-01: .*no reader") as failure:
        osm.read(tmp_path / "x.osm.pbf", [], now=NOW)
    assert "GeoPackage" in failure.value.cure


def stands() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"name": [None], "amenity": ["hunting_stand"]}, geometry=[shapely.Point(0, 0)], crs=4326
    )


@pytest.mark.parametrize(("keep_clear", "closed"), [(False, 0), (True, 1)])
def test_hunting_stands_are_told_and_kept_clear_of_when_asked(keep_clear, closed):
    empty = gpd.GeoDataFrame({"name": []}, geometry=[], crs=4326)
    made = tags.layers_of(stands(), empty, empty, hunting_no_go=keep_clear)
    assert made.counts["hunting stands and grounds"] == 1
    assert len(made.frames["no_go"]) == closed
    assert len(made.frames["hunting"]) == 1


def test_no_host_and_no_key_stands_in_what_scoring_reads(site, tmp_path):
    land.serve(site, land.items_of(site, tmp_path))
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert done.exit_code == 0, done.output
    text = (tmp_path / "region" / "inputs.toml").read_text(encoding="utf-8")
    assert "127.0.0.1" not in text
    assert str(tmp_path) not in text
    record = json.loads((tmp_path / "region" / "sources.json").read_text(encoding="utf-8"))
    assert str(tmp_path) not in json.dumps(record)


@pytest.mark.parametrize(
    ("words", "terminal", "typed", "gathered"),
    [
        ((), False, "", False),  # nobody there to ask: silence is not consent
        (("--yes",), False, "", True),
        ((), True, "y\n", True),
        ((), True, "n\n", False),
    ],
)
def test_g26_a_large_download_is_asked_about(
    words, terminal, typed, gathered, site, tmp_path, monkeypatch
):
    """Above 50 MB; here from the first byte, so that the test need not serve as much."""
    land.serve(site, land.items_of(site, tmp_path))
    asked_from = command._ask
    monkeypatch.setattr(command, "_ask", lambda o: replace(asked_from(o), ask_from_mb=-1.0))
    keyboard = SimpleNamespace(isatty=lambda: terminal)
    monkeypatch.setattr(command, "sys", SimpleNamespace(stdin=keyboard))
    done = CliRunner().invoke(
        siting,
        ["gather", "--point", land.POINT, "--radius", "300", "-o", str(tmp_path / "region"),
         "--recipe", str(land.rules(site, tmp_path)), *words],
        input=typed,
    )  # fmt: skip
    said = done.output
    assert "Test dem" in said
    assert ("Download it?" in said) == terminal
    assert (tmp_path / "region" / "inputs.toml").exists() == gathered
    if gathered:
        assert done.exit_code == 0
    else:
        assert isinstance(done.exception, SitingError)
        assert done.exception.code == "E-SIZE-01"
        assert "--yes" in done.exception.cure
        # Heads of files alone were read, and no window.
        assert not (tmp_path / "region" / "dem.tif").exists()


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"dem": np.nan}, "E-NODATA-02"),
        ({"cover": 250}, "E-NODATA-02"),
        ({"unit": "furlong"}, "E-UNIT-01"),
    ],
)
def test_a_raster_that_cannot_be_scored_is_told_before_it_is_written(change, code, site, tmp_path):
    dem = land.heights() + np.float32(change.get("dem", 0))
    cover = np.full_like(land.classes(), change["cover"]) if "cover" in change else land.classes()
    files = [
        land.write(tmp_path / "dem.tif", dem, unit=change.get("unit", "m")),
        land.write(tmp_path / "cover.tif", cover, nodata=250, unit=""),
    ]
    land.serve(site, [item(site, file, file.stem) for file in files])
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert isinstance(done.exception, SitingError), done.output
    assert done.exception.code == code
    assert land.files_in(tmp_path / "region") == {}


def test_what_is_no_number_is_a_hole(site, tmp_path):
    """Not declared as "no data", yet no height: it stays unknown, and its extent is told."""
    heights = land.heights()
    heights[95:98, 95:98] = np.nan
    heights[99, 99] = np.inf
    file = land.write(tmp_path / "dem.tif", heights)
    land.serve(site, [item(site, file, "dem"), item(site, land.cover(tmp_path), "cover")])
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert done.exit_code == 0, done.output
    assert "dem: there are no data for 0.01 km2" in done.output
    with rasterio.open(tmp_path / "region" / "dem.tif") as dem:
        assert np.isnan(dem.nodata)
        assert int(np.isnan(dem.read(1)).sum()) == 10
