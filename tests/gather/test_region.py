"""A region from a catalogue on the loopback address, made of real data: it scores as the originals.

The data lie beside the repository; without them these tests skip.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from rasterio.windows import Window

from siting.cli.main import siting
from tests.gather.catalogue import cog, item, raster_recipe, recipe, serve_search, serve_static
from tests.gather.server import Site, serving
from tests.real_places import DATA, OWN_LEGENDS

GARDINER, WAKE = DATA / "gardiner-mt", DATA / "wake-nc"
needs_data = pytest.mark.skipif(not GARDINER.exists(), reason=f"no real data at {DATA}")
GARDINER_POINT, WAKE_POINT = "-110.705,45.033", "-78.70,35.70"


def run(*words: object) -> str:
    done = CliRunner().invoke(siting, [str(w) for w in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def halves(source: Path, folder: Path, name: str) -> list[Path]:
    """A raster as two cloud-optimised tiles side by side."""
    with rasterio.open(source) as dataset:
        rows, cols = dataset.shape
    middle = cols // 2 + 7
    parts = [Window(0, 0, middle, rows), Window(middle, 0, cols - middle, rows)]
    return [
        cog(source, folder / f"{name}-{side}.tif", window=part)
        for side, part in zip("we", parts, strict=True)
    ]


def catalogue(site: Site, place: Path, folder: Path) -> None:
    """Elevation in two tiles and land cover in one, searchable and static."""
    dem, cover = rasters_of(place)
    items = [item(site, path, "dem") for path in halves(dem, folder, "dem")]
    items.append(item(site, cog(cover, folder / "cover.tif"), "cover"))
    serve_search(site, items, page=1)
    serve_static(site, items)


def rasters_of(place: Path) -> tuple[Path, Path]:
    if place == GARDINER:
        return place / "dem_third_arcsec.tif", place / "nlcd_2011.tif"
    return place / "dem_30m.tif", place / "landcover_10m.tif"


def own_recipe(site: Site, place: Path, folder: Path, way: str) -> Path:
    """A recipe file for the catalogue of a place."""
    end = f"{site.base}/static/catalog.json" if way == "walk" else f"{site.base}/stac"
    legend = "nlcd" if place == GARDINER else legend_of(place, folder)
    text = recipe(
        raster_recipe("dem", way, end, "dem", 'surface = "no"\nz_unit = "m"\n'),
        raster_recipe("land_cover", way, end, "cover", f'legend = "{legend}"\n'),
    )
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def legend_of(place: Path, folder: Path) -> str:
    """The legend of a place's own classes, written beside its recipe."""
    path = folder / "legend.csv"
    path.write_text(OWN_LEGENDS[place.name], encoding="utf-8")
    return path.as_posix()


@pytest.fixture(scope="module")
def gardiner(tmp_path_factory):
    if not GARDINER.exists():
        pytest.skip(f"no real data at {DATA}")
    folder = tmp_path_factory.mktemp("gardiner")
    with serving() as site:
        catalogue(site, GARDINER, folder)
        yield site, folder


@pytest.mark.parametrize("way", ["search", "items", "walk"])
def test_one_command_makes_a_region_and_a_second_scores_it(gardiner, way, tmp_path):
    site, _ = gardiner
    rules = own_recipe(site, GARDINER, tmp_path, way)
    site.asked.clear()
    site.sent = 0
    out = tmp_path / "region"
    told = run("gather", "--point", GARDINER_POINT, "--radius", 300, "-o", out, "--recipe", rules)
    assert "downloaded" in told
    assert sorted(p.name for p in out.iterdir() if not p.name.startswith(".")) == [
        "dem.tif", "inputs.toml", "land_cover.tif", "sources.json",
    ]  # fmt: skip
    # docs/gather.md: a window of 4.5 x 3.2 km took 3 requests and 1.2 MB of elevations, 4 and
    # 0.3 MB of classes; catalogue pages come on top.
    rasters = [a for a in site.asked if a.startswith("/files/")]
    assert len(rasters) <= 7
    assert site.sent < 1_600_000
    same_cells(out / "dem.tif", GARDINER / "dem_third_arcsec.tif")
    same_cells(out / "land_cover.tif", GARDINER / "nlcd_2011.tif")
    run("score", out / "inputs.toml", "-o", out / "out")
    direct = tmp_path / "direct"
    dem, cover = rasters_of(GARDINER)
    run(
        "score", "--point", GARDINER_POINT, "--radius", 300, "--dem", dem, "--land-cover", cover,
        "--dem-z-unit", "m", "--legend", "nlcd", "-o", direct,
    )  # fmt: skip
    assert (out / "out" / "spots.csv").read_bytes() == (direct / "spots.csv").read_bytes()
    same_but_credits(out / "out", direct)


