"""Point clouds of airborne lidar to bare-earth elevations and heights of the vegetation.

Ground is what the surveyor classed as ground (2) and water (9); noise (7, 18) and withheld points
are left out (ASPRS LAS 1.4 R15, table of classes). Between points a plane per triangle (Delaunay)
gives the height; ground farther than 15 m from any such point stays unknown.
"""

from __future__ import annotations

import math
import struct
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from scipy import ndimage
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError, cKDTree

from siting.errors import SitingError
from siting.grid import FloatArray, Grid, crs_text, transformer
from siting.read.crs.projection import horizontal, metres_per_unit
from siting.types import BoolArray, Note
from siting.words.office import gather as words

GROUND, WATER = 2, 9
NOISE = (7, 18)
_REACH_M = 15.0
_PIECE_M, _OVERLAP_M = 250.0, 30.0
_LEAST_GROUND = 0.005
_NEAR_ZERO_M = 0.5
_MOST_POINTS = 60_000_000
_CHUNK = 2_000_000
_CANOPY_CELLS_M = (1.0, 2.0, 3.0, 4.0, 5.0)
_MOST_EMPTY = 0.10
_BELOW_M = -0.2
_SPIKE_M, _SPIKE_CELLS = 30.0, 11
_MOST_HELD_OUT = 20_000


