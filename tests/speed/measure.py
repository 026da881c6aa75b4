"""Runs a command and says what it took."""

from __future__ import annotations

import os
import subprocess
import sys
import time
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


def took(*words: object, cwd: Path = ROOT, env: Mapping[str, str] | None = None) -> Took:
    """Run a command to its end; an error shows its output and stops the page."""
    start = time.perf_counter()
    with subprocess.Popen(
        [str(w) for w in words],
        cwd=cwd,
        env={**environment(), **(env or {})},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        out = process.stdout.read() if process.stdout else ""
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - start
    if process.returncode:
        sys.exit(f"{' '.join(map(str, words))}\n{out}")
    return Took(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, out)


def best(*words: object, times: int = 3, cwd: Path = ROOT) -> Took:
    """The run of several that took the least processor time: other work only ever adds to it."""
    return min((took(*words, cwd=cwd) for _ in range(times)), key=lambda t: t.cpu_s)


def environment() -> dict[str, str]:
    """That of a plain user: compiled Python files are kept, no limit on threads."""
    out = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    out.pop("PYTHONDONTWRITEBYTECODE", None)
    return out
