"""Lines that publishers ask for stand in every file that is made of their data."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
import rasterio
from click.testing import CliRunner

from siting.cli.main import siting
from siting.settings.load import load_inputs

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


def inputs_with(folder: Path, more: str) -> Path:
    text = (SAMPLE / "inputs.toml").read_text(encoding="utf-8")
    for name in ("dem.tif", "land_cover.tif", "layers.gpkg"):
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
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lines")
    path = inputs_with(folder, TABLES)
    run("score", path, "-o", folder / "out")
    run("score", path, "-o", folder / "shared", "--public")
    run("batch", path, "-o", folder / "office", "--workers", 0, "--pages", "none")
    return folder


TEXT_FILES = (
    "out/map.html", "out/field_sheet.html", "out/spots.geojson", "out/spots.gpx", "out/run.json",
    "out/datapackage.json", "shared/spots.geojson", "shared/datapackage.json", "shared/run.json",
    "office/overview.html",
)  # fmt: skip


@pytest.mark.parametrize("name", TEXT_FILES)
@pytest.mark.parametrize("line", LINES)
def test_each_line_stands_in_every_text_file(made, name, line):
    assert line in (made / name).read_text(encoding="utf-8")


def test_the_tables_for_map_programs_carry_the_lines(made):
    with sqlite3.connect(made / "out" / "spots.gpkg") as base:
        told = str(base.execute("SELECT metadata FROM gpkg_metadata").fetchall())
    with rasterio.open(made / "out" / "suitability.tif") as raster:
        tag = raster.tags()["SITING_ATTRIBUTION"]
    for line in LINES:
        assert line in tag
        assert line in told


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


def test_without_sources_no_line_is_invented(tmp_path):
    run("score", SAMPLE / "inputs.toml", "-o", tmp_path / "out")
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert '<p class="map-credits">' not in page
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text(encoding="utf-8"))
    assert "sources" not in package


def test_a_line_with_markup_is_only_text(tmp_path):
    hostile = "<img src=x onerror=alert(1)></script><b>bold"
    more = f"\n[[sources]]\nlayers = ['dem']\nattribution = '{hostile}'\n"
    run("score", inputs_with(tmp_path, more), "-o", tmp_path / "out")
    for name in ("map.html", "field_sheet.html", "spots.gpx"):
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert "<img src=x" not in text, name
        assert "&lt;img src=x" in text, name


def test_a_line_stands_once_however_many_inputs_share_it(tmp_path):
    more = f"\n[[sources]]\nlayers = ['roads']\nattribution = '{LINES[2]}'\n"
    inputs = load_inputs(inputs_with(tmp_path, more))
    assert [c.attribution for c in inputs.credits()] == [LINES[2]]


def test_a_raster_whose_line_was_lost_is_told(tmp_path):
    """The folder was copied in part: the raster's own tag still has the line."""
    with rasterio.open(SAMPLE / "dem.tif") as source:
        profile, cells = source.profile, source.read()
    # A new plain file: a cloud-optimised one warns when it is changed in place, and the tests
    # take warnings as errors.
    with rasterio.open(tmp_path / "dem.tif", "w", **profile) as raster:
        raster.write(cells)
        raster.update_tags(SITING_ATTRIBUTION=LINES[0])
    path = inputs_with(tmp_path, "")
    text = path.read_text(encoding="utf-8").replace((SAMPLE / "dem.tif").as_posix(), "dem.tif")
    path.write_text(text, encoding="utf-8")
    assert f"asks to be credited ({LINES[0]})" in run("check", path)
    path.write_text(text + TABLES, encoding="utf-8")
    assert "asks to be credited" not in run("check", path)
