"""Measures the program and its peers on this machine and writes docs/method/speed.md.

    python -m tests.speed.write_page [--richdem PYTHON] [--xdem PYTHON] [--only PARTS] [--once]

PYTHON is the interpreter of an environment in which that peer imports. Takes a quarter of an
hour on two cores, half of it growth. Parts left out by --only keep their figures; --once runs
everything a single time where it is otherwise the least of several, for a machine that is slow.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely

from tests.speed.lands import ground, write_parcel, write_surface
from tests.speed.make_country import LEFT, TOP, layers, make_country
from tests.speed.measure import ROOT, Took, best, took
from tests.speed.surface import compare

PAGE = ROOT / "docs" / "method" / "speed.md"
NOTES = Path(__file__).with_name("notes.md")
Table = list[list[str]]
Part = Callable[["Setting"], str]


class Setting:
    """Where to work and with which interpreters."""

    def __init__(self, folder: Path, richdem: str, xdem: str, *, once: bool = False) -> None:
        self.folder, self.python, self.once = folder, sys.executable, once
        self.peers = {"richdem": richdem, "xdem": xdem}

    def times(self, usual: int) -> int:
        """How often a command is run to take the least of it."""
        return 1 if self.once else usual

    def best(self, *words: object, times: int = 3, cwd: Path = ROOT) -> Took:
        return best(*words, times=self.times(times), cwd=cwd)


def table(head: list[str], rows: Table) -> str:
    lines = [head, ["---"] + ["--:"] * (len(head) - 1), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"


def verdict(met: bool, said: str) -> str:
    return f"**{'Met' if met else 'Missed'}**: {said}\n"


def spent(done: Took) -> tuple[float, str]:
    """Seconds to be judged, and what they are: by the wall clock only where nobody else works."""
    busy = os.getloadavg()[0] > 2.5
    return (
        (done.cpu_s, "s of processor time (the machine was busy)")
        if busy
        else (done.wall_s, "s by the wall clock")
    )


def surface(at: Setting) -> str:
    folder = at.folder / "surface"
    write_surface(folder, 4000, cell_m=2.0)
    ours = [
        took(at.python, "-m", "tests.speed.surface", "ours", folder) for _ in range(1 + at.times(3))
    ][1:]
    tools = [
        took(at.python, "-m", "tests.speed.surface", "tools", folder) for _ in range(at.times(2))
    ]
    apart = compare(folder)
    first, second = (min(t, key=lambda r: r.cpu_s) for t in (ours, tools))
    ratio = min(spent(t)[0] for t in tools) / min(spent(t)[0] for t in ours)
    clock = spent(first)[1].replace("s of", "by").replace("s by", "by")
    write_surface(at.folder / "small", 200, cell_m=2.0)
    empty = at.best(at.python, "-m", "tests.speed.surface", "ours", at.folder / "small")
    per_cell = (min(t.peak_mb for t in ours) - empty.peak_mb) * 2**20 / 16e6
    rows = [
        [name, f"{r.cpu_s:.1f}", f"{min(t.wall_s for t in runs):.1f}", f"{r.peak_mb:.0f}"]
        for name, r, runs in (("siting", first, ours), ("GDAL's tools", second, tools))
    ]
    return (
        "Slope, distances to water, trails, roads and buildings, no-go and score of 4,000 x 4,000 "
        "cells of 2 m, from one DEM and one GeoPackage to seven GeoTIFFs, whole processes: "
        "`tests/speed/surface.py ours` against `gdaldem`, `gdal_rasterize`, `gdal_proximity.py` "
        "and `gdal_calc.py`.\n\n"
        + table(["", "processor s", "wall s", "peak MB"], rows)
        + f"\nOf ours {empty.cpu_s:.1f} s and {empty.peak_mb:.0f} MB are what a run on 200 x 200 "
        "cells takes: start, imports, files. The results lie apart "
        f"by at most {apart['slope_deg']:.4f} degrees of slope, {apart['distance_cells']:.2f} "
        "cells of distance (the tools measure to centres of touched cells, we to the true shape), "
        f"{apart['no_go_share']:.2%} of the no-go cells (all at a limit); the scores of 99.9 % of "
        f"the cells by less than {apart['score_999']:.3f}, where a curve turns distance into "
        "score.\n\n"
        + verdict(ratio >= 2.5, f"{ratio:.1f} times as fast, {clock}; the aim is 2.5.")
        + "\n"
        + verdict(per_cell < 40, f"{per_cell:.0f} bytes of peak memory a cell; the aim is 40.")
    )


# kernel: what it does, ours, peers, greatest ratio aimed at
KERNELS = (
    ("slope", "Slope (Horn)", ("richdem", "xdem"), 1.0),
    ("distance", "Distance to lines", ("scipy",), 1.0),
    ("fill", "Filling of hollows", ("richdem", "pyflwdir", "skimage"), 1.3),
    ("flow", "Flow directions and upstream area", ("richdem", "pyflwdir"), 1.3),
    ("bilinear", "Bilinear reading, 4 M points", ("scipy",), 1.0),
    ("disc_mean", "Mean in a disc of 15 m", ("scipy",), 1.0),
    ("specks", "Patches above a size", ("skimage",), 1.0),
)


def peers(at: Setting) -> str:
    folder = at.folder / "peers"
    folder.mkdir()
    n = 2000
    write_peer_data(folder, n)
    rows, missed = [], []
    for name, words, others, limit in KERNELS:
        own = _peer(at, f"{name}_ours", folder, at.python)
        found = {
            peer: _peer(at, f"{name}_{peer}", folder, at.peers.get(peer) or at.python)
            for peer in others
        }
        if name == "slope":
            found["gdaldem"] = at.best(
                "gdaldem", "slope", "dem.tif", "x.tif", "-q", cwd=folder
            ).cpu_s
        told = ", ".join(f"{k} {v:.3f}" if v else f"{k} not here" for k, v in found.items())
        known = [v for v in found.values() if v]
        ratio = own / min(known) if own and known else float("nan")
        if ratio > limit:
            missed.append(f"{words} ({ratio:.2f})")
        rows.append([words, f"{own:.3f}", told, f"{ratio:.2f}", f"{limit:.1f}"])
    return (
        f"Processor seconds on {n:,} x {n:,} cells, the least of three runs in a process of its "
        "own, nothing compiled or loaded in them (`tests/speed/peers.py`; gdaldem as a whole "
        "process). Below 1 is quicker than the best peer.\n\n"
        + table(["kernel", "siting", "peers", "ratio to the best", "aim"], rows)
        + "\n"
        + verdict(not missed, "; ".join(missed) if missed else "no kernel is above its aim.")
    )


def write_peer_data(folder: Path, n: int) -> None:
    from rasterio.features import rasterize
    from rasterio.transform import from_origin

    from siting.ground.water.flow import fill_depressions
    from tests.speed.lands import write_raster

    dem = ground((n, n), cell_m=2.0)
    write_raster(folder / "dem.tif", dem, cell_m=2.0, nodata=-9999)
    lines = layers(n * 2.0, np.random.default_rng(5))["trails"].geometry
    local = [shapely.transform(g, lambda xy: xy - [LEFT, TOP - n * 2.0]) for g in lines]
    rng = np.random.default_rng(6)
    np.savez(
        folder / "peer.npz",
        dem=dem,
        filled=fill_depressions(dem),
        lines=np.array([shapely.to_wkb(g) for g in local], dtype=object).astype(np.bytes_),
        lined=rasterize(
            local, (n, n), transform=from_origin(0, n * 2.0, 2.0, 2.0), all_touched=True
        ).astype(bool),
        at=rng.uniform(0, n - 1, (2, 4_000_000)),
        woods=ground((n, n), cell_m=8.0, seed=8) > 300,
    )


def _peer(at: Setting, name: str, folder: Path, python: str) -> float:
    """Least processor seconds of a job; 0 where its library is not installed."""
    script = ROOT / "tests" / "speed" / "peers.py"
    words = [python, "-m", "tests.speed.peers"] if python == at.python else [python, script]
    if not _imports(python, name.rpartition("_")[2]):
        return 0.0
    return float(took(*words, name, folder).out.split("RESULT")[1].split()[1])


def _imports(python: str, library: str) -> bool:
    if library == "ours":
        return True
    done = subprocess.run([python, "-c", f"import {library}"], capture_output=True, check=False)
    return not done.returncode


def runs(at: Setting) -> str:
    sample = ROOT / "sample_rasters" / "inputs.toml"
    text, ran = [], {}
    big = write_parcel(at.folder / "big", side_m=2000, context_m=650, cell_m=1.0)
    for title, inputs, times in (
        ("The sample (2 m, {:.1f} M cells)", sample, 3),
        ("4 km² at 1 m with 600 m around it ({:.1f} M cells), every layer", big, 1),
    ):
        # A folder for each: a run does not replace that of another land.
        out = at.folder / f"out of {inputs.parent.name}"
        done = at.best(at.python, "-m", "siting", "score", inputs, "-o", out, times=times)
        told = took(at.python, "-m", "tests.speed.stages", inputs, out).out.split("RESULT")[1]
        rows = [
            [r["stage"], f"{r['cpu_s']:.2f}", f"{r['wall_s']:.2f}", f"{r['peak_mb']:.0f}"]
            for r in json.loads(told)["rows"]
        ]
        start_mb = json.loads(told)["rows"][0]["peak_mb"]
        ran[title] = done
        cells = _cells(out)
        per_cell = (done.peak_mb - start_mb) * 2**20 / cells
        text.append(
            f"### {title.format(cells / 1e6)}\n\n`siting score`, start included: "
            f"{done.cpu_s:.1f} s of processor time, {done.wall_s:.1f} s by the wall clock; "
            f"peak {done.peak_mb:.0f} MB, {per_cell:.0f} "
            "bytes a cell above what the imports take.\n\n"
            + table(["stage", "processor s", "wall s", "peak MB"], rows)
        )
    (quick, clock), (large, _) = map(spent, ran.values())
    return (
        "\n".join(text)
        + "\n"
        + verdict(quick < 3.5, f"the sample in {quick:.1f} {clock}; the aim is 3.5 on two cores.")
        + "\n"
        + verdict(large < 20, f"4 km² at 1 m in {large:.1f} {clock}; the aim is 20.")
        + "\n"
        + verdict(
            per_cell <= 150, f"{per_cell:.0f} bytes of peak memory a cell on it; the aim is 150."
        )
    )


def batch(at: Setting) -> str:
    from distributed import LocalCluster

    count = 60
    inputs = make_country(at.folder / "country", km=14, count=count)
    words = (at.python, "-m", "siting", "batch", inputs, "--pages", "none")
    done = {
        name: took(*words, "-o", at.folder / f"batch{name}", "--workers", name)
        for name in ("1", "2")
    }
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        dask = took(*words, "-o", at.folder / "dask", "--dask", cluster.scheduler_address)
    rows = [
        [name, f"{d.wall_s:.1f}", f"{d.cpu_s:.1f}", f"{count / d.wall_s:.2f}",
         f"{1000 * d.cpu_s / count:.0f}"]
        for name, d in done.items()
    ]  # fmt: skip
    rows.append(["2 of Dask", f"{dask.wall_s:.1f}", "", f"{count / dask.wall_s:.2f}", ""])
    gain, core = done["1"].wall_s / done["2"].wall_s, count / done["1"].cpu_s
    slower = dask.wall_s / done["2"].wall_s - 1
    return (
        f"{count} parcels of about 40 ha at 10 m with 600 m around each, tables only "
        "(`--pages none`), whole command. Workers of a LocalCluster are there before it begins; "
        "their processor time is not the command's.\n\n"
        + table(
            ["workers", "wall s", "processor s", "parcels a second", "processor ms a parcel"], rows
        )
        + "\n"
        + verdict(gain >= 1.85, f"2 workers do {gain:.2f} times the work of one; the aim is 1.85.")
        + "\n"
        + verdict(core >= 5, f"{core:.1f} parcels a second of processor time; the aim is 5.")
        + "\n"
        + verdict(
            slower <= 0.1,
            f"Dask takes {slower:+.0%} of the pool's time; the aim is at most +10 %.",
        )
    )


def growth(at: Setting) -> str:
    costs = []
    for n in (500, 1000, 2000, 4000, 8000):
        folder = at.folder / f"grow{n}"
        write_surface(folder, n, cell_m=2.0)
        done = took(at.python, "-m", "tests.speed.surface", "ours", folder)
        shutil.rmtree(folder)
        costs.append((n * n / 1e6, done))
    rows = [_row("surface stage", m, done) for m, done in costs]
    whole = []
    for side in (250, 1000, 2000, 2600):
        folder = at.folder / f"whole{side}"
        inputs = write_parcel(folder, side_m=side, context_m=650, cell_m=1.0)
        done = at.best(at.python, "-m", "siting", "score", inputs, "-o", folder / "out", times=2)
        whole.append((_cells(folder / "out") / 1e6, done))
        shutil.rmtree(folder)
    rows += [_row("whole run", m, done) for m, done in whole]
    slopes = [_exponent(costs[2:]), _exponent(whole[1:])]
    parcel = []
    for context in (700, 3000, 9000):
        folder = at.folder / f"raster{context}"
        inputs = write_parcel(folder, side_m=640, context_m=context, cell_m=2.0)
        done = at.best(at.python, "-m", "siting", "score", inputs, "-o", folder / "out", times=2)
        shutil.rmtree(folder)
        parcel.append(((640 + 2 * context) ** 2 / 4e6, done))
    cut = [[f"{m:.1f}", f"{done.cpu_s:.1f}", f"{done.peak_mb:.0f}"] for m, done in parcel]
    memory = [done.peak_mb for _, done in parcel]
    return (
        "The surface stage from 0.25 M to 64 M cells, and whole runs at 1 m.\n\n"
        + table(["", "M cells", "processor s", "processor s a M cells", "peak MB"], rows)
        + "\n"
        + verdict(
            max(slopes) <= 1.05,
            f"time grows with cells to the power {slopes[0]:.2f} (surface) and {slopes[1]:.2f} "
            "(whole run) over the largest sizes; 1 is linear.",
        )
        + "\nOne parcel of 41 ha at 2 m, cut out of rasters of growing size:\n\n"
        + table(["M cells of the raster", "processor s", "peak MB"], cut)
        + "\n"
        + verdict(
            max(memory) < 1.1 * memory[0],
            f"the largest raster takes {memory[-1] / memory[0]:.2f} times the memory of the "
            "smallest; only the part around the parcel is read.",
        )
    )


def _cells(out: Path) -> int:
    """How many a run had: how much is read around a parcel follows the protocol."""
    grid = json.loads((out / "run.json").read_text(encoding="utf-8"))["grid"]
    return int(grid["rows"] * grid["cols"])


def _row(name: str, millions: float, done: Took) -> list[str]:
    each = done.cpu_s / millions
    return [name, f"{millions:.2f}", f"{done.cpu_s:.1f}", f"{each:.2f}", f"{done.peak_mb:.0f}"]


def _exponent(costs: list[tuple[float, Took]]) -> float:
    at, spent = zip(*((m, done.cpu_s) for m, done in costs), strict=True)
    return float(np.polyfit(np.log(at), np.log(spent), 1)[0])


def start(at: Setting) -> str:
    sample = ROOT / "sample_rasters" / "inputs.toml"
    rows, found = [], {}
    for name, words in (
        ("`siting --help`", ("-m", "siting", "--help")),
        ("`siting check` of the sample", ("-m", "siting", "check", sample)),
        ("`import siting`", ("-c", "import siting")),
        ("imports of `siting score`", ("-c", "import siting.notebook, siting.report")),
        ("numba and the kernels", ("-c", "import numpy; from siting.kernels import fill")),
    ):
        done = found[name] = at.best(at.python, *words, times=5)
        rows.append([name, f"{done.wall_s:.2f}", f"{done.cpu_s:.2f}", f"{done.peak_mb:.0f}"])
    kept = {"NUMBA_CACHE_DIR": str(at.folder / "compiled")}
    score = (at.python, "-m", "siting", "score", sample, "-o", at.folder / "first")
    for name in ("first `siting score`", "second `siting score`"):
        done = found[name] = took(*score, env=kept)
        rows.append([name, f"{done.wall_s:.2f}", f"{done.cpu_s:.2f}", f"{done.peak_mb:.0f}"])
    first, second = (found[f"{name} `siting score`"] for name in ("first", "second"))
    seen, checked = (spent(done) for done in list(found.values())[:2])
    more = spent(first)[0] - spent(second)[0]
    return (
        table(["", "wall s", "processor s", "peak MB"], rows)
        + "\n"
        + verdict(seen[0] < 0.1, f"the help in {seen[0]:.2f} {seen[1]}; the aim is 0.1.")
        + "\n"
        + verdict(checked[0] < 1, f"a check in {checked[0]:.2f} {checked[1]}; the aim is 1.")
        + "\n"
        + verdict(
            more <= 3,
            f"a first run, which compiles, takes {more:.1f} {seen[1]} more; the aim is 3.",
        )
    )


def pages(at: Setting) -> str:
    out = at.folder / "out"
    took(at.python, "-m", "siting", "score", ROOT / "sample_rasters" / "inputs.toml", "-o", out)
    told = took(at.python, "-m", "tests.speed.page", out / "map.html").out.split("RESULT")[1]
    found = json.loads(told)
    rows = [
        ["first paint", f"{found['paint_ms']:.0f} ms"],
        ["scripts done", f"{found['ready_ms']:.0f} ms"],
        ["a slider's move, its work", f"{found['handled_ms']:.0f} ms"],
        ["a slider's move, drawn (median)", f"{found['move_ms']:.0f} ms"],
        ["the longest, drawn", f"{found['longest_move_ms']:.0f} ms"],
        ["map.html", f"{found['size_mb']:.2f} MB"],
    ]
    return (
        "The sample's page in headless Chromium, 390 x 844, its processor slowed four times "
        "(Emulation.setCPUThrottlingRate), the least of five openings (`tests/speed/page.py`).\n\n"
        + table(["", ""], rows)
        + "\n"
        + verdict(
            found["paint_ms"] < 1000,
            f"first paint after {found['paint_ms'] / 1000:.2f} s; the aim is 1.",
        )
        + "\n"
        + verdict(
            found["longest_move_ms"] < 50,
            f"a slider's move is drawn after {found['longest_move_ms']:.0f} ms at most; the aim "
            "is 50.",
        )
        + "\n"
        + verdict(found["size_mb"] < 1.2, f"{found['size_mb']:.2f} MB; the aim is 1.2.")
    )


PARTS: dict[str, tuple[str, Part]] = {
    "surface": ("The surface stage against GDAL's tools", surface),
    "peers": ("Each kernel against its best peer", peers),
    "runs": ("Whole runs, stage by stage", runs),
    "batch": ("Many parcels", batch),
    "growth": ("Growth", growth),
    "start": ("Start", start),
    "page": ("The map page", pages),
}


def machine() -> str:
    model = next(
        (
            line.partition(":")[2].strip()
            for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
            if line.startswith("model name")
        ),
        platform.processor(),
    )
    load = os.getloadavg()[0]
    return (
        f"{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} UTC, {model}, {os.cpu_count()} cores, Python "
        f"{platform.python_version()}, numpy {np.__version__}; load when the part began {load:.1f}"
        " (above 0 means others worked beside it: wall times are then too long)."
    )


def page(parts: dict[str, str]) -> str:
    head = (
        "# Speed\n\nMade by `python -m tests.speed.write_page`; nothing here is written by hand "
        "but the last section (tests/speed/notes.md). Ratios compare runs of the same minutes on "
        "the same machine. Processor time counts all cores; it, too, grows somewhat when others "
        "use the machine.\n"
    )
    body = [f"\n## {PARTS[name][0]}\n\n{parts[name]}" for name in PARTS if name in parts]
    return head + "".join(body) + "\n" + NOTES.read_text(encoding="utf-8")


def kept() -> dict[str, str]:
    """The parts of the page as it stands."""
    if not PAGE.exists():
        return {}
    titles = {title: name for name, (title, _) in PARTS.items()}
    out = {}
    for block in PAGE.read_text(encoding="utf-8").split("\n## ")[1:]:
        title, _, text = block.partition("\n\n")
        if title in titles:
            out[titles[title]] = text.rstrip("\n") + "\n"
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--richdem", default="")
    parser.add_argument("--xdem", default="")
    parser.add_argument("--only", default=",".join(PARTS))
    parser.add_argument("--once", action="store_true")
    asked = parser.parse_args()
    parts = kept()
    # Only the part about the start is about compiling, in a folder of its own.
    took(sys.executable, "-c", "from siting import kernels; kernels.load()")
    for name in asked.only.split(","):
        stamp = machine()
        with tempfile.TemporaryDirectory() as folder:
            at = Setting(Path(folder), asked.richdem, asked.xdem, once=asked.once)
            text = PARTS[name][1](at)
        parts[name] = f"{stamp}\n\n{text}"
        print(parts[name], flush=True)
        PAGE.write_text(page(parts), encoding="utf-8")


if __name__ == "__main__":
    main()
