"""Layers kept in memory: the same features as read afresh, and never those of an old file."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pandas.testing import assert_frame_equal

from siting.grid import Grid
from siting.read.vector import layer_cache, vectors
from siting.settings.given.layers import LayerInput
from siting.settings.given.tables import LAYER_NAMES

SAMPLE = Path(__file__).parents[1] / "sample_rasters" / "layers.gpkg"
GRID = Grid("EPSG:32617", 539_400.0, 4_820_600.0, 10.0, 120, 130)
# The sample farm has neither fences nor single trees.
IN_SAMPLE = LAYER_NAMES[:-2]
OTHER = Grid("EPSG:32618", 50_000.0, 4_830_000.0, 10.0, 150, 150)


@pytest.fixture(autouse=True)
def _fresh(monkeypatch):
    monkeypatch.setattr(layer_cache, "_FACTS", layer_cache.Kept(most=64))
    monkeypatch.setattr(layer_cache, "_LAYERS", layer_cache.Kept(most=64))


def read(name: str, grid: Grid, path: Path = SAMPLE):
    spec = LayerInput(file=str(path), layer=name, crs="", column="", values={})
    return vectors.read_layer(str(path), spec, grid, name=name)


@pytest.mark.parametrize("name", IN_SAMPLE)
@pytest.mark.parametrize("grid", [GRID, OTHER], ids=["zone 17", "zone 18"])
def test_kept_and_read_afresh_are_equal(name, grid, monkeypatch):
    first, kept = read(name, grid), read(name, grid)
    monkeypatch.setattr(layer_cache, "MOST_FEATURES", -1)
    afresh = read(name, grid)
    for frame, source, notes in (first, kept):
        assert_frame_equal(frame, afresh[0])
        assert source == afresh[1]
        assert notes == afresh[2]


def test_the_layer_is_read_once(monkeypatch):
    calls = []
    plain = vectors.read_frame
    monkeypatch.setattr(vectors, "read_frame", lambda *a, **k: calls.append(1) or plain(*a, **k))
    for _ in range(3):
        read("water", GRID)
    assert len(calls) == 1


def test_a_changed_file_is_read_again(tmp_path):
    path = shutil.copy(SAMPLE, tmp_path / "layers.gpkg")
    before, _, _ = read("feeders", GRID, path)
    frame = gpd.read_file(path, layer="feeders")
    moved = frame.set_geometry(frame.translate(7.0, 0.0))
    moved.to_file(path, layer="feeders", driver="GPKG")
    stamp = Path(path).stat()
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns + 1_000_000))
    after, _, _ = read("feeders", GRID, path)
    assert np.allclose(after.geometry.x - before.geometry.x, 7.0)


def test_boxes_choose_what_they_meet():
    shapes = [shapely.Point(x, 0.5) for x in range(10)] + [shapely.Point()]
    layer = layer_cache.WholeLayer(gpd.GeoDataFrame(geometry=shapes, crs=4326), lambda s: s)
    assert layer.rows_in([(2.0, 0.0, 4.0, 1.0)]).tolist() == [2, 3, 4]
    assert layer.rows_in([(2.0, 0.0, 3.0, 1.0), (2.5, 0.0, 4.0, 1.0)]).tolist() == [2, 3, 4]
    assert layer.rows_in([(2.0, 2.0, 4.0, 3.0)]).tolist() == []
    assert len(layer.rows_in([])) == 10


def test_what_was_used_least_is_forgotten():
    kept = layer_cache.Kept(most=64)
    for k in range(100):
        kept.get(k, lambda k=k: k)
        kept.get(0, lambda: -1)
    assert kept.get(0, lambda: -1) == 0
    assert kept.get(50, lambda: "again") == 50
    assert kept.get(1, lambda: "again") == "again"


def test_a_failure_is_not_kept():
    kept = layer_cache.Kept(most=64)

    def fail():
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        kept.get("a", fail)
    assert kept.get("a", lambda: 1) == 1
