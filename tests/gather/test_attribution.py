"""Lines that publishers ask for stand in every file that is made of their data."""

from __future__ import annotations

import html
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pytest
import rasterio
from click.testing import CliRunner

from siting.cli.main import siting
from siting.credits import Credit
from siting.notebook import site_parcel
from siting.settings.load import load_inputs
from siting.types import Result

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
LINES = ("\u00a9 Planted one 2021", "\u00a9 Planted two, somewhere", "Planted three")
TABLES = f"""
[[sources]]
layers = ["dem"]
title = "Elevations of the test"
attribution = "{LINES[0]}"
short = "\u00a9 Planted one"
licence = "CC-BY-4.0"
licence_url = "https://creativecommons.org/licenses/by/4.0/"
changed = "cut and joined"

[[sources]]
layers = ["land_cover"]
attribution = "{LINES[1]}"
"""
CARRY_NONE = {
    # Columns of numbers and names for spreadsheets have no place for a line; run.json lies beside.
    ".csv",
    # Fingerprints for the next run, read by no person.
    ".jsonl",
}


def inputs_with(folder: Path, more: str) -> Path:
    """The sample valley at 10 m, one of its layers with a line of its own."""
    text = (SAMPLE / "inputs.toml").read_text(encoding="utf-8")
    farm = gpd.read_file(SAMPLE / "layers.gpkg", layer="parcels").iloc[:1]
    farm.to_file(folder / "land.gpkg", layer="parcel", driver="GPKG")
    columns = 'id_column = "id"\ncell_column = "cell"'
    text = text.replace('"layers.gpkg::parcel"', f'"land.gpkg::parcel"\n{columns}', 1)
    text = text.replace('"dem.tif"', '"dem_10m.tif"')
    for name in ("dem_10m.tif", "land_cover.tif", "layers.gpkg"):
        text = text.replace(f'"{name}', f'"{(SAMPLE / name).as_posix()}')
    text = text.replace('roads = "', 'roads = {file = "', 1).replace(
        '::roads"', f'", layer = "roads", attribution = "{LINES[2]}"}}', 1
    )
    path = folder / "inputs.toml"
    path.write_text(text + more, encoding="utf-8")
    return path


