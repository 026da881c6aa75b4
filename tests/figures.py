"""The figures to publish with a release, each measured now, as one table.

    python -m tests.figures                all of it (half an hour on two processors)
    python -m tests.figures --count 50     fewer damaged files
    python -m tests.figures files costs    only these parts

What fails is named in the table; nothing is left out for having failed.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
Row = tuple[str, str, str]


def pytest_counts(*words: str) -> tuple[int, int, int, list[str]]:
    """(passed, failed, skipped, names of what failed) of a part of the tests."""
    with tempfile.TemporaryDirectory() as place:
        report = Path(place) / "report.xml"
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-W", "ignore", f"--junitxml={report}",
             "-n", str(os.cpu_count()), "--dist", "worksteal", "-m", "", *words],
            cwd=ROOT, capture_output=True, text=True, check=False,
            env={**os.environ, "SITING_SLOW": "1"},
        )  # fmt: skip
        if not report.exists():
            return 0, 1, 0, [f"{' '.join(words)}: nothing ran"]
        cases = list(ET.parse(report).getroot().iter("testcase"))
    failed = [c.get("name", "") for c in cases if c.find("failure") is not None or
              c.find("error") is not None]  # fmt: skip
    skipped = sum(case.find("skipped") is not None for case in cases)
    return len(cases) - len(failed) - skipped, len(failed), skipped, failed


def told(what: str, *words: str) -> Row:
    passed, failed, skipped, names = pytest_counts(*words)
    figure = f"{passed} of {passed + failed}"
    if skipped:
        figure += f" ({skipped} skipped here)"
    if names:
        figure += "; failed: " + ", ".join(names[:6])
    return what, figure, f"pytest {' '.join(words)}"


def inputs(asked: argparse.Namespace) -> Iterator[Row]:
    """Bad inputs."""
    yield told("bad inputs that give their code, or are accepted and right", "tests/bad_inputs",
               "-k", "test_row")  # fmt: skip
    yield told("tables of another PROJ refused", "tests/test_environment.py")


def files(asked: argparse.Namespace) -> Iterator[Row]:
    """Faults while writing."""
    from tests.test_files import operations

    _, failed, _, names = pytest_counts("tests/test_files.py", "-k", "every_operation")
    count = operations()
    figure = f"{count} operations x 4 errors x 2 folders" if not failed else ", ".join(names)
    yield "file operations made to fail; none left a half file", figure, "tests/test_files.py"
    yield told(
        "full disk, shut folder, killed run, limit on size, two runs at once", "tests/test_files.py"
    )


def damage(asked: argparse.Namespace) -> Iterator[Row]:
    """Damaged inputs, as many formats at a time as there are processors."""
    from tests.mutate import FORMATS

    def told(name: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "tests.mutate", "--format", name, "--count", str(asked.count)],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        found = re.search(rf"{name}: (\d+) damaged, (.* not borne)[^\n]*\n(.*)", done.stdout, re.S)
        if found is None:
            return f"failed: {done.stderr.strip()[-200:]}"
        bad = "; ".join(found[3].strip().splitlines()[:5])
        return f"{found[1]}: {found[2]}" + (f" ({bad})" if bad else "")

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for name, figure in zip(FORMATS, pool.map(told, FORMATS), strict=True):
            yield f"damaged {name} files", figure, f"python -m tests.mutate --format {name}"


def faults(asked: argparse.Namespace) -> Iterator[Row]:
    """Planted faults."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.mutants"], cwd=ROOT, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    lines = (done.stdout + done.stderr).strip().splitlines()
    survivors = [line for line in lines if line.startswith("SURVIVED")]
    summary = next((line for line in lines if "planted faults were noticed" in line), lines[-1])
    yield (
        "faults planted in the program",
        "; ".join([summary, *survivors]),
        "python -m tests.mutants",
    )


def kills(asked: argparse.Namespace) -> Iterator[Row]:
    """Killed and stopped runs."""
    yield told("killed at a named point and started again: same bytes",
               "tests/crash/test_kill_points.py")  # fmt: skip
    yield told("killed workers, signals, odd surroundings of a batch",
               "tests/crash/test_workers_and_signals.py")  # fmt: skip
    yield told("a cluster that loses workers", "tests/crash/test_cluster.py")


