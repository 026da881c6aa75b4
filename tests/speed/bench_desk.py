"""What an edit at the desk costs: seconds to the new list, warm, beside a cold run.

python -m tests.speed.bench_desk [cell size in metres]

First in this process, with a whole layer moved: a cold run stands beside each edit, so that a
machine which others use shows the ratio all the same. Then at a desk, with its worker, its office
file and one shape moved: from the order to score to the list in the page, and to the files.
"""

from __future__ import annotations

import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any
from urllib.request import HTTPCookieProcessor, build_opener

import geopandas as gpd
import shapely

from siting.desk.jobs import Runner
from siting.desk.storage.land import Shape
from siting.desk.storage.office import open_office
from siting.desk.storage.store import Store
from siting.kernels.remembered import Memory
from tests.desk.edits import SAMPLE, Case, moved, outlined, sample

# Aims of the desk on a quiet machine of two cores, seconds.
AIMS_S = {
    "feeders": 0.8,
    "no_go": 0.8,
    "way_in": 0.8,
    "livestock": 1.5,
    "trails": 1.5,
    "crossings": 1.5,
    "outline": 3.0,
}
# An outline drawn beyond a block of the grid: another grid, on which the ground is measured anew.
_BEYOND = "beyond"


def _edited(case: Case, name: str) -> Case:
    land = case.land
    changed = outlined(land, -4.0) if name == "outline" else moved(land, name, east_m=4.0)
    return replace(case, land=changed)


def _took(case: Case) -> tuple[float, float]:
    """(wall, processor) seconds of a run of land that has been read."""
    wall, cpu = time.perf_counter(), time.process_time()
    case.result()
    return time.perf_counter() - wall, time.process_time() - cpu


def _in_process(cell_m: float | None) -> None:
    base, memory = sample(cell_m), Memory()
    base.result()  # compiled loops are loaded
    with memory.at_work():
        base.result()
    print("a layer moved  warm: s, of processor   cold: of processor   ratio   aim")
    for name, aim_s in AIMS_S.items():
        # Read anew, as the desk does: equal rasters that are other arrays.
        case = _edited(sample(cell_m), name)
        with memory.at_work():
            wall, cpu = _took(case)
        _, cold = _took(case)
        print(f"{name:13s} {wall:8.2f} {cpu:14.2f} {cold:19.2f} {cold / cpu:10.1f} {aim_s:8.1f}")
    print(f"kept: {memory.size_bytes / 1e6:.0f} MB")


class _Desk:
    """A new office with the sample farm as a sign-up, and its runner."""

    def __init__(self, folder: Path) -> None:
        open_office(folder, SAMPLE)
        self.store = Store(folder)
        self.moved: dict[str, float] = {}
        self.heard: dict[str, tuple[float, float]] = {}
        self.runner = Runner(folder, self.store, None, self._hear)
        self.uid = self.store.add_signup("Brook farm", cell="", priority=1.0, contact_ref="")
        farm = gpd.read_file(SAMPLE.parent / "layers.gpkg", layer="parcel").to_crs("EPSG:4326")
        self.outline = farm.geometry.iloc[0]

    def _hear(self, name: str, values: dict[str, Any]) -> None:
        self.heard[name] = time.monotonic(), self._worker_cpu_s()

    def save(self, layer: str, by: float) -> None:
        """The farm with one drawn shape in each layer, that of `layer` moved `by` degrees east."""
        middle = self.outline.representative_point()
        land = self.store.land(self.uid)
        # What was moved stays so: each run is of one edit.
        self.moved[layer] = by
        at = {name: middle.x + self.moved.get(name, 0.0) for name in _KINDS}
        shapes = [self._shape(name, lon, middle.y) for name, lon in at.items()]
        ring = shapely.get_coordinates(self.outline.exterior)[:-1]
        # Of a corner within the box of the rest: a larger or smaller box is another grid.
        ring[_INNER_CORNER, 0] += self.moved.get("outline", 0.0)
        ring[ring[:, 1].argmax(), 1] += self.moved.get(_BEYOND, 0.0)
        corners = tuple((lon, lat) for lon, lat in ring.round(7).tolist())
        shapes.append(Shape("a" * 16, "parcel", "area", corners))
        self.store.save_land(self.uid, shapes, {}, rev=land.rev)

    def _shape(self, layer: str, lon: float, lat: float) -> Shape:
        size = 4e-4
        square = [(lon, lat), (lon + size, lat), (lon + size, lat + size), (lon, lat + size)]
        kind = _KINDS[layer]
        corners = {"point": square[:1], "line": square[:3], "area": square}[kind]
        use = "game" if layer == "trails" else ""
        places = tuple((round(x, 7), round(y, 7)) for x, y in corners)
        return Shape(f"{list(_KINDS).index(layer) + 1:016x}", layer, kind, places, use=use)

    def scored(self) -> tuple[float, float, float, float]:
        """Seconds to the list and processor seconds of the worker, both again to the files."""
        self.heard.clear()
        wall, cpu = time.monotonic(), self._worker_cpu_s()
        self.runner.add(self.uid)
        while not self.heard.keys() & {"scored", "failed"}:
            time.sleep(0.005)
        listed, scored = self.heard["listed"], self.heard["scored"]
        return listed[0] - wall, listed[1] - cpu, scored[0] - wall, scored[1] - cpu

    def _worker_cpu_s(self) -> float:
        worker = self.runner._worker
        return 0.0 if worker is None else _cpu_s(worker.pid)


