"""The sketch page as a volunteer uses it: by touch, mouse, keyboard alone, without scripts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from siting.cli.main import siting
from siting.read.vector.sketch_file import read_sketch, sketch_frame
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, at_rest, opened

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
CORNERS = ((0.3, 0.3), (0.75, 0.32), (0.7, 0.8), (0.35, 0.75))


@pytest.fixture(scope="module")
def sketch_page(tmp_path_factory):
    target = tmp_path_factory.mktemp("sketch") / "sketch.html"
    line = ["sketch", str(SAMPLE / "inputs.toml"), "--point=-80.50472,43.53181", "--radius", "500"]
    outcome = CliRunner().invoke(siting, [*line, "--for", "P77", "-o", str(target)])
    assert outcome.exit_code == 0, outcome.output
    return target


@pytest.fixture(params=[WIDE, PHONE], ids=["1400", "390"])
def drawing(request, browser, sketch_page):
    with opened(browser, sketch_page, **request.param) as found:
        found.page.wait_for_selector("html[data-drawn]")
        yield found.page
        assert found.outside == []
        assert found.complaints == []


def press(page: Any, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def tap(page: Any, across: float, down: float) -> None:
    box = page.locator("#map").bounding_box()
    page.mouse.click(box["x"] + across * box["width"], box["y"] + down * box["height"])
    page.wait_for_timeout(320)  # two taps in a moment would be a double tap, which zooms


def draw_outline(page: Any) -> None:
    press(page, "Draw the outline")
    for across, down in CORNERS:
        tap(page, across, down)
    press(page, "Done")


def saved(page: Any, folder: Path) -> Path:
    while page.locator("#next").is_enabled():
        page.locator("#next").click()
    with page.expect_download() as download:
        press(page, "Save the file")
    target = folder / "sketch.json"
    download.value.save_as(target)
    return target


def test_land_and_a_feeder_come_back_as_a_sketch(drawing, tmp_path):
    draw_outline(drawing)
    assert "ha (" in drawing.locator(".fact").first.inner_text()
    press(drawing, "Next")
    press(drawing, "Mark one")
    tap(drawing, 0.5, 0.5)
    press(drawing, "Next")
    press(drawing, "None here")
    sketch = read_sketch(str(saved(drawing, tmp_path)))
    assert sketch.layers() == ("parcel", "feeders", "livestock")
    assert sketch.made_for == "P77"
    assert sketch.answers["livestock"] == "none"
    frame = sketch_frame(sketch, "parcel", file="sketch.json")
    ring = frame.geometry.iloc[0].exterior
    assert ring.is_ccw
    assert len(ring.coords) == 5


def test_a_corner_is_moved_without_dragging_and_undone(drawing):
    draw_outline(drawing)
    before = drawing.locator(".fact").first.inner_text()
    drawing.locator("[data-corner='0']").click()
    tap(drawing, 0.2, 0.2)
    assert drawing.locator(".fact").first.inner_text() == before
    press(drawing, "Move corner 1")
    tap(drawing, 0.2, 0.2)
    assert drawing.locator(".fact").first.inner_text() != before
    press(drawing, "Undo")
    assert drawing.locator(".fact").first.inner_text() == before
    press(drawing, "Redo")
    assert drawing.locator(".fact").first.inner_text() != before


def test_a_press_survives_leaving_a_field_and_the_first_corner_closes(drawing):
    press(drawing, "Draw the outline")
    for across, down in (*CORNERS, CORNERS[0]):
        tap(drawing, across, down)
    drawing.get_by_label("Name or note").fill("Hill")
    button = drawing.get_by_role("button", name="More corners at the end")
    button.scroll_into_view_if_needed()
    box = button.bounding_box()
    drawing.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    drawing.mouse.down()
    drawing.wait_for_timeout(100)
    drawing.mouse.up()
    drawing.get_by_role("button", name="Done").wait_for()
    press(drawing, "Done")
    assert drawing.locator(".shape-name").first.inner_text() == "Hill"


def test_crossing_sides_are_said_and_left_out(drawing, tmp_path):
    press(drawing, "Draw the outline")
    for across, down in ((0.3, 0.3), (0.7, 0.7), (0.7, 0.3), (0.3, 0.7)):
        tap(drawing, across, down)
    assert "Two sides cross" in drawing.locator("#body").inner_text()
    press(drawing, "Done")
    drawing.locator("#next").click()
    sketch = json.loads(saved(drawing, tmp_path).read_text())
    assert sketch["features"] == []
    assert "outline of the land is still missing" in drawing.locator("#body").inner_text()


def test_all_of_it_by_keyboard_alone(browser, sketch_page, tmp_path):
    with opened(browser, sketch_page, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-drawn]")
        page.get_by_role("button", name="Draw the outline").focus()
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "map"
        for moves in ((), ("ArrowRight",), ("ArrowDown",)):
            for key in moves:
                page.keyboard.press(key)
                at_rest(page)
            page.keyboard.press("Enter")
        assert "ha (" in page.locator("#body .fact").inner_text()
        page.get_by_role("button", name="Done").focus()
        page.keyboard.press("Enter")
        page.locator("[data-corner='1']").focus()
        page.keyboard.press("Shift+ArrowRight")
        assert page.evaluate("document.activeElement.dataset.corner") == "1"
        page.keyboard.press("Delete")
        assert "Set 1 more corner." in page.locator(".fact").first.inner_text()
        page.keyboard.press("Control+z")
        assert "ha (" in page.locator(".fact").first.inner_text()


def test_a_typed_position_becomes_a_corner(drawing):
    press(drawing, "Next")
    press(drawing, "Mark one")
    drawing.locator("summary").click()
    drawing.locator("#typed").fill("nowhere")
    press(drawing, "Add")
    assert "Not understood" in drawing.locator("#body").inner_text()
    drawing.locator("#typed").fill("43° 31' 54.5\" N, 80° 30' 17\" W")
    press(drawing, "Add")
    assert drawing.locator(".shapes li").count() == 1


def test_what_was_drawn_is_there_after_a_reload_and_a_hostile_store_is_not(browser, sketch_page):
    with opened(browser, sketch_page, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-drawn]")
        draw_outline(page)
        page.reload()
        page.wait_for_selector("html[data-drawn]")
        assert page.locator(".shapes li").count() == 1
        shapes = [{"layer": "__proto__", "corners": [[1, 2]]}, 7, None]
        says = {"shapes": shapes, "answers": {"__proto__": "none"}, "saidBy": {"toString": 1}}
        page.evaluate(
            "text => Object.keys(localStorage).forEach((k) => localStorage.setItem(k, text))",
            json.dumps(says),
        )
        page.reload()
        page.wait_for_selector("html[data-drawn]")
        assert page.locator(".shapes li").count() == 0
        assert page.evaluate("({}).none === undefined")
        assert found.complaints == []


def test_without_scripts_it_says_what_to_do(browser, sketch_page):
    with opened(browser, sketch_page, **PHONE, java_script_enabled=False) as found:
        assert "runs no scripts" in found.page.locator(".without-scripts").first.inner_text()
        assert not found.page.locator("#back").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 1400])
def test_nothing_sticks_out_and_axe_finds_nothing(browser, sketch_page, width, scheme):
    size = {"viewport": {"width": width, "height": 800}, "color_scheme": scheme}
    with opened(browser, sketch_page, **size) as found:
        page = found.page
        page.wait_for_selector("html[data-drawn]")
        draw_outline(page)
        for step in range(10):
            if step:
                page.locator("#next").click()
            assert axe_faults(page, colours_alone=scheme == "dark") == [], step
            assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_targets_are_large_enough_for_a_finger(browser, sketch_page):
    with opened(browser, sketch_page, **PHONE) as found:
        page = found.page
        page.wait_for_selector("html[data-drawn]")
        draw_outline(page)
        small = page.evaluate(
            """[...document.querySelectorAll('.panel button, .panel input, .panel select')]
            .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 43.9)
            .map((e) => e.outerHTML.slice(0, 80))"""
        )
        assert small == []
