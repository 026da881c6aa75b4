"""What an edit at the desk costs: processor seconds to the new list, warm, beside a cold run.

python -m tests.speed.bench_desk [cell size in metres]

A cold run stands beside each edit, so that a machine which others use shows the ratio all the same.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

from siting.kernels.remembered import Memory
from tests.desk.edits import Case, moved, outlined, sample

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


def _edited(case: Case, name: str) -> Case:
    land = case.land
    changed = outlined(land, -4.0) if name == "outline" else moved(land, name, east_m=4.0)
    return replace(case, land=changed)


def _took(case: Case) -> tuple[float, float]:
    """(wall, processor) seconds of a run of land that has been read."""
    wall, cpu = time.perf_counter(), time.process_time()
    case.result()
    return time.perf_counter() - wall, time.process_time() - cpu


def main() -> None:
    cell_m = float(sys.argv[1]) if len(sys.argv) > 1 else None
    base, memory = sample(cell_m), Memory()
    base.result()  # compiled loops are loaded
    with memory.at_work():
        base.result()
    print("edit        warm: s, of processor   cold: of processor   ratio   aim")
    for name, aim_s in AIMS_S.items():
        # Read anew, as the desk does: equal rasters that are other arrays.
        case = _edited(sample(cell_m), name)
        with memory.at_work():
            wall, cpu = _took(case)
        _, cold = _took(case)
        print(f"{name:10s} {wall:8.2f} {cpu:14.2f} {cold:19.2f} {cold / cpu:10.1f} {aim_s:8.1f}")
    print(f"kept: {memory.size_bytes / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
