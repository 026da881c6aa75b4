"""Inputs as people have them: polygons, tiles, grids in folders, two layers in one file, none."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import LineString, Point, box

from siting.errors import SitingError
from siting.notebook import site_parcel
from siting.read.inspection import inspect
from siting.read.land import read_land, read_parcel
from siting.report.files.tables import spots_csv
from siting.report.shared.facts import spot_facts
from siting.settings.given.layers import Layers
from siting.settings.inputs import Inputs
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import Protocol
from siting.settings.protocol_field import WalkRules
from siting.settings.text.faults import validate
from siting.types import CoverRole, NoGo
from siting.walk.network import build_net, ways_of
from tests.bad_inputs.land import (
    CELL_M,
    LEFT,
    PROTOCOL,
    TOP,
    Land,
    clean,
    codes,
    frame,
    raster,
    relief,
)
from tests.esri_grid import write_esri_grid
from tests.test_read import RULES, code_of, inputs_of, read_land_of

SAMPLE = Path(__file__).parents[1] / "sample_rasters"


def small_protocol(folder: Path):
    """The rules that make a run take a moment."""
    path = folder / "protocol.toml"
    path.write_text(PROTOCOL)
    return load_protocol(path)


def codes_of(land) -> list[str]:
    return [note.code for note in land.notes]


# --- land cover by polygons ---


def polygons(land: Land, **columns) -> Land:
    """The clean land's woods and hay as two polygons, with a pond drawn over the woods."""
    whole = box(LEFT - 100, TOP - 400, LEFT + 400, TOP + 100)
    woods = box(LEFT - 100, TOP - 400, LEFT + 150, TOP + 100)
    pond = box(LEFT + 60, TOP - 120, LEFT + 90, TOP - 90)
    table = {"kind": ["pond", "wood", "hay"]} | columns
    path = land.folder / "cover.gpkg"
    frame(pond, woods, whole, **table).to_file(path)
    given = {"file": "cover.gpkg", "column": next(iter(columns), "kind")}
    return land.set("land_cover", given)


def test_polygons_are_land_cover_with_roles_by_column(tmp_path):
    """The small ones lie over the large ones, in whatever order the file has them."""
    land = polygons(clean(tmp_path))
    land.set("land_cover.values", {"wood": "tree", "hay": "pasture", "pond": "water"})
    found = read_land_of(land)
    x, y = found.grid.xy(*np.indices(found.grid.shape))
    pond = (x > LEFT + 60) & (x < LEFT + 90) & (y > TOP - 120) & (y < TOP - 90)
    wood = (x < LEFT + 150) & ~pond
    assert (found.role[pond] == CoverRole.WATER).all()
    assert (found.role[wood] == CoverRole.TREE).all()
    assert (found.role[~pond & ~wood] == CoverRole.PASTURE).all()
    assert "A-POLYGONS-01" in codes_of(found)
    assert sorted(found.class_names.values()) == ["hay", "pond", "wood"]


def test_polygons_with_codes_take_a_legend(tmp_path):
    land = polygons(clean(tmp_path), code=[11, 41, 81]).set("land_cover.legend", "nlcd")
    assert set(np.unique(read_land_of(land).cover_code)) == {11, 41, 81}


def test_a_class_of_polygons_without_a_meaning_is_refused(tmp_path):
    land = polygons(clean(tmp_path)).set("land_cover.values", {"wood": "tree", "hay": "pasture"})
    with pytest.raises(SitingError, match="'pond'") as caught:
        read_land_of(land)
    assert caught.value.code == "E-FIELD-01"
    land.set("land_cover.other", "leave out")
    assert CoverRole.WATER not in read_land_of(land).role


def test_polygons_that_leave_much_unknown_are_refused(tmp_path):
    land = polygons(clean(tmp_path))
    land.set("land_cover.values", {"wood": "tree", "hay": "leave out", "pond": "water"})
    assert code_of(read_land_of, land) == "E-COVER-02"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"file": "a.tif"}, "needs its legend"),
        ({"file": "a.gpkg"}, "needs the column"),
        ({"file": "a.gpkg", "column": "kind"}, "needs what its classes mean"),
    ],
)
def test_land_cover_says_what_it_lacks(given, said):
    data = {"parcel": {"file": "p.gpkg"}, "dem": {"file": "d.tif"}, "land_cover": given}
    with pytest.raises(SitingError, match=said):
        validate(Inputs, data, source="x")


