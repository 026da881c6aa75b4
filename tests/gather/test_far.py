"""Elevations for the far skyline come from reduced copies inside the files of a catalogue."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.warp import Resampling

from siting.ground.view import ElevationGrid, skyline
from siting.read.land import read_land, read_parcel
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from tests.gather import land
from tests.gather.catalogue import item
from tests.gather.server import serving

SIDE, CELL = 1800, 10.0
# In the middle of 18 km of hills.
POINT = "-80.397,42.9987"
FINE = "cell_m = 10\n"


def hills(folder: Path, *, copies: bool = True, wrong_m: float = 0.0, holes: bool = False) -> Path:
    """Rough hills around a plain, 10 m cells, with averaged copies of 20, 40 and 80 m inside."""
    y, x = np.mgrid[0:SIDE, 0:SIDE].astype("float32")
    rise = 90 * np.sin(x / 97) * np.cos(y / 83) + 12 * np.sin((x + 2 * y) / 17)
    rise += 5 * np.sin(x / 3.1) * np.sin(y / 2.7)
    # The plain is 3 km wide: from its middle every skyline is made of hills far off.
    away = np.hypot(x - SIDE / 2, y - SIDE / 2) * CELL
    rise = 300 + rise * np.clip((away - 1_200) / 600, 0.02, 1)
    if holes:
        rise[:, :300] = -32768
    path = folder / "hills.tif"
    land.write(path, rise.astype("float32"), cell=CELL, nodata=-32768 if holes else None)
    with rasterio.open(path, "r+") as file:
        if copies:
            file.build_overviews([2, 4, 8], Resampling.average)
    if wrong_m:
        # The cells change after the copies were made.
        with rasterio.open(path, "r+") as file:
            file.write((rise + wrong_m).astype("float32"), 1)
    return path


def cover(folder: Path) -> Path:
    """Woods and fields under the whole of the hills."""
    return land.write(folder / "cover.tif", land.classes(), nodata=250, unit="", cell=90.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("far")


def gathered(folder: Path, out: str, *more: object, **kind: object) -> tuple[Path, str, int]:
    """(region, what was said, bytes sent) for the hills of some kind."""
    own = folder / out
    own.mkdir()
    with serving() as site:
        items = [item(site, hills(own, **kind), "dem"), item(site, cover(own), "cover")]
        land.serve(site, items)
        rules = land.rules(site, own, dem=FINE)
        # Beyond the one class tile nothing is known of the cover, which is warned of.
        made = land.gather(own / "region", rules, "--yes", *more, point=POINT)
        assert made.exit_code == 0, made.output
        return own / "region", made.output, site.sent


@pytest.fixture(scope="module")
def with_copies(folder):
    return gathered(folder, "with")


@pytest.fixture(scope="module")
def without(folder):
    return gathered(folder, "without", copies=False)


def test_the_bytes_of_the_skyline_are_a_sixteenth(with_copies, without):
    assert (with_copies[0] / "dem_far.tif").is_file()
    assert not (without[0] / "dem_far.tif").exists()
    assert with_copies[2] < without[2] / 4
    with rasterio.open(with_copies[0] / "dem_far.tif") as far:
        # 1.5 km / 32 is 47 m: copies of 40 m are fine enough, those of 80 m are not.
        assert far.res == (40.0, 40.0)
        assert far.bounds.right - far.bounds.left > 2 * 8_800
    with rasterio.open(with_copies[0] / "dem.tif") as near:
        assert near.bounds.right - near.bounds.left < 4_000


def horizon(region: Path) -> tuple[np.ndarray, np.ndarray]:
    inputs, rules = load_inputs(region / "inputs.toml"), Protocol()
    found = read_land(
        inputs, read_parcel(inputs), rules=rules.grid, far_reach_m=rules.sun.horizon_reach_m
    )
    left, bottom, right, top = found.grid.bounds
    middle = np.array([(left + right) / 2]), np.array([(bottom + top) / 2])
    places = tuple(at + np.array([-200.0, -90.0, 0.0, 110.0, 210.0]) for at in middle)
    sky = skyline(
        ElevationGrid(found.dem, found.grid), places, azimuth_deg=np.arange(0.0, 360.0, 2.0),
        far=ElevationGrid(found.far_dem, found.far_grid),
    )  # fmt: skip
    return sky.horizon_deg, sky.reach_m


def test_the_skyline_is_that_of_the_cells_themselves(with_copies, without):
    (coarse, reach), (fine, full_reach) = horizon(with_copies[0]), horizon(without[0])
    off = np.abs(coarse - fine)
    # Below the 0.35 degree that the steps of the rays may be off by themselves (`skyline`).
    assert np.quantile(off, 0.95) < 0.05
    assert off.max() < 0.15
    # As far as from the whole file, within a cell of the last step.
    assert np.abs(reach - full_reach).max() <= 160.0
    assert np.median(reach) > 7_500


def test_how_much_is_lost_is_said(with_copies):
    region, said, _ = with_copies
    assert "From 1.5 km on the skyline is looked for in cells of 40 m" in said
    record = json.loads((region / "sources.json").read_text(encoding="utf-8"))
    entry = next(e for e in record["sources"] if e["file"] == "dem_far.tif")
    assert "reduced copies with cells of 40 m" in entry["changed"]
    notes = next(e["notes"] for e in record["sources"] if e["file"] == "dem.tif")
    assert [n[0] for n in notes] == ["A-FAR-01"]


def test_the_copies_cell_for_cell(with_copies):
    region = with_copies[0]
    with (
        rasterio.open(region / "dem_far.tif") as far,
        rasterio.open(region.parent / "hills.tif", OVERVIEW_LEVEL=1) as source,
    ):
        window = source.window(*far.bounds).round_offsets().round_lengths()
        assert np.array_equal(far.read(1), source.read(1, window=window))


def test_copies_of_other_heights_are_not_used(folder):
    region, said, _ = gathered(folder, "wrong", wrong_m=25.0)
    assert not (region / "dem_far.tif").exists()
    assert "far" not in (region / "inputs.toml").read_text(encoding="utf-8").split("[land")[0]
    assert "hold other heights than the file" in said


def test_holes_stay_holes_far_off(folder):
    region, _, _ = gathered(folder, "holes", holes=True)
    with rasterio.open(region / "dem_far.tif") as far:
        values = far.read(1, masked=True)
    assert np.ma.getmaskarray(values).any()
    assert float(values.min()) > 100


def test_a_far_file_that_is_gone_is_fetched_again_and_else_nothing_is(folder):
    own = folder / "again"
    own.mkdir()
    with serving() as site:
        items = [item(site, hills(own), "dem"), item(site, cover(own), "cover")]
        land.serve(site, items)
        rules = land.rules(site, own, dem=FINE)
        out = own / "region"
        assert land.gather(out, rules, point=POINT).exit_code == 0
        before = land.files_in(out)
        site.asked.clear()
        assert land.gather(out, rules, point=POINT).exit_code == 0
        assert site.asked == []
        (out / "dem_far.tif").unlink()
        assert land.gather(out, rules, point=POINT).exit_code == 0
        after = land.files_in(out)
        assert after["dem_far.tif"] == before["dem_far.tif"]
        assert after["inputs.toml"] == before["inputs.toml"]


def test_what_the_margin_holds_needs_no_copy(folder):
    region, _, _ = gathered(folder, "margin", "--margin", 8800)
    assert not (region / "dem_far.tif").exists()
