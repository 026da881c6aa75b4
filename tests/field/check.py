"""What a field hand would find: the first spots of a run held against the raw data.

Nothing of the program's own layers is used: rasters are read by rasterio on their own lattice,
shapes by geopandas, distances and bearings are taken in the UTM zone of the place.

    python -m tests.field.check FOLDER [PLACE ...]
"""

from __future__ import annotations

import csv
import math
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from pyproj import Geod, Transformer
from rasterio.windows import from_bounds

from siting.lengths import COMPASS
from tests.field.places import Raw, write_all

GEOD = Geod(ellps="WGS84")
REACH_M = 1200.0
WINDS = {word: 45.0 * number for number, word in enumerate(COMPASS)}
# What a sentence or a name claims is there: pattern, kind of thing.
CLAIMS = (
    (
        r"\bWater (?=close|about|far)|^Beside water\b|water\b.* end"
        r"|passage (?:along|between) the water",
        "water",
    ),
    (r"\b(?:[Ss]tream|brook|river|pond|lake)\b(?!s are not)", "water"),
    (r"[Tt]rail\b", "trail"),
    (r"forest meets field|[Ff]orest-field edge", "edge"),
    (r"opening in the forest", "opening"),
    (r"edge of brush or reeds", "brush edge"),
    (r"[Cc]orner of the field|[Cc]orner of the woods|[Pp]oint of woods|narrow woods", "edge"),
    (r"beside .*road", "road"),
    (r"beside .*buildings", "building"),
)


@dataclass
class Ground:
    """The raw data around a place in its UTM zone."""

    crs: str
    dem: np.ndarray
    dem_at: tuple
    points: np.ndarray  # (n, 2) centres of the cover cells
    kind: np.ndarray  # (n,) plain kind of each
    cell_m: float
    dem_cell_m: float
    layers: dict
    parcel: shapely.Geometry

    def nearest(self, thing: str, place: shapely.Point) -> tuple[float, float]:
        """Distance in metres and bearing from grid north to the nearest thing of a kind."""
        found = self._shapes(thing)
        if found is None or found.is_empty:
            return math.inf, math.nan
        near = shapely.ops.nearest_points(place, found)[1]
        turn = math.degrees(math.atan2(near.x - place.x, near.y - place.y)) % 360
        return place.distance(near), turn

    def _shapes(self, thing: str):
        if thing not in self._made:
            self._made[thing] = self._make(thing)
        return self._made[thing]

    def __post_init__(self) -> None:
        self._made: dict = {}

    def _make(self, thing: str):
        parts = [self.layers[thing]] if thing in self.layers else []
        if thing == "edge":
            return self._border(("tree",), ("open", "bare"))
        if thing == "brush edge":
            return self._border(("brush",), ("open", "tree", "bare"))
        kinds = {"water": ("water",), "opening": ("open",), "tree": ("tree", "orchard")}.get(thing)
        if kinds:
            hit = self.points[np.isin(self.kind, kinds)]
            parts.append(
                shapely.buffer(shapely.multipoints(hit), self.cell_m / 2, cap_style="square")
            )
        return shapely.union_all(parts) if parts else None

    def _border(self, one: tuple[str, ...], other: tuple[str, ...]):
        from scipy.spatial import cKDTree

        a, b = (self.points[np.isin(self.kind, k)] for k in (one, other))
        if not len(a) or not len(b):
            return None
        away, index = cKDTree(b).query(a)
        touch = away < 1.5 * self.cell_m
        return shapely.multipoints((a[touch] + b[index[touch]]) / 2) if touch.any() else None

    def slope_deg(self, place: shapely.Point) -> float:
        """Slope by Horn's formula on the file's own cells, which are taken as square."""
        (row, col), dem = self._dem_cell(place), self.dem
        z = dem[row - 1 : row + 2, col - 1 : col + 2].astype(float)
        if z.shape != (3, 3):
            return math.nan
        dx, dy = self._cell_xy(place)
        gx = (z[:, 2] - z[:, 0]) @ [1, 2, 1] / (8 * dx)
        gy = (z[2] - z[0]) @ [1, 2, 1] / (8 * dy)
        return math.degrees(math.atan(math.hypot(gx, gy)))

    def _dem_cell(self, place: shapely.Point) -> tuple[int, int]:
        crs, transform = self.dem_at
        x, y = Transformer.from_crs(self.crs, crs, always_xy=True).transform(place.x, place.y)
        col, row = ~transform * (x, y)
        return int(row), int(col)

    def _cell_xy(self, place: shapely.Point) -> tuple[float, float]:
        crs, transform = self.dem_at
        to = Transformer.from_crs(self.crs, crs, always_xy=True)
        x, y = to.transform(place.x, place.y)
        back = Transformer.from_crs(crs, self.crs, always_xy=True)
        e0, n0 = back.transform(x, y)
        e1, n1 = back.transform(x + abs(transform.a), y)
        e2, n2 = back.transform(x, y + abs(transform.e))
        return math.hypot(e1 - e0, n1 - n0), math.hypot(e2 - e0, n2 - n0)

    def kind_at(self, east: np.ndarray, north: np.ndarray) -> np.ndarray:
        from scipy.spatial import cKDTree

        if not hasattr(self, "_tree"):
            self._tree = cKDTree(self.points)
        away, index = self._tree.query(np.column_stack([east, north]))
        return np.where(away <= self.cell_m, self.kind[index], "unknown")


