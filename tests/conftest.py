"""How many examples each law is tried on, and what CI may not skip.

Each law is tried on 200 examples, and on SITING_EXAMPLES=5000 as every night. In CI
(SITING_CI=1) a test skipped for a missing engine, browser or tool fails the run.
"""

from __future__ import annotations

import os
import re

import pytest
from hypothesis import settings

# CI draws the same examples every time, so that it fails for a change and not by chance; everybody
# else draws new ones.
settings.register_profile(
    "siting",
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
