"""Jobs for the executors that do odd things.

A worker loads the module of its task: this one loads no library, so that it is there at once.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any


def square(job: int) -> int:
    return job * job


def odd(job: tuple[str, Any]) -> Any:
    """ "die" kills its process, "die once" only the first time, "sleep" takes its time."""
    kind, value = job
    if kind == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if kind == "die once":
        mark = Path(value)
        if not mark.exists():
            mark.write_text("x")
            os.kill(os.getpid(), signal.SIGKILL)
        return "lived"
    if kind == "sleep":
        time.sleep(value)
    if kind == "environment":
        return {name: os.environ.get(name) for name in value}
    if kind == "pid":
        return os.getpid()
    return value
