"""Getting open data at the desk, with the mouse: size, question, bar, cancel, resume."""

from __future__ import annotations

import json
import re
from contextlib import closing
from pathlib import Path

import pytest

from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE
from tests.browser.desk_process import running_desk
from tests.desk.test_data import LAT, LON, OWN, held, noisy_halves
from tests.gather import land
from tests.gather.catalogue import item
from tests.gather.server import serving, status

pytestmark = pytest.mark.slow

# Width in px and look; 700 is 1400 at 200 %.
LOOKS = (
    (320, {"color_scheme": "light"}),
    (700, {"color_scheme": "dark"}),
    (1400, {"color_scheme": "light", "forced_colors": "active"}),
)
SAMPLE = Path(__file__).parents[2] / "sample_rasters"


@pytest.fixture
def site(tmp_path):
    with serving() as here:
        items = [item(here, path, "dem") for path in noisy_halves(tmp_path)]
        items.append(item(here, land.cover(tmp_path), "cover"))
        land.serve(here, items)
        yield here


@pytest.fixture
def address(site, tmp_path):
    """A desk as a user runs it, with a recipe of its own."""
    office = tmp_path / "office"
    (office / "recipes").mkdir(parents=True)
    land.rules(site, office / "recipes")
    with running_desk(SAMPLE / "inputs.toml", "-o", office) as found:
        yield found


def test_data_are_asked_for_cancelled_taken_up_and_shown(browser, address, site, tmp_path):
    with closing(browser.new_context(**WIDE)) as context:
        story(context.new_page(), address, site, tmp_path)


def story(page, address, site, tmp_path):
    page.set_default_timeout(60_000)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    page.goto(address)
    page.locator("#title", has_text="Sign-ups").wait_for()
    empty_states(page)
    page.get_by_text("Paste a table", exact=True).click()
    page.get_by_label("The first row names").fill(f"label\tlon\tlat\nFar meadow\t{LON}\t{LAT}")
    page.get_by_role("button", name="Add all").click()
    page.locator("#rows").get_by_role("button", name="Far meadow").click()
    # Beyond the office's maps they are offered without being asked for.
    page.get_by_label("Which data").select_option(OWN)
    shots(page, tmp_path, "offered")
    search = dict(site.replies)
    site.replies["/stac/search"] = status(404)
    page.get_by_role("button", name="See how much it is").click()
    page.locator("#data .caution").wait_for()
    shots(page, tmp_path, "failed")
    site.replies.clear()
    site.replies.update(search)
    page.get_by_label("Which data").select_option(OWN)
    with held(site):
        page.get_by_role("button", name="See how much it is").click()
        page.get_by_text(re.compile(r"Download about \d+\.\d MB")).wait_for()
        shots(page, tmp_path, "asked")
        page.get_by_role("button", name="Download", exact=True).click()
        page.get_by_text(re.compile(r"^(?!0\.0)\d+\.\d MB of about")).wait_for()
        assert float(page.locator("#data progress").get_attribute("value")) > 0
        shots(page, tmp_path, "coming")
        page.get_by_role("button", name="Cancel the download").click()
        page.get_by_text("The download was broken off").wait_for()
        shots(page, tmp_path, "broken-off")
    page.reload()
    page.get_by_text("The download was broken off").wait_for()
    page.get_by_label("Which data").select_option(OWN)
    page.get_by_role("button", name="Go on with the download").click()
    page.get_by_role("button", name="Download", exact=True).click()
    page.get_by_text("Example survey, Test dem").wait_for()
    # The ground that was gathered is drawn where the office's maps have none.
    stamp = r"[^/]+-[^/]+-[^/]+-[^/]+"
    for _ in range(100):
        tiles = page.locator("#map img.leaflet-tile-loaded").evaluate_all(
            "all => all.map(a => a.src)"
        )
        if any(re.search(rf"/tile/{stamp}/", address) for address in tiles):
            break
        page.wait_for_timeout(100)
    else:
        raise AssertionError(tiles)
    shots(page, tmp_path, "there")
    # What is refused stands in red in every console; the page says it in words.
    complaints = [text for text in complaints if "status of 4" not in text]
    assert complaints == [], json.dumps(complaints)


def empty_states(page) -> None:
    """An office with nothing in it, and what it says to a mistake."""
    page.locator("#empty").wait_for()
    accessible(page)
    page.get_by_role("button", name="Add", exact=True).click()
    page.locator("#faults", has_text="Give the sign-up a name").wait_for()
    accessible(page)
    for part, words in (("back", "No camera is up"), ("season", "Did higher scores record")):
        page.locator(f"#to-{part}").click()
        page.get_by_text(words).wait_for()
        accessible(page)
    page.get_by_label("Last season's data").set_input_files(
        {"name": "season.zip", "mimeType": "application/zip", "buffer": b"no archive"}
    )
    page.locator("#body .caution, #faults .caution").first.wait_for(timeout=60_000)
    accessible(page)
    page.locator("#to-list").click()
    page.locator("#empty").wait_for()


def shots(page, folder: Path, name: str) -> None:
    """Pictures at both widths; nothing may stick out, and axe finds nothing in any look."""
    page.screenshot(path=folder / f"{name}-wide.png")
    page.set_viewport_size(PHONE["viewport"])
    page.get_by_text("Get data for this area").scroll_into_view_if_needed()
    page.screenshot(path=folder / f"{name}-phone.png")
    accessible(page)


def accessible(page) -> None:
    """axe finds nothing and nothing sticks out: 320 px, 200 % in the dark, forced colours."""
    for width, media in LOOKS:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(**media)
        assert axe_faults(page) == [], (width, media)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.emulate_media(color_scheme="light", forced_colors="none")
    page.set_viewport_size(WIDE["viewport"])