def read_ground(raw: Raw, parcel: gpd.GeoDataFrame) -> Ground:
    """The raw data around a parcel."""
    lon, lat = parcel.to_crs(4326).geometry.iloc[0].centroid.coords[0]
    zone = int((lon + 180) // 6) + 1
    crs = f"EPSG:{(32600 if lat >= 0 else 32700) + zone}"
    shape = parcel.to_crs(crs).geometry.iloc[0]
    box = shapely.box(*shape.buffer(REACH_M).bounds)
    dem, dem_at, dem_cell = _raster(raw.dem, box, crs)
    cover, (cover_crs, transform), cell = _raster(raw.cover, box, crs)
    rows, cols = np.indices(cover.shape)
    x, y = transform * (cols.ravel() + 0.5, rows.ravel() + 0.5)
    east, north = Transformer.from_crs(cover_crs, crs, always_xy=True).transform(x, y)
    kind = np.array([raw.kinds.get(int(c), "unknown") for c in cover.ravel()])
    layers = {name: _layer(spec, box, crs) for name, spec in raw.layers.items()}
    layers["park"] = None
    layers = {n: s for n, s in layers.items() if s is not None}
    return Ground(
        crs, dem, dem_at, np.column_stack([east, north]), kind, cell, dem_cell, layers, shape
    )


def _raster(path: Path, box: shapely.Geometry, crs: str):
    with rasterio.open(path) as file:
        inside = gpd.GeoSeries([box], crs=crs).to_crs(file.crs).total_bounds
        window = from_bounds(*inside, file.transform).round_offsets().round_lengths()
        window = window.intersection(rasterio.windows.Window(0, 0, file.width, file.height))
        transform = file.window_transform(window)
        values = file.read(1, window=window)
        x, y = file.transform * (file.width / 2, file.height / 2)
        back = Transformer.from_crs(file.crs, crs, always_xy=True)
        e0, n0 = back.transform(x, y)
        e1, n1 = back.transform(*(file.transform * (file.width / 2 + 1, file.height / 2 + 1)))
        return values, (file.crs, transform), math.hypot(e1 - e0, n1 - n0) / math.sqrt(2)


def _layer(spec: tuple, box: shapely.Geometry, crs: str):
    file, layer, *rest = spec
    frame = pyogrio.read_dataframe(file, layer=layer)
    if rest:
        frame = frame[frame[rest[0]].isin(rest[1])]
    moved = frame.to_crs(crs)
    return shapely.union_all(shapely.make_valid(moved.geometry[moved.intersects(box)].values))


def check_spot(row: dict, ground: Ground) -> tuple[list[str], list[str]]:
    """(facts, false statements) of one spot of spots.csv."""
    to = Transformer.from_crs("EPSG:4326", ground.crs, always_xy=True)
    place = shapely.Point(to.transform(float(row["lon_deg"]), float(row["lat_deg"])))
    radius = float(row["search_radius_m"])
    slack = max(ground.cell_m, ground.dem_cell_m) * 0.75 + 3.0
    facts, false = [], []
    if not ground.parcel.contains(place):
        false.append("outside the parcel")
    facts.append(f"fence {ground.parcel.boundary.distance(place):.0f} m")
    facts.append(f"slope {ground.slope_deg(place):.0f} deg")
    facts.append(f"on {ground.kind_at([place.x], [place.y])[0]}")
    for thing in ("water", "trail", "road", "building", "edge", "tree"):
        away, _ = ground.nearest(thing, place)
        if away < 150:
            facts.append(f"{thing} {away:.0f} m")
    for said in _statements(row):
        false += _false_claims(said, place, radius, slack, ground)
    false += _bad_heading(row, place, ground)
    return facts, false


# Where a second spot of one name lies from the first: no distance to what it is named for.
_BESIDE = re.compile(r", about ([\d.]+) (k?m) [^,]*to the ([a-z-]+) of (?:spot|area) (\d+)$")


def false_neighbours(rows: list[dict]) -> list[str]:
    """Names that put a spot elsewhere from another than it is, by the ellipsoid."""
    out = []
    for row in rows:
        if not (said := _BESIDE.search(row["name"])):
            continue
        other = next(r for r in rows if r["rank"] == said[4])
        ends = [float(r[c]) for r in (other, row) for c in ("lon_deg", "lat_deg")]
        bearing, _, away = GEOD.inv(*ends)
        told_m = float(said[1]) * (1000 if said[2] == "km" else 1)
        turn = abs((WINDS[said[3]] - bearing + 180) % 360 - 180)
        if abs(told_m - away) > max(float(row["search_radius_m"]), 0.1 * away) or turn > 30:
            out.append(f"{row['name']!r}: {away:.0f} m at {bearing:.0f} degrees")
    return out


def _statements(row: dict) -> list[str]:
    said = [_BESIDE.sub("", row["name"])]
    for column in ("why", "pulled_down"):
        said += row.get(column, "").split(" | ")
    return [s for s in said if s]


def _false_claims(
    said: str, place: shapely.Point, radius: float, slack: float, ground: Ground
) -> list[str]:
    out = []
    if re.search(r"may be dry|not mapped|no trees here|nearest trees", said):
        if match := re.search(r"nearest trees on the map are about (\d+) m", said):
            away, _ = ground.nearest("tree", place)
            if abs(away - float(match[1])) > max(radius, slack) + 10:
                out.append(f"{said!r}: tree at {away:.0f} m")
        return out
    for pattern, thing in CLAIMS:
        if not re.search(pattern, said):
            continue
        away, bearing = ground.nearest(thing, place)
        if within := re.search(r"within about (\d+) m", said):
            if away > float(within[1]) + slack:
                out.append(f"{said!r}: {thing} at {away:.0f} m")
            continue
        match = re.search(r"about (\d+) m", said)
        if match is None:
            if away > radius + slack:
                out.append(f"{said!r}: {thing} at {away:.0f} m")
            continue
        # An opening is one open patch of many: nearer open ground may be a field.
        nearer = thing == "opening" and away < float(match[1])
        if abs(away - float(match[1])) > radius + slack and not nearer:
            out.append(f"{said!r}: {thing} at {away:.0f} m")
        wind = re.search(r"to the ([a-z-]+)", said)
        if wind and away > radius + slack and not nearer:
            turn = abs((WINDS[wind[1]] - bearing + 180) % 360 - 180)
            if turn > 70:
                out.append(f"{said!r}: it lies at {bearing:.0f} degrees")
    return out


def _bad_heading(row: dict, place: shapely.Point, ground: Ground) -> list[str]:
    if not row["heading_true_deg"]:
        return []
    heading = float(row["heading_true_deg"])
    lon, lat = float(row["lon_deg"]), float(row["lat_deg"])
    to = Transformer.from_crs("EPSG:4326", ground.crs, always_xy=True)
    away = np.arange(2.0, 31.0, 2.0)
    turn = np.arange(-20.0, 21.0, 10.0)
    dist, angle = (v.ravel() for v in np.meshgrid(away, heading + turn))
    lons, lats, _ = GEOD.fwd(np.full(dist.size, lon), np.full(dist.size, lat), angle, dist)
    east, north = to.transform(lons, lats)
    weight = dist / dist.sum()
    kind = ground.kind_at(east, north)
    inside = shapely.contains_xy(ground.parcel, east, north)
    out = []
    for name, hit in (
        ("water", kind == "water"), ("built-up ground", kind == "built"), ("others' land", ~inside),
    ):  # fmt: skip
        share = float(weight[hit].sum())
        if share > 0.35:
            out.append(f"faces {heading:.0f}: {share:.0%} of the picture is {name}")
    view = shapely.Polygon(
        [(place.x, place.y), *zip(east[dist == 30], north[dist == 30], strict=True)]
    )
    met = [
        t for t in ("building", "road") if t in ground.layers and view.intersects(ground.layers[t])
    ]
    return out + [f"faces {heading:.0f}: a {thing} within 30 m in the picture" for thing in met]


def first_five(folder: Path) -> list[dict]:
    with (folder / "spots.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))[:5]


def parcel_of(folder: Path) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(folder / "spots.gpkg", layer="parcel")


def main(folder: Path, names: list[str]) -> int:
    """Run every place, check the first five, print what was found; return the count of faults."""
    count = 0
    for name, raw in write_all(folder, names).items():
        out = folder / name / "out"
        run = subprocess.run(
            [sys.executable, "-m", "siting", "score", str(raw.inputs), "-o", str(out),
             "--overwrite"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        sys.stdout.write(f"\n== {name}\n{run.stdout[-1500:]}{run.stderr[-800:]}\n")
        if run.returncode:
            continue
        ground = read_ground(raw, parcel_of(out))
        for line in (beside := false_neighbours(first_five(out))):
            sys.stdout.write(f"   FALSE {line}\n")
        count += len(beside)
        for row in first_five(out):
            facts, false = check_spot(row, ground)
            count += len(false)
            sys.stdout.write(
                f"{row['rank']} {row['name']} | {row['score']} {row['stability']} | face "
                f"{row['heading_true_deg']} span {row.get('heading_span_deg')} | "
                f"r {row['search_radius_m']}\n"
                f"   {'; '.join(facts)}\n   why: {row['why']}\n"
            )
            for line in false:
                sys.stdout.write(f"   FALSE {line}\n")
    sys.stdout.write(f"\n{count} false statements\n")
    return count


if __name__ == "__main__":
    sys.stdout.reconfigure(line_buffering=True)
    main(Path(sys.argv[1]), sys.argv[2:])