# --- no land cover ---


def test_without_land_cover_it_runs_and_says_what_it_could_not_judge(tmp_path):
    land = clean(tmp_path).set("land_cover", None)
    result = site_parcel(inputs_of(land), small_protocol(tmp_path))
    assert result.usable_share > 0.5
    inside = (result.no_go & NoGo.OUTSIDE.value) == 0
    assert not (result.no_go & NoGo.NO_DATA.value)[inside].any()
    assert "W-NOCOVER-01" in [note.code for note in result.notes]
    assert not {"edge", "opening", "view", "strap"} & set(result.scores.memberships)
    said = " ".join(text for spot in result.spots for text in (*spot.why, *spot.check, spot.name))
    assert not any(word in said for word in ("woods", "field", "opening", "forest"))


def test_single_trees_tell_where_a_camera_can_be_strapped(tmp_path):
    land = clean(tmp_path).set("land_cover", None)
    frame(Point(LEFT + 152.5, TOP - 152.5)).to_file(tmp_path / "trees.gpkg")
    land.set("layers.trees", "trees.gpkg")
    result = site_parcel(inputs_of(land), small_protocol(tmp_path))
    away = result.layers["distance_to_tree_m"]
    (text,) = [n.text for n in result.notes if n.code == "W-NOCOVER-01"]
    assert "strap" not in text
    assert away[30, 30] < CELL_M
    assert away[30, 40] == pytest.approx(50.0, abs=CELL_M)


# --- tiles and grids in folders ---


def cut(land: Land, folder: str = "tiles", **how) -> Path:
    """The clean DEM in four tiles with a shared row and column."""
    place = land.folder / folder
    place.mkdir()
    values = relief()
    for n, (r0, r1, c0, c1) in enumerate(
        [(0, 31, 0, 31), (0, 31, 30, 60), (30, 60, 0, 31), (30, 60, 30, 60)]
    ):
        raster(
            place / f"{n}.tif",
            values[r0:r1, c0:c1],
            left=LEFT + c0 * CELL_M,
            top=TOP - r0 * CELL_M,
            **how,
        )
    return place


@pytest.mark.parametrize("given", ["folder", "list"])
def test_tiles_joined_are_the_whole_cell_for_cell(given, tmp_path):
    land = clean(tmp_path)
    cut(land)
    land.set("dem.file", "tiles" if given == "folder" else [f"tiles/{n}.tif" for n in range(4)])
    found = read_land(inputs_of(land), read_parcel(inputs_of(land)), rules=RULES, far_reach_m=200.0)
    assert np.array_equal(found.dem, relief())
    (source,) = (s for s in found.sources if s.role == "dem")
    assert source.file == ("tiles" if given == "folder" else "0.tif and 3 more")


def test_a_hole_between_tiles_is_not_known(tmp_path):
    land = clean(tmp_path)
    (cut(land, nodata=-9999.0) / "3.tif").unlink()
    land.set("dem.file", "tiles")
    found = read_land_of(land)
    assert np.isnan(found.dem[31:, 31:]).all()
    assert np.isfinite(found.dem[:30, :]).all()
    assert not found.known["dem"][40, 40]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"crs": "EPSG:32618"}, "coordinate system"),
        ({"cell_m": 10.0}, "cell size"),
        ({"left": LEFT + 152.0}, "lattices"),
        ({"dtype": "float64"}, "number type"),
    ],
)
def test_tiles_that_do_not_fit_are_refused(change, said, tmp_path):
    land = clean(tmp_path)
    place = cut(land)
    how = {"left": LEFT + 30 * CELL_M, "top": TOP} | change
    raster(place / "1.tif", relief()[:31, 30:60], **how)
    land.set("dem.file", "tiles")
    with pytest.raises(SitingError, match=said) as caught:
        read_land_of(land)
    assert caught.value.code == "E-TILES-01"


