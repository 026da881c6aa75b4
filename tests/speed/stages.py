"""One `siting score` in this process, told stage by stage as one JSON line.

python -m tests.speed.stages INPUTS OUT
"""

from __future__ import annotations

import itertools
import json
import sys
import time
from pathlib import Path

BEGIN = (time.perf_counter(), time.process_time())


def peak_mb() -> float:
    """Greatest memory since the last call (Linux: the kernel's own mark, set back each time)."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    high = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    return int(high.split()[1]) / 1024


def main(inputs_file: Path, out: Path) -> None:
    marks: list[tuple[str, float, float, float]] = []

    def mark(name: str) -> None:
        marks.append((name, time.perf_counter(), time.process_time(), peak_mb()))

    mark("start and imports")
    from siting.commands import score_to_folder
    from siting.settings.load import load_inputs, load_protocol

    inputs, protocol = load_inputs(inputs_file, {}), load_protocol(None, best_of_each_kind=False)
    told = score_to_folder(inputs, protocol, out, progress=mark)
    mark("end")
    marks[0] = (marks[0][0], *BEGIN, marks[0][3])
    rows = [
        {
            "stage": now[0],
            "wall_s": then[1] - now[1],
            "cpu_s": then[2] - now[2],
            "peak_mb": then[3],
        }
        for now, then in itertools.pairwise(marks)
    ]
    print("RESULT", json.dumps({"rows": rows, "told": told.splitlines()[0]}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
