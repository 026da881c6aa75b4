"""Runs a command and says what it took."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Took:
    """Wall and processor seconds of a command and all it started, and its own peak memory."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    out: str


# A process begins with the memory mark of the one it was split from, so a small one starts it.
_STARTER = """
import os, subprocess, sys, time
begin = time.perf_counter()
process = subprocess.Popen(sys.argv[1:])
_, status, used = os.wait4(process.pid, 0)
spent = time.perf_counter() - begin
print("TOOK", spent, used.ru_utime + used.ru_stime, used.ru_maxrss, flush=True)
sys.exit(os.waitstatus_to_exitcode(status))
"""


def took(*words: object, cwd: Path = ROOT, env: Mapping[str, str] | None = None) -> Took:
    """Run a command to its end; an error shows its output and stops the page."""
    done = subprocess.run(
        [sys.executable, "-S", "-c", _STARTER, *map(str, words)],
        cwd=cwd,
        env={**environment(), **(env or {})},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    out, _, figures = done.stdout.rpartition("TOOK")
    if done.returncode:
        sys.exit(f"{' '.join(map(str, words))}\n{out}")
    wall, cpu, kilobytes = (float(word) for word in figures.split())
    return Took(wall, cpu, kilobytes / 1024, out)


def best(*words: object, times: int = 3, cwd: Path = ROOT) -> Took:
    """The run of several that took the least processor time: other work only ever adds to it."""
    return min((took(*words, cwd=cwd) for _ in range(times)), key=lambda t: t.cpu_s)


def environment() -> dict[str, str]:
    """That of a plain user: compiled Python files are kept, no limit on threads."""
    out = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    out.pop("PYTHONDONTWRITEBYTECODE", None)
    return out
