"""The program from Python: names of files, short words about a result, a map in a notebook."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

import siting
from siting.errors import SitingError
from siting.report.files import columns
from tests.bad_inputs.land import clean
from tests.bad_inputs.runner import write_settings

SAMPLE = Path(__file__).parents[1] / "sample_rasters"

NAMES = tuple(column.name for column in columns.COLUMNS)


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    """Inputs file of a small invented land."""
    land = clean(tmp_path_factory.mktemp("land"))
    write_settings(land)
    return land.folder / "inputs.toml"


@pytest.fixture(scope="module")
def sited(small) -> siting.SitedParcel:
    return siting.site_parcel(str(small))


def test_import_loads_nothing_heavy():
    heavy = {"numpy", "rasterio", "geopandas", "pandas", "scipy", "numba", "pydantic", "pvlib"}
    code = f"import sys, siting; print(sorted({heavy!r} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_name_a_path_and_read_inputs_give_the_same(small, sited):
    for given in (small, siting.load_inputs(str(small)), siting.load_inputs(small)):
        again = siting.site_parcel(given)
        assert [s.rank for s in again.spots] == [s.rank for s in sited.spots]
        np.testing.assert_array_equal(again.scores.total, sited.scores.total)


def test_inputs_and_protocol_may_be_tables(small, sited):
    tables = siting.load_inputs(small).model_dump(exclude_unset=True)
    tables["parcel"]["file"] = str(small.parent / tables["parcel"]["file"])
    for name in ("dem", "land_cover"):
        tables[name]["file"] = str(small.parent / tables[name]["file"])
    for specs in tables.get("layers", {}).values():
        for spec in specs:
            spec["file"] = str(small.parent / spec["file"])
    tables["layers"] = {name: list(specs) for name, specs in tables.get("layers", {}).items()}
    few = siting.site_parcel(tables, {"candidates": {"spots": 1}})
    assert len(few.spots) == 1 <= len(sited.spots)
    assert few.protocol.candidates.spots == 1
    assert few.spots[0].lon == sited.spots[0].lon


def test_a_protocol_is_read_by_its_name(tmp_path):
    file = tmp_path / "protocol.toml"
    file.write_text("[candidates]\nspots = 2\n")
    assert siting.load_protocol(str(file)).candidates.spots == 2
    with pytest.raises(SitingError, match="E-FILE-01"):
        siting.load_protocol(str(tmp_path / "none.toml"))


def test_faults_of_a_mapping_are_told_like_those_of_a_file():
    with pytest.raises(SitingError, match=r"E-SETTINGS-01[\s\S]*candidates.spot"):
        siting.protocol_with({"candidates": {"spot": 3}})


def test_what_a_result_says_of_itself_is_short(sited):
    things = [sited, sited.land, sited.scores, sited.inputs, sited.protocol, *sited.spots]
    for thing in things:
        assert 10 < len(repr(thing)) < 300, repr(thing)[:400]
        assert len(str(thing)) < 300
    assert sited.land.parcel.id in repr(sited)
    assert f"{len(sited.spots)} spot" in repr(sited)


def test_spots_frame_has_the_columns_of_the_table(sited):
    frame = sited.spots_frame()
    assert isinstance(frame, gpd.GeoDataFrame)
    assert [*NAMES, "geometry"] == list(frame.columns)
    assert len(frame) == len(sited.spots)
    assert frame.crs == "EPSG:4326"
    east, north = sited.land.grid.to_lonlat.transform(
        [s.easting for s in sited.spots], [s.northing for s in sited.spots]
    )
    # Half a metre: places are rounded to six or seven decimals of a degree.
    np.testing.assert_allclose(frame.geometry.x, east, atol=1e-5)
    np.testing.assert_allclose(frame.geometry.y, north, atol=1e-5)


def test_a_frame_without_spots_still_has_its_columns(small):
    none = siting.site_parcel(small, {"candidates": {"lowest_score": 50.0}})
    frame = none.spots_frame()
    assert len(frame) == 0
    assert set(NAMES) <= set(frame.columns)
    assert "0 spots" in repr(none)


def test_write_gives_the_bytes_of_the_command_line(small, sited, tmp_path):
    folder = sited.write(str(tmp_path / "own"))
    other = tmp_path / "other"
    line = [sys.executable, "-m", "siting", "score", str(small), "-o", str(other)]
    subprocess.run(line, check=True, capture_output=True)
    names = sorted(p.name for p in other.iterdir() if not p.name.startswith("."))
    assert names == sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))
    for name in names:
        if name != "run.json":
            assert (folder / name).read_bytes() == (other / name).read_bytes(), name


def test_public_files_only(sited, tmp_path):
    folder = sited.write(tmp_path / "public", public=True)
    assert not (folder / "map.html").exists()
    assert (folder / "spots.csv").exists()


def test_a_notebook_shows_the_map_in_a_sandbox(sited):
    shown = sited._repr_html_()
    assert shown.startswith("<iframe ")
    assert 'sandbox="allow-scripts allow-downloads"' in shown
    # Nothing of the page may end the attribute it stands in.
    inside = shown.partition('srcdoc="')[2].partition('"')
    assert inside[2] == "></iframe>"
    assert "allow-same-origin" not in shown


def test_many_parcels_from_python(tmp_path):
    ids = siting.parcel_ids(SAMPLE / "batch.toml")
    assert len(ids) == 13
    assert siting.read_parcel(SAMPLE / "batch.toml", ids[2]).id == ids[2]
    with pytest.raises(SitingError, match="E-GEOM-05"):
        siting.read_parcel(SAMPLE / "batch.toml")
    with pytest.raises(SitingError, match="E-GEOM-05"):
        siting.read_parcel(SAMPLE / "batch.toml", "no such parcel")


def test_the_frame_of_a_batch_is_its_table(small, tmp_path):
    frame = siting.site_parcels(small, tmp_path / "office", workers=0)
    table = gpd.read_file(tmp_path / "office" / "parcels.gpkg", layer="parcels")
    assert list(frame.parcel_id) == list(table.parcel_id)
    # A file may hold areas of one part as such; the ground is the same.
    assert frame.geometry.geom_equals(table.geometry).all()


@pytest.mark.browser
def test_the_map_works_inside_a_notebook_page(sited, tmp_path):
    """In a frame without an origin the page may keep nothing, and must work all the same."""
    playwright = pytest.importorskip("playwright.sync_api")
    page_file = tmp_path / "notebook.html"
    page_file.write_text(f"<!doctype html><title>n</title>{sited._repr_html_()}", encoding="utf-8")
    faults: list[str] = []
    with playwright.sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1000, "height": 720})
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(page_file.as_uri())
        frame = page.frame_locator("iframe")
        frame.locator("#spot-list li button").first.click()
        assert frame.locator("#spot-list > li").count() == len(sited.spots)
        page.screenshot(path=tmp_path / "notebook.png")
        browser.close()
    assert faults == []
