"""Pictures of the map page: in register, right classes, honest colours."""

from __future__ import annotations

import base64
import io
from dataclasses import replace

import numpy as np
import pytest
import shapely
from PIL import Image
from scipy import ndimage

from siting.grid import Grid
from siting.report.shared import drawing, overlays, zones
from siting.report.shared.frame import page_frame
from siting.settings.protocol_ground import NoGoRules
from siting.types import NoGo

GRIDS = [
    Grid("EPSG:32617", 540000.0, 4820600.0, 5.0, 120, 120),
    Grid("EPSG:5070", -1200000.0, 2500000.0, 5.0, 120, 120),  # 11 degrees of convergence
    Grid("EPSG:32701", 165600.0, 8100000.0, 5.0, 120, 160),  # on the 180th meridian
]


def pixels(url: str) -> np.ndarray:
    head = "data:image/png;base64,"
    assert url.startswith(head)
    image = Image.open(io.BytesIO(base64.b64decode(url[len(head) :])))
    assert image.mode == "P"
    return np.asarray(image.convert("RGBA"))


def worst_offset_pixels(grid, drawn_on):
    """How far the middle of each of five marks lies from where PROJ puts it, in pixels.

    The marks are set on `grid`; the picture is made as if their array lay on `drawn_on`.
    """
    places = [(10, 12), (20, 100), (60, 60), (100, 15), (110, 108)]
    score = np.full(grid.shape, np.nan, dtype=np.float32)
    for row, col in places:
        score[row - 1 : row + 2, col - 1 : col + 2] = 0.99
    frame = page_frame(drawn_on)
    picture = overlays.score_picture(score, grid=drawn_on, frame=frame)
    rows, cols = np.nonzero(pixels(picture.url)[:, :, 3] > 0)
    plane = picture.plane
    x_of = plane.left + (cols + 0.5) * plane.pixel_m
    y_of = plane.top - (rows + 0.5) * plane.pixel_m
    worst = 0.0
    for row, col in places:
        x, y = frame.mercator(*grid.xy(row, col))
        own = np.hypot(x_of - x, y_of - y) < 30.0
        offset = np.hypot(x_of[own].mean() - x, y_of[own].mean() - y)
        worst = max(worst, float(offset) / plane.pixel_m)
    return worst


@pytest.mark.parametrize("grid", GRIDS, ids=lambda grid: grid.crs)
def test_marked_cells_lie_where_proj_puts_them(grid):
    """Against PROJ's own way from the grid to Web Mercator, within half a pixel."""
    assert worst_offset_pixels(grid, grid) < 0.5


@pytest.mark.parametrize(("east", "north"), [(5.0, 0.0), (0.0, -5.0), (2.5, 2.5)])
def test_a_picture_shifted_by_a_cell_or_half_is_seen(east, north):
    """The test above can fail: pixel-is-point mistakes are half a cell, border mistakes one."""
    grid = GRIDS[0]
    wrong = replace(grid, left=grid.left + east, top=grid.top + north)
    assert worst_offset_pixels(grid, wrong) > 2.0


def test_score_classes_by_twentieths():
    """Twenty even steps of the logarithm from an index of 0.5 to one of 4, eight times as much."""
    inside = 0.5 * 8 ** np.array([0.0, 0.049, 0.051, 0.499, 0.501, 0.949, 0.951])
    assert overlays.score_classes(np.float32(inside)).tolist() == [1, 1, 2, 10, 11, 19, 20]
    ends = np.float32([0.0, 0.3, 1.0, 4.0, 30.0, np.nan])
    assert overlays.score_classes(ends).tolist() == [1, 1, 7, 20, 20, 0]


def test_colours_are_cividis():
    """Twenty steps of the table matplotlib carries (CC0)."""
    matplotlib = pytest.importorskip("matplotlib")
    table = matplotlib.colormaps["cividis"]
    want = [matplotlib.colors.to_hex(table((i + 0.5) / 20)) for i in range(20)]
    assert list(overlays.SCORE_COLOURS) == want


def test_ground_is_brighter_to_the_light_and_clear_where_unknown():
    grid = GRIDS[0]
    row, col = np.mgrid[0 : grid.n_rows, 0 : grid.n_cols]
    knoll = 30 * np.exp(-((row - 60) ** 2 + (col - 60) ** 2) / 500.0)
    knoll[:20, :20] = np.nan
    picture = overlays.ground_picture(knoll.astype(np.float32), grid=grid, frame=page_frame(grid))
    seen = pixels(picture.url)
    middle_row, middle_col = seen.shape[0] // 2, seen.shape[1] // 2
    north_west = seen[middle_row - 12, middle_col - 12, 0]
    south_east = seen[middle_row + 12, middle_col + 12, 0]
    assert north_west > south_east + 20
    assert seen[10, 10, 3] == 0


