"""Plan, season, review, fragment, new plan: is it nearer a truth that the tool cannot see?"""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from siting.cli.main import siting
from siting.errors import SitingError
from siting.review.run import review_season
from siting.settings.load import load_inputs, load_protocol
from tests.review.round import TODAY, go_round, quick


@pytest.mark.slow
@pytest.mark.usefixtures("land_once")
def test_a_season_goes_round_and_comes_nearer_the_truth(tmp_path):
    found = go_round(tmp_path, seed=2)
    answer = found.review.answer
    assert answer.fragment
    assert answer.verdict in ("works", "works more", "works less")
    # The picked places are too alike in trails for that ratio to move; the other two that were
    # wrong move toward the truth, and all that changed come nearer together.
    assert {row.name: row.code for row in answer.weights}["trail"] == "W-RANGE-01"
    assert {"water", "edge"} <= set(found.changed)
    for name in ("water", "edge"):
        was, now, true = found.changed[name]
        assert abs(now - true) < abs(was - true)
    before, after = found.errors
    assert after < 0.8 * before
    assert found.gain > 1.0
    # One camera in three stood at a random place: picked ones are set beside them.
    assert answer.picked is not None
    assert answer.picked.low > 1
    change = tmp_path / "review" / "protocol-change.toml"
    shown = CliRunner().invoke(
        siting, ["protocol", str(tmp_path / "old.toml"), "--with", str(change)]
    )
    assert shown.exit_code == 0
    (tmp_path / "new.toml").write_text(shown.output, encoding="utf-8")
    new = load_protocol(tmp_path / "new.toml")
    assert new.attractors.edge.ratio == pytest.approx(found.changed["edge"][1])
    # The same season does not count a second time for the protocol it changed.
    with pytest.raises(SitingError, match="E-REV-02"):
        review_season(
            [tmp_path / "season.csv"], load_inputs(tmp_path / "inputs.toml"), quick(new),
            today=TODAY,
        )  # fmt: skip