def test_esri_grid_folders_are_the_same_land(tmp_path):
    """Field test A17: E-FILE-04, then E-FILE-02, for a folder that the trade hands about."""
    dem = write_esri_grid(tmp_path / "relief", SAMPLE / "dem_10m.tif")
    cover = write_esri_grid(tmp_path / "classes", SAMPLE / "land_cover.tif")
    as_files, as_folders = (
        load_inputs(
            SAMPLE / "inputs.toml",
            {"dem": {"file": str(heights)}, "land_cover": {"file": str(classes)}},
        )
        for heights, classes in ((SAMPLE / "dem_10m.tif", SAMPLE / "land_cover.tif"), (dem, cover))
    )
    plain, grids = (
        read_land(given, read_parcel(given), rules=RULES, far_reach_m=0.0)
        for given in (as_files, as_folders)
    )
    assert np.array_equal(plain.dem, grids.dem, equal_nan=True)
    assert np.array_equal(plain.role, grids.role)
    assert plain.parcel_shape.equals(grids.parcel_shape)
    assert not [found for found in inspect(as_folders, Protocol()) if found.error]


def test_esri_grid_folders_are_scored_as_their_tiffs_are(tmp_path):
    """From end to end: every file of the run but the record is the same, byte for byte."""
    rules = small_protocol(tmp_path)
    land = clean(tmp_path)
    for name, key in (("dem", "dem"), ("cover", "land_cover")):
        folder = write_esri_grid(tmp_path / f"{name}_grid", tmp_path / f"{name}.tif")
        land.set(f"{key}.file", folder.name)
    # The two readers must call the system alike, or the notes would differ.
    grids = site_parcel(inputs_of(land), rules)
    land.set("dem.file", "dem.tif").set("land_cover.file", "cover.tif")
    files = site_parcel(inputs_of(land), rules)
    assert grids.spots
    assert spots_csv(grids, spot_facts(grids)) == spots_csv(files, spot_facts(files))
    assert np.array_equal(grids.scores.total, files.scores.total, equal_nan=True)
    assert np.array_equal(grids.no_go, files.no_go)


def test_an_empty_folder_says_what_a_folder_may_be(tmp_path):
    (tmp_path / "empty").mkdir()
    land = clean(tmp_path).set("dem.file", "empty")
    with pytest.raises(SitingError, match=r"hdr\.adf") as caught:
        read_land_of(land)
    assert caught.value.code == "E-FILE-04"


# --- roads and paths in one file ---


def ways(land: Land, **more) -> Land:
    kinds = ["tertiary", "path", "steps"]
    lines = [LineString([(LEFT, TOP - d), (LEFT + 300, TOP - d)]) for d in (40, 140, 200)]
    frame(*lines, highway=kinds).to_file(land.folder / "ways.gpkg")
    return land.set("layers", {"roads": {"file": "ways.gpkg"} | more})


def test_one_file_gives_roads_and_trails_and_drops_a_value(tmp_path):
    values = {"tertiary": "minor", "path": "trails.quiet", "steps": ""}
    land = ways(clean(tmp_path), column="highway", values=values, error_m=4.0)
    found = read_land_of(land)
    assert list(found.vectors["roads"]["class"]) == ["minor"]
    assert list(found.vectors["trails"]["use"]) == ["quiet"]
    assert list(found.vectors["trails"]["error_m"]) == [4.0]
    assert codes_of(found).count("A-LEFT-OUT-01") == 2


def test_leave_out_and_other_speak_for_the_rest(tmp_path):
    values = {"tertiary": "roads.minor", "path": "trails"}
    land = ways(clean(tmp_path), column="highway", values=values, other="leave out")
    found = read_land_of(land)
    assert len(found.vectors["roads"]) == len(found.vectors["trails"]) == 1
    assert list(found.vectors["trails"]["use"]) == ["unknown"]


def test_a_value_that_nobody_explained_is_refused(tmp_path):
    land = ways(clean(tmp_path), column="highway", values={"tertiary": "minor"})
    assert code_of(read_land_of, land) == "E-FIELD-01"


def test_a_layer_that_does_not_exist_cannot_be_meant():
    data = {"roads": {"file": "a.gpkg", "column": "x", "values": {"path": "footways.quiet"}}}
    with pytest.raises(SitingError, match="names no layer"):
        validate(Layers, data, source="x")


