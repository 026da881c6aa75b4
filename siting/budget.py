"""How much memory a batch may use, and how many workers that carries."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from siting.errors import ResourceError

# Measured with tests/speed/bench_batch.py, rounded up: a worker with its libraries, and what a
# parcel needs at its peak for each cell of its grid.
WORKER_BYTES = 450_000_000
CELL_BYTES = 400
# What the rest of the machine keeps, so that nothing is swapped out.
_LEFT_SHARE = 0.1
_CGROUP = (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory.current"))


@dataclass(frozen=True)
class Plan:
    """How many workers run side by side, and which jobs come last, each alone.

    `bytes_needed` is the most the workers use together, by estimate.
    """

    workers: int
    alone: tuple[bool, ...]
    bytes_needed: int


def available_bytes() -> int:
    """Memory that can be used without swapping, within the limit of a container."""
    import psutil

    free = int(psutil.virtual_memory().available)
    try:
        most, used = (path.read_text(encoding="ascii").strip() for path in _CGROUP)
        if most != "max":
            free = min(free, int(most) - int(used))
    except (OSError, ValueError):
        pass
    return max(free, 0)


def usable_cpus() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def job_bytes(cells: int) -> int:
    """Memory of a worker with a parcel whose grid has this many cells, by estimate."""
    return WORKER_BYTES + CELL_BYTES * cells


def plan_workers(cells: Sequence[int], *, asked: int | None, free: int) -> Plan:
    """The workers that fit into the free memory.

    Usual parcels share the machine; one so large that it would not leave its neighbours their
    part waits and runs alone. One that does not even fit alone is left to the parcel's own check.

    Parameters
    ----------
    cells : grid cells of each parcel to do
    asked : number of workers, or None for as many as there are processors and memory for
    free : bytes that may be used

    Raises
    ------
    ResourceError
        E-MEM-01 when not even one worker, or not the workers asked for, fit.
    """
    budget = int(free * (1 - _LEFT_SHARE))
    usual = sorted(cells)[int(0.95 * (len(cells) - 1))] if cells else 0
    each = job_bytes(usual)
    most = budget // each
    if most < 1 or (asked is not None and asked > most):
        count = "one worker" if asked is None else f"{asked} workers"
        fewer = f" Use --workers {most}," if most >= 1 else " Close other programs,"
        raise ResourceError(
            "E-MEM-01",
            f"{count} would need {each * (asked or 1) / 1e9:.1f} GB; {free / 1e9:.1f} GB are free.",
            rule="A batch is refused before the machine begins to swap.",
            cure=f"{fewer.strip()} or use a machine with more memory.",
        )
    workers = asked if asked is not None else min(most, usable_cpus(), max(len(cells), 1))
    share = budget // max(workers, 1)
    alone = tuple(job_bytes(count) > share for count in cells)
    largest = max((c for c, last in zip(cells, alone, strict=True) if not last), default=0)
    return Plan(workers, alone, workers * job_bytes(largest))