def same_but_credits(gathered: Path, direct: Path) -> None:
    """What was gathered names its publishers, files given by hand name none; all else agrees."""
    with (
        rasterio.open(gathered / "suitability.tif") as one,
        rasterio.open(direct / "suitability.tif") as other,
    ):
        assert (one.crs, one.transform) == (other.crs, other.transform)
        assert np.array_equal(one.read(), other.read(), equal_nan=True)
        tags = one.tags()
        lines = tags.pop("SITING_ATTRIBUTION")
        assert tags == other.tags()
    assert lines.count("Example survey") == 2
    text = (gathered / "spots.gpx").read_text(encoding="utf-8")
    line = " " + lines.replace(" | ", " ")
    assert text.count(line) == 1
    assert text.replace(line, "") == (direct / "spots.gpx").read_text(encoding="utf-8")


def same_cells(part: Path, whole: Path) -> None:
    """Every cell of a cut is the cell of the whole at the same place."""
    with rasterio.open(part) as cut, rasterio.open(whole) as source:
        col, row = ~source.transform @ (cut.transform.c, cut.transform.f)
        assert abs(col - round(col)) < 1e-6
        assert abs(row - round(row)) < 1e-6
        window = Window(round(col), round(row), cut.width, cut.height)
        assert np.array_equal(cut.read(1), source.read(1, window=window))
        assert cut.crs == source.crs


@needs_data
@pytest.mark.parametrize("cover_by_hand", [False, True], ids=["all asked for", "cover by hand"])
def test_state_plane_by_hand_and_from_the_catalogue_score_alike(cover_by_hand, tmp_path):
    cover, legend = WAKE / "landcover_10m.tif", legend_of(WAKE, tmp_path)
    place = ("--point", WAKE_POINT, "--radius", 400)
    out = tmp_path / "region"
    with serving() as site:
        catalogue(site, WAKE, tmp_path)
        rules = own_recipe(site, WAKE, tmp_path, "search")
        more = ("--land-cover", cover, "--legend", legend) if cover_by_hand else ()
        run("gather", *place, "-o", out, "--recipe", rules, *more)
        assert ("/files/cover.tif" in site.asked) != cover_by_hand
    assert (out / "land_cover_legend.csv").exists()
    same_cells(out / "dem.tif", WAKE / "dem_30m.tif")
    same_cells(out / "land_cover.tif", cover)
    run("score", out / "inputs.toml", "-o", out / "out")
    run(
        "score", *place, "--dem", WAKE / "dem_30m.tif", "--land-cover", cover, "--dem-z-unit", "m",
        "--legend", legend, "-o", tmp_path / "direct",
    )  # fmt: skip
    assert (out / "out" / "spots.csv").read_bytes() == (
        tmp_path / "direct" / "spots.csv"
    ).read_bytes()


@needs_data
def test_a_second_run_asks_nothing_and_an_update_reads_no_window(gardiner, tmp_path):
    site, _ = gardiner
    rules = own_recipe(site, GARDINER, tmp_path, "search")
    out = tmp_path / "region"
    command = (
        "gather", "--point", GARDINER_POINT, "--radius", 300, "-o", out, "--recipe", rules
    )  # fmt: skip
    run(*command)
    before = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()}
    site.asked.clear()
    assert "Nothing was downloaded" in run(*command)
    assert site.asked == []
    told = run(*command, "--update")
    assert "Kept from the last run: dem.tif, land_cover.tif" in told
    assert len([a for a in site.asked if a.startswith("/files/")]) <= 3  # headers alone
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()} == before


@needs_data
def test_only_the_layer_whose_recipe_changed_is_asked_for(gardiner, tmp_path):
    site, _ = gardiner
    rules = own_recipe(site, GARDINER, tmp_path, "search")
    out = tmp_path / "region"
    command = (
        "gather", "--point", GARDINER_POINT, "--radius", 300, "-o", out, "--recipe", rules
    )  # fmt: skip
    run(*command)
    text = rules.read_text(encoding="utf-8")
    rules.write_text(text.replace("Test land cover", "Other cover"), encoding="utf-8")
    site.asked.clear()
    run(*command)
    files = {a for a in site.asked if a.startswith("/files/")}
    assert files == {"/files/cover.tif"}
    record = json.loads((out / "sources.json").read_text(encoding="utf-8"))
    titles = [source["title"] for source in record["sources"]]
    assert titles == ["Test dem", "Other cover"]