@dataclass(frozen=True)
class Cloud:
    """Points of a region: (n, 3) east, north, height in metres of `crs`; class and return of each.

    `years` are those in which the points were measured, as far as their clock tells.
    """

    crs: str
    xyz: NDArray[np.float64]
    kind: NDArray[np.uint8]
    first: BoolArray
    years: tuple[int, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Surface:
    """A raster made of points: (rows, cols) float32 metres, NaN = not known."""

    values: FloatArray
    transform: Affine
    cell_m: float


@dataclass(frozen=True)
class Measured:
    """Elevations, vegetation, and what must be said of both."""

    crs: str
    dem: Surface
    canopy: Surface | None
    notes: tuple[Note, ...]


def measure(paths: Sequence[str], wide: Grid, *, progress: Callable[[str], None]) -> Measured:
    """Elevations and vegetation of the files under a region.

    Raises
    ------
    SitingError
        E-LIDAR-01 to -03, E-UNIT-01, E-SIZE-02, E-COVER-01.
    """
    cloud = read(paths, wide)
    check(cloud)
    progress("laying triangles over the ground")
    dem, counts = ground_surface(cloud)
    progress("measuring the vegetation")
    canopy, below = canopy_surface(cloud, dem)
    area_m2 = float(np.isfinite(dem.values).sum()) * dem.cell_m**2
    notes = [
        *cloud.notes,
        words.density(
            len(cloud.xyz) / area_m2, counts["ground"] / area_m2, dem.cell_m, cloud.years,
            held_out(cloud),
        ),
    ]  # fmt: skip
    holes = float((~np.isfinite(dem.values)).sum()) * dem.cell_m**2 / 1e6
    if holes > 0:
        notes.append(words.hole("dem", holes))
    spikes = count_spikes(dem.values)
    if spikes:
        notes.append(words.spikes(spikes))
    if below:
        notes.append(words.below_ground(below))
    return Measured(cloud.crs, dem, canopy, tuple(notes))


def read(paths: Sequence[str], wide: Grid) -> Cloud:
    """The points of files that lie under a region; files of one system only."""
    files = [f for path in paths for f in _files(path)]
    parts, systems, years, notes = [], set(), set(), []
    for file in files:
        crs, note, points, found = _points(file, wide)
        systems.add(crs)
        parts.append(points)
        years |= found
        notes += [note] if note else []
    if len(systems) > 1:
        raise _unfit("E-LIDAR-03", f"The files are in {len(systems)} coordinate systems",
                     "Give files of one system.")  # fmt: skip
    x, y, z, kind, first = (np.concatenate([p[i] for p in parts]) for i in range(5))
    if not len(x):
        raise SitingError(
            "E-COVER-01",
            f"None of the points of {len(files)} files lies under the land.",
            rule="A point cloud must lie over the land.",
            cure="Give the tiles of this place, or check longitude and latitude.",
        )
    return Cloud(
        next(iter(systems)), np.column_stack([x, y, z]), kind, first, tuple(sorted(years)),
        tuple({note.text: note for note in notes}.values()),
    )  # fmt: skip


def _files(path: str) -> list[Path]:
    place = Path(path)
    if place.is_dir():
        found = sorted(p for p in place.glob("*") if p.suffix.lower() in (".las", ".laz"))
    else:
        found = [place] if place.is_file() else []
    if not found:
        raise SitingError(
            "E-FILE-01",
            f"{path} holds no point cloud.",
            rule="Point clouds are files or folders of .las and .laz.",
            cure="Check the name and folder.",
        )
    return found


def _library() -> Any:
    try:
        import laspy
    except ImportError:
        raise SitingError(
            "E-LIDAR-03",
            "The library that reads point clouds is not installed.",
            rule="Point clouds need the extra siting[lidar].",
            cure="Run pip install 'siting[lidar]'.",
        ) from None
    return laspy


def _points(file: Path, wide: Grid) -> tuple[str, Note | None, tuple[NDArray[Any], ...], set[int]]:
    laspy = _library()
    try:
        _check_header(file)
        with laspy.open(file) as reader:
            crs, factor, note = _system(reader.header, file)
            box = _box(wide, crs)
            kept: list[tuple[NDArray[Any], ...]] = [_nothing()]
            count, years = 0, set()
            for chunk in reader.chunk_iterator(_CHUNK):
                x, y = np.asarray(chunk.x), np.asarray(chunk.y)
                near = (x >= box[0]) & (x <= box[2]) & (y >= box[1]) & (y <= box[3])
                kind = np.asarray(chunk.classification)
                near &= ~np.isin(kind, NOISE) & ~np.asarray(chunk.withheld, dtype=bool)
                first = np.asarray(chunk.return_number) == 1
                z = np.asarray(chunk.z) * factor
                years |= _years(reader.header, chunk, near)
                kept.append((x[near], y[near], z[near], kind[near].astype(np.uint8), first[near]))
                count += int(near.sum())
                if count > _MOST_POINTS:
                    raise SitingError(
                        "E-SIZE-02",
                        f"{file.name} has more than {_MOST_POINTS:,} points under this region.",
                        rule=f"At most {_MOST_POINTS:,} points are held at once.",
                        cure="Gather a smaller region or margin.",
                    )
    except SitingError:
        raise
    except Exception as error:
        raise _unfit("E-LIDAR-03", f"{file.name} cannot be read: {str(error)[:150]}",
                     "Download it again; the file must be whole.") from error  # fmt: skip
    points = tuple(np.concatenate([k[i] for k in kept]) for i in range(5))
    return crs, note, points, years


def _check_header(file: Path) -> None:
    """Refuse counts that the file cannot hold: the library would read records without end.

    Offsets and sizes of the public header block are those of LAS 1.4 R15 (ASPRS, 2019), 2.4.
    """
    size = file.stat().st_size
    with file.open("rb") as stream:
        head = stream.read(375)
    if head[:4] != b"LASF" or len(head) < 227:
        raise ValueError("it does not begin as a point cloud does")
    header_bytes, points_at, records = struct.unpack_from("<HII", head, 94)
    further_at, further = 0, 0
    if head[25] >= 4 and len(head) == 375:
        further_at, further = struct.unpack_from("<QI", head, 235)
    # A record has a head of 54 bytes, one behind the points a head of 60.
    fits = header_bytes + 54 * records <= points_at <= size
    if not fits or (further and further_at + 60 * further > size):
        raise ValueError("its header tells of more than the file holds")


def _nothing() -> tuple[NDArray[Any], ...]:
    none = np.array([], dtype=np.float64)
    return (none, none, none, none.astype(np.uint8), none.astype(bool))


def _system(header: Any, file: Path) -> tuple[str, float, Note | None]:
    """(horizontal system, metres per unit of height, note); from the file alone."""
    try:
        crs = header.parse_crs()
    except Exception:
        crs = None
    if crs is None:
        raise _unfit("E-LIDAR-03", f"{file.name} has no coordinate system",
                     "Write it into the file with the tool of its publisher.")  # fmt: skip
    text = crs_text(CRS(crs))
    flat = crs_text(horizontal(text))
    if metres_per_unit(flat) != 1.0:
        raise _unfit("E-LIDAR-03", f"{file.name} is not on a map in metres",
                     "Reproject it to a metric map first.")  # fmt: skip
    whole = CRS(text)
    if whole.is_compound:
        return flat, float(whole.sub_crs_list[1].axis_info[0].unit_conversion_factor), None
    note = Note("A-UNIT-01", "assumption", f"{file.name}: heights were taken to be in metres.")
    return flat, 1.0, note


def _box(wide: Grid, crs: str) -> tuple[float, float, float, float]:
    x, y = transformer(wide.crs, crs).transform(*wide.boundary_points())
    return float(np.min(x)), float(np.min(y)), float(np.max(x)), float(np.max(y))


def _years(header: Any, chunk: Any, near: BoolArray) -> set[int]:
    """Years of the points, where their clock is the adjusted GPS time; else of the file."""
    import datetime as dt

    clock = str(getattr(header.global_encoding, "gps_time_type", "")).upper()
    if clock.endswith("STANDARD") and near.any() and hasattr(chunk, "gps_time"):
        seconds = np.asarray(chunk.gps_time)[near]
        start = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
        ends = (float(seconds.min()), float(seconds.max()))
        return {(start + dt.timedelta(seconds=s + 1e9)).year for s in ends}
    day = header.creation_date
    return {day.year} if day is not None and near.any() else set()


def check(cloud: Cloud) -> None:
    """A cloud that has classes and elevations, or the reason why it cannot serve."""
    counts = Counter(cloud.kind.tolist())
    ground = counts[GROUND]
    if ground < max(3, _LEAST_GROUND * len(cloud.kind)):
        told = ", ".join(f"{n:,} of class {k}" for k, n in counts.most_common(6))
        raise _unfit(
            "E-LIDAR-01", f"Only {ground:,} points are classed as ground ({told})",
            "Get the classified edition; the lowest points are no ground in dense woods.",
        )  # fmt: skip
    low = np.abs(cloud.xyz[cloud.kind == GROUND, 2])
    if float(np.quantile(low, 0.95)) < _NEAR_ZERO_M:
        raise _unfit(
            "E-LIDAR-02", "All ground lies within 0.5 m of height 0: these are heights above the "
            "ground, not elevations", "Get the edition with elevations.",
        )  # fmt: skip


def _unfit(code: str, what: str, cure: str) -> SitingError:
    return SitingError(
        code,
        f"{what}.",
        rule="A point cloud needs classes, elevations and a coordinate system in metres.",
        cure=cure,
    )


def ground_surface(cloud: Cloud) -> tuple[Surface, dict[str, int]]:
    """Bare-earth elevations: a plane per triangle of ground and water points, in pieces."""
    wanted = np.isin(cloud.kind, (GROUND, WATER))
    points = cloud.xyz[wanted]
    points = points[np.lexsort((points[:, 2], points[:, 1], points[:, 0]))]
    # Of points at one place the lowest is the ground.
    places = np.round(points[:, :2], 2)
    new = np.ones(len(points), dtype=bool)
    new[1:] = (np.diff(places, axis=0) != 0).any(axis=1)
    points = points[new]
    low, high = cloud.xyz[:, :2].min(axis=0), cloud.xyz[:, :2].max(axis=0)
    area = max(float(np.prod(high - low)), 1.0)
    cell = max(1.0, math.ceil(5.0 / math.sqrt(len(points) / area)) / 10.0)
    left, top = math.floor(low[0] / cell) * cell, math.ceil(high[1] / cell) * cell
    cols, rows = math.ceil((high[0] - left) / cell), math.ceil((top - low[1]) / cell)
    values = np.full((rows, cols), np.nan, dtype=np.float32)
    step = max(1, round(_PIECE_M / cell))
    tree = cKDTree(points[:, :2])
    for row in range(0, rows, step):
        for col in range(0, cols, step):
            _piece(values, points, tree, (row, col, step), (left, top, cell))
    counts = {"ground": int((cloud.kind == GROUND).sum())}
    return Surface(values, Affine(cell, 0, left, 0, -cell, top), cell), counts


def _piece(
    values: FloatArray, points: NDArray[np.float64], tree: cKDTree,
    at: tuple[int, int, int], lattice: tuple[float, float, float],
) -> None:  # fmt: skip
    """Fill one piece from the points in it and 30 m around it."""
    row, col, step = at
    left, top, cell = lattice
    part = values[row : row + step, col : col + step]
    x = left + (col + np.arange(part.shape[1]) + 0.5) * cell
    y = top - (row + np.arange(part.shape[0]) + 0.5) * cell
    inside = (
        (points[:, 0] >= x[0] - _OVERLAP_M) & (points[:, 0] <= x[-1] + _OVERLAP_M)
        & (points[:, 1] >= y[-1] - _OVERLAP_M) & (points[:, 1] <= y[0] + _OVERLAP_M)
    )  # fmt: skip
    near = points[inside]
    if len(near) < 3:
        return
    grid_x, grid_y = np.meshgrid(x, y)
    try:
        # Counted from the piece's corner: large coordinates cost the triangles their digits.
        plane = LinearNDInterpolator(near[:, :2] - (x[0], y[-1]), near[:, 2])
    except QhullError:
        return
    found = plane(grid_x - x[0], grid_y - y[-1])
    away, _ = tree.query(
        np.column_stack([grid_x.ravel(), grid_y.ravel()]), distance_upper_bound=_REACH_M
    )
    found[~np.isfinite(away.reshape(found.shape))] = np.nan
    part[...] = found


def held_out(cloud: Cloud) -> tuple[int, float, float]:
    """(points, median and 95 % of the error) of ground points that were not used, metres."""
    ground = cloud.xyz[cloud.kind == GROUND]
    ground = ground[np.lexsort((ground[:, 2], ground[:, 1], ground[:, 0]))]
    if len(ground) < 100:
        return 0, math.nan, math.nan
    step = max(10, len(ground) // _MOST_HELD_OUT)
    out = np.zeros(len(ground), dtype=bool)
    out[::step] = True
    rest = ground[~out]
    if len(rest) > 20 * _MOST_HELD_OUT:
        # Enough of a patch: the triangles of millions of points are not laid twice.
        middle = np.median(ground[:, :2], axis=0)
        close = np.abs(ground[:, :2] - middle).max(axis=1) < 500.0
        rest, out = ground[~out & close], out & close
    start = rest[:, :2].min(axis=0)
    plane = LinearNDInterpolator(rest[:, :2] - start, rest[:, 2])
    off = np.abs(plane(ground[out][:, :2] - start) - ground[out][:, 2])
    off = off[np.isfinite(off)]
    if not off.size:
        return 0, math.nan, math.nan
    return int(off.size), float(np.median(off)), float(np.quantile(off, 0.95))


def canopy_surface(cloud: Cloud, dem: Surface) -> tuple[Surface | None, int]:
    """Heights of the vegetation: the highest point of a cell above the ground.

    The cell is the smallest of which under a tenth of the dry ones are empty. Empty over water is
    0, empty elsewhere is not known.

    Returns
    -------
    (surface or None without points above the ground, points below the ground that were set to 0)
    """
    x, y = cloud.xyz[:, 0], cloud.xyz[:, 1]
    col = ((x - dem.transform.c) / dem.cell_m).astype(int)
    row = ((dem.transform.f - y) / dem.cell_m).astype(int)
    rows, cols = dem.values.shape
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    above = np.full(len(x), np.nan)
    above[inside] = cloud.xyz[inside, 2] - dem.values[row[inside], col[inside]]
    good = np.isfinite(above) & (above < 130.0)
    below = int((above[good] < _BELOW_M).sum())
    if not good.any() or float(above[good].max()) < 1.0:
        return None, below
    for cell in _CANOPY_CELLS_M:
        if cell < dem.cell_m and cell != _CANOPY_CELLS_M[-1]:
            continue
        made, empty = _highest(x[good], y[good], above[good], cloud.kind[good], dem, cell)
        if empty < _MOST_EMPTY or cell == _CANOPY_CELLS_M[-1]:
            return made, below
    return None, below


def _highest(
    x: FloatArray, y: FloatArray, above: FloatArray, kind: NDArray[np.uint8], dem: Surface,
    cell: float,
) -> tuple[Surface, float]:  # fmt: skip
    left, top = dem.transform.c, dem.transform.f
    rows = math.ceil(dem.values.shape[0] * dem.cell_m / cell)
    cols = math.ceil(dem.values.shape[1] * dem.cell_m / cell)
    row = np.minimum(((top - y) / cell).astype(int), rows - 1)
    col = np.minimum(((x - left) / cell).astype(int), cols - 1)
    out = np.full((rows, cols), -np.inf)
    np.maximum.at(out, (row, col), np.maximum(above, 0.0))
    empty = ~np.isfinite(out)
    wet = np.zeros((rows, cols), dtype=bool)
    wet[row[kind == WATER], col[kind == WATER]] = True
    wet = ndimage.binary_dilation(wet, np.ones((3, 3)), iterations=2) & empty
    known = _known_at(dem, rows, cols, cell)
    out[empty] = np.nan
    out[wet] = 0.0
    dry = known & ~wet
    share = float((empty & dry).sum() / max(dry.sum(), 1))
    return Surface(out.astype(np.float32), Affine(cell, 0, left, 0, -cell, top), cell), share


def _known_at(dem: Surface, rows: int, cols: int, cell: float) -> BoolArray:
    """Where elevations are known, in cells of another size."""
    at = [
        np.minimum(((np.arange(count) + 0.5) * cell / dem.cell_m).astype(int), most - 1)
        for count, most in zip((rows, cols), dem.values.shape, strict=True)
    ]
    out: BoolArray = np.isfinite(dem.values)[np.ix_(*at)]
    return out


def count_spikes(values: FloatArray) -> int:
    """Cells 30 m and more off the median of the 11 x 11 cells around them: birds, masts, errors."""
    filled = np.where(np.isfinite(values), values, np.nanmedian(values)).astype(np.float64)
    mean = ndimage.uniform_filter(filled, _SPIKE_CELLS)
    # A spike moves the mean by a hundredth of its height at least: few cells need the median.
    doubt = np.isfinite(values) & (np.abs(filled - mean) > _SPIKE_M * 0.6)
    half = _SPIKE_CELLS // 2
    count = 0
    for row, col in np.argwhere(doubt)[:20_000]:
        around = values[max(row - half, 0) : row + half + 1, max(col - half, 0) : col + half + 1]
        count += bool(abs(values[row, col] - np.nanmedian(around)) >= _SPIKE_M)
    return count
