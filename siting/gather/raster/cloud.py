"""Point clouds as they come: the points of files under a region, and whether they can serve."""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from siting.errors import SitingError
from siting.grid import Grid, crs_text, transformer
from siting.read.crs.projection import horizontal, metres_per_unit
from siting.types import BoolArray, Note

GROUND, WATER = 2, 9
NOISE = (7, 18)
# Of fewer than one point in two hundred nobody can have classed the ground.
_LEAST_GROUND = 0.005
_NEAR_ZERO_M = 0.5
# About 1.6 GB in memory with coordinates, class and return.
_MOST_POINTS = 60_000_000
_CHUNK = 2_000_000


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
            rule="Point clouds need two more libraries, laspy and lazrs.",
            cure="Run pip install '.[lidar]' in the folder of the program's source.",
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
                # Birds, clouds and points below the ground: the surveyor has marked them as errors.
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
        raise ValueError("its header lists more than the file holds")


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
    # Adjusted GPS time counts from 1980 and has 10^9 seconds taken off (LAS 1.4 R15).
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
    # Heights above the ground have their ground at 0; real land seldom lies so even.
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
