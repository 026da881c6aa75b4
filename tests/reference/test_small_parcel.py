"""A parcel of 5 x 5 cells with every number on paper, through real files and the whole path.

The land, seen from above (10 m cells; the parcel is x = 100..150 m, y = 850..900 m):

    x     100    110    120    130    140    150
          | woods | woods | hay   | hay   | hay   |      the same in all five rows
    trail                            | at x = 135, north to south
    ground: a plane that falls 1 m in 10 m to the east

    column                     0        1        2        3        4
    centre x                 105      115      125      135      145
    to the trail, m           30       20       10        0       10
      membership             0        0.40     1.00     0.80     1.00   0:.8 3:1 10:1 15:.6 30:0
    to the edge (x = 120)     15        5        5       15       25
      membership             1        1        1        1        2/3    knots 0:1 15:1 30:.5
    slope, degrees            5.710593 everywhere (atan 0.1)
      membership             1                                          knots 0:1 12:1
    clear share (3 x 3)     0.6    6.6/9   7.8/9     1        1         woods 0.6, hay 1
    to tree cover, m           0        0        5       15       25
      membership             1        1        1       0.825    0.475   knots 10:1 30:.3

    what draws   = 2 ^ trail * 1.5 ^ edge           (two facts, so both count in full)
    what holds   = 0.5 ^ (1 - clear) * 0.7 ^ (1 - strap)
    index        = their product
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.settings.load import load_inputs, load_protocol

TRAIL = [0.0, 0.4, 1.0, 0.8, 1.0]
EDGE = [1.0, 1.0, 1.0, 1.0, 2 / 3]
VIEW = [0.6, 6.6 / 9, 7.8 / 9, 1.0, 1.0]
STRAP = [1.0, 1.0, 1.0, 0.825, 0.475]
ATTRACTION = [2.0**t * 1.5**e for t, e in zip(TRAIL, EDGE, strict=True)]
CONDITIONS = [0.5 ** (1 - v) * 0.7 ** (1 - s) for v, s in zip(VIEW, STRAP, strict=True)]
TOTAL = [a * c for a, c in zip(ATTRACTION, CONDITIONS, strict=True)]

# float32 layers: a relative error of 1e-7 per step, a dozen steps.
TOLERANCE = 4e-6

OFF = "ratio = 1.0\nlow = 1.0\nhigh = 1.0\n"
PROTOCOL = (
    """
[attractors.trail]
ratio = 2.0
[attractors.edge]
ratio = 1.5
[conditions.view]
ratio = 0.5
[conditions.strap]
ratio = 0.7
[no_go]
boundary_m = 0.0
[cover]
min_woods_ha = 0.0
[candidates]
spacing_m = 1.0
inside_m = 0.0
spots = 5
"""
    + "".join(
        f"[attractors.{name}]\n{OFF}"
        for name in ("water", "valley", "crossing", "opening", "funnel", "soft_edge", "feature")
    )
    + "".join(f"[conditions.{name}]\n{OFF}" for name in ("heading", "quiet"))
)
INPUTS = """
[parcel]
file = "parcel.geojson"
[dem]
file = "dem.tif"
[land_cover]
file = "cover.tif"
legend = "nlcd"
[layers]
trails = { file = "trails.gpkg", layer = "trails" }
"""
LEFT, TOP = 499_400.0, 4_800_600.0


@pytest.fixture
def land(tmp_path):
    x = LEFT + 10 * (np.arange(145) + 0.5)
    dem = np.tile(100.0 - 0.1 * (x - 500_000), (145, 1)).astype("float32")
    cover = np.tile(np.where(x < 500_120, 41, 81), (145, 1)).astype("uint8")
    transform = from_origin(LEFT, TOP, 10, 10)
    for name, array in (("dem", dem), ("cover", cover)):
        with rasterio.open(
            tmp_path / f"{name}.tif", "w", driver="GTiff", height=145, width=145, count=1,
            dtype=array.dtype, crs="EPSG:32617", transform=transform,
        ) as file:  # fmt: skip
            file.write(array, 1)
            file.units = ("metre",) if name == "dem" else ("",)
    square = shapely.box(500_100, 4_799_850, 500_150, 4_799_900)
    gpd.GeoDataFrame(geometry=[square], crs="EPSG:32617").to_crs(4326).to_file(
        tmp_path / "parcel.geojson", COORDINATE_PRECISION=12
    )
    trail = shapely.LineString([(500_135, 4_799_200), (500_135, 4_800_500)])
    gpd.GeoDataFrame({"use": ["game"]}, geometry=[trail], crs="EPSG:32617").to_file(
        tmp_path / "trails.gpkg", layer="trails"
    )
    (tmp_path / "inputs.toml").write_text(INPUTS)
    (tmp_path / "protocol.toml").write_text(PROTOCOL)
    return tmp_path


def run(folder):
    inputs = load_inputs(folder / "inputs.toml")
    protocol = load_protocol(folder / "protocol.toml")
    return site_parcel(inputs, protocol, read_parcel(inputs))


def inside(result, values):
    row, col = result.land.grid.rowcol(500_100.1, 4_799_899.9)
    return values[row : row + 5, col : col + 5]


def test_every_number_of_the_paper(land):
    result = run(land)
    parts = result.scores.memberships
    assert list(parts) == ["trail", "edge", "flat", "view", "strap"]
    for name, row in (("trail", TRAIL), ("edge", EDGE), ("view", VIEW), ("strap", STRAP)):
        np.testing.assert_allclose(
            inside(result, parts[name]), np.tile(row, (5, 1)), atol=TOLERANCE, err_msg=name
        )
    np.testing.assert_allclose(inside(result, parts["flat"]), 1.0, atol=TOLERANCE)
    np.testing.assert_allclose(
        inside(result, result.scores.attraction), np.tile(ATTRACTION, (5, 1)), atol=TOLERANCE
    )
    np.testing.assert_allclose(
        inside(result, result.scores.total), np.tile(TOTAL, (5, 1)), atol=TOLERANCE
    )


def test_all_25_cells_are_allowed_and_none_outside(land):
    result = run(land)
    assert (inside(result, result.no_go) == 0).all()
    assert int((result.no_go == 0).sum()) == 25


def test_the_best_is_the_middle_of_the_third_column(land):
    """The column's five cells are equal: the middle one has the most good ground around.

    The circle of a second spot would overlap: every other cell lies nearer than twice 15 m.
    """
    result = run(land)
    got = [(round(s.easting - 500_000, 6), round(4_799_900 - s.northing, 6)) for s in result.spots]
    assert got == [(125, 25)]
    assert result.spots[0].score == pytest.approx(TOTAL[2], abs=TOLERANCE)


@pytest.mark.parametrize("fault", ["transpose", "shift", "sign"])
def test_a_planted_fault_is_seen(land, fault):
    """The check above must not pass on a wrong DEM or cover (wrong axis, shifted by a cell)."""
    result = run(land)
    view = inside(result, result.scores.memberships["view"])
    wrong = {"transpose": view.T, "shift": np.roll(view, 1, axis=1), "sign": view[:, ::-1]}[fault]
    assert not np.allclose(wrong, np.tile(VIEW, (5, 1)), atol=TOLERANCE)