def run(*words: object) -> str:
    done = CliRunner().invoke(siting, [str(w) for w in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """The one run that every file of a parcel is written from."""
    inputs = load_inputs(inputs_with(tmp_path_factory.mktemp("lines"), TABLES))
    return site_parcel(inputs)


@pytest.fixture(scope="module")
def made(result, tmp_path_factory):
    """Everything that is made of a piece of land: scored, shared, in a batch, to be drawn on."""
    folder = tmp_path_factory.mktemp("made")
    result.write(folder / "out")
    result.write(folder / "shared", public=True)
    path = inputs_with(folder, TABLES)
    run("batch", path, "-o", folder / "office", "--workers", 0, "--assign", "--pages", "none")
    place = ("--point", "-80.506,43.532", "--radius", 300)
    run("sketch", path, *place, "-o", folder / "sketch" / "sketch.html")
    return folder


def with_credits(result: Result, sources: tuple[Credit, ...]) -> Result:
    """The same result from data of other publishers."""
    return replace(result, land=replace(result.land, credits=sources))


def lines_in(path: Path) -> str:
    """All that a file says to people and programs."""
    if path.suffix == ".tif":
        with rasterio.open(path) as raster:
            return str(raster.tags())
    if path.suffix == ".gpkg":
        with sqlite3.connect(path) as base:
            return str(base.execute("SELECT metadata FROM gpkg_metadata").fetchall())
    return html.unescape(path.read_text(encoding="utf-8")).replace("\\u00a9", "\u00a9")


def test_each_line_stands_in_every_file_that_is_written(made):
    files = [
        path
        for folder in ("out", "shared", "office", "sketch")
        for path in sorted((made / folder).rglob("*"))
        if path.is_file() and path.suffix not in CARRY_NONE and not path.name.startswith(".")
    ]
    # Letters name each publisher by the short line, all else by the line as it was asked for.
    short = ("\u00a9 Planted one", *LINES[1:])
    missing = [
        f"{path.relative_to(made)}: {line}"
        for path in files
        for line in (short if path.parent.name == "letters" else LINES)
        if line not in lines_in(path)
    ]
    assert missing == []
    names = {path.name for path in files}
    assert {
        "map.html", "field_sheet.html", "spots.geojson", "spots.gpx", "spots.gpkg", "run.json",
        "suitability.tif", "datapackage.json", "overview.html", "parcels.gpkg", "sketch.html",
    } <= names  # fmt: skip
    assert any(path.parent.name == "letters" for path in files)


def test_paper_has_the_licence_written_out_and_what_was_changed(made):
    sheet = (made / "out" / "field_sheet.html").read_text(encoding="utf-8")
    assert "https://creativecommons.org/licenses/by/4.0/" in sheet
    assert "Changed: cut and joined" in sheet


def test_the_short_form_stands_on_the_map_itself(made):
    page = (made / "out" / "map.html").read_text(encoding="utf-8")
    at = page.index('<p class="map-credits">')
    edge = page[at : page.index("</p>", at)]
    assert "\u00a9 Planted one</bdi>" in edge
    assert LINES[1] in edge


def test_without_sources_no_line_is_invented(result, tmp_path):
    with_credits(result, ()).write(tmp_path / "out")
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert '<p class="map-credits">' not in page
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text(encoding="utf-8"))
    assert "sources" not in package


def test_a_line_with_markup_is_only_text(result, tmp_path):
    hostile = Credit("<img src=x onerror=alert(1)></script><b>bold")
    with_credits(result, (hostile,)).write(tmp_path / "out")
    for name in ("map.html", "field_sheet.html", "spots.gpx"):
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert "<img src=x" not in text, name
        assert "&lt;img src=x" in text, name


def test_a_line_stands_once_however_many_inputs_share_it(tmp_path):
    more = f"\n[[sources]]\nlayers = ['roads']\nattribution = '{LINES[2]}'\n"
    inputs = load_inputs(inputs_with(tmp_path, more))
    assert [c.attribution for c in inputs.credits()] == [LINES[2]]


def test_a_publisher_of_two_maps_is_named_once_at_the_edge_of_a_map():
    """It said "(c) Example survey . (c) Example survey"."""
    from siting.credits import Credit
    from siting.report.shared.credits import full_lines, short_lines

    both = [
        Credit(f"\u00a9 Example survey, {name}", "\u00a9 Example survey", name)
        for name in ("elevation", "land cover")
    ]
    other = Credit("\u00a9 Another office")
    assert short_lines([both[0], other, both[1]]) == [
        "\u00a9 Example survey",
        "\u00a9 Another office",
    ]
    # The full lines differ, and each says which maps it is for.
    assert len(full_lines(both)) == 2


def test_a_raster_whose_line_was_lost_is_told(tmp_path):
    """The folder was copied in part: the raster's own tag still has the line."""
    with rasterio.open(SAMPLE / "dem_10m.tif") as source:
        profile, cells = source.profile, source.read()
    # A new plain file: a cloud-optimised one warns when it is changed in place, and the tests
    # take warnings as errors.
    with rasterio.open(tmp_path / "dem.tif", "w", **profile) as raster:
        raster.write(cells)
        raster.update_tags(SITING_ATTRIBUTION=LINES[0])
    path = inputs_with(tmp_path, "")
    text = path.read_text(encoding="utf-8").replace((SAMPLE / "dem_10m.tif").as_posix(), "dem.tif")
    path.write_text(text, encoding="utf-8")
    assert f"asks to be credited ({LINES[0]})" in run("check", path)
    path.write_text(text + TABLES, encoding="utf-8")
    assert "asks to be credited" not in run("check", path)
