"""Damaged inputs by the thousand: whatever stands in a file, the program says so or works on.

    python -m tests.mutate                       200 damaged files of each format
    python -m tests.mutate --count 5000          as every night
    python -m tests.mutate --format KML --only 17    one of them again

Each file is damaged in a way that follows from its number alone: cut short, bits turned, pieces
lost, doubled, moved or filled. Then a whole run on it must end with status 0 or 3, in time, within
its memory, and without a trace of the program. Every twentieth run also writes all its outputs,
which must be whole or absent.

Some fifty runs share a process, each on its own copy of the files. If anything is amiss there, a
signal, too much memory or time, every one of them is done again in a process of its own, and that
is what counts.
"""

from __future__ import annotations

import argparse
import copy
import io
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import pyogrio
from shapely.geometry import LineString

from siting.disk.files import LAST, PART
from tests.bad_inputs.builders_files import KML
from tests.bad_inputs.land import Land, clean, frame, geojson, to_lonlat
from tests.bad_inputs.runner import run, write_settings

MOST_SECONDS = 30
MOST_BYTES = 1_000_000_000
TOGETHER = 50  # runs in one process
DRAWN = 20  # one run in so many writes all its outputs


@dataclass(frozen=True)
class Format:
    """A kind of file: how it is put into the land, and which of its files are damaged."""

    make: Callable[[Land], None]
    files: tuple[str, ...]


def _tiff(land: Land) -> None:
    from tests.bad_inputs.land import codes, relief

    land.dem(relief(), compress="deflate", tiled=True, blockxsize=32, blockysize=32, nodata=-9999)
    land.cover(codes(), compress="lzw", nodata=0)


def _package(land: Land) -> None:
    road = LineString(land.outline.exterior.coords[:3])
    told = frame(road, **{"class": ["minor"], "name": ["Mill Lane"]})
    told.to_file(land.folder / "parcel.gpkg", layer="roads")
    land.set("parcel.file", "parcel.gpkg::parcel").set("layers.roads", "parcel.gpkg::roads")


def _shapefile(land: Land) -> None:
    named = gpd.GeoDataFrame({"label": ["Lot 7"]}, geometry=[land.outline], crs=land.crs)
    pyogrio.write_dataframe(named, land.folder / "lot.shp")
    land.set("parcel.file", "lot.shp")


def _json(land: Land) -> None:
    told = [{"id": "A7", "label": "Lot 7"}]
    geojson(land.folder / "lot.geojson", to_lonlat(land.outline), properties=told)
    land.set("parcel.file", "lot.geojson").set("layers.no_go", "lot.geojson")


def _kml(land: Land) -> None:
    ring = " ".join(f"{x:.9f},{y:.9f}" for x, y in to_lonlat(land.outline).exterior.coords)
    text = KML.format(doctype="", name="Lot 7", ring=ring)
    (land.folder / "lot.kml").write_text(text, encoding="utf-8")
    land.set("parcel.file", "lot.kml")


def _settings(land: Land) -> None:
    land.set("survey", {"time_zone": "Etc/GMT+5"}).set("grid.cell_size_m", 5.0)


FORMATS: dict[str, Format] = {
    "GeoTIFF": Format(_tiff, ("dem.tif", "cover.tif")),
    "GeoPackage": Format(_package, ("parcel.gpkg",)),
    "shapefile": Format(_shapefile, ("lot.shp", "lot.shx", "lot.dbf", "lot.prj", "lot.cpg")),
    "GeoJSON": Format(_json, ("lot.geojson",)),
    "KML": Format(_kml, ("lot.kml",)),
    "TOML": Format(_settings, ("inputs.toml", "protocol.toml")),
}


def damaged(data: bytes, chance: random.Random) -> bytes:
    """The bytes with one to four things done to them."""
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        if not out:
            break
        at = chance.randrange(len(out))
        # Heads and tables of contents are short and matter most.
        if chance.random() < 0.4:
            at = chance.randrange(min(len(out), 512))
        piece = chance.choice((1, 2, 4, 8, 64, 512))
        kind = chance.randrange(7)
        if kind == 0:
            del out[at:]
        elif kind == 1:
            for _ in range(chance.randint(1, 64)):
                out[chance.randrange(len(out))] ^= 1 << chance.randrange(8)
        elif kind == 2:
            out[at : at + piece] = bytes([chance.choice((0, 0x7F, 0x80, 0xFF))]) * piece
        elif kind == 3:
            del out[at : at + piece]
        elif kind == 4:
            out[at:at] = out[at : at + piece]
        elif kind == 5:
            out[at : at + piece] = chance.randbytes(piece)
        else:
            other = chance.randrange(len(out))
            out[at : at + piece] = out[other : other + piece]
    return bytes(out)


def prepared(name: str, folder: Path) -> Land:
    """The land with a whole file of this format."""
    land = clean(folder)
    FORMATS[name].make(land)
    write_settings(land)
    return land


