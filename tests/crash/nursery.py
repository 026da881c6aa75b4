"""A process that has loaded everything and opened nothing, and forks one child to each batch.

It reads one JSON line to a batch (inputs, folder, point, nth, options) and answers with the exit
status of the child that ran it: -9 when it was killed. Loading the libraries once saves seconds.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import traceback
from pathlib import Path
from typing import Any


class Nursery:
    """The other end: batches that may die, run from a test."""

    def __init__(self, program: str) -> None:
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.crash.nursery", program],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
            cwd=Path(__file__).parents[2],
        )

    def run(
        self, inputs: Path, folder: Path, *, point: str = "", nth: int = 1, **options: Any
    ) -> int:
        """Exit status of a batch that is to be killed at a point; 0 when it was not."""
        asked = {"inputs": str(inputs), "folder": str(folder), "point": point, "nth": nth}
        self._process.stdin.write(json.dumps({**asked, "options": options}) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def close(self) -> None:
        self._process.stdin.close()
        self._process.wait(10)


def _child(asked: dict[str, Any]) -> None:
    from tests.batch_tools import run
    from tests.crash.points import POINTS

    if asked["point"]:
        POINTS[asked["point"]](asked["nth"])
    run(Path(asked["inputs"]), Path(asked["folder"]), **asked["options"])


def main() -> None:
    import siting.commands
    import siting.report.page.map
    import siting.report.paper.sheet  # noqa: F401
    import tests.crash.points  # noqa: F401
    from siting.batch import fingerprints

    program = sys.argv[1]
    fingerprints.program_print = lambda: program
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                _child(json.loads(line))
                os._exit(0)
            except BaseException:
                traceback.print_exc()
                os._exit(1)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
