"""Work done by a second process: the same contents, whatever happens to that process."""

from __future__ import annotations

import subprocess
import sys

import pytest

# A process of its own: one that has threads, as pytest's workers have, is not copied.
PROGRAM = """
import os, sys, time
os.environ.pop("OMP_NUM_THREADS", None)
from siting.kernels import aside
aside.helpers = lambda: 2
first = os.getpid()
def large(): return b"x" * 3_000_000
def where(): return str(os.getpid() == first)
def fails_there():
    if os.getpid() != first:
        raise ValueError("only there")
    return "made here"
def dies_there():
    if os.getpid() != first:
        os.kill(os.getpid(), 9)
    return "made here"
def late():
    if os.getpid() != first:
        time.sleep(0.5)
        return b"x" * 3_000_000
    os.kill(first, 9)
makers = {name: globals()[name] for name in sys.argv[1:]}
with aside.made_aside(makers) as waiting:
    print(*[str(len(waiting[name]()) if name == "large" else waiting[name]()) for name in makers])
"""


def ran(*names: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *names], capture_output=True, text=True, check=True
    )
    assert not done.stderr
    return done.stdout.strip()


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")
def test_a_second_process_makes_them():
    assert ran("large", "where") == "3000000 False"


@pytest.mark.parametrize("fault", ["fails_there", "dies_there"])
def test_what_it_cannot_make_is_made_here(fault):
    """And so is all that would have come after it."""
    assert ran("large", fault, "large") == "3000000 made here"
    assert ran(fault, "large") == "made here 3000000"


def test_nobody_asks_for_it():
    assert ran() == ""


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")
def test_it_ends_when_the_first_was_killed():
    """The second has the first's output open: waiting for its end is waiting for the second."""
    program = PROGRAM.replace("    print(", "    makers['late']()\n    print(")
    done = subprocess.run(
        [sys.executable, "-c", program, "late"], capture_output=True, timeout=30, check=False
    )
    assert done.returncode == -9
