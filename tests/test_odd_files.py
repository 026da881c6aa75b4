"""Files that bring a program down: numbers of any length, open databases, names, hidden signs."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from pathlib import Path

import numpy as np
import pyproj
import pytest

from siting.grid import Grid, crs_text
from siting.read.vector.columns import plain_text
from siting.settings.text.toml import read_toml
from tests.bad_inputs.land import CELL_M, CRS, LEFT, TOP, Land, clean, frame, hill, raster
from tests.bad_inputs.runner import run
from tests.test_read import code_of, elevation, read_land_of

NINES = "9" * 400


def check(land: Land):
    found = run(land, "check")
    assert "E-INTERNAL" not in found.err
    return found


# --- numbers and fields of any length ---


@pytest.mark.parametrize("digits", [400, 5001])
def test_a_number_of_any_length_in_the_settings_is_told(digits, tmp_path):
    land = clean(tmp_path)
    plain = (
        'parcel = { file = "outline.geojson" }\nland_cover = { file = "c.tif", legend = "nlcd" }\n'
    )
    land.text = plain + 'dem = { file = "dem.tif", nodata = ' + "9" * digits + " }\n"
    found = check(land)
    assert found.status == 3
    assert ("E-SETTINGS-01" if digits == 400 else "E-SETTINGS-02") in found.err


def test_a_number_that_python_would_not_read_is_no_toml(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("a = " + "9" * 5001)
    assert code_of(read_toml, path) == "E-SETTINGS-02"


@pytest.mark.parametrize("key", ["lat", "radius_m"])
def test_a_number_of_400_digits_in_a_visit_is_told(key, tmp_path):
    place = {"lat": 43.0, "lon": -80.0, "state": "visited", "radius_m": 5} | {key: "NINES"}
    text = json.dumps({"format": "siting visited 1", "spots": [place]})
    (tmp_path / "v.json").write_text(text.replace('"NINES"', NINES))
    found = check(clean(tmp_path).set("survey.visited", "v.json"))
    assert "E-VISIT-01" in found.out


def test_a_field_longer_than_the_reader_takes_is_told(tmp_path):
    (tmp_path / "v.csv").write_text("lat,lon,state\n43,-80," + "x" * 140_000 + "\n")
    found = check(clean(tmp_path).set("survey.visited", "v.csv"))
    assert "E-FILE-02" in found.out


# --- names ---


@pytest.mark.parametrize("option", ["--dem", "--parcel"])
def test_a_name_that_is_not_utf_8_says_to_rename_it(option, tmp_path):
    land = clean(tmp_path)
    key = {"--dem": "dem", "--parcel": "parcel"}[option]
    path = tmp_path / land.inputs[key]["file"]
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/odd\xff" + path.suffix.encode())
    path.rename(odd)
    land.options = [option, odd]
    found = check(land)
    assert "E-FILE-04" in found.out
    assert "Rename the file" in found.out


@pytest.mark.parametrize("sign", ["\u202e", "\u200b", "\u2066", "\ufeff", "\u00ad"])
def test_an_identifier_with_an_invisible_sign_is_refused(sign, tmp_path):
    frame(clean(tmp_path).outline, id=[f"P{sign}1"]).to_file(tmp_path / "p.gpkg")
    found = check(clean(tmp_path).set("parcel.file", "p.gpkg"))
    assert "E-FIELD-01" in found.out
    assert f"U+{ord(sign):04X}" in found.out


def test_marks_that_turn_the_writing_do_not_reach_a_name_that_is_shown():
    assert plain_text("Mill\u202e lane\u2069") == "Mill lane"
    assert plain_text("क्‍ष") == "क्‍ष"  # the joiner belongs to the letters


# --- a GeoPackage that another program has open ---


def journaled(folder: Path, *, held: bool) -> sqlite3.Connection | None:
    """A GeoPackage whose parcel is only in the journal beside it."""
    land = clean(folder)
    frame(land.outline, id=["old"]).to_file(folder / "p.gpkg")
    base = sqlite3.connect(folder / "p.gpkg")
    base.execute("pragma journal_mode=wal")
    base.execute("pragma wal_autocheckpoint=0")
    base.execute("create table note (a)")
    base.commit()
    if held:
        return base
    files = {p.name: p.read_bytes() for p in folder.glob("p.gpkg*") if p.suffix != ".gpkg-shm"}
    base.close()
    for path in folder.glob("p.gpkg*"):
        path.unlink()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return None


@pytest.mark.parametrize("held", [True, False])
def test_a_geopackage_with_a_journal_is_read_and_left_as_found(held, tmp_path):
    base = journaled(tmp_path, held=held)
    before = {p.name: p.read_bytes() for p in tmp_path.glob("p.gpkg*") if "shm" not in p.name}
    assert "p.gpkg-wal" in before
    land = clean(tmp_path).set("parcel.file", "p.gpkg::p")
    for command in ("check", "score"):
        assert run(land, command).status == 0
    after = {p.name: p.read_bytes() for p in tmp_path.glob("p.gpkg*") if "shm" not in p.name}
    assert after == before
    if base is not None:
        assert base.execute("select count(*) from p").fetchone() == (1,)
        base.close()
    else:
        assert not (tmp_path / "p.gpkg-shm").exists()


# --- the same land whatever the window, the same system asked once ---


@pytest.mark.parametrize("size_m", [10.0, 30.0])
def test_heights_do_not_depend_on_how_much_of_the_grid_a_file_covers(size_m, tmp_path):
    """A file and its western half, both in another system, coarser than the grid of 5 m."""
    grid = Grid(CRS, LEFT, TOP, CELL_M, 120, 120)
    change = pyproj.CRS("EPSG:32618")
    move = pyproj.Transformer.from_crs(CRS, change, always_xy=True)
    back = pyproj.Transformer.from_crs(change, CRS, always_xy=True)
    x0, y0 = move.transform(LEFT - 300, TOP + 300)
    n = int(1500 / size_m)
    south, east = (np.mgrid[0:n, 0:n] + 0.5) * size_m
    here = back.transform(x0 + east, y0 - south)
    heights = hill(here[0] - LEFT, TOP - here[1]).astype(np.float32)
    how = {"crs": change.to_wkt(), "left": x0, "top": y0, "cell_m": size_m}
    whole, *_ = elevation(raster(tmp_path / "whole.tif", heights, **how), grid)
    half, *_ = elevation(raster(tmp_path / "half.tif", heights[:, : n * 2 // 5], **how), grid)
    both = np.isfinite(half)
    both[:, -int(2 * size_m / CELL_M) :] = False
    assert 0.2 < both.mean() < 0.8
    inner = both & np.roll(both, int(2 * size_m / CELL_M), axis=1)
    inner &= np.roll(both, -int(2 * size_m / CELL_M), axis=1)
    assert np.abs(whole - half)[inner].max() < 1e-3


def test_a_system_without_a_name_is_looked_up_once():
    """A geographic system on GRS80 without a code took 0.5 s of search at every question."""
    text = (
        'GEOGCS["odd",DATUM["odd_place",SPHEROID["GRS 1980",6378137,298.257222101]],'
        'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]'
    )
    first = crs_text(pyproj.CRS(text))
    begin = time.process_time()
    for _ in range(20):
        assert crs_text(pyproj.CRS(text)) == first
    assert time.process_time() - begin < 0.5


def test_the_same_names_differ_by_nothing_hidden(tmp_path):
    assert code_of(read_land_of, clean(tmp_path).set("parcel.file", "none.gpkg")) == "E-FILE-01"
