"""The command from packages to pages, on the sample valley."""

from __future__ import annotations

import csv
import datetime as dt
import functools
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from siting.cli.main import siting
from siting.errors import SitingError
from siting.review.answer import answer
from siting.review.change import TAU, prior_sds
from siting.review.run import read_groups, review_season, write_review
from siting.review.shown import output
from siting.settings.load import load_inputs, load_protocol, overlay, protocol_with
from siting.settings.protocol import Protocol
from siting.settings.text.toml import read_toml
from tests.review.test_answer import season
from tests.review.valley import SAMPLE, places, table_of

TODAY = dt.datetime(2026, 11, 26, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season")
    at = [*places(24), (-60.0, 10.0)]
    events = np.random.default_rng(3).negative_binomial(1, 0.12, len(at))
    file = folder / "season.csv"
    file.write_text(table_of(at, events), encoding="utf-8")
    inputs, protocol = load_inputs(SAMPLE / "batch.toml"), Protocol()
    return review_season([file], inputs, protocol, today=TODAY), protocol


@pytest.mark.slow
def test_places_are_scored_where_cameras_stood(reviewed):
    review, _ = reviewed
    assert len(review.cameras.ids) == 24
    assert review.judged.places["c025"].code == "W-OUT-01"
    assert "W-OUT-01" in {n.code for n in review.answer.notes}
    assert np.isfinite(review.cameras.score).all()
    assert len(set(review.cameras.cluster)) <= 13
    if len(review.cameras.protocol_w):
        total = review.cameras.columns @ review.cameras.protocol_w
        np.testing.assert_allclose(total, review.cameras.score, atol=1e-5)


@pytest.mark.slow
def test_files_are_whole_and_the_same(reviewed, tmp_path):
    review, protocol = reviewed
    for name in ("one", "two"):
        write_review(review, tmp_path / name, protocol, today=TODAY)
    rows = list(csv.DictReader((tmp_path / "one" / "review.csv").open(encoding="utf-8")))
    assert len(rows) == 25
    assert [row["used"] for row in rows].count("yes") == 24
    assert rows[-1]["left_out_code"] == "W-OUT-01"
    for file in (tmp_path / "one").glob("*.*"):
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes()


@pytest.mark.slow
def test_public_files_name_no_camera_and_no_parcel(reviewed, tmp_path):
    review, protocol = reviewed
    write_review(review, tmp_path / "out", protocol, today=TODAY, public=True)
    for file in (tmp_path / "out").glob("*.*"):
        text = file.read_text(encoding="utf-8")
        assert not re.search(r"\bc0\d\d\b|\bP\d\d\b|-80\.\d", text), file.name


def camera_rows_of(cameras):
    from siting.review.recorded.effort import CameraRow
    from siting.review.recorded.season import Deployment

    start = dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
    return [
        CameraRow(Deployment(name, -80.5, 43.0, start, start + dt.timedelta(days=60)), 60.0,
                  dict.fromkeys((30.0, 0.0, 60.0), 1.0), "", name, 60.0)
        for name in cameras.ids
    ]  # fmt: skip


@functools.cache
def much_changed():
    """The answer of a season in which much is not as the protocol says."""
    truth = np.array([2.0, 0, 0, 0, 1.5, 0])
    return answer(season(200, seed=3, truth=truth), group="deer")


def test_the_fragment_is_toml_and_names_no_place():
    found, rows = much_changed(), camera_rows_of(season(200))
    text = output.fragment(found, rows, Protocol(), made=TODAY.date())
    import tomllib

    told = tomllib.loads(text)
    assert len(told["review"]["used"]) == 200
    assert told["review"]["before"] == output.protocol_hash(Protocol())
    changed = {row.name for row in found.weights if row.proposed is not None}
    assert set(told.get("attractors", {})) | set(told.get("conditions", {})) == changed
    assert "-80.5" not in text


def accepted_from(folder, protocol, *, keep=lambda name: True):
    """The protocol after a season of 200 cameras, its lines taken over where `keep` says so."""
    found = much_changed()
    rows = camera_rows_of(season(200))
    text = output.fragment(found, rows, protocol, made=TODAY.date())
    said = read_toml_text(folder, text)
    for table in ("attractors", "conditions"):
        said[table] = {k: v for k, v in said.get(table, {}).items() if keep(k)}
    before = protocol.model_dump()
    return protocol_with(overlay(before, said)), found


def read_toml_text(folder, text):
    (folder / "change.toml").write_text(text, encoding="utf-8")
    return read_toml(folder / "change.toml")


def test_last_seasons_cameras_are_the_next_prior_once(tmp_path):
    after, found = accepted_from(tmp_path, Protocol())
    moved = {row.name: row for row in found.weights if row.proposed is not None}
    assert moved
    for row, tau in zip(found.weights, prior_sds([r.name for r in found.weights], after),
                        strict=True):  # fmt: skip
        expected = np.hypot(row.sd, 0.3) if row.name in moved else TAU
        assert tau == pytest.approx(min(expected, TAU), abs=0.01), row.name
    # Every season that passes lets it stray further, to TAU at most.
    name = next(iter(moved))
    later = after.review.model_copy(update={"accepted": (f"{name} {moved[name].proposed:.2f} 9",)})
    assert prior_sds([name], after.model_copy(update={"review": later})) == pytest.approx([TAU])


def test_a_suggestion_turned_down_leaves_no_trace(tmp_path):
    _, found = accepted_from(tmp_path, Protocol())
    name = next(row.name for row in found.weights if row.proposed is not None)
    after, _ = accepted_from(tmp_path, Protocol(), keep=lambda one: one != name)
    assert any(entry.startswith(name + " ") for entry in after.review.accepted)
    assert prior_sds([name], after) == pytest.approx([TAU])


def test_what_was_accepted_before_is_carried_on(tmp_path):
    rule = Protocol().conditions.view
    first = Protocol().review.model_copy(
        update={"accepted": (f"view {rule.ratio:.2f} 1", "trail 9.99 1")}
    )
    protocol = Protocol().model_copy(update={"review": first})
    found = answer(season(60), group="deer")
    text = output.fragment(found, camera_rows_of(season(60)), protocol, made=TODAY.date())
    said = read_toml_text(tmp_path, text)["review"]["accepted"]
    assert f"view {rule.ratio:.2f} 2" in said
    assert not any(entry.startswith("trail 9.99") for entry in said)
    with pytest.raises(SitingError, match="E-SETTINGS-01"):
        protocol_with({"review": {"accepted": ["water 2"]}})


def test_a_firmer_prior_holds_a_weight_back():
    c = season(60)
    loose, firm = (
        answer(replace(c, prior_sd=np.full(6, tau)), group="deer").weights for tau in (0.7, 0.3)
    )
    moved = [np.log([row.shrunken / row.protocol for row in rows]) for rows in (loose, firm)]
    assert (moved[1] ** 2).sum() < 0.5 * (moved[0] ** 2).sum()
    assert {row.prior_sd for row in firm} == {0.3}
    assert all(a.said_by_data > b.said_by_data for a, b in zip(loose, firm, strict=True))


def test_a_season_counts_once(tmp_path):
    file = tmp_path / "season.csv"
    file.write_text(table_of(places(2), np.array([3, 4])), encoding="utf-8")
    from siting.review.recorded.effort import camera_rows
    from siting.review.recorded.package import read_season

    rows, _ = camera_rows(read_season([file]), today=TODAY)
    used = Protocol().model_copy(
        update={"review": Protocol().review.model_copy(
            update={"used": (output.deployment_hash(rows[0]),)})}
    )  # fmt: skip
    with pytest.raises(SitingError, match="E-REV-02"):
        review_season([file], load_inputs(SAMPLE / "batch.toml"), used, today=TODAY)


def test_a_change_is_accepted_by_name(tmp_path):
    change = tmp_path / "protocol-change.toml"
    change.write_text('[candidates]\nspots = 4\n[review]\nused = ["ab"]\n')
    told = CliRunner().invoke(siting, ["protocol", "--with", str(change)])
    assert told.exit_code == 0
    (tmp_path / "protocol.toml").write_text(told.output, encoding="utf-8")
    read = load_protocol(tmp_path / "protocol.toml")
    assert read.candidates.spots == 4
    assert read.review.used == ("ab",)
    assert read_toml(change)["candidates"]["spots"] == 4


def test_groups_are_two_columns(tmp_path):
    file = tmp_path / "groups.csv"
    file.write_text("Vulpes vulpes,foxes\nCapreolus capreolus, deer\n")
    assert read_groups(file) == {"Vulpes vulpes": "foxes", "Capreolus capreolus": "deer"}
    file.write_text("Vulpes vulpes\n")
    with pytest.raises(SitingError, match="E-TABLE-01"):
        read_groups(file)


def test_a_hostile_name_is_no_formula(tmp_path):
    cameras = season(30)
    found = answer(cameras, group="deer")
    rows = camera_rows_of(cameras)
    rows[0] = replace(rows[0], deployment=replace(rows[0].deployment, id="=1+1"))
    text = output.review_csv(rows, {}, cameras, found)
    first = next(csv.DictReader(io.StringIO(text)))
    assert first["deployment_id"] == "'=1+1"
