"""Chromium, offline, for everything that can only be seen in a browser."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from siting.grid import transformer
from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from tests.map_result import map_result

CHROMIUM = Path(os.environ.get("SITING_CHROMIUM", "/usr/bin/chromium"))
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WIDE = {"viewport": {"width": 1400, "height": 900}}
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
# The pages leave no name behind them, so the tests take Leaflet's own hook to get at its map.
SHOW_MAP = """(() => { let leaflet;
  Object.defineProperty(window, "L", { configurable: true, get: () => leaflet, set(value) {
    leaflet = value;
    value.Map.addInitHook(function () { window.testMap = this; });
  } }); })()"""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in Path(item.path).parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One headless Chromium for all browser tests."""
    if not CHROMIUM.exists():
        pytest.skip(f"no Chromium at {CHROMIUM} (set SITING_CHROMIUM to where it is)")
    api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    # How long a fault takes to be noticed; a busy machine is none.
    api.expect.set_options(timeout=60_000)
    with api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=str(CHROMIUM), args=list(ARGUMENTS))
        yield chromium
        chromium.close()


class Tab:
    """An opened page, with all it asked for and all it complained of."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", self._hear)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _hear(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(f"{message.type}: {message.text}")

    @property
    def outside(self) -> list[str]:
        """Requests that are not the page itself and not something it carries."""
        return [url for url in self.requests[1:] if not url.startswith(("data:", "blob:"))]


@contextmanager
def opened(browser: Any, path: Path, **options: Any) -> Iterator[Tab]:
    """A file opened from disk in a fresh profile with no network.

    Its reader wants no motion unless a test says so: nothing is measured on its way.
    """
    options.setdefault("reduced_motion", "reduce")
    context = browser.new_context(offline=True, **options)
    context.set_default_timeout(60_000)
    context.add_init_script(SHOW_MAP)
    try:
        tab = Tab(context.new_page())
        tab.page.goto(path.as_uri())
        yield tab
    finally:
        context.close()


@contextmanager
def desk_page(browser: Any, address: str) -> Iterator[Any]:
    """A desk's page, wide, once it is drawn; its map is `testMap`."""
    context = browser.new_context(accept_downloads=True, **WIDE)
    context.set_default_timeout(60_000)
    context.add_init_script(SHOW_MAP)
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector("html[data-drawn]")
    yield page
    context.close()


@pytest.fixture(scope="session")
def page_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "map.html"
    path.write_text(map_page(map_result(), protocol=Protocol()), encoding="utf-8")
    return path


@pytest.fixture(params=[WIDE, PHONE], ids=["1400", "390"])
def tab(request, browser, page_file):
    with opened(browser, page_file, **request.param) as found:
        found.page.wait_for_selector("html[data-ready]")
        yield found
        assert found.outside == []
        assert found.complaints == []


@pytest.fixture
def wide(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        yield found.page
        assert found.complaints == []


def words_of(locator: Any) -> str:
    """What an element says, on one line."""
    return " ".join(locator.inner_text().split())


MOTION = """() => [typeof testMap !== "undefined" && Boolean(testMap._animatingZoom
  || (testMap._panAnim && testMap._panAnim._inProgress)), scrollX, scrollY,
  ...[...document.querySelectorAll(".panel, .leaf, .card")].map((e) => e.scrollTop)]"""


def at_rest(page: Any) -> None:
    """Wait until neither the map nor the page moves any more, however slow the machine is."""
    last = None
    for _ in range(150):
        now = page.evaluate(MOTION)
        if not now[0] and now == last:
            return
        last = now
        page.wait_for_timeout(60)
    raise AssertionError("the page never comes to rest")


def painted(page: Any) -> None:
    """Wait until all pictures are decoded and what was changed is on the screen."""
    page.evaluate(
        """async () => {
        await Promise.all([...document.images].map((one) => one.decode().catch(() => 0)));
        await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))); }"""
    )


def on_paper(page: Any) -> None:
    """Show the page as it is printed, once it has laid itself out for paper."""
    page.emulate_media(media="print")
    page.locator("html.printing").wait_for(state="attached")
    painted(page)


def lat_lon(easting: float, northing: float, crs: str = "EPSG:32617") -> list[float]:
    """Latitude and longitude of a place on the grid of the tests."""
    lon, lat = transformer(crs, "EPSG:4326").transform(easting, northing)
    return [lat, lon]


def at_place(page: Any, easting: float, northing: float) -> list[float]:
    """Pixel on the screen of a place on the grid."""
    return page.evaluate(
        """(place) => { const p = testMap.latLngToContainerPoint(place);
        const box = testMap.getContainer().getBoundingClientRect();
        return [box.left + p.x, box.top + p.y]; }""",
        lat_lon(easting, northing),
    )


def asked_at(page: Any, places: list[list[float]]) -> list[list[str]]:
    """The first words about each (lat, lon), and the number at each part of the index.

    Asked on the screen or not, as Leaflet would report the taps; all in one call to the page.
    """
    return page.evaluate(
        """(places) => places.map((place) => {
        testMap.fire("click", { latlng: L.latLng(place) });
        const said = document.querySelectorAll(
          "#ask-answer .answer-head, #ask-answer .bar-number");
        return [...said].map((line) => line.textContent); })""",
        places,
    )


def ask_at(page: Any, lat: float, lon: float) -> str:
    """The first words about one place."""
    return asked_at(page, [[lat, lon]])[0][0]


def island_of(page: Any) -> Any:
    """The data that Python wrote into the page."""
    return page.evaluate("JSON.parse(document.getElementById('siting-data').textContent)")


def move_weights(page: Any, **percents: float) -> None:
    """Move sliders to per cent of the survey's own weights, as a hand does it."""
    page.evaluate(
        """(weights) => Object.entries(weights).forEach(([name, value]) => {
        const slider = document.getElementById("weight-" + name);
        slider.value = value;
        slider.dispatchEvent(new Event("input", { bubbles: true })); })""",
        percents,
    )


def click_at(page, easting, northing):
    x, y = at_place(page, easting, northing)
    page.mouse.click(x, y)


def show_only(page: Any, *labels: str) -> None:
    """Leave nothing on the map but the layers of these labels."""
    page.wait_for_selector("html[data-ready]")
    page.click("#tab-key")
    for box in page.locator("#key-marks input, #key-zones input").all():
        box.uncheck()
    for label in labels:
        page.get_by_label(label).check()
