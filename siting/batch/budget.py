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
CELL_BYTES = 300
# What the rest of the machine keeps, so that nothing is swapped out.
_LEFT_SHARE = 0.1
_CGROUP = (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory.current"))


SHARED, ALONE, REFUSED = "shared", "alone", "refused"


@dataclass(frozen=True)
class WorkerPlan:
    """How many workers run side by side, and the turn of each job.

    Parameters
    ----------
    workers : int
    turns : for each job "shared" (side by side with others), "alone" (after the others, by
        itself) or "refused" (more than the machine has)
    bytes_needed : int
        The most that is in use at a time, by estimate.
    """

    workers: int
    turns: tuple[str, ...]
    bytes_needed: int


def available_bytes() -> int:
    """Memory that can be used without swapping, within the limit of a container."""
    import psutil

    free = int(psutil.virtual_memory().available)
    try:
        most, used = (path.read_text(encoding="ascii").strip() for path in _CGROUP)
        # The machine may have more free than a container is allowed, and the system kills what goes
        # beyond that.
        if most != "max":
            free = min(free, int(most) - int(used))
    except (OSError, ValueError):
        # No container, or another system: the machine's own figure stands.
        pass
    return max(free, 0)


def usable_cpus() -> int:
    """Processors that this process may use."""
    # A container or a cluster's queue may allow fewer processors than the machine has.
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def plan_workers(needs: Sequence[int], *, asked: int | None, free: int) -> WorkerPlan:
    """The workers that fit into the free memory.

    Usual parcels share the machine; one so large that it would not leave its neighbours their
    part waits and runs alone; one that does not even fit alone is refused.

    Parameters
    ----------
    needs : bytes a worker needs for each job, itself included
    asked : number of workers, or None for as many as there are processors and memory for
    free : bytes that may be used

    Raises
    ------
    ResourceError
        E-MEM-01 when not even one worker, or not the workers asked for, fit.

    Examples
    --------
    >>> plan_workers([500_000_000] * 3 + [3_000_000_000], asked=2, free=4_000_000_000).turns
    ('shared', 'shared', 'shared', 'alone')
    """
    budget = int(free * (1 - _LEFT_SHARE))
    # The median, so that one very large parcel does not slow down all the others.
    usual = sorted(needs)[len(needs) // 2] if needs else WORKER_BYTES
    most = budget // usual
    if budget < WORKER_BYTES or (asked is not None and asked > 1 and asked > most):
        workers = 1 if asked is None else asked
        cure = f"Use --workers {most}" if most >= 1 else "Close other programs"
        raise ResourceError(
            "E-MEM-01",
            f"{workers} {'worker' if workers == 1 else 'workers'} would need "
            f"{usual * workers / 1e9:.1f} GB; {free / 1e9:.1f} GB are free.",
            rule="A batch is refused before the machine runs out of memory.",
            cure=f"{cure}, or use a machine with more memory.",
        )
    workers = asked or max(min(most, usable_cpus(), len(needs)), 1)
    share = budget // workers
    turns = tuple(SHARED if n <= share else ALONE if n <= budget else REFUSED for n in needs)
    together = [n for n, turn in zip(needs, turns, strict=True) if turn == SHARED]
    alone = [n for n, turn in zip(needs, turns, strict=True) if turn == ALONE]
    return WorkerPlan(workers, turns, max([workers * max(together, default=0), *alone]))
