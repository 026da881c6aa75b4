"""Same in, same out, whatever surrounds the program: clock, language, chance, network, memory.

Each run is a process of its own that writes every output; the bytes are compared, those of
run.json without the time that it tells.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import LineString, Point

from siting.disk.files import LAST, text_hash
from tests.bad_inputs.land import Land, clean, codes, frame, relief
from tests.bad_inputs.runner import words, write_settings


def whole_land(folder: Path) -> Land:
    """A land with a road, a brook, a trail and names in several scripts."""
    land = clean(folder)
    west, south, east, north = land.outline.bounds
    named = {"id": ["Lot İı 7"], "label": ["Grünes Tälchen \U0001f98c"]}
    frame(land.outline, **named).to_file(folder / "lot.gpkg", layer="lot")
    brook = LineString([(west, south + 60), (west + 90, south + 80), (east, south + 50)])
    trail = LineString([(west + 40, south), (west + 60, north)])
    road = LineString([(east + 20, south - 40), (east + 20, north + 40)])
    frame(brook).to_file(folder / "lot.gpkg", layer="water")
    frame(trail, use=["game"]).to_file(folder / "lot.gpkg", layer="trails")
    frame(road, **{"class": ["track"]}).to_file(folder / "lot.gpkg", layer="roads")
    frame(Point(east - 5, north - 5), reason=["Iğdır"]).to_file(folder / "lot.gpkg", layer="no_go")
    land.set("parcel.file", "lot.gpkg::lot")
    for name in ("water", "trails", "roads", "no_go"):
        land.set(f"layers.{name}", f"lot.gpkg::{name}")
    land.protocol = str(land.protocol).replace("draws = 0", "draws = 60")
    return land.set("survey.time_zone", "Etc/GMT+5")


@pytest.fixture(scope="module")
def land(tmp_path_factory) -> Land:
    land = whole_land(tmp_path_factory.mktemp("land"))
    write_settings(land)
    return land


def run(
    land: Land, out: Path, *before: str, flags: tuple[str, ...] = (), **environment: str
) -> None:
    land.out = str(out)
    done = subprocess.run(
        [*before, sys.executable, *flags, "-m", "siting", *words(land, "score")],
        capture_output=True, text=True, timeout=300, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr


def fingerprints(folder: Path) -> dict[str, str]:
    out = {}
    for path in sorted(folder.iterdir()):
        data = path.read_bytes()
        if path.name == LAST:
            record = json.loads(data)
            record = {key: value for key, value in record.items() if "time" not in key}
            # What the record tells of the machine may differ; what was found may not.
            data = json.dumps({k: v for k, v in record.items() if k in FOUND}, sort_keys=True)
            data = data.encode()
        out[path.name] = text_hash(data.hex())
    return out


FOUND = ("spots", "notes", "inputs", "sources", "outputs", "assumptions", "warnings", "protocol")


@pytest.fixture(scope="module")
def first(land, tmp_path_factory) -> dict[str, str]:
    out = tmp_path_factory.mktemp("first") / "out"
    run(land, out)
    found = fingerprints(out)
    assert {"map.html", "spots.csv", "spots.geojson", "suitability.tif", LAST} <= set(found)
    return found


def older_processor() -> dict[str, str]:
    """The libraries of numbers take the ways of a machine without newer instructions."""
    newer = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])
    told = {"NPY_DISABLE_CPU_FEATURES": " ".join(newer)} if newer else {}
    return told | ({"OPENBLAS_CORETYPE": "Nehalem"} if platform.machine() == "x86_64" else {})


SURROUNDINGS = {
    "clock of another day": {"TZ": "Pacific/Kiritimati"},
    "Turkish": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "no language": {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
    "chance": {"PYTHONHASHSEED": "4711"},
    "older processor": older_processor(),
    "network of PROJ asked for": {"PROJ_NETWORK": "ON"},
    "one thread": {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"},
}
TOGETHER = {key: value for name, told in SURROUNDINGS.items() if name != "no language"
            for key, value in told.items()}  # fmt: skip


def test_same_bytes_with_all_of_it_at_once(land, first, tmp_path):
    run(land, tmp_path / "out", **TOGETHER)
    assert fingerprints(tmp_path / "out") == first


@pytest.mark.slow
@pytest.mark.skipif("SITING_SLOW" not in os.environ, reason="one by one only with SITING_SLOW=1")
@pytest.mark.parametrize("name", SURROUNDINGS)
def test_same_bytes(name, land, first, tmp_path):
    run(land, tmp_path / "out", **SURROUNDINGS[name])
    assert fingerprints(tmp_path / "out") == first


@pytest.mark.slow
def test_same_bytes_without_docstrings_and_assertions(land, first, tmp_path):
    """PYTHONOPTIMIZE=2: nothing may rest on an assertion or on a docstring."""
    run(land, tmp_path / "out", flags=("-OO",))
    assert fingerprints(tmp_path / "out") == first


@pytest.mark.slow
def test_same_bytes_without_a_network(land, first, tmp_path):
    if shutil.which("unshare") is None or subprocess.run(["unshare", "-n", "true"]).returncode:
        pytest.skip("a process without a network cannot be made here")
    run(land, tmp_path / "out", "unshare", "-n")
    assert fingerprints(tmp_path / "out") == first


def test_planted_fault_another_land_gives_other_bytes(first, tmp_path):
    """The comparison would see a change: one cell of the DEM a metre higher."""
    other = whole_land(tmp_path)
    heights = relief()
    heights[30, 30] += 1
    other.dem(heights)
    write_settings(other)
    run(other, tmp_path / "out")
    found = fingerprints(tmp_path / "out")
    assert found["suitability.tif"] != first["suitability.tif"]


# --- memory ---

LIMITED = """
import os, resource, sys
from siting.cli.main import main
small, large, told = sys.argv[1:4]
def call(folder, out):
    sys.argv = ["siting", "score", folder + "/inputs.toml", "--protocol",
                folder + "/protocol.toml", "-o", out]
    try:
        main()
    except SystemExit as end:
        return end.code
