"""Every trap that a season can hold, by its number in the design: code, sentence, what is done.

Traps that are met while a package is read stand in test_package.py, the rest here; the list at the
end says which test holds which, and that none is missing.
"""

from __future__ import annotations

import datetime as dt
import html
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from siting.errors import SitingError
from siting.review.answer import _against, answer
from siting.review.assemble import cameras_of
from siting.review.doubts.exactness import too_vague
from siting.review.doubts.neighbours import wider_clusters
from siting.review.doubts.terms import other_counts, terms_of
from siting.review.doubts.visits import unevenly_classified, visits_of_days
from siting.review.groups import group_rows, mixed
from siting.review.held_out import HeldOut
from siting.review.places import Judged, PlaceScore
from siting.review.recorded.effort import ALL_WILD, CameraRow, camera_rows
from siting.review.recorded.package import read_season
from siting.review.recorded.season import Deployment
from siting.review.run import _too_few_of
from siting.review.shown.page import review_page
from siting.review.statistics import glm
from siting.review.statistics.headline import slope_fit
from siting.settings.protocol import Protocol
from siting.words.office import review as words
from siting.words.office.review_notes import NOTES
from tests.review import test_package, test_run
from tests.review.test_answer import W0, season
from tests.review.test_package import OBSERVATION, TODAY, codes, package, text_of

MAY = dt.datetime(2026, 5, 1, tzinfo=dt.UTC)


def row(number: int, *, start=MAY, days=60.0, events=3.0, to_last=None, sure=None, **more):
    one = Deployment(f"d{number}", -80.5, 43.0, start, start + dt.timedelta(days=days), **more)
    return CameraRow(
        one, days, dict.fromkeys((30.0, 0.0, 60.0), events), "", one.id,
        days if to_last is None else to_last, events if sure is None else sure,
    )  # fmt: skip


def told(notes) -> dict[str, str]:
    return {note.code: note.text for note in notes}


def test_3_days_cut_at_the_last_picture_are_tried_too():
    rows = [row(0, to_last=5.0), row(1)]
    ((way, (events, days)),) = other_counts(rows).items()
    assert way == "days up to the last picture only"
    assert (events.tolist(), days.tolist()) == ([3, 3], [5, 60])
    assert other_counts([row(0), row(1)]) == {}
    cameras = season(40)
    short = np.where(cameras.score > np.median(cameras.score), 1.0, 60.0)
    found = answer(replace(cameras, others={way: (cameras.events, short)}), group="deer")
    assert way in told(found.notes)["W-VARIANT-01"]
    same = answer(replace(cameras, others={way: (cameras.events, cameras.days)}), group="deer")
    assert "stays the same" in told(same.notes)["W-VARIANT-02"]


def test_7_moved_or_turned(tmp_path):
    made = package(tmp_path / "p", [{"deploymentComments": "Turned to the gate in June."}], [{}])
    assert "W-DEPLOY-03" in codes(made)
    still = package(tmp_path / "q", [{"deploymentComments": "Found as left, not moved."}], [{}])
    assert "W-DEPLOY-03" not in codes(still)
    apart = package(tmp_path / "r", [{}, {"deploymentID": "d2", "longitude": "-80.5"}], [{}])
    assert "p1" in told(read_season([apart]).notes)["W-PLACE-06"]


@pytest.mark.parametrize(("uncertainty", "held"), [(15.0, set()), (25.0, {"trail"}),
                                                   (187.0, {"trail", "water"})])  # fmt: skip
def test_10_places_not_exact_enough_for_a_curve(uncertainty, held):
    """Trail ends at 30 m on both sides, water at 100 m: a third of 60 m and of 200 m."""
    one = Deployment("d", -80.5, 43.0, MAY, MAY, uncertainty_m=uncertainty)
    assert set(too_vague([one], Protocol(), ["trail", "water", "view"])) == held
    cameras = replace(season(60), blocked=dict.fromkeys(held, "W-PLACE-05"))
    found = answer(cameras, group="deer")
    assert {r.name for r in found.weights if r.code == "W-PLACE-05"} == held
    assert all(r.proposed is None for r in found.weights if r.code)


def judged(rows, *, no_go=0, code="") -> Judged:
    places = {
        r.deployment.id: PlaceScore("P1", "", 0.0 if not code else float("nan"), {}, no_go, code)
        for r in rows
    }
    return Judged(places, {}, np.empty(0), ())


