"""Build the sample data: an invented valley with woods, fields, a brook and a pond.

    python sample_rasters/make_sample.py [--out FOLDER]

The place does not exist. Everything here is made from the numbers below and a seeded
generator, so a second run gives the same arrays and the same tables. Positions in this
script are metres east and north of ORIGIN; what is written is EPSG:32617.
"""

from __future__ import annotations

import argparse
import os
from functools import cache
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy import ndimage
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.spatial import cKDTree
from shapely import LineString, MultiPolygon, Point, Polygon, affinity

SEED = 20270401
CRS = "EPSG:32617"
PHONE_CRS = "EPSG:4326"  # the crossings: noted with a phone, so in degrees
ORIGIN = (540_000.0, 4_820_000.0)
NEAR = (-1100, -1100, 1100, 1100)  # extent of dem.tif: left, bottom, right, top
WIDE = (-2400, -2200, 2600, 2300)  # extent of dem_10m.tif and land_cover.tif
# Elevations are held to 1/32 m: finer says nothing, and a power of two packs small.
ELEVATION_STEP_M = 1 / 32
NODATA_M = -9999.0

Lines = dict[str, LineString]


# --- lines and areas on the ground ----------------------------------------------------


def _smooth(points, *, step_m=8.0, wiggle_m=0.0, wave_m=55.0):
    """Curve through the points, with meanders if asked, a vertex every step or so."""
    xy = np.asarray(points, dtype=float)
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T))]
    spline = CubicSpline(along, xy)
    s = np.linspace(0.0, along[-1], max(2, round(along[-1] / step_m)))
    curve, tangent = spline(s), spline(s, 1)
    normal = np.c_[-tangent[:, 1], tangent[:, 0]]
    normal /= np.hypot(*normal.T)[:, None]
    taper = np.minimum(1.0, np.minimum(s, s[-1] - s) / wave_m)
    swing = np.sin(2 * np.pi * s / wave_m + 1.7 * np.sin(s / 90.0)) * taper * wiggle_m
    return LineString(np.round(curve + normal * swing[:, None], 1))


def _blob(x, y, *, east_m, north_m, turn_deg=0.0, seed=0):
    """Rounded, slightly irregular outline about a centre; half-axes in metres."""
    rng = np.random.default_rng([SEED, 50, seed])
    a = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    phase = rng.uniform(0, 2 * np.pi, 3)
    r = 1 + sum(0.11 / k * np.sin((k + 1) * a + p) for k, p in zip((1, 2, 3), phase, strict=True))
    ring = np.c_[r * east_m * np.cos(a), r * north_m * np.sin(a)]
    shape = affinity.rotate(Polygon(ring), turn_deg, origin=(0, 0))
    return _tidy(affinity.translate(shape, x, y))


def _tidy(shape):
    """Coordinates to the decimetre."""
    return shapely.transform(shape, lambda xy: np.round(xy, 1))


def _box(x, y, east_m, north_m, turn_deg=0.0):
    flat = shapely.box(x - east_m / 2, y - north_m / 2, x + east_m / 2, y + north_m / 2)
    return _tidy(affinity.rotate(flat, turn_deg))


def _rill(points, into, near):
    """A small stream that ends on another, near a place."""
    mouth = into.interpolate(into.project(Point(near)))
    return _smooth([*points, (mouth.x, mouth.y)], step_m=6.0, wiggle_m=2.0, wave_m=40.0)