def sameness(asked: argparse.Namespace) -> Iterator[Row]:
    """Same in, same out."""
    yield told("same bytes under another clock, language, seed, network; memory limits",
               "tests/test_surroundings.py")  # fmt: skip
    yield told("same bytes alone, with two workers, resumed", "tests/test_batch.py", "-k",
               "same_bytes or nothing_is_done_twice")  # fmt: skip


def page(asked: argparse.Namespace) -> Iterator[Row]:
    """The page in a browser."""
    yield told("pages in a browser: offline, no request, text stays text, accessible",
               "tests/browser")  # fmt: skip


def text(asked: argparse.Namespace) -> Iterator[Row]:
    """Text and privacy."""
    yield told("hostile text through all outputs of a parcel and of a batch",
               "tests/test_text_through.py", "tests/test_batch_text.py")  # fmt: skip
    yield told("files to pass on hold no exact place, name or outline", "tests/test_public.py")


def attack(asked: argparse.Namespace) -> Iterator[Row]:
    """What a hostile or merely odd file, folder, machine or reader does."""
    yield told("places passed on that were found again with the same maps: none, so passed",
               "tests/test_public_attack.py", "tests/test_public_edges.py")  # fmt: skip
    yield told("a result made from other bytes is never taken for done", "tests/test_stale.py")
    yield told("never over what is read, never mixed, no link followed",
               "tests/test_destination.py")  # fmt: skip
    yield told("a server on this machine that must stay silent, over every format",
               "tests/test_silence.py")  # fmt: skip
    yield told("endless queries, giant shapes, 20,000 holes: a code or done in seconds",
               "tests/test_bounded.py")  # fmt: skip
    yield told("numbers, fields, names and signs of any kind", "tests/test_odd_files.py")
    yield told("what an outsider found in an afternoon", "tests/test_outsider.py")
    yield told("a page's store that anyone could have written", "tests/browser/test_map_store.py")


def laws(asked: argparse.Namespace) -> Iterator[Row]:
    """Laws that hold for all inputs."""
    yield told("properties (Hypothesis)", "tests/properties", "tests/test_grid.py",
               "tests/test_settings.py")  # fmt: skip
    yield told("held against outside references", "tests/reference")


def differences(asked: argparse.Namespace) -> Iterator[Row]:
    """Worst difference from each outside reference."""
    from tests.reference import test_ahp_saaty as ahp
    from tests.reference import test_current_circuits as circuits
    from tests.reference import test_distance_brute as distance
    from tests.reference import test_sun_nrel as sun
    from tests.reference import test_terrain_gdaldem as gdal
    from tests.reference import test_terrain_richdem as rich
    from tests.reference import test_wmm as wmm

    for module, name in ((gdal, "gdaldem 3.6.2"), (rich, "richdem 0.3.4")):
        stored = np.load(module.STORED)
        worst = max(
            float(np.nanmax(np.abs(gdal.slope_deg(z, cell) - stored[f"{place}_slope"])))
            for place, z, cell in (("hill", gdal.hill(), 5.0), ("srtm", gdal.srtm(), 30.0))
        )
        yield f"slope against {name}", f"{worst:.1e} degree", Path(module.__file__ or "").name
    off = [distance.distance_to(distance.shapes(seed), grid=distance.GRID)
           - distance.brute(distance.shapes(seed)) for seed in range(5)]  # fmt: skip
    cell = distance.GRID.cell_size_m
    yield ("distance to true shapes, by brute force",
           f"{np.max(off) / cell:.2f} cell at worst, {np.mean(np.abs(off)) / cell:.4f} on average",
           "test_distance_brute.py")  # fmt: skip
    found = sun.sun_position(sun.NREL_TIME, **sun.NREL_PLACE)
    worst = max(abs(90 - found.apparent_elevation_deg[0] - 50.11162),
                abs(found.azimuth_deg[0] - 194.34024))  # fmt: skip
    yield "sun against Reda & Andreas 2004", f"{worst:.1e} degree", "test_sun_nrel.py"
    worst = max(
        abs((wmm.field(float(lat), float(lon), decimal_year=year, altitude_m=km * 1000.0,
                       day=wmm.DAY).east_deg or 0.0) - expected)
        for year, km, lat, lon, expected in wmm.PUBLISHED
    )  # fmt: skip
    yield "declination against the WMM2025 test values", f"{worst:.4f} degree", "test_wmm.py"
    weights = np.array(list(ahp.solve(ahp.HOUSE).weights.values()))
    worst = float(np.max(np.abs(weights - ahp.HOUSE_WEIGHTS)))
    yield "weights against Saaty's house", f"{worst:.1e} (printed to 0.001)", "test_ahp_saaty.py"
    middle = circuits.resistance(np.ones((201, 201)), (100, 100), (101, 101))
    yield ("resistance across a square lattice, 2/pi", f"{abs(middle - 2 / np.pi):.1e}",
           "test_current_circuits.py")  # fmt: skip