def test_13_outside_the_maps_is_left_out():
    rows = [row(0), row(1)]
    cameras, _ = cameras_of(rows, judged(rows, code="W-OUT-01"), Protocol())
    assert cameras.ids == ()


def test_14_closed_ground_is_kept():
    rows = [row(0), row(1)]
    cameras, _ = cameras_of(rows, judged(rows, no_go=4), Protocol())
    assert cameras.ids == ("d0", "d1")


def test_15_events_and_pictures_are_never_added(tmp_path):
    pictures = [{"observationLevel": "media", "eventStart": f"2026-05-0{d}T06:00:00-05:00"}
                for d in (3, 4, 5)]  # fmt: skip
    made = package(tmp_path / "p", [{}], [{}, *pictures])
    rows, _ = camera_rows(read_season([made]), today=TODAY)
    assert rows[0].events[30.0] == 1
    assert "W-LEVEL-01" in codes(made)


def test_19_unclassified_on_one_side_of_the_score():
    ids, score = ("a", "b", "c", "d"), np.array([1.0, 2, 3, 4])
    (note,) = unevenly_classified({"c": 0.5, "d": 0.3}, ids, score)
    assert note.code == "W-TYPE-02"
    assert "0% at lower scores, 40% at higher" in note.text
    assert unevenly_classified({"a": 0.1, "c": 0.1}, ids, score) == []


MEDIA = {"mediaID": "m1", "deploymentID": "d1", "captureMethod": "timeLapse", "eventID": "",
         "timestamp": "2026-05-03T12:00:00-05:00"}  # fmt: skip