limits = sys.argv[4:]
# All libraries are loaded and warm before the limit is set, as in a worker of a batch.
if call(small, small + "/out") != 0:
    sys.exit(9)
for more in limits:
    if os.fork() == 0:
        os.dup2(os.open(f"{told}/{more}.err", os.O_WRONLY | os.O_CREAT), 2)
        held = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
        most = held + int(more) * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        status = call(large, f"{told}/{more}")
        sys.stderr.flush()
        os._exit(status or 0)
    ended = os.waitstatus_to_exitcode(os.wait()[1])
    with open(f"{told}/{more}.status", "w") as file:
        file.write(str(ended))
"""


# Wherever the memory ends, it is told; at 204 MB it once ended within the solution of the currents.
MORE_LIMITS = range(23, 410, 13) if "SITING_SLOW" in os.environ else ()
LIMITS_MB = (10, 60, 204, 2000, *MORE_LIMITS)


@pytest.fixture(scope="module")
def limited(tmp_path_factory) -> Path:
    """What each limit came to: a run of a process that is warm, forked once for each."""
    small = whole_land(tmp_path_factory.mktemp("small"))
    write_settings(small)
    large = clean(tmp_path_factory.mktemp("large"))
    n = 1040
    place = {"left": large.left - 2450, "top": large.top + 2450}
    large.dem(relief(n, n), **place).cover(codes(n, n), **place)
    large.protocol = str(large.protocol).replace("context_m = 50.0", "context_m = 2500.0")
    write_settings(large)
    told = tmp_path_factory.mktemp("told")
    words = [str(small.folder), str(large.folder), str(told), *map(str, LIMITS_MB)]
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, *words],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return told


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="the limit is one of Linux")
@pytest.mark.parametrize("megabytes", LIMITS_MB)
def test_a_limit_on_memory(megabytes, limited):
    """A parcel with its surroundings of a million cells, and too little memory for it."""
    status = int((limited / f"{megabytes}.status").read_text())
    said = (limited / f"{megabytes}.err").read_text()
    assert "Traceback" not in said, said
    assert status in (0, 3), said
    if status == 3:
        assert said.startswith("E-MEM-01"), said
        out = limited / str(megabytes)
        assert not out.exists() or not list(out.iterdir())
    if megabytes in (10, 60):
        assert status == 3
    if megabytes == 2000:
        assert status == 0
        assert (limited / "2000" / LAST).exists()