def streams() -> Lines:
    """Streams, each drawn from its head to its mouth."""
    # The country falls to the south, so a line that runs south runs downhill.
    brook = _smooth(
        [(-900, 2420), (-820, 1950), (-620, 1480), (-520, 1050), (-415, 760), (-345, 480),
         (-338, 260), (-262, 70), (-110, -58), (40, -118), (128, -190), (138, -350), (185, -620),
         (120, -960), (190, -1400), (110, -1850), (140, -2320)],
        step_m=6.0, wiggle_m=4.5,
    )  # fmt: skip
    spring_points = [
        (552, 1925), (430, 1560), (310, 1230), (268, 900), (290, 620), (262, 380), (252, 200),
        (226, 40), (168, -80),
    ]  # fmt: skip
    spring = _rill(spring_points, brook, (112, -165))
    outlet = _rill([(-72, -222), (-20, -232), (60, -246)], brook, (136, -268))
    west = _smooth(
        [(-2150, 2420), (-1900, 1900), (-1560, 1350), (-1600, 600), (-1560, 0), (-1480, -560),
         (-1700, -1200), (-1900, -1750), (-1960, -2320)],
        step_m=8.0, wiggle_m=5.0, wave_m=70.0,
    )  # fmt: skip
    barley_mouth = brook.interpolate(brook.project(Point(120, -1960)))
    east = _smooth(
        [(1160, 1560), (1010, 1050), (1120, 560), (1060, 60), (1010, -420), (860, -860),
         (700, -1300), (380, -1720), (barley_mouth.x, barley_mouth.y)],
        step_m=8.0, wiggle_m=5.0, wave_m=70.0,
    )  # fmt: skip
    upper = _rill([(-1212, 856), (-1262, 800), (-1400, 715), (-1500, 655)], west, (-1598, 590))
    far_east = _smooth(
        [(1800, 2420), (2020, 1800), (2080, 1000), (2230, 300), (2090, -500), (2160, -1300),
         (1900, -2320)],
        step_m=8.0, wiggle_m=5.0, wave_m=70.0,
    )  # fmt: skip
    return {
        "Thistle Brook": brook, "Spring Run": spring, "Pond outlet": outlet,
        "West Run": west, "Barley Run": east, "Far Run": far_east,
        "Upper outlet": upper,
        "West rill": _rill([(-722, 352), (-560, 338)], brook, (-350, 298)),
        "East rill": _rill([(652, 66), (668, -128), (860, -172)], east, (1036, -240)),
        "Highway rill": _rill([(1648, 424), (1900, 372)], far_east, (2228, 280)),
        "South rill": _rill([(1818, -1588), (1980, -1640)], far_east, (2110, -1690)),
    }  # fmt: skip


def ponds() -> dict[str, Polygon]:
    return {
        "Duck Pond": _blob(-112, -218, east_m=42, north_m=27, turn_deg=12, seed=1),
        "Upper Pond": _blob(-1190, 905, east_m=60, north_m=34, turn_deg=60, seed=2),
    }


def roads() -> dict[str, tuple[str, LineString]]:
    """Name to (class, centre line)."""
    county = [(-2500, -420), (-1900, -395), (-1250, -430), (-700, -352), (-370, -330), (-100, -342),
              (180, -350), (420, -328), (800, -300), (1300, -350), (1900, -330),
              (2700, -300)]  # fmt: skip
    highway = [(1420, -2320), (1490, -1500), (1440, -800), (1500, -100), (1590, 700), (1560, 1500),
               (1640, 2420)]  # fmt: skip
    lane = [(-1250, -430), (-1220, 100), (-1290, 650), (-1330, 1200), (-1240, 2420)]
    south = [(-1250, -430), (-1270, -900), (-1180, -1500), (-1210, -2320)]
    return {
        "County road": ("minor", _smooth(county, step_m=15)),
        "Highway": ("major", _smooth(highway, step_m=20)),
        "West lane": ("minor", _smooth(lane, step_m=15)),
        "South lane": ("minor", _smooth(south, step_m=15)),
        "Farm drive": (
            "track",
            _smooth([(-296, -333.5), (-298, -310), (-291, -286), (-296, -262)]),
        ),
        "Neighbour's drive": ("track", _smooth([(520, -319.4), (523, -280), (515, -232)])),
        "Barley drive": ("track", _smooth([(900, -303), (905, -380), (885, -470)])),
        "Lane house drive": ("track", _smooth([(-1266, 500), (-1225, 508), (-1190, 500)])),
    }


def trails() -> dict[str, tuple[str, LineString]]:
    """Name to (use, line)."""
    cart = [(8, -344.5), (10, -318), (6, -262), (-14, -190), (-32, -130), (-40, -88), (-34, -40),
            (4, 30), (6, 98), (-30, 112), (-72, 122), (-120, 128)]  # fmt: skip
    saddle = [(-420, 205), (-372, 196), (-322, 190), (-272, 178), (-222, 140), (-165, 118),
              (-100, 135), (-50, 165), (-20, 200), (-2, 245), (30, 290), (52, 330), (48, 392),
              (20, 460)]  # fmt: skip
    bench = [(270, -344.3), (278, -300), (292, -200), (302, -105), (318, -20), (336, 60),
             (342, 140), (326, 220), (296, 286), (268, 322)]  # fmt: skip
    strip = [(34, -108), (32, -60), (28, 0), (30, 60), (34, 110), (62, 142)]
    cross = [(327, 90), (296, 104), (262, 112), (226, 106), (190, 112), (160, 118)]
    path = [(-900, 560), (-640, 470), (-400, 405), (-210, 338), (-90, 352), (110, 372), (300, 352),
            (520, 330), (760, 380), (1000, 360), (1250, 420), (1555, 470)]  # fmt: skip
    west = [(-1290, 640), (-1380, 610), (-1480, 640), (-1650, 600), (-1760, 560)]
    woods = [(700, 400), (690, 620), (760, 840), (700, 1050)]
    south = [(-420, -342), (-430, -520), (-380, -700), (-300, -900), (-330, -1100)]
    return {
        "Cart track": ("quiet", _smooth(cart)),
        "Saddle trail": ("game", _smooth(saddle)),
        "Bench track": ("quiet", _smooth(bench)),
        "Strip trail": ("game", _smooth(strip)),
        "Spring trail": ("game", _smooth(cross)),
        "Public path": ("busy", _smooth(path, step_m=15)),
        "West trail": ("game", _smooth(west)),
        "North cart track": ("quiet", _smooth(woods)),
        "South cart track": ("quiet", _smooth(south)),
    }


