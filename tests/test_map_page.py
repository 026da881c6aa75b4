"""The map page as a file: the same each time, complete in itself, and small."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace

import pytest
import shapely

from siting.report.page import remarks
from siting.report.page.land_drawn import land_drawn
from siting.report.page.map import map_page
from siting.report.page.window import ground_window
from siting.report.shared import assets
from siting.report.shared.text import clean, json_for_script
from siting.settings.protocol import Protocol
from siting.spot_parts import Extent
from siting.types import Note
from tests.map_result import map_result

# From npm leaflet@1.9.3, dist/: the same bytes in XStatic-Leaflet 1.9.3.0 (reliability R31).
LEAFLET = {
    "leaflet.js": "5819285cec137b229c94e1ee5ad73e8b6b84345a4367d60f75fe477fe0fb7b03",
    "leaflet.css": "90b693d86392a4779c861b28cf307e7e59c3fb35328c4d8b95f58f814d38c722",
}


@pytest.fixture(scope="module")
def page():
    return map_page(map_result(), protocol=Protocol())


def test_same_result_same_bytes(page):
    assert map_page(map_result(), protocol=Protocol()) == page


@pytest.mark.parametrize("wider", [0, 1])
def test_a_land_that_was_drawn_before_gives_the_same_page(page, wider):
    """Of another window, since a walk led farther than was thought, it is drawn anew."""
    result = map_result()
    here = ground_window(result)
    window = replace(here, n_rows=here.n_rows - wider)
    ready = land_drawn(result.land, result.scores, result.no_go, window=window)
    assert map_page(result, protocol=Protocol(), ready=ready) == page


def test_leaflet_is_the_published_one():
    for name, want in LEAFLET.items():
        assert hashlib.sha256(assets.leaflet_file(name)).hexdigest() == want


def test_nothing_is_loaded_from_elsewhere(page):
    for name in ("http://www.w3.org/2000/svg", "http://www.w3.org/1999/xhtml"):
        page = page.replace(name, "")
    assert "http:" not in page
    assert "https:" not in page
    assert not re.search(r"<(link|iframe|object|embed|base)\b", page)
    assert "jquery" not in page.lower()
    assert "bootstrap" not in page.lower()


def test_the_policy_names_every_script_and_style(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1)
    policy = policy.replace("&#39;", "'")
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    assert "img-src data: blob:" in policy
    scripts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    styles = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert (len(scripts), len(styles)) == (3, 5)
    for text in (*scripts, *styles):
        assert assets.source_hash(text) in policy


def test_names_are_not_drawn_by_lot(page):
    """folium names its objects by 32 random hex digits; here none is left."""
    script = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)[2]
    assert script.startswith("(function () {")
    assert "var map_siting" in script
    assert "image_overlay_score" in script
    assert not re.search(r"_[0-9a-f]{32}", script)


def test_the_island_holds_the_spots(page):
    result = map_result()
    text = re.search(r'id="siting-data">(.*?)</script>', page, re.DOTALL).group(1)
    assert text.isascii()
    data = json.loads(text)
    assert [spot["n"] for spot in data["spots"]] == [1, 2, 3, 4]
    for spot, shown in zip(result.spots, data["spots"], strict=True):
        assert shown["index"] == spot.score
        assert shown["memberships"] == dict(spot.memberships)
        assert (shown["lon"], shown["lat"]) == pytest.approx((spot.lon, spot.lat), abs=1e-7)
        assert shown["tenths"] == round(spot.score * 10)


FAULTS = {
    "script": '<script src="https://example.org/x.js"></script>',
    "style": "<style>p { background: url(https://example.org/x.png) }</style>",
    "import": "<style>@import 'x.css';</style>",
    "picture": '<img src="//example.org/x.png">',
    "link": '<link rel="stylesheet" href="x.css">',
    "handler": '<p onclick="go()">x</p>',
    "inline style": '<p style="color:red">x</p>',
    "fetch": "<script>fetch('https://example.org/')</script>",
    "form": '<form action="https://example.org/"></form>',
    "frame": '<iframe src="data:text/html,x"></iframe>',
}


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS.keys())
def test_a_page_that_would_load_something_is_refused(page, fault):
    assets.check_page(page)
    with pytest.raises(RuntimeError, match="reach outside itself"):
        assets.check_page(page.replace("</body>", fault + "</body>"))


def test_addresses_in_data_are_only_words():
    html = (
        '<script type="application/json">{"a":"https://example.org/x.js"}</script><p>http://x</p>'
    )
    assets.check_page(html)


@pytest.mark.parametrize(
    ("text", "want"),
    [
        ("plain", "plain"),
        ("a\x00b\x1fc\x7fd\x9fe", "abcde"),
        ("half \ud800 pair", "half  pair"),
        ("tab\tand\nline", "tab\tand\nline"),
        ("x" * 1000, "x" * 400 + "…"),
        (12.5, "12.5"),
    ],
)
def test_clean(text, want):
    assert clean(text) == want


def test_island_cannot_be_left():
    text = json_for_script({"a": "</script><!-- & \u2028 ü"})
    assert not set(text) & set("<>&\u2028")
    assert text.isascii()
    assert json.loads(text) == {"a": "</script><!-- & \u2028 ü"}


def test_the_gaps_list_what_stands_on_the_first_screen_too():
    """Water, way in and coordinates stood at the head, and a reader of the gaps missed them."""
    at_the_head = Note("W-STREAM-01", "warning", "No water layer was given.")
    gap = Note("W-ABSENT-01", "warning", "No crossings were given.")
    result = replace(map_result(), notes=(gap, at_the_head))
    listed = [note["text"] for note in remarks.notes(result)]
    assert listed == ["No water layer was given.", "No crossings were given."]
    assert remarks.warned(result)["before"] == ["No water layer was given."]


def test_the_key_speaks_of_circles_or_areas_as_they_are_drawn():
    point = map_result()
    ground = shapely.box(540200, 4820100, 540260, 4820160)
    area = Extent("area", ground, 0.0, 3600.0, "", ground)
    blurred = replace(point, spots=tuple(replace(s, extent=area) for s in point.spots))
    circle, stretch = "inside this circle", "in this stretch or area"
    for result, said, unsaid in ((point, circle, stretch), (blurred, stretch, circle)):
        page = map_page(result, protocol=Protocol())
        key = page[page.index("Key and layers") : page.index("Other signs")]
        assert said in key
        assert unsaid not in key