def _cpu_s(pid: int) -> float:
    """Processor seconds of a process so far, the system's on its behalf included."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1]
    return sum(int(ticks) for ticks in fields.split()[11:13]) / os.sysconf("SC_CLK_TCK")


_INNER_CORNER = 18
# 78 m of latitude, where blocks are 75 m.
_A_BLOCK_DEG = 7e-4
_KINDS = {
    "feeders": "point", "no_go": "area", "way_in": "point", "livestock": "area", "trails": "line",
    "crossings": "point",
}  # fmt: skip


def _at_the_desk() -> None:
    with tempfile.TemporaryDirectory() as folder:
        desk = _Desk(Path(folder) / "office")
        for word in ("first", "again"):
            desk.save("", 0.0)
            print(f"{word:13s} list {desk.scored()[0]:6.2f} s")
        print("a shape moved   list: s, of processor   files: s, of processor   aim")
        for name, aim_s in (AIMS_S | {_BEYOND: AIMS_S["outline"]}).items():
            desk.save(name, _A_BLOCK_DEG if name == _BEYOND else 5e-5)
            to_list, list_cpu, to_files, files_cpu = desk.scored()
            first, then = f"{to_list:8.2f} {list_cpu:14.2f}", f"{to_files:11.2f} {files_cpu:14.2f}"
            print(f"{name:13s} {first} {then} {aim_s:8.1f}")
        desk.runner.close()


_STARTS = 5


def _starts(folder: Path) -> Iterator[tuple[float, float]]:
    """(wall, processor) seconds from the command to the whole first page, of an office that is."""
    command = [sys.executable, "-m", "siting", "desk", str(SAMPLE), "-o", str(folder)]
    for _ in range(_STARTS + 1):
        began = time.monotonic()
        desk = subprocess.Popen([*command, "--no-browser"], stdout=subprocess.PIPE, text=True)
        address = next(line.strip() for line in desk.stdout if "/enter?key=" in line)
        build_opener(HTTPCookieProcessor(CookieJar())).open(address).read()
        yield time.monotonic() - began, _cpu_s(desk.pid)
        desk.send_signal(signal.SIGINT)
        desk.wait()


def _start_of_the_desk() -> None:
    with tempfile.TemporaryDirectory() as folder:
        # The first makes the office.
        _, *took = _starts(Path(folder) / "office")
    wall, cpu = (statistics.median(part) for part in zip(*took, strict=True))
    print(f"start to the first page: {wall:.2f} s, {cpu:.2f} of processor; aim 1.0")


def main() -> None:
    cell_m = float(sys.argv[1]) if len(sys.argv) > 1 else None
    _start_of_the_desk()
    _in_process(cell_m)
    _at_the_desk()
    print("load:", *os.getloadavg())


if __name__ == "__main__":
    main()
