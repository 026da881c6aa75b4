"""What came back from the parcels, as the overview shows it; the page on screens of every kind."""

from __future__ import annotations

from dataclasses import replace

import pytest

from siting.batch.output.overview import overview_page
from tests.batch_rows import invented_batch
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, on_paper, opened

pytestmark = pytest.mark.slow

SMALL_PHONE = {**PHONE, "viewport": {"width": 320, "height": 640}}
SIZES = pytest.mark.parametrize("size", [WIDE, PHONE, SMALL_PHONE], ids=["1400", "390", "320"])
COUNT = 144  # a square of four survey cells
FLOOD = "Water is near: watch for floods."
DRY = "Water is far."


@pytest.fixture(scope="module")
def batch():
    found = invented_batch(COUNT)
    cameras = [c.chosen.parcel for c in found.assignment.cells if c.chosen]
    first = {
        **found.rows[0],
        "cautions": [FLOOD, DRY, "Ticks."],
        "caution_spots": [[1, 3], [2], []],
    }
    rows = [first, *found.rows[1:]]
    states = {
        "L0000": ("ruled out", "2027-04-05"),
        cameras[0]: ("camera up", "2027-04-03"),
        "L0007": ("checked", "2027-04-17"),
    }
    cells = found.assignment.cells
    settled = next(n for n, c in enumerate(cells) if c.chosen and c.chosen.parcel == cameras[0])
    stands = replace(cells[settled].chosen, spot=None, score=float("nan"), decided="camera up")
    choice = replace(cells[settled], chosen=stands, reason="A camera stands there already.")
    assignment = replace(found.assignment, cells=(*cells[:settled], choice, *cells[settled + 1 :]))
    return replace(found, rows=rows, states=states, assignment=assignment), cameras


@pytest.fixture(scope="module")
def page_file(batch, tmp_path_factory):
    path = tmp_path_factory.mktemp("overview") / "overview.html"
    path.write_text(overview_page(batch[0], relief=None, protocol_name="t"), encoding="utf-8")
    return path


