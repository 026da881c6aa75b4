"""kill -9 of the desk and of its workers: one moment of each; `tests.desk.kills` has more."""

from __future__ import annotations

import sys

import pytest

from tests.desk.kills import main
from tests.desk.resumed import resumed

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="asks /proc for the workers")


@pytest.mark.slow
def test_killed_at_any_moment_nothing_confirmed_is_lost(capsys):
    main(1, seed=3)
    assert capsys.readouterr().out.count("none lost") == 8


@pytest.mark.slow
def test_all_sign_ups_are_resumed_where_the_desk_was_killed():
    assert "none twice" in resumed(4, 2)