def test_footpaths_among_roads_without_a_column_are_told(tmp_path):
    land = ways(clean(tmp_path))
    line = LineString([(LEFT, TOP), (LEFT + 300, TOP)])
    kinds = ["tertiary", *["path"] * 5, *["steps"] * 3]
    names = [f"Mill Path {n}" for n in range(len(kinds))]
    frame(*[line] * len(kinds), highway=kinds, called=names).to_file(tmp_path / "ways.gpkg")
    found = read_land_of(land)
    (text,) = (n.text for n in found.notes if n.code == "W-CLASS-01")
    assert "highway: path, steps" in text
    assert 'column = "highway"' in text


def test_trails_that_do_not_say_who_uses_them_are_a_warning(tmp_path):
    frame(LineString([(LEFT, TOP - 140), (LEFT + 300, TOP - 140)])).to_file(tmp_path / "t.gpkg")
    found = read_land_of(clean(tmp_path).set("layers.trails", "t.gpkg"))
    assert list(found.vectors["trails"]["use"]) == ["unknown"]
    assert "W-USE-01" in codes_of(found)


@pytest.mark.parametrize(
    ("column", "value", "use"),
    [
        ("surface", "Paved", "busy"),
        ("trailnm", "Mill Creek Greenway", "busy"),
        ("highway", "cycleway", "busy"),
        ("surface", "unpaved", "unknown"),
        ("surface", "not paved", "unknown"),
        ("access", "Public", "unknown"),  # whose it is, not who walks there
        (
            "source",
            "surveyed along the paved road to the mill and from there on by foot",
            "unknown",
        ),
    ],
)
def test_trails_that_look_like_paths_for_people_are_busy(column, value, use, tmp_path):
    """A paved greenway of a suburb gave four of the first five spots, 0 to 9 m from it."""
    line = LineString([(LEFT, TOP - 140), (LEFT + 300, TOP - 140)])
    frame(line, **{column: [value]}).to_file(tmp_path / "t.gpkg")
    found = read_land_of(clean(tmp_path).set("layers.trails", "t.gpkg"))
    assert list(found.vectors["trails"]["use"]) == [use]
    assert ("A-USE-03" in codes_of(found)) == (use == "busy")
    assert ("W-USE-01" in codes_of(found)) == (use == "unknown")


# --- what goes with every source ---


def test_attribution_goes_with_each_source(tmp_path):
    land = ways(clean(tmp_path), attribution="(c) the wayfarers")
    land.set("dem.attribution", "(c) the surveyors")
    found = read_land_of(land)
    lines = {source.role: source.attribution for source in found.sources}
    assert lines["dem"] == "(c) the surveyors"
    assert lines["layers.roads"] == "(c) the wayfarers"
    assert lines["land_cover"] == ""


def test_land_tells_where_each_raster_is_known(tmp_path):
    values = relief()
    values[:10] = np.nan
    land = clean(tmp_path).dem(values, nodata=float("nan"))
    cover = codes()
    cover[:, 50:] = 255
    land.cover(cover, nodata=255)
    found = read_land_of(land)
    assert not found.known["dem"][:10].any()
    assert found.known["dem"][10:].all()
    assert not found.known["land_cover"][:, 50:].any()
    assert "canopy" not in found.known


def test_a_layer_named_fifty_times_is_read_once(tmp_path):
    land = ways(clean(tmp_path))
    shutil.copy(tmp_path / "ways.gpkg", tmp_path / "other.gpkg")
    (tmp_path / "link.gpkg").symlink_to("ways.gpkg")
    files = ["ways.gpkg", "./ways.gpkg", "link.gpkg", *["ways.gpkg"] * 47]
    found = read_land_of(land.set("layers.roads", files))
    assert len(found.vectors["roads"]) == 3
    assert [s.role for s in found.sources].count("layers.roads") == 1


# --- canopy in every form ---


def canopied(land: Land, values, unit: str, cell_m: float = 5.0) -> Land:
    raster(land.folder / "canopy.tif", np.asarray(values), cell_m=cell_m, unit="")
    return land.set("canopy", {"file": "canopy.tif", "z_unit": unit})


