"""The answer: verdicts, floors and refusals on seasons whose truth is known."""

from __future__ import annotations

import html
import inspect
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from siting.review.answer import Answer, answer, headline_of, picked_over_random
from siting.review.cameras import Cameras
from siting.review.shown.page import headline, questions, review_page
from siting.review.statistics.headline import verdict
from siting.review.statistics.ranks import Interval
from siting.review.statistics.weights import shrunken
from siting.words.office import review as words
from siting.words.office import review_method as method
from siting.words.office.review_notes import NOTES, note_text

W0 = np.log([3, 2, 2, 2, 1.5, 1.5])
AT = np.column_stack([np.arange(80.0), np.arange(80.0)])
NAMES = ("trail", "water", "crossing", "edge", "opening", "funnel")


def season(count: int, *, truth=W0, seed: int = 1, alpha: float = 1.0, each: int = 2) -> Cameras:
    """Cameras with invented memberships and counts drawn from `truth` (ln rate ratios)."""
    rng = np.random.default_rng(seed)
    common = rng.normal(size=(count, 1))
    latent = 0.5 * common + np.sqrt(0.75) * rng.normal(size=(count, 6))
    m = np.clip(0.5 + 0.45 * latent, 0, 1)
    cluster = np.arange(count) // each
    shift = rng.normal(0, 0.5, cluster.max() + 1)[cluster]
    days = rng.integers(14, 61, count).astype(float)
    mu = days * 0.08 * np.exp(m @ truth + shift)
    events = rng.negative_binomial(1 / alpha, 1 / (1 + alpha * mu)).astype(float)
    return Cameras(
        ids=tuple(f"c{i}" for i in range(count)), events=events, days=days, score=m @ W0,
        cluster=cluster.astype(str), columns=m, names=NAMES, protocol_w=W0,
        land_score=rng.normal((m @ W0).mean() - 0.5, 0.8, 500),
    )  # fmt: skip


def test_a_protocol_that_is_right_works():
    found = answer(season(80), group="deer")
    assert found.level == "full"
    assert found.verdict in ("works", "works less", "works more")
    assert found.slope.low > 0
    assert "recorded more" in headline(found)


def test_a_score_that_says_nothing_is_not_praised():
    seasons = [season(60, truth=np.zeros(6), seed=s) for s in range(8)]
    verdicts = [headline_of(one, "full")[0] for one in seasons]
    assert sum(v in ("works", "works more") for v in verdicts) <= 1
    assert "no sign" in verdicts


def test_ten_cameras_give_no_verdict_and_no_change():
    for seed in range(6):
        found = answer(season(10, seed=seed), group="deer")
        assert found.verdict == "few"
        assert found.weights == ()
        assert not found.fragment
        assert "W-FEW-01" in {n.code for n in found.notes}


def test_thirty_cameras_show_weights_and_change_none():
    found = answer(season(30), group="deer")
    assert found.level == "headline"
    assert len(found.weights) == 6
    assert not found.fragment
    assert "W-FEW-03" in {n.code for n in found.notes}


def test_no_events_at_all():
    cameras = season(30)
    none = replace(cameras, events=np.zeros(30))
    found = answer(none, group="deer")
    assert found.level == "list"
    assert "W-FEW-00" in {n.code for n in found.notes}
    fit = shrunken(none.events, none.days, none.columns, W0, tau=0.7)
    assert (fit.said_by_data < 0.2).all()


def test_a_firm_prior_gives_the_protocol_back():
    cameras = season(60)
    fit = shrunken(cameras.events, cameras.days, cameras.columns, W0, tau=1e-3)
    np.testing.assert_allclose(fit.w, W0, atol=1e-3)
    assert (fit.said_by_data < 0.01).all()