@pytest.fixture
def wide(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        yield found.page
        assert found.complaints == []


def ids(page):
    return page.eval_on_selector_all("#rows .pick", "found => found.map(e => e.textContent)")


def choose(page, parcel):
    page.fill("#find", parcel)
    page.locator("#rows .pick").first.click()


def test_status_and_its_day_stand_in_the_list_and_on_the_card(wide, batch):
    _, cameras = batch
    choose(wide, cameras[0])
    assert "camera up2027-04-03" in wide.locator("#rows tr").first.inner_text().replace("\n", "")
    assert "camera up, 2027-04-03" in wide.locator("#card-body").inner_text()


def test_the_list_can_show_what_came_back_and_what_did_not(wide, batch):
    _, cameras = batch
    wide.select_option("#show", "reported")
    assert set(ids(wide)) == {"L0000", cameras[0], "L0007"}
    wide.select_option("#show", "silent")
    assert set(ids(wide)) == set(cameras) - {cameras[0], "L0000", "L0007"}
    wide.get_by_role("button", name="Clear filters").click()
    wide.locator("#count", has_text=f"{COUNT} parcels").wait_for()
    assert wide.get_by_role("button", name="All", exact=True).count() == 0


def test_a_caution_names_the_spots_it_is_about(wide):
    choose(wide, "L0000")
    wide.locator("#card-body summary", has_text="Cautions").click()
    lines = wide.locator("#card-body details li").all_inner_texts()
    assert [f"Spots 1, 3: {FLOOD}", f"Spot 2: {DRY}", "Ticks."] == lines


def test_a_camera_at_a_place_of_its_own_holds_its_cell(wide):
    wide.click("#tab-cells")
    words = wide.locator("#cell-rows").inner_text()
    assert "a place of its own" in words
    assert "A camera stands there already." in words
    assert "null" not in words
    assert "NaN" not in words


@pytest.mark.parametrize("width", [390, 320])
def test_no_column_of_the_cells_lies_off_a_phone(browser, page_file, width):
    phone = {**PHONE, "viewport": {"width": width, "height": 700}}
    with opened(browser, page_file, **phone) as found:
        found.page.wait_for_selector("html[data-ready]")
        found.page.click("#tab-cells")
        edges = found.page.locator("#cell-rows :is(th, td)").evaluate_all(
            "all => all.map((one) => [one.getBoundingClientRect().left,"
            " one.getBoundingClientRect().left + one.scrollWidth])"
        )
        assert len(edges) >= 12
        assert all(left >= 0 and right <= width for left, right in edges)
        assert "Reserves" in found.page.locator("#cell-rows tr").first.evaluate(
            "e => [...e.cells].map((c) => c.dataset.head).join()"
        )


def test_cells_have_a_dashed_line_and_a_name(wide, batch):
    cells = {row["survey_cell"] for row in (*batch[0].rows, *batch[0].failures)}
    assert wide.locator(".cell-name").count() == len(cells)


def test_on_paper_there_is_no_button(wide):
    on_paper(wide)
    # The heads of the columns are buttons that look like heads; a row's name is one, too.
    shown = wide.locator("button:visible:not(thead *), select:visible, input:visible").all()
    assert [b.get_attribute("id") or b.inner_text() for b in shown
            if "pick" not in (b.get_attribute("class") or "")] == []  # fmt: skip
    assert wide.locator("#rows tr").first.is_visible()


STATES = ("list", "card", "unfolded", "key", "problem", "cells", "guide")
# The card stays open and unfolded while the key is opened: axe looks at all of it once.
SEEN_WITH_THE_KEY = ("card", "unfolded")


def show(page, state):
    if state == "card":
        page.locator("#rows .pick").first.click()
    elif state == "unfolded":
        page.evaluate(
            "document.querySelectorAll('#card-body details').forEach((one) => { one.open = true; })"
        )
    elif state == "key":
        page.evaluate("document.querySelector('.key').open = true")
    elif state == "problem":
        page.check("input[name=by][value=problem]")
    elif state in ("cells", "guide", "list"):
        page.click(f"#tab-{state}")


TARGETS = """(least) => [...document.querySelectorAll('button, select, summary, a[href], input')]
  .filter((e) => e.checkVisibility() && !e.classList.contains("skip"))
  .map((e) => [e, (e.closest("label") || e).getBoundingClientRect()])
  .filter(([, box]) => box.height < least)
  .map(([e, box]) => [e.id || e.className || e.outerHTML.slice(0, 60), box.width, box.height])"""


@pytest.mark.parametrize(
    ("theme", "size"),
    [("light", WIDE), ("dark", PHONE), ("light", SMALL_PHONE)],
    ids=["light 1400", "dark 390", "light 320"],
)
def test_axe_finds_nothing_in_any_state_and_fingers_find_every_target(
    browser, page_file, theme, size
):
    with opened(browser, page_file, color_scheme=theme, **size) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        for state in STATES:
            show(page, state)
            if state == "key":
                assert page.locator("#card-body details[open]:visible").count()
            if state not in SEEN_WITH_THE_KEY:
                assert axe_faults(page) == [], state
            least = 24 if size is WIDE else 44
            assert page.evaluate(TARGETS, least) == [], state
            across = page.evaluate("document.documentElement.scrollWidth")
            assert across <= size["viewport"]["width"], state


@SIZES
def test_letters_twice_as_large_push_nothing_off_the_page(browser, page_file, size):
    """WCAG 2.2, 1.4.4: text alone at 200 %."""
    with opened(browser, page_file, **size) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        for state in ("card", "cells", "guide", "list"):
            show(page, state)
            across = page.evaluate("document.documentElement.scrollWidth")
            assert across <= size["viewport"]["width"], state


def test_at_200_percent_the_map_keeps_its_room(browser, page_file):
    small = {"viewport": {"width": 700, "height": 450}, "device_scale_factor": 2}
    with opened(browser, page_file, **small) as found:
        found.page.wait_for_selector("html[data-ready]")
        box = found.page.locator("#map").bounding_box()
        assert box["width"] * box["height"] >= 0.25 * 700 * 450


def test_in_forced_colours_the_signs_keep_their_colours(browser, page_file):
    import io

    import numpy as np
    from PIL import Image

    with opened(browser, page_file, forced_colors="active", **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        page.evaluate("document.querySelector('.key').open = true")
        clip = page.locator("#key").bounding_box()
        seen = Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("RGB")
        colours, counts = np.unique(np.asarray(seen).reshape(-1, 3), axis=0, return_counts=True)
        assert (counts > 20).sum() >= 6
        assert len(colours) > 6