def main_parcel() -> Polygon:
    return Polygon(
        [(-342, -319), (-150, -329), (60, -334), (210, -338), (290, -332), (322, -200), (354, -60),
         (372, 150), (336, 254), (284, 332), (150, 346), (-64, 338), (-116, 286), (-186, 288),
         (-236, 228), (-338, 214), (-344, 120), (-288, 24), (-322, -110)]
    )  # fmt: skip


def parcels() -> list[tuple[str, str, int, object]]:
    """(id, label, priority, outline) of every parcel of the batch."""
    holed = Polygon(
        [(-180, 420), (210, 430), (240, 640), (200, 930), (-80, 960), (-260, 800), (-250, 560)],
        [[(-60, 640), (60, 630), (70, 750), (-50, 760)]],
    )
    two = MultiPolygon([
        Polygon([(-980, -300), (-720, -310), (-700, -60), (-960, -40)]),
        Polygon([(-900, 40), (-690, 20), (-640, 300), (-880, 330)]),
    ])  # fmt: skip
    along_highway = Polygon([(1420, -305), (1490, -302), (1498, -120), (1440, -130)])
    return [
        ("P01", "Hollow farm", 1, main_parcel()),
        (
            "P02",
            "Ridge east side",
            2,
            Polygon([(392, 150), (700, 120), (840, 330), (560, 322), (358, 262)]),
        ),
        ("P03", "North woods", 1, holed),
        ("P04", "Two fields west", 3, two),
        ("P05", "Small lot", 3, _box(-640, -470, 105, 95, 8)),
        ("P06", "Highway corner", 3, along_highway),
        ("P07", "Cow meadow", 2, Polygon([(600, -360), (860, -345), (850, -660), (640, -700)])),
        (
            "P08",
            "West Run bottom",
            1,
            Polygon([(-1690, 250), (-1400, 230), (-1360, 620), (-1680, 700)]),
        ),
        (
            "P09",
            "Upper Pond",
            2,
            Polygon([(-1260, 760), (-900, 720), (-820, 1060), (-1080, 1220), (-1290, 1080)]),
        ),
        (
            "P10",
            "Barley Run woods",
            1,
            Polygon([(880, 500), (1300, 520), (1340, 880), (1020, 960), (860, 760)]),
        ),
        (
            "P11",
            "South valley",
            1,
            Polygon([(-270, -640), (160, -600), (205, -980), (-110, -1120), (-310, -900)]),
        ),
        (
            "P12",
            "Long strip",
            2,
            Polygon([(-660, -760), (-350, -720), (-390, -1420), (-600, -1440)]),
        ),
        ("P13", "Far side", 2, Polygon([(940, -760), (1260, -700), (1300, -1150), (1000, -1220)])),
    ]


def cell_of(shape) -> str:
    """Survey cell: four quarters that meet in the main parcel, which goes where its middle is."""
    east, north = shape.centroid.x > -45, shape.centroid.y > -60
    return {(0, 1): "C1", (1, 1): "C2", (0, 0): "C3", (1, 0): "C4"}[(int(east), int(north))]


def buildings() -> list[tuple[str, Polygon]]:
    return [
        ("house", _box(-292, -250, 14, 10, 8)),
        ("barn", _box(-318, -222, 18, 11, 8)),
        ("shed", _box(-268, -268, 6, 5, 8)),
        ("house", _box(512, -222, 13, 10, -10)),
        ("barn", _box(470, -236, 32, 15, -10)),
        ("house", _box(1470, -160, 14, 10)),
        ("house", _box(1455, -225, 12, 10)),
        ("shed", _box(1452, -282, 8, 8)),
        ("house", _box(884, -484, 14, 11, 15)),
        ("barn", _box(912, -515, 30, 16, 15)),
        ("house", _box(-1180, 500, 13, 11, 5)),
        ("house", _box(-1170, -462, 13, 10)),
        ("house", _box(-610, -378, 13, 10, 4)),
        ("house", _box(-1920, -366, 14, 10)),
        ("barn", _box(-1960, -360, 26, 14)),
        ("house", _box(2010, -290, 13, 10)),
    ]


