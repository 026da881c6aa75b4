"""Move the weights: the page computes as numpy does."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from siting.report.page.map import map_page
from siting.scoring.combine import combine
from siting.settings.protocol import Protocol, Scoring
from siting.types import NoGo
from tests.browser.conftest import WIDE, opened
from tests.map_result import map_result


@pytest.mark.parametrize("method", ["attractors and conditions", "weighted mean"])
def test_the_page_computes_as_numpy_does(browser, tmp_path, method):
    """Random memberships and weights, every criterion of the protocol, both methods."""
    protocol = Protocol(scoring=Scoring(method=method, attraction_share=0.35))
    path = tmp_path / "map.html"
    path.write_text(map_page(map_result(protocol=protocol), protocol=protocol), encoding="utf-8")
    rng = np.random.default_rng(5)
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        names = found.page.evaluate("siting.DATA.criteria.map((c) => c.name)")
        for _ in range(50):
            parts = {n: rng.random().__round__(4) for n in names}
            weights = {n: rng.random().__round__(4) + 0.01 for n in names}
            arrays = {n: np.array([v], dtype=np.float64) for n, v in parts.items()}
            share = float(rng.random())
            want = combine(
                arrays,
                weights=weights,
                scoring=Scoring(method=method, attraction_share=share),
            ).total[0]
            got = found.page.evaluate(
                "([p, w]) => siting.totalScore((n) => p[n], w)",
                [parts, {**weights, "attraction_share": share}],
            )
            assert got == pytest.approx(float(want), abs=2e-7)  # combine rounds to float32


def test_moved_weights_move_list_numbers_and_colours(tab):
    page, result = tab.page, map_result()
    before = page.evaluate("window.image_overlay_score._url")
    weights = dict(protocol_weights(result))
    weights.update(trail=0.1, water=1.0)
    page.evaluate("siting.moveWeight('trail', 0.1); siting.moveWeight('water', 1)")
    page.wait_for_selector('html[data-painted="page"]')
    assert page.evaluate("window.image_overlay_score._url") != before
    parts = {
        n: np.array([s.memberships[n] for s in result.spots], dtype=np.float32)
        for n in result.spots[0].memberships
    }
    total = combine(parts, weights=weights, scoring=Scoring()).total
    order = np.lexsort(([s.col for s in result.spots], [s.row for s in result.spots], -total))
    shown = page.locator("#spot-list > li").evaluate_all("items => items.map((i) => i.id)")
    assert shown == [f"item-{result.spots[i].rank}" for i in order]
    for i, spot in enumerate(result.spots):
        number = int(page.locator(f"#points-{spot.rank}").text_content())
        assert number == round(float(total[i]) * 100)
    assert page.locator("#weights-flag").is_hidden() is False or tab.page.viewport_size
    words = page.locator("#order-line").text_content()
    assert "place" in words or "stays the same" in words


def protocol_weights(result):
    rules = Protocol()
    for name in result.spots[0].memberships:
        section = (
            rules.attractors if name in type(rules.attractors).model_fields else rules.conditions
        )
        yield name, float(getattr(section, name).weight)


def test_moved_weights_at_cells_are_within_a_point_of_a_full_run(wide):
    result = map_result()
    weights = {**result.scores.weights, "trail": 0.15, "edge": 1.0, "flat": 2.5, "quiet": 0.0}
    parts = {n: m for n, m in result.scores.memberships.items() if n != "quiet"}
    want = combine(parts, weights=weights, scoring=Scoring()).total
    moves = {"trail": 0.15, "edge": 1.0, "flat": 2.5, "quiet": 0.0, "heading": 1.0}
    wide.evaluate("(m) => Object.entries(m).forEach(([n, v]) => siting.moveWeight(n, v))", moves)
    grid = result.land.grid
    rng = np.random.default_rng(2)
    inside = np.argwhere((result.no_go & NoGo.OUTSIDE.value) == 0)
    for row, col in inside[rng.choice(len(inside), 200, replace=False)]:
        easting, northing = (float(v) for v in grid.xy(row, col))
        got = wide.evaluate("([e, n]) => siting.answerAt(e, n).points", [easting, northing])
        assert abs(got - 100 * want[row, col]) <= 0.51


def test_reset_brings_everything_back(wide):
    before = wide.locator("#spot-list").inner_text()
    first = wide.evaluate("window.image_overlay_score._url")
    wide.click("#tab-weights")
    wide.locator("#weight-flat").focus()
    wide.keyboard.press("Home")
    wide.wait_for_selector('html[data-painted="page"]')
    wide.click("#weights-reset")
    wide.click("#tab-spots")
    assert wide.locator("#spot-list").inner_text() == before
    assert wide.evaluate("window.image_overlay_score._url") == first
    assert wide.locator("#weights-flag").is_hidden()


def test_painted_colours_are_the_ones_of_the_program(wide):
    """With the survey's own weights the page paints what Python painted, pixel by pixel."""
    share = wide.evaluate(
        """async () => {
        const layer = window.image_overlay_score;
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
        const first = await pixels(layer._url);
        siting.paintScores(siting.STATE.weights);
        await new Promise((done) => setTimeout(done, 800));
        const second = await pixels(layer._url);
        let same = 0;
        for (let i = 0; i < first.length; i += 4) {
          same += first[i] === second[i] && first[i + 3] === second[i + 3] ? 1 : 0;
        }
        return same / (first.length / 4); }"""
    )
    assert share > 0.995  # cells that fall on the border of a pixel or of a colour may differ


def test_the_weights_go_back_as_a_piece_of_a_protocol(wide, tmp_path):
    wide.evaluate("siting.moveWeight('water', 0.85); siting.moveWeight('flat', 2)")
    wide.evaluate("siting.moveWeight('attraction_share', 0.6)")
    text = wide.evaluate("siting.weightsText()")
    data = tomllib.loads(text)
    rules = Protocol.model_validate(data)
    assert rules.attractors.water.weight == 0.85
    assert rules.conditions.flat.weight == 2.0
    assert rules.scoring.attraction_share == 0.6
    assert rules.attractors.trail == Protocol().attractors.trail
    assert set(data) == {"scoring", "attractors", "conditions"}
    from siting.settings.load import load_protocol

    path = tmp_path / "weights.toml"
    path.write_text(text, encoding="utf-8")
    assert load_protocol(path) == rules
