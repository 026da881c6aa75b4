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
        [sys.executable, "-c", program, "late"], capture_output=True, timeout=120, check=False
    )
    assert done.returncode == -9


BEGUN = """
first = os.getpid()
def step():
    if sys.argv[2] == "raises":
        raise ValueError(f"what is wrong {os.getpid() == first}")
    return {"here": os.getpid() == first}
with aside.begun(step, loads=sys.argv[1]) as found:
    try:
        print(found()["here"])
    except ValueError as error:
        print(error)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")
@pytest.mark.parametrize(
    ("library", "what", "said"),
    [
        ("no_such_library", "gives", "False"),
        # Already loaded: nothing to wait for.
        ("threading", "gives", "True"),
        # What goes wrong is told by the first process, as if there were no second.
        ("no_such_library", "raises", "what is wrong True"),
    ],
)
def test_a_step_begun_meanwhile(library, what, said):
    program = PROGRAM.split("def large")[0] + BEGUN
    done = subprocess.run(
        [sys.executable, "-c", program, library, what], capture_output=True, text=True, check=True
    )
    assert (done.stdout.strip(), done.stderr) == (said, "")


DONE = """
import pathlib
first = os.getpid()
def step():
    if sys.argv[2] == "raises":
        raise ValueError("what is wrong")
    pathlib.Path(sys.argv[1]).write_text(str(os.getpid() == first))
with aside.done_aside(step) as wait:
    wait()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")
def test_a_step_that_leaves_something_on_disk(tmp_path):
    """What goes wrong there is nobody's concern: the first process does without it."""
    program, left = PROGRAM.split("def large")[0] + DONE, tmp_path / "left"
    for how in ("raises", "writes"):
        line = [sys.executable, "-c", program, str(left), how]
        done = subprocess.run(line, capture_output=True, text=True, check=True)
        assert (done.stdout, done.stderr) == ("", "")
        assert left.exists() == (how == "writes")
    assert left.read_text() == "False"


AHEAD = """
first = os.getpid()
def prepared():
    if sys.argv[1] == "fails early":
        raise ValueError("while it prepares")
    at = os.getpid()
    def finish(rest):
        if sys.argv[1] == "fails late":
            raise ValueError("when it knows the rest")
        return {"page": lambda: f"{at != first} {rest}"}
    return finish
with aside.Ahead() as ahead:
    if sys.argv[1] != "never begun":
        ahead.begin(prepared)
    print(ahead.at_work)
    with ahead.made([1, 2], {"page": lambda: "made here"}) as waiting:
        print(waiting["page"]())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")
@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("well", "True True [1, 2]"),
        ("fails early", "True made here"),
        ("fails late", "True made here"),
        ("never begun", "False made here"),
    ],
)
def test_begun_before_all_is_known(how, said):
    program = PROGRAM.split("def large")[0] + AHEAD
    line = [sys.executable, "-c", program, how]
    done = subprocess.run(line, capture_output=True, text=True, check=True)
    assert (" ".join(done.stdout.split("\n")).strip(), done.stderr) == (said, "")