def test_canopy_in_decimetres_is_the_same_as_in_metres(tmp_path):
    metres = np.where(np.indices((60, 60))[1] < 20, 12.0, 0.0).astype(np.float32)
    (tmp_path / "a").mkdir()
    first = read_land_of(canopied(clean(tmp_path), metres, "m"))
    tenths = (metres * 10).astype(np.uint16)
    second = read_land_of(canopied(clean(tmp_path / "a"), tenths, "dm"))
    assert np.array_equal(first.canopy_m, second.canopy_m)
    assert np.nanmax(second.canopy_m) == 12.0


def test_percent_of_tree_cover_tells_where_a_tree_is(tmp_path):
    share = np.where(np.indices((60, 60))[1] >= 40, 60, 0).astype(np.uint8)
    land = canopied(clean(tmp_path), share, "percent")
    result = site_parcel(inputs_of(land), small_protocol(tmp_path))
    assert result.land.canopy_m is None
    assert "W-CANOPY-01" in [note.code for note in result.notes]
    away = result.layers["distance_to_tree_m"]
    assert away[30, 50] == 0.0
    assert away[30, 20] == pytest.approx(100.0, abs=CELL_M)


def test_canopy_in_wide_cells_changes_the_tree_to_strap_to_and_says_why_not_the_view(tmp_path):
    heights = np.zeros((10, 10), dtype=np.float32)
    heights[:, 7:] = 14.0
    land = canopied(clean(tmp_path), heights, "m", cell_m=30.0)
    result = site_parcel(inputs_of(land), small_protocol(tmp_path))
    (text,) = [n.text for n in result.notes if n.code == "W-CANOPY-01"]
    assert "cells of 30 m" in text
    assert result.layers["distance_to_tree_m"][30, 30] > 40.0


def test_percent_beyond_a_hundred_is_refused(tmp_path):
    land = canopied(clean(tmp_path), np.full((60, 60), 255, dtype=np.uint8), "percent")
    assert code_of(read_land_of, land) == "E-VALUE-02"


# --- fences ---


def test_the_way_passes_a_fence_only_at_a_gate(tmp_path):
    land = clean(tmp_path)
    fence = LineString([(LEFT + 152.5, TOP), (LEFT + 152.5, TOP - 300)])
    frame(fence).to_file(tmp_path / "fence.gpkg")
    frame(Point(LEFT + 152.5, TOP - 100), kind=["gate"]).to_file(tmp_path / "gate.gpkg")
    land.set("layers", {"fences": "fence.gpkg", "crossings": "gate.gpkg"})
    found = read_land_of(land)
    points = [(LEFT + 60, TOP - 150), (LEFT + 240, TOP - 150)]
    net = build_net(found, ways_of(found), points=points, rules=WalkRules())
    east, north = net.grid.xy(*np.indices(net.grid.shape))
    on = (np.abs(east - LEFT - 152.5) < net.grid.cell_size_m / 2 - 0.1).ravel()
    at_gate = (np.hypot(east - LEFT - 152.5, north - TOP + 100) <= net.grid.cell_size_m).ravel()
    inner = (np.abs(north - TOP + 150) < 80).ravel()
    assert not net.free[on & inner & ~at_gate & (np.abs(north - TOP + 100) > 25).ravel()].any()
    assert net.free[on & at_gate].any()


@pytest.mark.parametrize(("gap_m", "all_of_it"), [(4.0, True), (30.0, False)])
def test_livestock_may_stand_anywhere_inside_its_fence(gap_m, all_of_it, tmp_path):
    """Cows drawn in one corner: the fence is their limit, and not what somebody drew."""
    west, north, wide = LEFT + 60.0, TOP - 60.0, 140.0
    ring = [(west + gap_m, north), (west + wide, north), (west + wide, north - wide),
            (west, north - wide), (west, north)]  # fmt: skip
    frame(LineString(ring)).to_file(tmp_path / "fence.gpkg")
    frame(box(west + 5, north - 25, west + 25, north - 5)).to_file(tmp_path / "cows.gpkg")
    land = clean(tmp_path).set("layers", {"fences": "fence.gpkg", "livestock": "cows.gpkg"})
    found = read_land_of(land)
    (shape,) = found.shapes("livestock")
    assert shape.contains(Point(west + wide - 5, north - wide + 5)) is all_of_it
    assert not shape.contains(Point(west + wide + 5, north - wide + 5))
    assert ("A-FENCE-01" in codes_of(found)) is all_of_it
