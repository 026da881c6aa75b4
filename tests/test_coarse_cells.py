"""Coarse cells of a raster: block means counted from its corner, whatever was read before."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from rasterio.windows import Window

from siting.read.raster import coarse_cells
from siting.read.raster.coarse_cells import read_coarse
from siting.read.raster.rasters import describe, opened
from siting.read.vector.layer_cache import Kept
from siting.settings.given.rasters import DemInput

SHAPE, STEP = (103, 157), 6


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(coarse_cells, "_PIECE_CELLS", 40)
    monkeypatch.setattr(coarse_cells, "_PIECES", Kept(most=10**9, size=lambda p: int(p.nbytes)))


def write(path: Path, values: np.ndarray, *, nodata: float | None = -9999) -> None:
    profile = {"driver": "GTiff", "height": SHAPE[0], "width": SHAPE[1], "count": 1,
               "crs": "EPSG:32617", "transform": from_origin(5e5, 4.8e6, 5, 5)}  # fmt: skip
    with rasterio.open(path, "w", dtype=values.dtype.name, nodata=nodata, **profile) as file:
        file.write(values, 1)


def heights(seed: int = 1) -> np.ndarray:
    values = np.random.default_rng(seed).uniform(100, 900, SHAPE).astype(np.float32)
    values[24:36, 60:78] = -9999  # four whole coarse cells and two
    return values


def read(path: Path, window: Window, *, masked: bool = True) -> tuple[np.ndarray, Window]:
    with opened(str(path), key="dem", allow_remote=False) as dataset:
        facts = describe(dataset, DemInput(file=path.name), key="dem")
        return read_coarse(dataset, facts, window, step=STEP, masked=masked)


def block_means(values: np.ndarray) -> np.ndarray:
    rows, cols = (n // STEP for n in values.shape)
    blocks = values[: rows * STEP, : cols * STEP].astype(np.float64)
    out = np.where(blocks == -9999, np.nan, blocks).reshape(rows, STEP, cols, STEP)
    return out.mean(axis=(1, 3))


@pytest.mark.parametrize(
    "window", [Window(0, 0, 157, 103), Window(31, 17, 80, 50), Window(95, 60, 62, 43)]
)
def test_a_window_equals_the_means_of_numpy(tmp_path: Path, window: Window) -> None:
    write(tmp_path / "dem.tif", heights())
    found, covered = read(tmp_path / "dem.tif", window)
    row, col = int(covered.row_off) // STEP, int(covered.col_off) // STEP
    expected = block_means(heights())[row : row + found.shape[0], col : col + found.shape[1]]
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    # Six hundred metres in float32 are true to 0.00006 m.
    assert np.nanmax(np.abs(found - expected)) < 2e-4
    assert covered.row_off <= window.row_off
    assert covered.col_off <= window.col_off
    # All that is wanted, but for a last coarse cell that the raster's side cuts off.
    assert covered.row_off + covered.height >= min(window.row_off + window.height, 102)
    assert covered.col_off + covered.width >= min(window.col_off + window.width, 156)


def test_what_was_read_before_changes_nothing(tmp_path: Path) -> None:
    write(tmp_path / "dem.tif", heights())
    window = Window(31, 17, 80, 50)
    alone, _ = read(tmp_path / "dem.tif", window)
    coarse_cells._PIECES = Kept(most=5_000, size=lambda piece: int(piece.nbytes))
    for other in (Window(0, 0, 60, 60), Window(70, 50, 80, 50), Window(0, 0, 157, 103)):
        read(tmp_path / "dem.tif", other)
    again, _ = read(tmp_path / "dem.tif", window)
    assert np.array_equal(alone, again, equal_nan=True)


def test_pieces_are_shared_and_a_changed_file_is_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "dem.tif"
    write(path, heights())
    asked = []
    plain = coarse_cells._piece
    monkeypatch.setattr(
        coarse_cells, "_piece", lambda *a, **k: asked.append(a[2:]) or plain(*a, **k)
    )
    first, _ = read(path, Window(0, 0, 157, 103))
    count = len(asked)
    assert count == len(set(asked)) > 4
    read(path, Window(31, 17, 80, 50))
    assert len(asked) == count
    write(path, heights(seed=2))
    os.utime(path, (1, 1))
    second, _ = read(path, Window(0, 0, 157, 103))
    assert len(asked) == 2 * count
    assert not np.array_equal(first, second, equal_nan=True)


def test_a_mask_that_comes_beside_it_counts(tmp_path: Path) -> None:
    path = tmp_path / "dem.tif"
    write(path, np.abs(heights()), nodata=None)
    before, _ = read(path, Window(0, 0, 157, 103))
    status = path.stat()
    known = np.ones(SHAPE, dtype=bool)
    known[:48] = False
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=False), rasterio.open(path, "r+") as file:
        file.write_mask(known)
    assert (tmp_path / "dem.tif.msk").exists()
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert path.stat().st_size == status.st_size
    after, _ = read(path, Window(0, 0, 157, 103))
    assert np.isfinite(before).all()
    assert np.isnan(after[:8]).all()
    assert np.isfinite(after[8:]).all()


def test_no_data_may_be_denied(tmp_path: Path) -> None:
    write(tmp_path / "dem.tif", heights())
    found, _ = read(tmp_path / "dem.tif", Window(0, 0, 157, 103), masked=False)
    assert found[4, 10] == -9999


def test_a_raster_narrower_than_a_coarse_cell_has_none(tmp_path: Path) -> None:
    write(tmp_path / "dem.tif", heights())
    with opened(str(tmp_path / "dem.tif"), key="dem", allow_remote=False) as dataset:
        facts = describe(dataset, DemInput(file="dem.tif"), key="dem")
        found, _ = read_coarse(dataset, facts, Window(0, 0, 157, 103), step=110, masked=True)
    assert found.size == 0