def test_order_of_rows_hours_for_days_and_names_change_nothing():
    c = season(60)
    order = np.random.default_rng(2).permutation(60)
    base = shrunken(c.events, c.days, c.columns, W0, tau=0.7, cluster=c.cluster)
    moved = shrunken(c.events[order], c.days[order], c.columns[order], W0, tau=0.7,
                     cluster=np.char.add("x", c.cluster[order]))  # fmt: skip
    hours = shrunken(c.events, c.days * 24, c.columns, W0, tau=0.7, cluster=c.cluster)
    np.testing.assert_allclose(moved.w, base.w, atol=1e-6)
    np.testing.assert_allclose(hours.w, base.w, atol=1e-6)


def test_thousands_of_events_still_settle():
    cameras = season(200, seed=4)
    many = shrunken(cameras.events * 40, cameras.days, cameras.columns, W0, tau=0.7,
                    cluster=cameras.cluster)  # fmt: skip
    assert np.isfinite(many.w).all()


def test_what_all_cameras_share_may_not_change():
    cameras = season(60)
    columns = cameras.columns.copy()
    columns[:, 0] = 0.9
    columns[:, 2] = columns[:, 1] + 1e-3 * columns[:, 3]
    found = answer(replace(cameras, columns=columns, score=columns @ W0), group="deer")
    codes = {row.name: row.code for row in found.weights}
    assert codes["trail"] == "W-RANGE-01"
    assert codes["water"] == codes["crossing"] == "W-ALIKE-01"
    assert all(row.proposed is None for row in found.weights if row.code)


def test_no_weight_moves_by_more_than_twice():
    truth = W0 + np.array([-2.5, 0, 0, 0, 2.5, 0])
    found = answer(season(200, truth=truth, seed=3), group="deer")
    for row in found.weights:
        if row.proposed is not None:
            assert 0.49 < row.proposed / row.protocol < 2.01
    assert any(row.proposed is not None for row in found.weights)


def test_cameras_at_good_places_are_told_what_they_could_see():
    cameras = season(400, seed=5)
    best = np.argsort(cameras.score)[-40:]
    few = Cameras(
        tuple(f"c{i}" for i in best), cameras.events[best], cameras.days[best],
        cameras.score[best], cameras.cluster[best], cameras.columns[best], NAMES, W0,
        np.asarray(cameras.score),
    )  # fmt: skip
    found = answer(few, group="deer")
    everywhere = answer(season(40), group="deer")
    assert 0.5 < found.best_pairs < everywhere.best_pairs
    assert "random place" in questions(found, few)[-1][1]
    assert "does not work" not in review_page(found, few, about="x")


@pytest.mark.parametrize(
    ("ends", "expected"),
    [
        ((0.9, 0.4, 1.5), "works"),
        ((0.5, 0.2, 0.8), "works less"),
        ((1.8, 1.1, 2.5), "works more"),
        ((0.6, -0.2, 1.4), "cannot tell"),
        ((0.2, -0.3, 0.7), "no sign"),
        ((-0.5, -0.9, -0.1), "wrong way"),
        ((math.nan, math.nan, math.nan), "cannot tell"),
    ],
)
def test_verdicts_follow_the_interval(ends, expected):
    assert verdict(Interval(*ends)) == expected
    # A score without rate ratios promises no slope: its sign alone is judged.
    assert verdict(Interval(*ends), by_ratios=False) in ("works", "cannot tell", "wrong way")


CLAIMS = ("significant", "more animals", "proves", "caused", "because of the score", "no effect",
          "does not work", "will record", "detection probability")  # fmt: skip