PASTURES = (
    Polygon([(196, -300), (330, -296), (436, -282), (446, -150), (330, -128), (214, -140)]),
    Polygon([(585, -355), (875, -335), (862, -640), (652, -672)]),
)
BEEHIVES = Polygon([(-232, -168), (-204, -172), (-199, -146), (-226, -140)])
BLUFF = (-218, 80)  # where the brook has cut into the foot of the west knoll
KNOLLS = ((-146, 208, 27.0, 98.0), (104, 214, 31.0, 102.0))  # x, y, height, spread
CLEARING = (46, 316)


def main_fields() -> list[tuple[int, Polygon]]:
    """Land-cover code and outline of the fields in and at the main parcel."""
    west = Polygon([(-172, 34), (-112, -8), (-62, -46), (-6, -72), (12, 20), (4, 104), (-60, 92),
                    (-136, 106)])  # fmt: skip
    peninsula = Polygon([(-104, 120), (-46, 120), (-58, 46), (-74, 34), (-86, 42)])
    east = Polygon(
        [(48, -72), (98, -104), (142, -44), (196, 36), (206, 108), (140, 118), (50, 106)]
    )
    notch = Polygon([(128, 58), (230, 58), (230, 130), (128, 130)])
    south = Polygon([(-312, -176), (-236, -186), (-186, -176), (-150, -130), (-132, -82),
                     (-228, -4),
                     (-284, -22), (-308, -112)])  # fmt: skip
    by_gate = Polygon([(34, -304), (98, -306), (106, -262), (100, -204), (62, -164), (16, -196)])
    over_road = Polygon([(-330, -370), (100, -382), (92, -540), (-60, -600), (-340, -560)])
    west_out = Polygon(
        [(-620, -290), (-370, -305), (-350, -110), (-330, 20), (-370, 90), (-610, 60)]
    )
    return [
        (82, west.difference(peninsula)), (81, east.difference(notch)), (81, south), (82, by_gate),
        (82, over_road), (81, west_out), *((81, p) for p in PASTURES),
    ]  # fmt: skip


# --- elevation ------------------------------------------------------------------------


def _noise(x, y, *, wave_m, seed):
    """Smooth random relief of about unit spread, the same for any set of positions."""
    left, bottom, right, top = WIDE
    pad = 6
    shape = (int((top - bottom) / wave_m) + 2 * pad, int((right - left) / wave_m) + 2 * pad)
    lattice = np.random.default_rng([SEED, seed]).standard_normal(shape)
    rows, cols = (y - bottom) / wave_m + pad / 2, (x - left) / wave_m + pad / 2
    return ndimage.map_coordinates(lattice, [rows, cols], order=3, mode="reflect") * 1.5


def _points(lines, step_m=0.5):
    return np.vstack([shapely.get_coordinates(ln.segmentize(step_m)) for ln in lines])


def _distance(lines, x, y, reach_m=np.inf):
    """Metres from each position to the nearest of the lines; infinite beyond the reach.

    A search without an end takes ten times as long, and what counts with `_gauss` has none.
    """
    tree = cKDTree(_points(lines))
    at = np.c_[x.ravel(), y.ravel()]
    return tree.query(at, distance_upper_bound=reach_m)[0].reshape(x.shape)


def _gauss(distance_m, spread_m):
    return np.exp(-((distance_m / spread_m) ** 2))


def _ridge(x, y):
    """The eastern ridge, with a bench half way up its west side."""
    west_of_crest = 478 + 26 * np.sin(y / 230.0) - x
    at = [-420, -260, -120, 0, 40, 112, 168, 238, 290, 400]
    plain = PchipInterpolator(at, [0, 7, 30, 46, 42, 29, 17, 5, 1, 0])
    bench = PchipInterpolator(at, [0, 7, 30, 46, 41, 20.8, 20.4, 4, 0, 0])
    share = np.exp(-(((y - 110) / 260.0) ** 4))
    clipped = np.clip(west_of_crest, at[0], at[-1])
    height = plain(clipped) * (1 - share) + bench(clipped) * share
    return height * np.exp(-(((y - 60) / 820.0) ** 4))


@cache
def _far_from_water():
    """The first column and row of a coarse net, its cell, and metres to water from its points."""
    left, bottom, right, top = WIDE
    cell, margin = 10.0, 100.0
    columns = np.arange(left - margin, right + margin + cell, cell)
    lines = np.arange(bottom - margin, top + margin + cell, cell)
    water = list(streams().values()) + [shape.exterior for shape in ponds().values()]
    return columns[0], lines[0], cell, _distance(water, *np.meshgrid(columns, lines), 800.0)


