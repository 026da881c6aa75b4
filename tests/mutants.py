"""Faults planted in the program: the test that stands for each must notice it.

    python -m tests.mutants            all of them
    python -m tests.mutants slope      those whose name holds the word

Each fault is a change of one line such as people make: an axis, a sign, a unit, a shift. The
program and its tests are copied, the line is changed in the copy, and the test that stands for it
is run there. It must fail. The copy without a fault must pass.
"""

from __future__ import annotations

import compileall
import multiprocessing
import os
import queue
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from py_compile import PycInvalidationMode
from typing import Any

ROOT = Path(__file__).parents[1]
# Children start from a process that has loaded the libraries, but nothing of the program: to load
# them takes longer than most of the tests.
STARTER = multiprocessing.get_context("forkserver")
LIBRARIES = [
    "numpy", "pandas", "scipy.ndimage", "scipy.sparse.linalg", "shapely", "pyproj", "geopandas",
    "pyogrio", "rasterio.warp", "rasterio.features", "numba", "pydantic", "hypothesis", "pytest",
]  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One planted fault: file of the package, line before and after, test that must notice it."""

    name: str
    file: str
    old: str
    new: str
    test: str


FAULTS = (
    Fault("batch: canopy has no fingerprint", "read/given.py",
          "for spec in inputs.rasters().values()",
          'for key, spec in inputs.rasters().items() if key != "canopy"',
          "tests/test_stale.py::test_other_bytes_of_the_same_size_and_time_are_seen[canopy.tif]"),
    Fault("batch: decisions count for no parcel", "batch/fingerprints.py",
          "(*facts, decided)", "facts",
          "tests/test_visits.py::"
          "test_a_batch_reads_a_folder_and_redoes_only_the_parcel_it_speaks_of"),
    Fault("batch: a file is known by size and time", "disk/files.py",
          "return status.st_size, status.st_mtime_ns, status.st_ino, status.st_ctime_ns",
          "return status.st_size, status.st_mtime_ns, 0, 0",
          "tests/test_stale.py::test_other_bytes_of_the_same_size_and_time_are_seen[dem.tif]"),
    Fault("public: radius without the diagonal", "report/files/public.py",
          "math.hypot(half_m, half_m * math.cos(math.radians(lat)))", "half_m * 0.0",
          "tests/test_public_edges.py"),
    Fault("tables: only = is guarded", "report/files/tables.py",
          '_FORMULA = ("=", "+", "-", "@", "\\t", "\\r")', '_FORMULA = ("=",)',
          "tests/test_public_edges.py"),
    Fault("GPX: longitude not wrapped at 180", "report/files/gpx.py",
          "wrapped = written_lon(lon, DECIMALS)", "wrapped = round(lon, DECIMALS)",
          "tests/test_public_edges.py"),
    Fault("decisions: chosen shuts out", "read/vector/ruled_out.py",
          'record.state != "ruled out"', 'record.state not in ("ruled out", "chosen")',
          "tests/test_visits.py::test_only_a_place_ruled_out_is_closed"),
    Fault("slope: east and west swapped", "ground/terrain.py",
          "along[:, 2:] - along[:, :-2]", "along[:, :-2] - along[:, 2:]", "test_terrain_gdaldem"),
    Fault("slope: north and south swapped", "ground/terrain.py",
          "across[:-2] - across[2:]", "across[2:] - across[:-2]", "test_terrain_gdaldem"),
    Fault("slope: six in place of eight", "ground/terrain.py", "(8.0 * cell_size_m)",
          "(6.0 * cell_size_m)", "test_terrain_richdem"),
    Fault("slope: middle row not doubled", "ground/terrain.py",
          "along = z[:-2] + 2 * z[1:-1] + z[2:]",
          "along = z[:-2] + z[1:-1] + z[2:]", "test_terrain_gdaldem"),
    Fault("slope: radians for degrees", "ground/terrain.py", "= np.degrees(angle)", "= angle",
          "test_terrain_richdem"),
    Fault("aspect: uphill for downhill", "ground/terrain.py", "np.arctan2(-east, -north)",
          "np.arctan2(east, north)", "test_terrain_gdaldem"),
    Fault("shade: light from the lower right", "ground/terrain.py", "azimuth_deg: float = 315.0",
          "azimuth_deg: float = 135.0", "test_terrain_gdaldem"),
    Fault("distance: to endless lines", "kernels/distance.py", "along = min(max(along, zero), one)",
          "along = min(max(along, -one), one)", "test_distance_brute"),
    Fault("distance: half a cell forgotten", "ground/distance.py",
          "more_m=-cell_size_m / 2", "more_m=0.0",
          "test_distance_brute"),
    Fault("distance: border on the wrong side", "ground/distance.py", "more_m=cell_size_m / 2",
          "more_m=-cell_size_m / 2", "test_distance_brute"),
    Fault("set-back: a fiftieth too wide", "ground/distance.py", "shapely.buffer(near, distance_m,",
          "shapely.buffer(near, distance_m * 1.02,", "test_distance_brute"),
    Fault("score: conditions raise the index", "scoring/combine.py",
          "total = _exp(draws + holds)", "total = _exp(draws - holds)", "test_scores_published"),
    Fault("score: what holds counts as what fails", "scoring/combine.py",
          "(1.0 - memberships[name].astype(np.float64))", "memberships[name].astype(np.float64)",
          "test_scores_published"),
    Fault("score: ratios not turned into logarithms", "scoring/combine.py",
          "total = _exp(draws + holds)", "total = draws + holds", "test_scores_published"),
    Fault("curve: knots mirrored", "kernels/curves.py", "np.interp(given, at, level)",
          "np.interp(given, at, level[::-1])", "test_scores_published"),
    Fault("sun: longitude west for east", "heading/sun_position.py",
          "(times, latitude_deg, longitude_deg)", "(times, latitude_deg, -longitude_deg)",
          "test_sun_nrel"),
    Fault("sun: bent by no air", "heading/sun_position.py",
          "elevation_deg + bent_deg", "elevation_deg", "test_sun_nrel"),
    Fault("compass: declination added", "heading/compass.py", "(true_deg - self.east_deg)",
          "(true_deg + self.east_deg)", "test_wmm"),
    Fault("compass: a year too late", "heading/compass.py", "return day.year + (",
          "return day.year + 1 + (", "test_wmm"),
    Fault("current: diagonals as short as sides", "ground/travel/circuits.py",
          "math.hypot(*offset)", "1.0",
          "test_current_circuits"),
    Fault("current: conductance for resistance", "ground/travel/circuits.py",
          "1.0 / (mean_cost * math.hypot(*offset))", "mean_cost * math.hypot(*offset)",
          "test_current_circuits"),
    Fault("current: counted twice at each cell", "ground/travel/circuits.py",
          "+ np.abs(injected)) / 2",
          "+ np.abs(injected))", "test_current_circuits"),
    Fault("judgements: rows for columns", "settings/ratios/weights.py", "np.linalg.eig(judged)",
          "np.linalg.eig(judged.T)", "test_ahp_saaty"),
    Fault("judgements: consistency by n", "settings/ratios/weights.py",
          "max(0.0, (lambda_max - n) / (n - 1))",
          "max(0.0, (lambda_max - n) / n)", "test_ahp_saaty"),
    Fault("skyline: the Earth is flat", "ground/view.py", "return (1.0 - refraction_k) *",
          "return 0.0 *", "test_horizon_slow"),
    Fault("skyline: sine for cosine", "ground/view.py", "np.sin(radian)[:, None] * distance_m",
          "np.cos(radian)[:, None] * distance_m", "test_horizon_slow"),
    Fault("grid: corners for centres", "grid.py", "(np.asarray(row) + 0.5)",
          "(np.asarray(row) + 0.0)", "test_distance_brute"),
    Fault("rank: the worst place first", "scoring/candidates.py", "np.argsort(-rounded",
          "np.argsort(rounded",
          "tests/properties/test_scores_properties.py::"
          "test_a_dominated_candidate_never_ranks_above_its_dominator"),
    Fault("read: the middle cell for the majority", "read/raster/raster_layers.py",
          "method = Resampling.mode if finer else Resampling.nearest",
          "method = Resampling.nearest",
          "tests/test_read.py::test_a_finer_cover_is_read_by_majority"),
    Fault("read: points for areas where the machine is set so", "read/library.py",
          '"GTIFF_POINT_GEO_IGNORE": "NO"', '"GTIFF_POINT_GEO_IGNORE": "YES"',
          "tests/test_read.py::test_area_and_point_twins_are_equal"),
    Fault("legend: woods called shrub", "data/legends/nlcd.csv", "tree", "shrub", "test_legends"),
    Fault("legend: missing called water", "ground/cover.py", "out[code == missing] = NO_CODE",
          "out[code == missing] = 11", "test_legends"),
    # Faults outside the reference tests name the file that must notice them.
    Fault('review: events counted from the first record', 'review/recorded/effort.py',
          'elif counted_from == "last":',
          'elif counted_from == "first":', 'siting/review/recorded/effort.py'),
    Fault('review: an event at the very gap is the same', 'review/recorded/effort.py',
          'time - reference >= gap',
          'time - reference > gap', 'tests/review/test_package.py'),
    Fault('review: pictures and events both counted', 'review/recorded/observations.py',
          'and _level(row) == level',
          '', 'tests/review/test_traps.py::test_15_events_and_pictures_are_never_added'),
    Fault('review: cameras without an end are kept', 'review/recorded/effort.py',
          'one.end is None or one.end > today',
          'one.end is None', 'tests/review/test_package.py'),
    Fault('review: livestock counts as wild', 'review/recorded/effort.py',
          'wild = set(counts) - set(tame)',
          'wild = set(counts)', 'tests/review/test_package.py'),
    Fault('review: memberships not centred', 'review/statistics/weights.py',
          'm - m.mean(axis=0)',
          'm', 'tests/review/test_statistics.py'),
    Fault('review: spread of clusters forgotten', 'review/statistics/weights.py',
          'np.array([0.0, 0.3, 0.6, 1.0])',
          'np.array([0.0, 0.0, 0.0, 0.0])', 'tests/review/test_statistics.py'),
    Fault('review: ties of rate count as won', 'review/statistics/ranks.py',
          'by_rate / 2 + 0.5, 0.0)',
          'by_rate / 2 + 0.51, 0.0)', 'tests/review/test_statistics.py'),
    Fault('review: odds for rates', 'review/statistics/glm.py',
          'value = _logit if link == "logit" else _cloglog',
          'value = _logit', 'tests/review/test_statistics.py'),
    Fault('review: neighbours held in the fit', 'review/held_out.py',
          'train = cameras.part(~out)',
          'train = cameras', 'tests/review/test_statistics.py'),
    Fault('review: no floor of clusters', 'review/cameras.py',
          'or clusters < _HEADLINE_CLUSTERS\n',
          '\n', 'tests/review/test_held_out.py'),
    Fault('review: a weight moves as far as it likes', 'review/change.py',
          '_MOST_FACTOR = 2.0',
          '_MOST_FACTOR = 20.0',
          "tests/review/test_answer.py::test_no_weight_moves_by_more_than_twice"),
    Fault('review: a season may count twice', 'review/run.py',
          'output.deployment_hash(row) in used',
          'False', "tests/review/test_run.py::test_a_season_counts_once"),
    Fault('review: public page draws the places', 'review/shown/page.py',
          'if not public and cameras.at_m is not None',
          'if cameras.at_m is not None',
          "tests/review/test_answer.py::test_public_pages_hold_no_place_and_no_camera"),
    Fault('notebook: the map keeps its origin', 'notebook.py',
          'sandbox="allow-scripts allow-downloads"',
          'sandbox="allow-scripts allow-same-origin"',
          "tests/test_notebook.py::test_a_notebook_shows_the_map_in_a_sandbox"),
    Fault('engine: richdem taken unasked', 'ground/water/engines.py',
          'if engine == "built-in":\n        return own',
          'if engine == "richdem":\n        return own',
          "tests/reference/test_engine_richdem.py::test_the_default_never_looks_for_richdem"),
    Fault('water: hollows not filled', 'ground/water/flow.py',
          'kernels.steepest(fill_depressions(dem))',
          'kernels.steepest(np.ascontiguousarray(dem, dtype=np.float32))',
          'tests/test_drainage.py'),
    Fault('water: area of a cell forgotten', 'ground/water/drainage.py',
          '* float(cell_size_m**2)',
          '* float(cell_size_m)', 'tests/test_drainage.py'),
    Fault('water: wetness of flat ground without end', 'ground/water/drainage.py',
          'slope_floor_deg: float = 0.1',
          'slope_floor_deg: float = 0.001', 'tests/test_drainage.py'),
    Fault('grid: window not clipped', 'grid.py',
          'row0, col0 = max(row, 0), max(col, 0)',
          'row0, col0 = row, col', 'tests/test_grid.py'),
    Fault('lengths: feet of the unrounded metres', 'lengths.py',
          '_whole(shown * FEET_PER_M)',
          '_whole(metres * FEET_PER_M + 1)', 'siting/lengths.py'),
    Fault('files: names by their start alone', 'disk/files.py',
          '-{text_hash(identifier)[:8]}',
          '', "tests/test_files.py::test_safe_names_of_one_letter_in_two_cases_differ"),
    Fault('tables: a formula stays one', 'report/files/tables.py',
          '_FORMULA = ("=", "+",',
          '_FORMULA = (', "tests/test_exchange.py::test_no_cell_is_a_formula"),
    Fault('lonlat: 180 degrees not turned', 'report/shared/facts.py',
          'def wrapped_lon(lon: float) -> float:',
          'def wrapped_lon(lon: float) -> float:\n    return lon\n\n\ndef _(lon: float) -> float:',
          "tests/test_public_edges.py::test_no_longitude_of_a_waypoint_reaches_180"),
    Fault('inputs: days in any order', 'settings/inputs.py',
          'self.last_day < self.first_day',
          'False', 'tests/test_settings.py'),
    Fault('protocol: unknown keys let pass', 'settings/protocol_base.py',
          'extra="forbid"',
          'extra="ignore"', 'tests/test_settings.py'),
    Fault('sun: the disc has no width', 'heading/sun.py',
          'SUN_RADIUS_DEG = 0.27',
          'SUN_RADIUS_DEG = 2.7', 'tests/test_sun.py'),
    Fault('walk: off the path as quick as on it', 'walk/network.py',
          'np.where(on_path, 1.0, off_path_factor)',
          'np.where(on_path, 1.0, 1.0)', 'tests/test_walk.py'),
    Fault('review: rates change places between properties', 'review/statistics/ranks.py',
          'moved[rng.permutation(group)]',
          'moved[rng.permutation(len(moved))[: len(group)]]', 'tests/review/test_statistics.py'),
    Fault('journal: a cut line is left open', 'batch/journal.py',
          'if data and not data.endswith(b"\\n"):',
          'if False:', 'tests/test_journal.py'),
)  # fmt: skip


def main() -> None:
    word = sys.argv[1] if len(sys.argv) > 1 else ""
    chosen = [fault for fault in FAULTS if word in fault.name]
    STARTER.set_forkserver_preload(LIBRARIES)
    with tempfile.TemporaryDirectory(prefix="siting-mutants-") as place:
        if (open_data := ROOT.parent / "shared").exists():
            # A test that skips for want of them would notice no fault.
            (Path(place) / "shared").symlink_to(open_data.resolve())
        copies: queue.Queue[Path] = queue.Queue()
        for number in range(os.cpu_count() or 1):
            copies.put(_copy(Path(place) / str(number)))
        with ThreadPoolExecutor(copies.qsize()) as pool:
            tests = sorted({fault.test for fault in chosen})
            # All tests of a copy in one run: starting it takes longer than most of them.
            shares = [tests[n :: copies.qsize()] for n in range(copies.qsize())]
            sound = pool.map(lambda share: _in_a_copy(copies, _passes, share), filter(None, shares))
            if not all(sound):
                sys.exit("the tests fail without any fault")
            found = pool.map(lambda fault: _in_a_copy(copies, _noticed, fault), chosen)
            survivors = [fault.name for fault, good in zip(chosen, found, strict=True) if not good]
    print(f"{len(chosen) - len(survivors)} of {len(chosen)} planted faults were noticed")
    sys.exit("\n".join(survivors) if survivors else 0)


def _copy(folder: Path) -> Path:
    leave = shutil.ignore_patterns("__pycache__", "*.pyc", ".*")
    for name in ("siting", "tests", "sample_rasters", "docs", ".ci"):
        shutil.copytree(ROOT / name, folder / name, ignore=leave)
    shutil.copy(ROOT / "pyproject.toml", folder)
    # Compiled once, and known by the bytes of the source: a fault of the same size and second is
    # never taken for what it replaced.
    checked = PycInvalidationMode.CHECKED_HASH
    compileall.compile_dir(folder / "siting", quiet=1, invalidation_mode=checked)
    return folder


def _in_a_copy(copies: queue.Queue[Path], action: Callable[[Path, Any], bool], what: Any) -> bool:
    folder = copies.get()
    try:
        return action(folder, what)
    finally:
        copies.put(folder)


def _noticed(folder: Path, fault: Fault) -> bool:
    path = folder / "siting" / fault.file
    whole = path.read_text(encoding="utf-8")
    if fault.old not in whole:
        raise RuntimeError(f"{fault.name}: {fault.file} no longer holds {fault.old!r}")
    path.write_text(whole.replace(fault.old, fault.new, 1), encoding="utf-8")
    begin = time.monotonic()
    try:
        noticed = not _passes(folder, [fault.test])
    finally:
        path.write_text(whole, encoding="utf-8")
    spent = time.monotonic() - begin
    print(f"{'noticed ' if noticed else 'SURVIVED'} {spent:4.0f} s  {fault.name}", flush=True)
    return noticed


def _passes(folder: Path, tests: list[str]) -> bool:
    told = folder.with_name(f"{folder.name}.txt")
    child = STARTER.Process(target=_run_there, args=(str(folder), str(told), tests))
    child.start()
    child.join()
    said = told.read_text(encoding="utf-8", errors="replace")
    # 4 and 5 of pytest: the test is not there. That is no fault noticed.
    if child.exitcode not in (0, 1, 2):
        raise RuntimeError(f"{tests}: pytest ended with {child.exitcode}: {said[-500:]}")
    if child.exitcode and len(tests) > 1:
        print(said[-1500:])
    return child.exitcode == 0


def _run_there(folder: str, told: str, tests: list[str]) -> None:
    """In a child that has the libraries: run tests of the copy, of which nothing is loaded yet."""
    status = 3
    try:
        stream = os.open(told, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(stream, 1)
        os.dup2(stream, 2)
        for name in [n for n in sys.modules if n.partition(".")[0] in ("siting", "tests")]:
            del sys.modules[name]
        os.chdir(folder)
        sys.path[:] = [folder, *(p for p in sys.path if Path(p or ".").resolve() != ROOT)]
        sys.dont_write_bytecode = True
        # Processes that a test starts elsewhere must find the copy, not the tree it was made of.
        os.environ |= {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": folder}
        os.environ["SITING_ANY_EXAMPLE"] = "1"
        status = _pytest_of(folder, tests)
        sys.stdout.flush()
    finally:
        # No failure of this function may pass for one of the test.
        os._exit(status)


def _pytest_of(folder: str, tests: list[str]) -> int:
    import pytest

    line = ["-q", "-x", "-W", "ignore", "-p", "no:cacheprovider", "-n", "0", "-m", ""]
    status = int(pytest.main([*line, *map(_place_of, tests)]))
    loaded = sys.modules.get("siting")
    if loaded is not None and not str(loaded.__file__).startswith(folder):
        raise RuntimeError(f"the tests ran {loaded.__file__}")
    return status


def _place_of(test: str) -> str:
    """A test by its path; a bare name is a file of the reference tests."""
    return test if "/" in test else f"tests/reference/{test}.py"


if __name__ == "__main__":
    main()
