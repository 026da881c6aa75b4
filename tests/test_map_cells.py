"""The packed cells of the map page: what is shown is exact, what is computed is near."""

from __future__ import annotations

import base64
import zlib

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from siting.grid import Grid
from siting.report.page import cells
from siting.types import NoGo

UNIT = st.floats(0.0, 1.0, width=32)


def unpacked(packed: cells.EncodedCells) -> list[np.ndarray]:
    """The planes again, written out plainly: inflate, unfold, add what was foretold."""
    raw = np.frombuffer(zlib.decompress(base64.b64decode(packed.blob), -15), dtype=np.uint8)
    rows, cols = packed.grid.shape
    planes = []
    for start in range(0, raw.size, 2 * rows * cols):
        high = raw[start : start + rows * cols].astype(np.int64)
        low = raw[start + rows * cols : start + 2 * rows * cols].astype(np.int64)
        folded = (high << 8 | low).reshape(rows, cols)
        rest = np.where(folded & 1, -((folded + 1) >> 1), folded >> 1)
        # What is left of a plane after both neighbours is its mixed difference: add it up twice.
        planes.append((rest.cumsum(axis=0).cumsum(axis=1) % 0x10000).astype(np.uint16))
    return planes


@given(arrays(np.float32, (7, 9), elements=UNIT))
@settings(deadline=None)
def test_upper_byte_is_the_hundredth_that_python_shows(value):
    code = cells.encoded(value)
    shown = np.array([[int(f"{v:.2f}".replace(".", "")) for v in row] for row in value])
    np.testing.assert_array_equal(code >> 8, shown)


@given(arrays(np.float32, (40,), elements=UNIT))
@settings(deadline=None)
def test_both_bytes_keep_the_value_to_one_part_in_25600(value):
    error = np.abs(cells.decoded(cells.encoded(value)) - value.astype(np.float64))
    # Half a step, or a whole one at the edge of a hundredth.
    assert error.max() <= 1.0 / 25600 + 1e-9


def test_ends_are_exact_and_unknown_is_kept():
    code = cells.encoded(np.float32([0.0, 1.0, np.nan]))
    assert cells.decoded(code)[:2].tolist() == [0.0, 1.0]
    assert code[2] == cells.UNKNOWN
    assert np.isnan(cells.decoded(code)[2])


def land(rows: int, cols: int, seed: int = 1) -> tuple[Grid, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    grid = Grid("EPSG:32617", 540000.0, 4820000.0, 2.0, rows, cols)
    total = rng.random((rows, cols)).astype(np.float32)
    trail = rng.random((rows, cols)).astype(np.float32)
    no_go = np.full((rows, cols), NoGo.OUTSIDE.value, dtype=np.uint16)
    no_go[5:-4, 6:-3] = 0
    no_go[8, 9] = NoGo.ROAD.value | NoGo.STEEP.value
    return grid, total, trail, no_go


def test_planes_come_back_where_they_were():
    grid, total, trail, no_go = land(60, 50)
    packed = cells.pack({"trail": trail}, total=total, no_go=no_go, grid=grid)
    assert packed.step == 1
    assert packed.grid == grid.window(5, 6, 51, 41)
    found = unpacked(packed)
    part = (slice(5, 56), slice(6, 47))
    # the index is kept as a tenth of it
    np.testing.assert_array_equal(found[0], cells.encoded(total[part] / 10))
    np.testing.assert_array_equal(found[1], no_go[part])
    np.testing.assert_array_equal(found[2], cells.encoded(trail[part]))


def test_cells_outside_the_parcel_carry_nothing():
    grid, total, trail, no_go = land(60, 50)
    no_go[20, 20] = NoGo.OUTSIDE.value
    found = unpacked(cells.pack({"trail": trail}, total=total, no_go=no_go, grid=grid))
    assert found[0][15, 14] == cells.UNKNOWN
    assert found[2][15, 14] == cells.UNKNOWN


def test_a_large_parcel_keeps_every_nth_cell_and_says_where(monkeypatch):
    grid, total, trail, no_go = land(90, 90)
    for most in (1800, 900, 400):
        monkeypatch.setattr(cells, "MOST_CELLS", most)
        packed = cells.pack({"trail": trail}, total=total, no_go=no_go, grid=grid)
        assert packed.step > 1
        assert packed.grid.cell_size_m == 2.0 * packed.step
        row, col = np.mgrid[0 : packed.grid.n_rows, 0 : packed.grid.n_cols]
        # The middle of each kept cell is the middle of the cell its value was taken from.
        own_row, own_col = grid.rowcol(*packed.grid.xy(row, col))
        np.testing.assert_array_equal(unpacked(packed)[1], no_go[own_row, own_col])
        easting, northing = grid.xy(own_row, own_col)
        np.testing.assert_allclose(packed.grid.xy(row, col), (easting, northing), atol=1e-6)


def test_pack_gets_coarser_until_it_fits(monkeypatch):
    grid, total, trail, no_go = land(90, 90)
    whole = cells.pack({"trail": trail}, total=total, no_go=no_go, grid=grid)
    monkeypatch.setattr(cells, "MOST_BYTES", len(whole.blob) // 3)
    small = cells.pack({"trail": trail}, total=total, no_go=no_go, grid=grid)
    assert small.step > whole.step
    assert len(small.blob) <= len(whole.blob) // 3