def test_21_pictures_taken_by_the_clock(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    text = text_of([{"mediaID": "", **OBSERVATION, **change} for change in (
        {"mediaID": "m1", "observationLevel": "media"},
        {"mediaID": "m2", "observationLevel": "media", "eventStart": "2026-05-04T06:00:00-05:00"},
    )])  # fmt: skip
    (made / "observations.csv").write_text(text, encoding="utf-8")
    (made / "media.csv").write_text(
        text_of([MEDIA, {**MEDIA, "mediaID": "m2", "captureMethod": "activityDetection"}])
    )
    assert len(read_season([made]).records) == 1
    assert "W-LAPSE-01" in codes(made)


def test_21_blanks_at_the_same_minute_of_the_hour(tmp_path):
    hourly = [{"observationType": "blank", "eventStart": f"2026-05-{d:02}T{h:02}:15:00-05:00"}
              for d in (4, 5) for h in range(12)]  # fmt: skip
    made = package(tmp_path / "p", [{}], hourly)
    held = read_season([made])
    assert len(held.blanks["d1"]) == 1
    assert "W-LAPSE-01" in {note.code for note in held.notes}


def test_22_bait_is_a_term_of_its_own():
    some = terms_of([row(0, baited=True), row(1)])
    assert some.names == ("bait",)
    assert some.columns[:, 0].tolist() == [1, 0]
    assert some.blocked == {}
    every = terms_of([row(0, baited=True), row(1, baited=True)])
    assert every.columns is None
    assert every.blocked["trail"] == every.blocked["water"] == "W-BAIT-01"
    assert "ways and water" in told(every.notes)["W-BAIT-01"]
    # Bait that brings five times the records, at the poorer places: the slope is not fooled.
    cameras = season(200, seed=2)
    baited = (cameras.score < np.median(cameras.score)).astype(float)
    more = np.round(cameras.events * np.where(baited > 0, 5, 1))
    fooled = slope_fit(more, cameras.days, cameras.score, cluster=cameras.cluster)
    honest = slope_fit(more, cameras.days, cameras.score, cluster=cameras.cluster,
                       terms=baited[:, None])  # fmt: skip
    assert fooled.w[0] < 0.5 < honest.w[0]


def test_27_without_the_unsure():
    rows = [row(0, sure=1.0), row(1)]
    ((way, (events, _)),) = other_counts(rows).items()
    assert "machine" in way
    assert events.tolist() == [1, 3]


def test_28_a_clock_that_is_marked_as_wrong(tmp_path):
    made = package(tmp_path / "p", [{"timestampIssues": "true"}], [{}])
    assert "W-CLOCK-02" in codes(made)
    rows, _ = camera_rows(read_season([made]), today=TODAY)
    assert rows[0].events[30.0] == 1
    assert rows[0].deployment.clock_doubtful


def test_the_mark_of_random_places_is_read(tmp_path):
    """As this program writes it, and as a bare tag."""
    for tag, random in (("placement:random | stratum:woods", True), ("random", True), ("", False)):
        made = package(tmp_path / "p", [{"deploymentTags": tag}], [{}])
        assert read_season([made]).deployments["d1"].at_random is random


def test_29_mixed_seasons():
    spring = [row(i) for i in range(4)]
    autumn = [row(9 + i, start=MAY + dt.timedelta(days=150)) for i in range(2)]
    found = terms_of([*spring, *autumn])
    assert found.names == ("time of year, sine", "time of year, cosine")
    assert found.comparable[:4, :4].all()
    assert not found.comparable[0, 4]
    assert "d9, d10" in told(found.notes)["W-SEASON-01"]
    assert terms_of(spring).comparable is None


def test_30_compass_headings_are_not_judged(tmp_path):
    made = package(tmp_path / "p", [{"deploymentComments": "Heading by compass."}], [{}])
    held = read_season([made])
    assert held.deployments["d1"].heading_deg is None
    assert "true north" in told(held.notes)["W-HEAD-02"]


def test_32_unlike_cameras_and_quiet_periods(tmp_path):
    rows = [row(i, model="A") for i in range(6)] + [row(9 + i, model="B") for i in range(5)]
    found = terms_of(rows)
    assert found.names == ("model B",)
    assert "2 models" in told(found.notes)["W-CAMERA-01"]
    assert terms_of(rows[:8]).columns is None
    assert "slept" in told(terms_of([row(0, delay_s=300.0), row(1)]).notes)["W-CAMERA-01"]
    # A camera that sleeps 45 minutes cannot tell visits 40 minutes apart from one visit.
    at = [{"eventStart": f"2026-05-03T06:{m:02}:00-05:00"} for m in (0, 40)]
    for delay, events in (("0", 2), ("2700", 1)):
        made = package(tmp_path / delay, [{"cameraDelay": delay}], at)
        rows, _ = camera_rows(read_season([made]), today=TODAY)
        assert rows[0].events[30.0] == events


def test_33_days_with_a_record_are_no_visits():
    """True ratio 2 at one visit a day and more looks like 1.4; in visits it is 2 again."""
    rng = np.random.default_rng(7)
    score, days = np.repeat([0.0, np.log(2)], 400), np.full(800, 60.0)
    visits = np.exp(score)
    y = rng.binomial(60, 1 - np.exp(-visits)).astype(float)
    taken, notes = visits_of_days(y, days)
    assert [note.code for note in notes] == ["W-COUNT-01"]
    plain = slope_fit(y, days, score).w[0]
    right = slope_fit(taken, days, score).w[0]
    assert np.exp(plain * np.log(2)) == pytest.approx(1.37, abs=0.02)
    assert np.exp(right * np.log(2)) == pytest.approx(2.0, abs=0.05)
    # The second opinion: a binomial model with the complementary log-log.
    model = glm.binomial(y, days, score).coef[1]
    assert right == pytest.approx(model, abs=0.03)


def test_33_few_visits_are_visits():
    few = season(60)
    assert visits_of_days(few.events, few.days)[1] == []
    seldom = np.array([0.0, 1, 2, 0, 1])
    assert visits_of_days(seldom, np.full(5, 30.0)) == (pytest.approx(seldom), [])


def on_a_map(*, alike: float, seed: int = 3):
    """Eighty cameras on a grid, one a property, with a rate that changes from side to side."""
    rng = np.random.default_rng(seed)
    east, north = np.meshgrid(np.arange(10) * 400.0, np.arange(8) * 400.0)
    at = np.column_stack([east.ravel(), north.ravel()])
    cameras = season(80, each=1, seed=seed)
    wave = alike * np.sin(at[:, 0] / 4000 * 2 * np.pi)
    mu = cameras.days * 0.3 * np.exp(cameras.columns @ W0 - 3 + wave)
    return replace(cameras, events=rng.negative_binomial(2, 2 / (2 + mu)).astype(float), at_m=at)


def test_34_a_pattern_left_on_the_map():
    cameras = on_a_map(alike=1.5)
    wider, slope, notes = wider_clusters(cameras)
    assert 5 <= len(set(wider.cluster)) < 80
    assert slope is wider
    assert re.search(r"Slope before: -?\d.*with them: -?\d", told(notes)["W-SPACE-01"])
    cells = np.array([f"cell {int(x // 800)}" for x in cameras.at_m[:, 0]])
    assert (wider_clusters(replace(cameras, cells=cells))[0].cluster == cells).all()
    assert sum(bool(wider_clusters(on_a_map(alike=0, seed=s)).notes) for s in range(10)) <= 2


def test_34_a_pattern_that_a_criterion_explains_makes_no_two_places_one():
    """Trails run through one side of the area and record far more than the protocol says."""
    cameras = on_a_map(alike=0)
    columns = cameras.columns.copy()
    columns[:, 0] = 0.5 + 0.5 * np.sin(cameras.at_m[:, 0] / 4000 * 2 * np.pi)
    truth = W0 + np.array([1.6, 0, 0, 0, 0, 0])
    mu = cameras.days * 0.3 * np.exp(columns @ truth - 4)
    events = np.random.default_rng(3).negative_binomial(2, 2 / (2 + mu)).astype(float)
    changed = replace(cameras, columns=columns, score=columns @ W0, events=events)
    wider = wider_clusters(changed)
    assert wider.places is changed
    assert 5 <= len(set(wider.slope.cluster)) < 80
    assert "Each property still counts as a place" in told(wider.notes)["W-SPACE-03"]
    found = answer(changed, group="deer")
    assert found.clusters == 80
    # The slope leans on the protocol's ratios: areas may differ, and less of it is left.
    alone = slope_fit(events, changed.days, changed.score, cluster=changed.cluster)
    assert found.slope.value < alone.w[0] - 0.03


def test_37_one_camera_that_carries_a_weight():
    cameras = season(60, seed=0, alpha=0.1)
    columns = cameras.columns.copy()
    columns[:, 0] = np.where(np.arange(60) < 52, 0.2, 0.8)
    columns[59, 0] = 1.0
    events = cameras.events.copy()
    events[59] = 200
    found = answer(replace(cameras, columns=columns, score=columns @ W0, events=events),
                   group="deer")  # fmt: skip
    codes = {r.name: r.code for r in found.weights}
    assert codes["trail"] == "W-ONE-01"
    assert re.search(r"Without c59, .*would be 1\.\d+ in place of 2", told(found.notes)["W-ONE-01"])
    usual = answer(season(60, seed=1), group="deer")
    assert "W-ONE-01" not in told(usual.notes)


def test_one_place_with_a_third_of_all_events_suggests_nothing():
    cameras = season(200, seed=3, truth=W0 + np.array([-2.5, 0, 0, 0, 2.5, 0]))
    events = cameras.events.copy()
    assert _against(cameras, BETTER) == []
    events[0] = 0.6 * events.sum()
    (note,) = _against(replace(cameras, events=events), BETTER)
    assert (note.code, "third of the events" in note.text) == ("W-HELD-02", True)


BETTER = HeldOut(-10.0, -9.0, -12.0, 1.0, 1.0, -9.2, 0.9)


def test_38_and_41_the_page_asks_what_no_data_show():
    cameras = season(20)
    page = html.unescape(review_page(answer(cameras, group="deer"), cameras, about="x"))
    assert all(question in page for question in words.ASK)
    assert any("first made from these same cameras" in question for question in words.ASK)
    assert NOTES["W-MAPDATE-01"].startswith("Was anything felled")


def test_40_a_season_named_two_protocols_ago_is_still_named():
    cameras = season(200, seed=3, truth=np.array([2.0, 0, 0, 0, 1.5, 0]))
    before = Protocol()
    used = before.review.model_copy(update={"used": ("ab" * 32,)})
    text = test_run.output.fragment(
        answer(cameras, group="deer"), test_run.camera_rows_of(cameras),
        before.model_copy(update={"review": used}), made=TODAY.date(),
    )  # fmt: skip
    assert "ab" * 32 in text
    assert text.count('"') >= 2 * 201


def test_42_text_of_a_package_runs_nowhere(tmp_path):
    bad = '<img src=x onerror="alert(1)">'
    made = package(tmp_path / "p", [{"deploymentID": bad, "deploymentEnd": ""}],
                   [{"deploymentID": bad, "scientificName": bad}])  # fmt: skip
    _, notes = camera_rows(read_season([made]), today=TODAY)
    cameras = season(20)
    found = answer(cameras, group=bad, notes=notes)
    page = review_page(found, cameras, about=bad)
    assert "<img" not in page
    assert "onerror=&#34;alert(1)" in page


def test_a_group_with_too_few_events_gives_way_to_all():
    """W-GROUP-01: ten cameras and fewer than thirty events of the group that was named."""
    few = [row(i, events=2.0) for i in range(12)]
    assert _too_few_of(few, "foxes")
    assert not _too_few_of(few, ALL_WILD)
    assert not _too_few_of([row(i, events=9.0) for i in range(12)], "foxes")
    assert not _too_few_of(few[:5], "foxes")


def test_kinds_that_go_the_other_way_are_named():
    cameras = season(120, seed=4, alpha=0.3)
    against = season(120, truth=-W0, seed=4, alpha=0.3).events
    by_group = {"deer": cameras.events * 9, "foxes": against}
    whole = replace(cameras, events=by_group["deer"] + against, by_group=by_group)
    as_many = np.round(against * cameras.events.sum() / against.sum())
    rows = group_rows(whole, {"deer": cameras.events, "foxes": as_many})
    assert {r.name for r in rows} == {"deer", "foxes"}
    found = mixed(rows, next(r.slope for r in rows if r.name == "deer"))
    assert "foxes" in told(found)["W-MIX-01"]
    assert mixed(rows, None) == []
    # What makes up 80 % is enough: the rest is not looked at.
    assert [r.name for r in group_rows(whole, by_group)] == ["deer"]


# Trap: where its test stands. Two traps that one test holds share it.
HELD = {
    1: "test_1_", 2: "test_2_", 3: "test_3_", 4: "test_2_and_4_", 5: "test_5_", 6: "test_6_",
    7: "test_7_", 8: "test_8_", 9: "test_6_and_9_", 10: "test_10_", 11: "test_11_", 12: "test_12_",
    13: "test_13_", 14: "test_14_", 15: "test_15_", 16: "test_16_", 17: "test_17_",
    18: "test_17_and_18_", 19: "test_19_", 20: "test_20_", 21: "test_21_", 22: "test_22_",
    23: "test_23_", 24: "test_24_", 25: "test_25_", 26: "test_25_and_26_", 27: "test_27_",
    28: "test_28_", 29: "test_29_", 30: "test_30_", 31: "test_31_", 32: "test_32_",
    33: "test_33_", 34: "test_34_", 35: "test_what_all_cameras_share",
    36: "test_what_all_cameras_share", 37: "test_37_", 38: "test_38_", 39: "test_39_",
    40: "test_a_season_counts_once", 41: "test_38_and_41_", 42: "test_42_",
}  # fmt: skip


def test_every_trap_has_its_test():
    from tests.review import test_answer

    names = [n for m in (test_package, test_answer, test_run) for n in dir(m)] + list(globals())
    assert sorted(HELD) == list(range(1, 43))
    missing = [k for k, start in HELD.items() if not any(n.startswith(start) for n in names)]
    assert missing == []


def test_every_sentence_stands_in_the_list_of_codes():
    listed = (Path(__file__).parents[2] / "docs" / "errors.md").read_text(encoding="utf-8")
    assert [code for code in NOTES if f"| {code} |" not in listed] == []
    used = "\n".join(
        path.read_text(encoding="utf-8")
        for path in (Path(__file__).parents[2] / "siting" / "review").rglob("*.py")
    )
    assert [code for code in NOTES if f'"{code}"' not in used] == []


def test_most_cameras_off_the_maps_stop_the_review():
    from siting.review.places import _notes

    places = {f"d{i}": PlaceScore("", "", 0.0, {}, 0, "W-OUT-01" if i < 3 else "")
              for i in range(5)}  # fmt: skip
    with pytest.raises(SitingError, match="E-PLACE-02") as caught:
        _notes([], places, {})
    assert "longitude and latitude" in caught.value.cure
