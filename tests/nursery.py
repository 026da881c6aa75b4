"""A process that has loaded everything and opened nothing, and forks one child to each run.

Loading the libraries once saves each child three seconds of five. A child runs either a batch
that may be killed at a point (tests/crash), or one command line. It reads one JSON line to each
and answers with the exit status of the child: -9 when it was killed.

What a test says about a process of its own (its environment, streams, threads, how long it takes
to start) is not for a child of this: it starts a real one.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import subprocess
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
# What the program loads when it first needs it, by the way there: without them a child loads
# them for itself.
LOADED_LATE = (
    "affine", "defusedxml.ElementTree", "filelock", "folium", "geopandas", "jinja2", "PIL.Image",
    "psutil", "pvlib", "pygeomag", "pyogrio", "rasterio.features", "rasterio.warp", "scipy.ndimage",
    "scipy.optimize", "segno", "shapely", "skimage.measure", "threadpoolctl", "xstatic.pkg.leaflet",
    "siting.batch.run", "siting.commands", "siting.pipeline", "siting.report.files.geopackage",
    "siting.report.files.public", "siting.report.files.raster", "siting.report.page.map",
    "siting.report.paper.sheet", "tests.crash.points",
)  # fmt: skip


class Nursery:
    """The other end: batches that may die and command lines, run from a test."""

    def __init__(self, program: str = "") -> None:
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.nursery", program],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
            cwd=ROOT,
        )

    def _ask(self, asked: dict[str, Any]) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def run(
        self, inputs: Path, folder: Path, *, point: str = "", nth: int = 1, **options: Any
    ) -> int:
        """Exit status of a batch that is to be killed at a point; 0 when it was not."""
        asked = {"inputs": str(inputs), "folder": str(folder), "point": point, "nth": nth}
        return self._ask({**asked, "options": options})

    def command(self, *words: object) -> subprocess.CompletedProcess[str]:
        """The command line `siting` with these words, and what it said."""
        line = [str(word) for word in words]
        with tempfile.TemporaryDirectory() as place:
            said = [Path(place) / name for name in ("out", "err")]
            status = self._ask({"words": line, "said": [str(path) for path in said]})
            out, err = (path.read_text(encoding="utf-8") for path in said)
        return subprocess.CompletedProcess(["siting", *line], status, out, err)

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)


def _child(asked: dict[str, Any]) -> int:
    if "words" in asked:
        return _command(asked["words"], asked["said"])
    from tests.batch_tools import run
    from tests.crash.points import POINTS

    if asked["point"]:
        POINTS[asked["point"]](asked["nth"])
    run(Path(asked["inputs"]), Path(asked["folder"]), **asked["options"])
    return 0


def _command(words: list[str], said: list[str]) -> int:
    """The command line in this process, its streams in two files."""
    from siting.cli.main import main as command_line

    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    for number, path in enumerate(said, start=1):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT), number)
    sys.argv = ["siting", *words]
    try:
        command_line()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
    return 0


def main() -> None:
    for name in LOADED_LATE:
        importlib.import_module(name)
    from siting import kernels
    from siting.batch import fingerprints

    kernels.load()
    program = sys.argv[1] or fingerprints.program_print()
    fingerprints.program_print = lambda: program
    # What lasts is shared with the children, as long as nobody touches it.
    gc.freeze()
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                os._exit(_child(json.loads(line)))
            except BaseException:
                traceback.print_exc()
                os._exit(1)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