def test_contours_of_a_plane_are_its_level_lines():
    grid = Grid("EPSG:32617", 0.0, 500.0, 5.0, 100, 100)
    _, northing = grid.xy(*np.mgrid[0:100, 0:100])
    dem = (100.0 + 0.1 * northing).astype(np.float32)
    found = dict(overlays.contours(dem, grid=grid, interval_m=5.0))
    assert [height for height in found if found[height]] == [105.0 + 5 * i for i in range(9)]
    for height, lines in found.items():
        for line in lines:
            # 0.1 m of float32 height is 1 m on this slope; smoothing bends the outermost cells.
            inner = np.asarray(line.coords)[3:-3]
            assert np.abs(inner[:, 1] - 10 * (height - 100)).max(initial=0) < 1.0


@pytest.mark.parametrize(("relief", "want"), [(3, 0.5), (12, 1), (60, 5), (700, 50), (9000, 200)])
def test_contour_interval(relief, want):
    assert overlays.contour_interval_m(np.array([0.0, float(relief)])) == want


def test_zone_areas_cover_the_cells_of_their_rule_inside_the_parcel():
    grid = Grid("EPSG:32617", 0.0, 200.0, 5.0, 40, 40)
    no_go = np.zeros(grid.shape, dtype=np.uint16)
    no_go[:, :5] = NoGo.OUTSIDE.value | NoGo.ROAD.value
    no_go[10:20, 3:15] |= NoGo.ROAD.value
    no_go[30, 30] = NoGo.STEEP.value
    told = dict(drawing.zone_areas(no_go, [NoGo.ROAD, NoGo.WATER, NoGo.STEEP], grid=grid))
    assert list(told) == [NoGo.ROAD, NoGo.STEEP]
    areas = told[NoGo.ROAD]
    assert [area.area for area in areas] == [10 * 10 * 25.0]
    assert areas[0].bounds == (25.0, 100.0, 75.0, 150.0)
    data = {zone["bit"]: zone for zone in zones.zones_data(no_go, grid=grid)}
    assert sorted(data) == [NoGo.ROAD.value, NoGo.STEEP.value]
    assert data[NoGo.ROAD.value]["area_m2"] == 2500


def cells_in(shapes, grid):
    """The cells whose centre lies in the page's shapes, unpacked from their differences."""
    outlines = [
        [np.cumsum(np.reshape(ring, (-1, 2)), axis=0) / 10.0 for ring in rings]
        for _, rings in shapes
    ]
    areas = [shapely.Polygon(rings[0], rings[1:]) for rings in outlines]
    x, y = np.meshgrid(
        (np.arange(grid.n_cols) + 0.5) * grid.cell_size_m,
        (np.arange(grid.n_rows) + 0.5) * grid.cell_size_m,
    )
    return shapely.contains_xy(shapely.union_all(areas), x, y)


def test_hatching_is_exact_at_every_cell():
    """Field test A15: 13 % of open ground was hatched and 11 % of closed ground was not."""
    rng = np.random.default_rng(4)
    grid = Grid("EPSG:32617", 0.0, 600.0, 5.0, 120, 120)
    shut = ndimage.gaussian_filter(rng.normal(size=grid.shape), 2.0) > 0.05
    no_go = np.where(shut, NoGo.STEEP.value, 0).astype(np.uint16)
    (zone,) = zones.zones_data(no_go, grid=grid)
    np.testing.assert_array_equal(cells_in(zone["shapes"], grid), shut)


def test_every_rule_has_words_and_names_its_set_back():
    rules = NoGoRules(livestock_m=25.0)
    rows = zones.rules_data(rules)
    assert [row["bit"] for row in rows] == [bit.value for bit in NoGo]
    stock = next(row for row in rows if row["bit"] == NoGo.LIVESTOCK)
    assert "25 m (82 ft)" in stock["text"]
    assert len({row["label"] for row in rows}) == len(rows)


def test_flat_lists_are_differences_in_decimetres():
    grid = Grid("EPSG:32617", 100.0, 200.0, 5.0, 10, 10)
    xy = np.array([[101.0, 199.0], [103.04, 198.0], [103.0, 198.0], [103.0, 190.0]])
    assert drawing.flat(xy, grid) == [10, 10, 20, 10, 0, 80]


def test_a_walk_beside_a_trail_is_drawn_on_it():
    """Zigzag within a cell of the trail comes to lie on it; ends and the rest stay."""
    import numpy as np
    import shapely
    from shapely import LineString

    from siting.report.shared.drawing import along_tracks
    from tests.map_result import map_result

    result = map_result()
    trail = result.land.vectors["trails"].geometry.iloc[0]
    on = shapely.line_interpolate_point(trail, np.linspace(20, 120, 26))
    zigzag = shapely.get_coordinates(on) + np.tile([[0.0, 1.9], [0.0, -1.9]], (13, 1))
    away = zigzag[-1] + [0.0, 60.0]
    walk = LineString([*zigzag, away])
    drawn = along_tracks(walk, result)
    near = shapely.get_coordinates(drawn)[1:]
    beside = near[near[:, 1] < zigzag[-1, 1] + 2.0]
    assert shapely.distance(shapely.points(beside), trail).max() < 0.01
    assert tuple(drawn.coords[0]) == tuple(walk.coords[0])
    assert tuple(drawn.coords[-1]) == tuple(away)
    assert shapely.distance(shapely.points(shapely.get_coordinates(walk)), trail).max() > 1.5