def _valley(x, y, width_m):
    """0 in the valley bottoms, 1 on the land between: smooth, unlike the streams' bends."""
    left, bottom, cell, to_water = _far_from_water()
    field = ndimage.gaussian_filter(1 - _gauss(to_water, width_m), 0.3 * width_m / cell)
    at = [(y - bottom) / cell, (x - left) / cell]
    return ndimage.map_coordinates(field, at, order=3, mode="nearest")


def _hills(x, y, to_water_m):
    """Height of the country above its tilted base; nothing on the line of a stream."""
    far = 1 - np.exp(-((np.hypot(x, y) / 640.0) ** 6))
    rolling = 15 * _noise(x, y, wave_m=520, seed=1) + 4.5 * _noise(x, y, wave_m=210, seed=2)
    upland = 9 + far * (rolling + 9) + (1 - far) * 1.2 * _noise(x, y, wave_m=210, seed=2)
    upland = 3 + 6 * np.logaddexp(0.0, (upland - 3) / 6)
    # Positions pushed about a little, so that no hill is round as a bowl.
    wx = x + 20 * _noise(x, y, wave_m=130, seed=7) + 6 * _noise(x, y, wave_m=50, seed=9)
    wy = y + 20 * _noise(x, y, wave_m=130, seed=8) + 6 * _noise(x, y, wave_m=50, seed=10)
    knolls = sum(_knoll(wx, wy, *knoll) for knoll in KNOLLS)
    height = upland * _valley(x, y, 130)
    height = height + (knolls + _ridge(wx, wy)) * _valley(x, y, 40)
    # The bluff: a spur the brook has eaten into, so it rises within a few steps of the water.
    spur = 12 * _gauss(np.hypot(wx - BLUFF[0], wy - BLUFF[1]), 46) * (1 - _gauss(to_water_m, 14))
    return height * (1 - _gauss(to_water_m, 20)) + spur


def _knoll(x, y, east, north, height_m, spread_m):
    """A hill with a broad top, a little longer than wide."""
    u = ((x - east) * 0.94 + (y - north) * 0.34) / (spread_m * 1.12)
    v = ((y - north) * 0.94 - (x - east) * 0.34) / (spread_m * 0.92)
    return height_m * np.exp(-((u * u + v * v) ** 1.25))


def _smooth_ground(x, y):
    """1 where ploughs, roads and yards have levelled the ground, 0 in wild ground."""
    worked = [shape for _, shape in main_fields()]
    worked += [line.buffer(8) for _, line in roads().values()]
    worked += [shape.buffer(18) for _, shape in buildings()]
    step = abs(x[0, 1] - x[0, 0])
    transform = from_origin(x[0, 0] - step / 2, y[0, 0] + step / 2, step, step)
    burnt = rasterize(
        worked, out_shape=x.shape, transform=transform, default_value=1, dtype="uint8"
    )
    return ndimage.gaussian_filter(burnt.astype(float), 10.0 / step)


def _base(x, y):
    """The tilt of the whole country: it falls to the south, a little to the east."""
    return 262.0 + 0.0125 * y - 0.004 * x


def elevation(x, y):
    """Elevation in metres at a regular block of positions."""
    water = streams()
    pond_rings = [shape.exterior for shape in ponds().values()]
    to_stream = _distance(list(water.values()), x, y, 130.0)
    to_shore = _distance(pond_rings, x, y, 130.0)
    in_pond = shapely.contains_xy(shapely.union_all(list(ponds().values())), x, y)
    to_shore = np.where(in_pond, 0.0, to_shore)
    to_water = np.minimum(to_stream, to_shore)
    ground = _base(x, y) + _hills(x, y, to_water)
    rough = sum(
        amount * _noise(x, y, wave_m=wave, seed=seed)
        for amount, wave, seed in ((0.30, 60, 3), (0.16, 30, 4), (0.07, 14, 5), (0.02, 5, 6))
    )
    rough = rough * (1 - 0.72 * _smooth_ground(x, y)) * (1 - _gauss(to_water, 9))
    ground = ground + rough - 0.9 * _gauss(to_stream, 3.2)
    for shape in ponds().values():
        ground = _set_in_pond(ground, shape, x, y)
    return ground


def _set_in_pond(ground, shape, x, y):
    """Level the pond at the lowest of its rim's base and bring the shore down to it."""
    rim = shapely.get_coordinates(shape.exterior)
    level = _base(rim[:, 0], rim[:, 1]).min() - 0.3
    inside = shapely.contains_xy(shape, x, y)
    off = np.where(inside, 0.0, _distance([shape.exterior], x, y, 130.0))
    outlet = _distance([streams()["Pond outlet"], streams()["Upper outlet"]], x, y, 130.0)
    shore = level + 0.035 * off + 0.15 * (1 - _gauss(off, 1.5)) * (1 - _gauss(outlet, 5))
    near = _gauss(off, 16)
    return np.where(inside, level, ground * (1 - near) + np.minimum(shore, level + 1.5) * near)


