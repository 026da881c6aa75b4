"""Move the weights: the page computes as numpy does."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from siting.lengths import index_text
from siting.scoring.combine import combine
from siting.settings.protocol import Protocol, Scoring
from siting.types import NoGo
from tests.browser.conftest import asked_at, island_of, lat_lon, move_weights
from tests.map_result import map_result

pytestmark = pytest.mark.slow


def test_moved_weights_move_list_numbers_and_colours(tab):
    page, result = tab.page, map_result()
    before = picture(page)
    weights = dict(protocol_weights(result))
    weights["trail"] *= 0.5
    weights["water"] *= 2
    move_weights(page, trail=50, water=200)
    page.wait_for_selector('html[data-painted="page"]')
    assert picture(page) != before
    parts = {
        n: np.array([s.memberships[n] for s in result.spots], dtype=np.float32)
        for n in result.spots[0].memberships
    }
    total = combine(parts, weights=weights, scoring=Scoring()).total
    order = np.lexsort(([s.col for s in result.spots], [s.row for s in result.spots], -total))
    shown = page.locator("#spot-list > li").evaluate_all("items => items.map((i) => i.id)")
    assert shown == [f"item-{result.spots[i].rank}" for i in order]
    for i, spot in enumerate(result.spots):
        assert page.locator(f"#points-{spot.rank}").text_content() == index_text(float(total[i]))
    assert page.locator("#weights-flag").is_hidden() is False or tab.page.viewport_size
    words = page.locator("#order-line").text_content()
    assert "place" in words or "stays the same" in words


def picture(page):
    """Where the score's picture comes from now."""
    return page.locator(".picture-score").get_attribute("src")


def protocol_weights(result):
    rules = Protocol()
    for name in result.spots[0].memberships:
        section = (
            rules.attractors if name in type(rules.attractors).model_fields else rules.conditions
        )
        yield name, float(getattr(section, name).weight)


def test_moved_weights_at_cells_are_within_a_tenth_of_a_full_run(wide):
    result = map_result()
    moves = {"trail": 25, "edge": 200, "flat": 200, "quiet": 0}
    own = result.scores.weights
    weights = {name: own[name] * moves.get(name, 100) / 100 for name in own}
    parts = {n: m for n, m in result.scores.memberships.items() if n != "quiet"}
    want = combine(parts, weights=weights, scoring=Scoring()).total
    move_weights(wide, **moves)
    grid = result.land.grid
    rng = np.random.default_rng(2)
    inside = np.argwhere((result.no_go & NoGo.OUTSIDE.value) == 0)
    asked = inside[rng.choice(len(inside), 200, replace=False)]
    places = [lat_lon(*(float(v) for v in grid.xy(row, col))) for row, col in asked]
    for (row, col), (head, *_) in zip(asked, asked_at(wide, places), strict=True):
        if result.no_go[row, col] == 0:
            got = float(head.removeprefix("Index ").split(" here ")[0])
            assert abs(got - want[row, col]) <= 0.051


def test_sliders_have_one_scale_and_cannot_all_be_put_to_nothing(wide):
    wide.click("#tab-weights")
    ranges = wide.locator("#weight-sliders input").evaluate_all(
        "all => all.map((one) => [one.min, one.max, one.step].join())"
    )
    assert set(ranges) == {"0,200,5"}
    drawing = [c["name"] for c in island_of(wide)["criteria"] if c["group"] == "attractor"]
    for name in drawing:
        move_weights(wide, **{name: 0})
    words = wide.locator("#order-line").inner_text()
    assert "At least one part of what draws animals must count" in words
    last = drawing[-1]
    assert wide.locator(f"#weight-{last}").input_value() != "0"
    points = wide.locator(".spot-points b").all_text_contents()
    assert len(set(points)) > 1


def test_a_slider_says_its_ratio_its_interval_and_whose_it_is(wide):
    """ "1.6" beside a slider of 0 to 200 said neither what it was nor whose."""
    wide.click("#tab-weights")
    rule = Protocol().attractors.water
    said, out = wide.locator("#says-water"), wide.locator("#out-water")
    assert said.inner_text().endswith(
        f"Ratio: from {rule.low:.1f} to {rule.high:.1f} by studies or, where there is none, our "
        "judgement."
    )
    assert out.inner_text() == f"× {rule.ratio:.2f} · 100\u00a0% (as the survey)"
    move_weights(wide, water=50)
    # Half of its weight is the root of its ratio.
    assert out.inner_text() == f"× {rule.ratio**0.5:.2f} · 50\u00a0%"
    assert "as the survey" in wide.locator("#out-trail").inner_text()


def test_reset_brings_everything_back(wide):
    before = wide.locator("#spot-list").inner_text()
    first = picture(wide)
    wide.click("#tab-weights")
    wide.locator("#weight-flat").focus()
    wide.keyboard.press("Home")
    wide.wait_for_selector('html[data-painted="page"]')
    wide.click("#weights-reset")
    wide.click("#tab-spots")
    assert wide.locator("#spot-list").inner_text() == before
    assert picture(wide) == first
    assert wide.locator("#weights-flag").is_hidden()


def test_painted_colours_are_the_ones_of_the_program(wide):
    """With the survey's own weights the page paints what Python painted, pixel by pixel."""
    before = picture(wide)
    # The heading is judged at the spots only: its weight changes no cell, yet all are painted anew.
    move_weights(wide, heading=50)
    wide.wait_for_selector('html[data-painted="page"]')
    share = wide.evaluate(
        """async ([one, other]) => {
        const pixels = async (url) => {
          const image = new Image();
          image.src = url;
          await image.decode();
          const canvas = document.createElement("canvas");
          canvas.width = image.width; canvas.height = image.height;
          const context = canvas.getContext("2d");
          context.drawImage(image, 0, 0);
          return context.getImageData(0, 0, image.width, image.height).data;
        };
        const first = await pixels(one), second = await pixels(other);
        let same = 0;
        for (let i = 0; i < first.length; i += 4) {
          same += first[i] === second[i] && first[i + 3] === second[i + 3] ? 1 : 0;
        }
        return same / (first.length / 4); }""",
        [before, picture(wide)],
    )
    assert share > 0.995  # cells that fall on the border of a pixel or of a colour may differ


def test_the_weights_go_back_as_a_piece_of_a_protocol(wide, tmp_path):
    own = Protocol()
    move_weights(wide, water=150, flat=200)
    text = wide.locator("#weights-text").input_value()
    data = tomllib.loads(text)
    rules = Protocol.model_validate(data)
    # Per cent of a weight, the logarithm of the ratio: 200 % is the ratio squared.
    assert rules.attractors.water.ratio == round(own.attractors.water.ratio**1.5, 2)
    assert rules.conditions.flat.ratio == round(own.conditions.flat.ratio**2, 2)
    assert rules.attractors.trail == own.attractors.trail
    assert rules.scoring == own.scoring
    assert set(data) == {"scoring", "attractors", "conditions"}
    from siting.settings.load import load_protocol

    path = tmp_path / "weights.toml"
    path.write_text(text, encoding="utf-8")
    assert load_protocol(path) == rules