@pytest.mark.parametrize("said", words.SHORT)
@pytest.mark.parametrize("level", ["list", "few", "headline", "full"])
@pytest.mark.parametrize("fragment", [True, False])
def test_no_sentence_claims_more_than_its_interval(said, level, fragment):
    pairs = (0.6, 0.5, 0.7)
    slope = (0.5, 0.1, 0.9)
    told = [
        words.headline(said, cameras=40, pairs=pairs, best_pairs=0.66, lowest_rate=5.0,
                       highest_rate=12.0),
        words.headline(said, cameras=1),
        words.how_sure(said, slope=slope, cameras=40, places=20),
        words.order_only(pairs), words.order_only(None),
        words.what_to_change(["trail"], fragment=fragment, level=level, judged=True),
        words.what_to_change([], fragment=fragment, level=level, judged=False),
        words.what_stays(["water"]), words.what_stays([]),
        words.next_season(all_good=fragment, cameras=30),
        words.next_season(all_good=fragment, cameras=60),
        *words.LIMITS, *method.METHOD,
    ]  # fmt: skip
    for sentence in told:
        assert sentence.endswith((".", ":"))
        assert not [claim for claim in CLAIMS if claim in sentence.lower()], sentence
        # A share of pairs never stands without its range.
        for found in re.finditer(r"\d+ of 100 pairs", sentence):
            rest = sentence[found.end() :]
            assert rest.startswith((" (", " at these places")), sentence
    if said in ("few", "cannot tell", "no sign", "wrong way"):
        assert "Places with a higher score recorded more" not in told[0]
    if level != "full" or not fragment:
        assert "Suggested" not in told[5]


ENDS, WIDE = (1.4, 0.9, 2.2), (0.7, 0.2, 2.4)
# Every function that makes a sentence, with all that it can be asked; walked below.
SAID = {
    "headline": [words.headline(v, cameras=40, pairs=(0.6, 0.5, 0.7)) for v in words.SHORT],
    "how_sure": [words.how_sure(v, slope=WIDE, cameras=40, places=20) for v in words.SHORT],
    "order_only": [words.order_only((0.6, 0.5, 0.7)), words.order_only(None)],
    "weight": [words.weight("Trail", protocol=2.0, value=1.4, low=0.9, high=2.2, proposed=p)
               for p in (None, 1.4)],
    "what_to_change": [words.what_to_change(names, fragment=True, level="full", judged=True)
                       for names in ([], ["a"], list("abcde"))],
    "what_stays": [words.what_stays(["water"]), words.what_stays([])],
    "picked": [words.picked(ENDS, random=n) for n in (1, 12)],
    "next_season": [words.next_season(all_good=g, cameras=c, random=c // 4)
                    for g in (True, False) for c in (30, 60)]
                   + [words.next_season(all_good=True, cameras=60, verdict=v) for v in words.SHORT],
    "neighbourhood": [words.neighbourhood()],
    "blanks": [method.blanks(ENDS, why=why, cameras=40, growth=g, lens=g, skyline=s, clear=g)
               for why in ("", "few", "alike") for g in (None, WIDE) for s in (True, False)],
    "against_none": [method.against_none()],
    "other_models": [method.other_models([(name, ENDS) for name in method.OTHER_MODELS])],
    "held_out": [method.held_out(-812.4, -806.1, -820.0, 3.3, suggested=s)
                 for s in (None, (-804.0, 3.9), (-815.0, 3.9))],
}  # fmt: skip
# Pieces of sentences, which stand in one of the above.
PIECES = {"count", "in_100", "rate", "ratio", "change", "chance"}


def test_every_sentence_is_walked():
    made = {
        name
        for module in (words, method)
        for name, thing in vars(module).items()
        if inspect.isfunction(thing) and not name.startswith("_")
    }
    assert made == set(SAID) | PIECES


@pytest.mark.parametrize("name", SAID)
def test_no_ratio_or_share_stands_without_its_range(name):
    for sentence in SAID[name]:
        assert not [claim for claim in CLAIMS if claim in sentence.lower()], sentence
        for found in re.finditer(
            r"\d of 100 pairs|\d\.\d+ times(?! as many)|recorded \d\.\d times as many|"
            r"^\d\.\d times as many events a day|says \d\.\d(?= )", sentence
        ):  # fmt: skip
            rest = sentence[found.end() :]
            assert rest.startswith((" (", " at these places", " times as many")), sentence


@pytest.mark.parametrize("code", NOTES)
def test_no_note_claims_more_than_was_seen(code):
    sentence = NOTES[code]
    assert not [claim for claim in CLAIMS if claim in sentence.lower()], sentence
    assert sentence.endswith((".", "}", "?"))


MORE = "recorded more"


@pytest.mark.parametrize("said", words.SHORT)
def test_no_page_claims_more_than_its_verdict(said, three_levels):
    """The whole page, with every verdict put into an answer of every level."""
    for found, cameras in three_levels:
        page = review_page(replace(found, verdict=said), cameras, about="deer")
        text = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())
        assert not [claim for claim in CLAIMS if claim in text.lower()]
        for shown in re.finditer(r"\d+ of 100 pairs", text):
            assert text[shown.end() :].startswith((" (", " at these places"))
        if said not in ("works", "works less", "works more"):
            assert "Places with a higher score recorded more" not in text
        if not found.fragment:
            assert "Suggested:" not in text
        # A ratio of the season stands with its range.
        for shown in re.finditer(r"the protocol, says (\d\.\d)", text):
            assert text[shown.end() :].startswith(" (")


