"""Where the maps cannot tell a point they give a stretch or an area: the sample at 30 m."""

from __future__ import annotations

import json
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.enums import Resampling

from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.read.working_grid import _for_lines
from siting.report.files.gpx import gpx
from siting.report.files.tables import geojson
from siting.report.shared.facts import spot_facts
from siting.scoring.extent import LEAST_RADIUS_M
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import GridRules
from siting.words.spot.extents import extent_words

SAMPLE = Path(__file__).parents[1] / "sample_rasters"
QUICK = "[stability]\ndraws = 0\n"


def coarser(source: Path, target: Path, cell_m: float, how: Resampling) -> None:
    """A raster of the sample in wider cells, by mean or by majority."""
    with rasterio.open(source) as file:
        step = cell_m / file.transform.a
        shape = (int(file.height // step), int(file.width // step))
        values = file.read(1, out_shape=shape, resampling=how)
        place = rasterio.Affine(cell_m, 0, file.transform.c, 0, -cell_m, file.transform.f)
        profile = file.profile | {
            "height": shape[0], "width": shape[1], "transform": place, "tiled": False,
            "blockysize": 16, "blockxsize": 16,
        }  # fmt: skip
    for key in ("blockxsize", "blockysize", "tiled"):
        profile.pop(key, None)
    with rasterio.open(target, "w", **profile) as file:
        file.write(values, 1)
        file.set_band_unit(1, "metre" if how is Resampling.average else "")


@cache
def coarse_run(folder: Path, layers: bool):
    """The sample farm from 30 m rasters, with all its layers or with the rasters alone."""
    for name in ("inputs.toml", "layers.gpkg"):
        shutil.copy(SAMPLE / name, folder / name)
    coarser(SAMPLE / "dem.tif", folder / "dem.tif", 30.0, Resampling.average)
    coarser(SAMPLE / "land_cover.tif", folder / "land_cover.tif", 30.0, Resampling.mode)
    text = (folder / "inputs.toml").read_text()
    if not layers:
        start, end = text.index("[layers]"), text.index("[survey]")
        text = text[:start] + text[end:]
    (folder / "inputs.toml").write_text(text)
    (folder / "protocol.toml").write_text(QUICK)
    inputs = load_inputs(folder / "inputs.toml")
    return site_parcel(inputs, load_protocol(folder / "protocol.toml"), read_parcel(inputs))


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    return coarse_run(tmp_path_factory.mktemp("alone"), False)


def test_from_30_m_rasters_alone_points_cannot_be_told(alone):
    assert alone.spots
    for spot in alone.spots:
        assert spot.search_radius_m >= LEAST_RADIUS_M
        assert spot.aim.span_deg == 45.0
        assert not np.isfinite(spot.aim.best.rise_deg)
        assert "height_above_water_m" not in spot.measures
        assert spot.extent is not None
        assert "cannot tell one point from another" in spot.check[0]
        assert spot.extent.area_m2 > 0
        assert alone.land.parcel_shape.buffer(0.1).covers(spot.extent.shape)
        ground = spot.extent.ground
        assert ground.buffer(0.1).contains(shapely.Point(spot.easting, spot.northing))
        row, col = np.indices(alone.land.grid.shape)
        inside = shapely.contains_xy(ground, *alone.land.grid.xy(row, col))
        assert (alone.no_go[inside] == 0).all()  # none of it closed
        assert not any(
            ground.contains(shapely.Point(o.easting, o.northing))
            for o in alone.spots
            if o is not spot
        )


def test_the_circles_of_two_spots_do_not_overlap(alone):
    """Field test A7: spots 60 m apart whose circles of 65 m overlap."""
    at = np.array([(spot.easting, spot.northing) for spot in alone.spots])
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    least = 2 * alone.spots[0].search_radius_m
    assert away[~np.eye(len(at), dtype=bool)].min() >= least - 1e-6


def test_extents_stand_in_the_files(alone):
    facts = spot_facts(alone)
    features = json.loads(geojson(alone, facts))["features"]
    kinds = [f["geometry"]["type"] for f in features]
    extents = sum(spot.extent is not None for spot in alone.spots)
    assert kinds[: len(facts)] == ["Point"] * len(facts)
    assert len(kinds) == len(facts) + extents
    text = gpx(alone, facts)
    assert text.count("<trk>") == extents
    first = next(fact for fact in facts if fact.spot.extent)
    assert extent_words(first.spot.extent, radius_m=first.spot.search_radius_m) in text


def test_with_all_layers_the_fine_answer_lies_in_what_is_told(tmp_path_factory):
    """The first five of the fine sample lie within the circles, stretches and areas told.

    The coarse run tells at most ten places; a fine spot counts as told when it lies within one.
    """
    coarse = coarse_run(tmp_path_factory.mktemp("layers"), True)
    inputs = load_inputs(SAMPLE / "inputs.toml")
    folder = tmp_path_factory.mktemp("fine")
    (folder / "protocol.toml").write_text(QUICK)
    fine = site_parcel(inputs, load_protocol(folder / "protocol.toml"), read_parcel(inputs))
    told = [
        spot.extent.ground.buffer(spot.search_radius_m)
        if spot.extent
        else shapely.Point(spot.easting, spot.northing).buffer(spot.search_radius_m)
        for spot in coarse.spots
    ]
    inside = [
        any(area.contains(shapely.Point(spot.easting, spot.northing)) for area in told)
        for spot in fine.spots[:5]
    ]
    assert all(inside), inside
    # By their middles cells of 30 m missed the track over the pond's outlet.
    assert coarse.land.grid.cell_size_m == pytest.approx(10.0)
    assert coarse.land.dem_cell_m == pytest.approx(30.0)
    assert "A-GRID-03" in {note.code for note in coarse.notes}


def test_cells_are_divided_for_lines_only_and_where_memory_allows(alone):
    """From rasters alone finer cells would be an appearance."""
    assert alone.land.grid.cell_size_m == pytest.approx(30.0)
    grid, bounds = alone.land.grid, alone.land.parcel_shape.bounds
    finer, notes = _for_lines(grid, bounds, (grid.left, grid.top), GridRules())
    assert finer.cell_size_m == pytest.approx(10.0)
    assert (finer.left - grid.left) % 10.0 == pytest.approx(0.0)
    assert "divided by 3" in notes[0].text
    scarce = GridRules(most_memory_gb=0.2001)
    assert _for_lines(grid, bounds, (grid.left, grid.top), scarce) == (grid, ())


def test_fine_maps_tell_points(tmp_path):
    """By cells and phone alone: trials may widen the circle, and then an area is told."""
    (tmp_path / "protocol.toml").write_text(QUICK)
    protocol = load_protocol(tmp_path / "protocol.toml")
    inputs = load_inputs(SAMPLE / "inputs.toml", {"dem": {"file": str(SAMPLE / "dem_10m.tif")}})
    result = site_parcel(inputs, protocol, read_parcel(inputs))
    for spot in result.spots:
        assert (spot.extent is not None) == (spot.search_radius_m >= LEAST_RADIUS_M)