CHILD = """
import resource, sys, time
from siting.cli.main import main
sys.argv = ["siting", "score", sys.argv[1], "-o", sys.argv[2]]
begin = time.perf_counter()
try:
    main()
except SystemExit as end:
    status = end.code
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print("FIGURES", status, time.perf_counter() - begin, peak)
"""


def costs(asked: argparse.Namespace) -> Iterator[Row]:
    """Time, memory, size."""
    sample = ROOT / "sample_rasters" / "inputs.toml"
    with tempfile.TemporaryDirectory() as place:
        for _ in range(2):  # The first may still have to compile.
            done = subprocess.run(
                [sys.executable, "-c", CHILD, str(sample), place], cwd=ROOT, capture_output=True,
                text=True, check=False,
            )  # fmt: skip
        match = re.search(r"FIGURES (\d+) ([\d.]+) (\d+)", done.stdout)
        if not match or match[1] != "0":
            yield "the sample parcel", f"failed: {done.stderr.strip()[:200]}", "siting score"
            return
        record = json.loads((Path(place) / "run.json").read_text())
        size = (Path(place) / "map.html").stat().st_size
    cells = _cells(record) / 1e6
    yield ("seconds per million cells, all outputs", f"{float(match[2]) / cells:.1f}",
           "siting score sample_rasters/inputs.toml")  # fmt: skip
    yield "peak memory, MB per million cells", f"{int(match[3]) / 1000 / cells:,.0f}", "the same"
    yield "bytes of the map page", f"{size:,}", "the same"
    spent = [_help_seconds() for _ in range(5)]
    yield "seconds until help is shown", f"{statistics.median(spent):.2f}", "siting --help"


def _cells(record: object) -> float:
    """Cells of the working grid, wherever the record of a run tells them."""
    match = re.search(r'"(?:rows|n_rows)": (\d+)', json.dumps(record))
    other = re.search(r'"(?:cols|n_cols)": (\d+)', json.dumps(record))
    return float(match[1]) * float(other[1]) if match and other else 902_436.0


def _help_seconds() -> float:
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-m", "siting", "--help"], cwd=ROOT, capture_output=True,
                   check=True)  # fmt: skip
    return time.perf_counter() - begin


PARTS: dict[str, Callable[[argparse.Namespace], Iterator[Row]]] = {
    "inputs": inputs, "damage": damage, "files": files, "kills": kills, "sameness": sameness,
    "page": page, "text": text, "laws": laws, "differences": differences,
    "attack": attack, "faults": faults, "costs": costs,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("parts", nargs="*", help=", ".join(PARTS))
    parser.add_argument("--count", type=int, default=200, help="damaged files of each format")
    asked = parser.parse_args()
    versions = (
        f"Python {platform.python_version()}, {platform.system()}, {os.cpu_count()} processors"
    )
    print(f"Measured {dt.datetime.now(dt.UTC):%d %B %Y}; {versions}.\n")
    print("| what | figure | how |\n|---|---|---|")
    for name in asked.parts or PARTS:
        for what, figure, how in PARTS[name](asked):
            print(f"| {what} | {figure} | `{how}` |", flush=True)


if __name__ == "__main__":
    main()
