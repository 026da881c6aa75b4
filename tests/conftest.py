"""How many examples each law is tried on, and what CI may not skip.

Each law is tried on 200 examples, and on SITING_EXAMPLES=5000 as every night. In CI
(SITING_CI=1) a test skipped for a missing engine, browser or tool fails the run.
"""

from __future__ import annotations

import csv
import gc
import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import Phase, settings

from tests.nursery import Nursery

# CI draws the same examples every time, so that it fails for a change and not by chance; everybody
# else draws new ones.
# To notice a planted fault (tests/mutants.py) one example will do: the least is not looked for.
LEAST = (Phase.shrink, Phase.explain)
settings.register_profile(
    "siting",
    phases=[
        phase for phase in Phase if "SITING_ANY_EXAMPLE" not in os.environ or phase not in LEAST
    ],
    max_examples=int(os.environ.get("SITING_EXAMPLES", "200")),
    derandomize="SITING_CI" in os.environ,
)
settings.load_profile("siting")

# What CI may skip: data that are never committed, what another step of CI runs, other systems.
MAY_BE_SKIPPED = re.compile(
    r"not beside the repository|richdem|SITING_SLOW|cannot be (made|mounted) here"
    r"|is installed here|does not (bring|let)|of Linux|by Linux"
)


def skipped_without_leave(reasons: list[str]) -> list[str]:
    """The reasons for skipping that CI does not accept."""
    return sorted({reason for reason in reasons if not MAY_BE_SKIPPED.search(reason)})


@pytest.hookimpl(trylast=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """As the command line does: thousands of tests are lasting objects, searched for garbage."""
    del session
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 50, 50)


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    """What a test, or a library that it loads, changed for the whole process ends with it."""
    field, folder, environment = csv.field_size_limit(), Path.cwd(), dict(os.environ)
    yield
    # frictionless takes the limit away for every reader.
    csv.field_size_limit(field)
    os.chdir(folder)
    # Where a test stands is for pytest to say.
    now = {name: os.environ[name] for name in os.environ if name == "PYTEST_CURRENT_TEST"}
    if dict(os.environ) != environment | now:
        os.environ.clear()
        os.environ.update(environment | now)


@pytest.fixture(scope="session")
def program() -> str:
    """The fingerprint of the code as it was when the tests began."""
    from siting.batch import fingerprints

    return fingerprints.program_print()


@pytest.fixture(scope="session")
def nursery(program) -> Iterator[Nursery]:
    made = Nursery(program)
    yield made
    made.close()


@pytest.fixture(scope="module")
def land_once() -> Iterator[None]:
    """The steps of a module's runs are worked out once, as at the desk, where the land stays.

    For tests of what comes after the scores. Not for those that compare runs of the same land with
    each other: tests/desk/test_warm.py shows that a remembered step gives what a cold one does.
    """
    from siting.kernels.remembered import Memory

    with Memory().at_work():
        yield


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if "SITING_CI" not in os.environ or reporter is None or hasattr(session.config, "workerinput"):
        return
    reports = reporter.stats.get("skipped", [])
    missing = skipped_without_leave([str(report.longrepr) for report in reports])
    if missing:
        reporter.write_line("Skipped in CI, where nothing may be missing:", red=True)
        for reason in missing:
            reporter.write_line(f"  {reason}", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