@pytest.fixture(scope="module")
def three_levels():
    made = (season(12), season(30), season(60))
    return [(answer(one, group="deer"), one) for one in made]


def test_picked_places_are_set_beside_random_ones():
    cameras = season(100, truth=W0, alpha=0.3)
    random = np.arange(100) % 5 == 0
    events = np.where(random, cameras.events, cameras.events * 3)
    found = picked_over_random(replace(cameras, events=events, random=random))
    plain = cameras.events[~random].sum() / cameras.days[~random].sum()
    plain /= cameras.events[random].sum() / cameras.days[random].sum()
    assert found.value == pytest.approx(3 * plain)
    assert found.low < found.value < found.high
    assert picked_over_random(cameras) is None
    assert picked_over_random(replace(cameras, random=np.arange(100) < 4)) is None
    assert "again, as 20 did" in words.next_season(all_good=False, cameras=100, random=20)
    assert "again" not in words.next_season(all_good=False, cameras=100, random=3)


def test_the_page_needs_nothing_and_runs_nothing():
    cameras = season(80)
    found = answer(cameras, group='<script>alert("x")</script>')
    page = review_page(found, replace(cameras, at_m=AT), about="<b>season</b>")
    assert "<script" not in page
    assert "<b>" not in page
    assert "default-src 'none'" in html.unescape(page)
    assert page.count("<svg") == 4
    assert page.count("</title>") == 5


def test_public_pages_hold_no_place_and_no_camera():
    cameras = season(80)
    found = answer(cameras, group="deer")
    page = review_page(found, replace(cameras, at_m=AT), about="deer", public=True)
    assert "More or fewer events than expected" not in page
    assert page.count("<svg") == 3
    assert not re.search(r"\bc\d+\b", page)


def test_an_answer_is_the_same_every_time():
    first, second = (answer(season(50), group="deer") for _ in range(2))
    assert isinstance(first, Answer)
    assert (first.pairs, first.slope, first.weights) == (second.pairs, second.slope, second.weights)


def test_a_small_change_shows_in_its_numbers():
    assert (
        words.change("flat ground", protocol=1.15, proposed=1.1) == "flat ground from 1.15 to 1.1"
    )


@pytest.mark.parametrize("verdict", words.SHORT)
def test_next_season_does_not_speak_against_the_verdict(verdict):
    said = words.next_season(all_good=True, cameras=60, verdict=verdict)
    assert ("hardly tell" in said) == (not verdict.startswith("works"))


def test_one_of_a_kind_is_one():
    one = note_text("W-OUT-02", n=1, names="a")
    assert one.startswith("1 camera stood on ground")
    assert note_text("W-EFFORT-01", n=1, names="a").startswith("1 deployment has no end")
    assert note_text("W-DEPLOY-04", n=1).startswith("1 observation belongs to no")
    assert "and was left out" in note_text("W-DEPLOY-04", n=1)