def victim_of(name: str, number: int) -> tuple[str, random.Random]:
    """Which file is damaged, and the chance that says how."""
    chance = random.Random(f"{name} {number}")
    return chance.choice(FORMATS[name].files), chance


def _one(name: str, number: int, whole: Land) -> int:
    """Run on a damaged copy; 0 and 3 as the command line's own, or one of `_ENDS`."""
    with tempfile.TemporaryDirectory(prefix="siting-mutate-") as place:
        folder = Path(place)
        shutil.copytree(whole.folder, folder, dirs_exist_ok=True)
        land = replace(whole, folder=folder, inputs=copy.deepcopy(whole.inputs))
        victim, chance = victim_of(name, number)
        data = damaged((folder / victim).read_bytes(), chance)
        (folder / victim).write_bytes(data)
        if victim == "inputs.toml":
            land.text = data
        elif victim == "protocol.toml":
            land.protocol = data
        told = io.StringIO()
        signal.alarm(MOST_SECONDS)
        with redirect_stdout(told), redirect_stderr(told):
            outcome = run(land, "score", draw=number % DRAWN == 0)
        signal.alarm(0)
        said = outcome.out + outcome.err
        if "Traceback" in said or "E-INTERNAL" in said:
            sys.stderr.write(said)
            return 99
        left = {p.name for p in (folder / "out").glob("*")} - {".lock"}
        whole_set = LAST in left and not any(one.endswith(PART) for one in left)
        if left and (outcome.status != 0 or not whole_set):
            return 97
        return outcome.status


_ENDS = {99: "trace", 98: "runner", 97: "half written"}


def several(name: str, numbers: range, whole: Land) -> dict[int, str]:
    """What came of damaged files run in one process; without those that must be done again."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(out)
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            for number in numbers:
                begin = time.monotonic()
                status = _one(name, number, whole)
                line = f"{number} {status} {time.monotonic() - begin:.1f}\n"
                os.write(into, line.encode())
            os._exit(0)
        except BaseException as error:
            # A child must never go on as its parent.
            sys.stderr.write(f"{type(error).__name__}: {error}\n")
            os._exit(98)
    os.close(into)
    with open(out, encoding="ascii") as stream:  # noqa: PTH123 - a pipe has no path
        lines = [line.split() for line in stream]
    _, state, used = os.wait4(child, 0)
    if state != 0 or used.ru_maxrss * 1024 > MOST_BYTES:
        return {}
    return {
        int(number): status
        for number, status, spent in lines
        if status in ("0", "3") and float(spent) < MOST_SECONDS
    }


def attempt(name: str, number: int, whole: Land) -> str:
    """What came of one damaged file in a process of its own: "0", "3", or how it failed."""
    begin = time.monotonic()
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            os._exit(_one(name, number, whole))
        except BaseException as error:
            sys.stderr.write(f"{type(error).__name__}: {error}\n")
            os._exit(98)
    _, state, used = os.wait4(child, 0)
    return _verdict(state, used.ru_maxrss * 1024, time.monotonic() - begin)


def _verdict(state: int, memory_bytes: int, spent: float) -> str:
    if os.WIFSIGNALED(state):
        number = os.WTERMSIG(state)
        return f"over {MOST_SECONDS} s" if number == signal.SIGALRM else f"signal {number}"
    if spent > MOST_SECONDS:
        return f"over {MOST_SECONDS} s"
    if memory_bytes > MOST_BYTES:
        return f"{memory_bytes / 1e9:.1f} GB"
    status = os.WEXITSTATUS(state)
    return _ENDS.get(status, str(status))


def campaign(name: str, numbers: range) -> tuple[Counter[str], list[str]]:
    """How often each end came, and every damaged file that was not borne."""
    ends: Counter[str] = Counter()
    failures: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        land = prepared(name, Path(place))
        warm = run(land, "score", draw=True)
        if warm.status != 0:
            raise RuntimeError(f"the whole {name} is not accepted: {warm.err}")
        shutil.rmtree(land.folder / "out")
        for first in range(numbers.start, numbers.stop, TOGETHER):
            these = range(first, min(first + TOGETHER, numbers.stop))
            told = several(name, these, land)
            for number in these:
                end = told[number] if number in told else attempt(name, number, land)
                ends[end] += 1
                if end not in ("0", "3"):
                    failures.append(f"{name} {number} ({victim_of(name, number)[0]}): {end}")
    return ends, failures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--format", choices=FORMATS, action="append")
    parser.add_argument("--only", type=int)
    asked = parser.parse_args()
    numbers = range(asked.first, asked.first + asked.count)
    if asked.only is not None:
        numbers = range(asked.only, asked.only + 1)
    bad: list[str] = []
    for name in asked.format or FORMATS:
        begin = time.monotonic()
        ends, failures = campaign(name, numbers)
        bad += failures
        spent = time.monotonic() - begin
        told = f"{ends['3']} refused, {ends['0']} worked on, {len(failures)} not borne"
        print(f"{name}: {len(numbers)} damaged, {told} ({spent:.0f} s)", flush=True)
    print("\n".join(bad))
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