def _centres(extent, cell_m):
    left, bottom, right, top = extent
    x = np.arange(left + cell_m / 2, right, cell_m)
    y = np.arange(top - cell_m / 2, bottom, -cell_m)
    return np.meshgrid(x, y)


def _held(dem):
    return (np.round(dem / ELEVATION_STEP_M) * ELEVATION_STEP_M).astype("float32")


@cache
def build_dem():
    """(1100, 1100) float32, metres, 2 m cells, north up."""
    return _held(elevation(*_centres(NEAR, 2.0)))


@cache
def build_dem_10m():
    """(450, 500) float32, metres: the mean of four heights in each 10 m cell."""
    fine = elevation(*_centres(WIDE, 5.0))
    rows, cols = fine.shape
    return _held(fine.reshape(rows // 2, 2, cols // 2, 2).mean(axis=(1, 3)))


# --- land cover -----------------------------------------------------------------------


def _lots():
    """Outlines of the lots of an uneven, slightly bent grid over the whole extent."""
    rng = np.random.default_rng([SEED, 20])
    east = np.cumsum(rng.uniform(150, 360, 28)) - 3500
    north = np.cumsum(rng.uniform(120, 290, 32)) - 3200
    for i in range(len(east) - 1):
        for j in range(len(north) - 1):
            shift = 70 * np.sin(2.3 * i)
            lot = shapely.box(east[i], north[j] + shift, east[i + 1], north[j + 1] + shift)
            lot = affinity.rotate(lot.segmentize(40), 9, origin=(0, 0))
            yield shapely.transform(lot, _bend)


def _bend(xy):
    x, y = xy.T
    return np.c_[x + 70 * np.sin(y / 310) + 12 * np.sin(y / 75), y + 60 * np.sin(x / 370)]


def _far_fields():
    """Fields of the wider country, on its gentler ground: land-cover code and outline."""
    rng = np.random.default_rng([SEED, 21])
    keep_off = shapely.union_all(
        [main_parcel().buffer(40)]
        + [line.buffer(24) for line in streams().values()]
        + [line.buffer(10) for _, line in roads().values()]
    )
    slope = np.hypot(*np.gradient(ndimage.gaussian_filter(build_dem_10m().astype(float), 3), 10.0))
    fields = []
    for lot in _lots():
        draw, kind, trim = rng.random(), rng.random(), rng.uniform(0, 14)
        cut = lot.buffer(-trim - 14).buffer(14).difference(keep_off).buffer(-16).buffer(16)
        row, col = int((WIDE[3] - lot.centroid.y) / 10), int((lot.centroid.x - WIDE[0]) / 10)
        if cut.is_empty or not (0 <= row < slope.shape[0] and 0 <= col < slope.shape[1]):
            continue
        if slope[row, col] < 0.05 + 0.06 * draw and draw < 0.75:
            fields.append((82 if kind < 0.4 else 81 if kind < 0.92 else 52, cut))
    return fields


def _woods(x, y):
    """41, 42 or 43 everywhere: conifers on the ridge and in patches, mixed between."""
    conifer = _noise(x, y, wave_m=170, seed=31) + 0.5 * _noise(x, y, wave_m=60, seed=32)
    conifer = conifer + 1.1 * _gauss(x - 470, 110) * _gauss(y - 100, 600)
    return np.where(conifer > 1.55, 42, np.where(conifer > 0.85, 43, 41)).astype("uint8")


def _burn(cover, shapes, code):
    transform = from_origin(WIDE[0], WIDE[3], 10, 10)
    burnt = rasterize(
        list(shapes), out_shape=cover.shape, transform=transform, default_value=1, dtype="uint8"
    )
    return np.where(burnt == 1, np.uint8(code), cover)


# Single cells that differ from all about them, as classified pictures have them.
SPECKS = (
    (-245, 175, 71), (175, 275, 82), (205, 255, 71), (-85, 255, 52), (335, 185, 82),
    (-255, -95, 41), (-95, 25, 41), (95, 5, 42), (55, -195, 41), (-545, -95, 41),
)  # fmt: skip


@cache
def build_land_cover():
    """(450, 500) uint8, NLCD codes, 10 m cells on the grid of dem_10m.tif."""
    x, y = _centres(WIDE, 10.0)
    cover = _woods(x, y)
    for code, shape in _far_fields() + main_fields():
        cover = _burn(cover, [shape], code)
    shrub = _noise(x, y, wave_m=45, seed=33)
    cover = _burn(cover, [_blob(-214, 292, east_m=34, north_m=22, seed=3)], 52)
    brook = list(streams().values())
    wet = _distance(brook, x, y, 130.0) < 13 + 6 * _noise(x, y, wave_m=90, seed=34)
    cover = np.where(wet, np.where(shrub > 0.5, 95, 90).astype("uint8"), cover)
    cover = _burn(cover, [shape.buffer(22) for shape in ponds().values()], 71)
    cover = _burn(cover, ponds().values(), 11)
    yards = [b.centroid for kind, b in buildings() if kind == "house"]
    cover = _burn(cover, [yard.buffer(62) for yard in yards], 71)
    cover = _burn(cover, [_blob(*CLEARING, east_m=36, north_m=25, turn_deg=20, seed=4)], 71)
    for road_class, line in roads().values():
        width, code = {"major": (16, 22), "minor": (7, 21), "track": (4, 21)}[road_class]
        cover = _burn(cover, [line.buffer(width)], code)
    cover = _burn(cover, [yard.buffer(32) for yard in yards], 21)
    cover = _burn(cover, [b.buffer(7) for _, b in buildings()], 22)
    for east, north, code in SPECKS:
        cover[int((WIDE[3] - north) // 10), int((east - WIDE[0]) // 10)] = code
    return cover


# --- layers ---------------------------------------------------------------------------


def _table(rows, columns):
    frame = gpd.GeoDataFrame(rows, columns=[*columns, "geometry"], geometry="geometry")
    shapes = shapely.transform(frame.geometry.array, lambda xy: np.round(xy + ORIGIN, 2))
    frame["geometry"] = gpd.GeoSeries(shapes, index=frame.index)
    return frame.set_crs(CRS)


def _inside_wide(line):
    """Lines are drawn past the edge of the data; keep what the rasters cover."""
    return _tidy(line.intersection(shapely.box(*WIDE)))


# Trail, stream, and what stands where they meet.
CROSSINGS = (
    ("Saddle trail", "Thistle Brook", "Log over the brook"),
    ("Cart track", "Thistle Brook", "Cart track ford"),
    ("Spring trail", "Spring Run", "Stepping stones"),
)
CROSSING_KINDS = ("log", "ford", "stones")


def crossing(trail, stream):
    """Where a trail meets a stream, in local metres (the first, from the trail's start)."""
    line = trails()[trail][1]
    met = line.intersection(streams()[stream])
    parts = list(getattr(met, "geoms", [met]))
    return min(parts, key=line.project)


def build_layers() -> dict[str, gpd.GeoDataFrame]:
    """Every layer of layers.gpkg by name. All in EPSG:32617 but the crossings, in degrees."""
    water = [("stream", n, _inside_wide(ln)) for n, ln in streams().items()]
    water += [("pond", n, shape) for n, shape in ponds().items()]
    walked = [(n, use, _inside_wide(ln)) for n, (use, ln) in trails().items()]
    driven = [(n, kind, _inside_wide(ln)) for n, (kind, ln) in roads().items()]
    lots = [(i, label, cell_of(g), p, g) for i, label, p, g in parcels()]
    meets = [
        (kind, what, crossing(trail, stream))
        for kind, (trail, stream, what) in zip(CROSSING_KINDS, CROSSINGS, strict=True)
    ]
    feeders = [
        ("bird feeder", Point(-256, -222)),
        ("mineral lick", Point(402, 62)),
        ("bird feeder", Point(-1168, 486)),
    ]
    return {
        "parcel": _table([("P01", "Hollow farm", main_parcel())], ["id", "label"]),
        "parcels": _table(lots, ["id", "label", "cell", "priority"]),
        "water": _table(water, ["kind", "name"]),
        "trails": _table(walked, ["name", "use"]),
        "crossings": _table(meets, ["kind", "name"]).to_crs(PHONE_CRS),
        "roads": _table(driven, ["name", "class"]),
        "buildings": _table(buildings(), ["kind"]),
        "feeders": _table(feeders, ["kind"]),
        "livestock": _table([("cow pasture", shape) for shape in PASTURES], ["kind"]),
        "no_go": _table([("beehives", BEEHIVES)], ["reason"]),
        "way_in": _table([("Farm gate", Point(10, -326))], ["name"]),
    }  # fmt: skip


# Ten places where no camera may stand, with the rule that says so. Local metres.
FACTS = (
    (300, -220, "livestock", "In the cow pasture"),
    (-240, -195, "feeder", "Within 50 m of the bird feeder by the house"),
    (-60, -318, "road", "Within 30 m of the county road"),
    (-292, -250, "building", "In the house"),
    (-112, -218, "water", "In Duck Pond"),
    (None, None, "water", "In Thistle Brook, at the ford"),
    (None, None, "steep", "On the bluff where the brook cuts into the hill"),
    (364, 100, "boundary", "Within 10 m of the east boundary"),
    (-215, -156, "user", "At the beehives"),
    (-285, -244, "built_cover", "In the house yard"),
    (420, -60, "outside", "Over the fence, on the neighbour's ridge"),
)


# Places worth finding, for whoever tries the data. Local metres.
LANDMARKS = (
    (-12, 185, "saddle", "Saddle between two knolls"),
    (-151, 227, "knoll", "Top of the west knoll"),
    (73, 229, "knoll", "Top of the east knoll"),
    (345, 110, "bench", "Bench half way up the eastern ridge"),
    (-110, -290, "gap", "Gap between Duck Pond and the county road"),
    (30, 15, "strip", "Wooded strip between two fields"),
    (128, 58, "inside_corner", "Inside corner of the east hay field"),
    (-75, 46, "peninsula", "Tip of the woods in the west crop field"),
    (*CLEARING, "opening", "Clearing in the woods"),
    (-72, -222, "pond_end", "Outlet end of Duck Pond"),
)


def build_landmarks() -> pd.DataFrame:
    """Places worth finding, on the map grid: those of LANDMARKS and the crossings."""
    rows = list(LANDMARKS)
    for trail, stream, what in CROSSINGS:
        met = crossing(trail, stream)
        rows.append((met.x, met.y, "crossing", what))
    found = [(round(ORIGIN[0] + x, 1), round(ORIGIN[1] + y, 1), k, w) for x, y, k, w in rows]
    return pd.DataFrame(found, columns=["easting", "northing", "kind", "what"])


def _steepest_near(x, y, reach_m):
    """Centre of the steepest 2 m cell within reach of a place, in local metres."""
    east, north = _centres(NEAR, 2.0)
    dem = build_dem().astype(float)
    slope = np.hypot(*np.gradient(ndimage.uniform_filter(dem, 3), 2.0))
    slope = np.where(np.hypot(east - x, north - y) <= reach_m, slope, -1.0)
    at = np.unravel_index(slope.argmax(), slope.shape)
    return float(east[at]), float(north[at])


def build_facts() -> pd.DataFrame:
    """Table of the places in FACTS on the map grid."""
    ford = crossing("Cart track", "Thistle Brook")
    found = {"steep": _steepest_near(BLUFF[0] - 16, BLUFF[1] - 22, 30), "water": (ford.x, ford.y)}
    rows = []
    for east, north, rule, what in FACTS:
        x, y = found[rule] if east is None else (east, north)
        rows.append((round(ORIGIN[0] + x, 1), round(ORIGIN[1] + y, 1), rule, what))
    return pd.DataFrame(rows, columns=["easting", "northing", "rule", "what"])


# --- writing --------------------------------------------------------------------------


def _write_raster(path, values, extent, cell_m, nodata, description, unit=None):
    profile = {
        "driver": "COG", "crs": CRS, "dtype": values.dtype.name, "count": 1,
        "height": values.shape[0], "width": values.shape[1], "nodata": nodata,
        "transform": from_origin(ORIGIN[0] + extent[0], ORIGIN[1] + extent[3], cell_m, cell_m),
        "compress": "DEFLATE", "level": 9, "predictor": "YES", "blocksize": 256,
        "overviews": "NONE",
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        out.write(values, 1)
        out.set_band_description(1, description)
        out.update_tags(AREA_OR_POINT="Area", NOTE="Invented ground: this place does not exist")
        if unit:
            out.set_band_unit(1, unit)


def write_all(folder: Path) -> None:
    # A fixed date inside the GeoPackage: the same tables then give the same file.
    os.environ["OGR_CURRENT_DATE"] = "2027-01-01T00:00:00.000Z"
    folder.mkdir(parents=True, exist_ok=True)
    metres = "elevation above an invented datum"
    _write_raster(folder / "dem.tif", build_dem(), NEAR, 2, NODATA_M, metres, "metre")
    _write_raster(folder / "dem_10m.tif", build_dem_10m(), WIDE, 10, NODATA_M, metres, "metre")
    _write_raster(folder / "land_cover.tif", build_land_cover(), WIDE, 10, 0, "NLCD class")
    package = folder / "layers.gpkg"
    package.unlink(missing_ok=True)
    for name, table in build_layers().items():
        table.to_file(package, layer=name, driver="GPKG", VERSION="1.2")
    build_facts().to_csv(folder / "no_go_facts.csv", index=False, lineterminator="\n")
    build_landmarks().to_csv(folder / "landmarks.csv", index=False, lineterminator="\n")


def main() -> None:
    parser = argparse.ArgumentParser(description="Build the sample data of an invented place.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, metavar="FOLDER")
    write_all(parser.parse_args().out)


if __name__ == "__main__":
    main()
