"""The field sheet: what it says, that it claims nothing, and that text stays text."""

from __future__ import annotations

import base64
import hashlib
import math
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Proj

from siting.decisions.proposal import Proposal
from siting.grid import Grid
from siting.report.paper.ground_window import window_around
from siting.report.paper.plan import plan, shut_areas
from siting.report.paper.rose import face, rose
from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import Facing, spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import CameraRules, Protocol, SheetRules, VisitRules
from siting.words.cautions import FIRST, all_cautions, texts
from siting.words.office.service_interval import visit_plan
from siting.words.sheet import set_up, what_to_clear
from siting.words.spot.card import minutes_words
from siting.words.spot.heading import lens_height
from tests.fake_result import CRS, fake_aim, fake_result, with_details
from tests.hostile import TEXTS, hostile_result
from tests.test_cautions import CLAIMS, DEFERS

SURVEY = SurveyInput()


@pytest.fixture(scope="module")
def result():
    return with_details(fake_result())


def sheet(result, protocol=None):
    return field_sheet(result, spot_facts(result), protocol=protocol or Protocol(), survey=SURVEY)


class Seen(HTMLParser):
    """Tags, attributes and text of a page, as a browser would find them."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text = [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_data(self, data):
        self.text.append(data)

    @property
    def words(self):
        return " ".join(" ".join(self.text).split())


def words_of(html):
    return Seen(html.partition("</style>")[2]).words


def test_cover_and_one_page_to_each_of_the_first_spots(result):
    pages = re.findall(r'<section class="page[^"]*" aria-labelledby="([^"]+)"', sheet(result))
    assert pages == ["top", "before", "spot-1", "spot-2", "spot-3", "spot-4",
                     "check-visits"]  # fmt: skip
    two = sheet(result, Protocol(sheet=SheetRules(spots=2)))
    assert re.findall(r'aria-labelledby="(spot-\d)"', two) == ["spot-1", "spot-2"]
    assert two.count('<tr><th scope="row">') == 4  # the table names all


def test_position_in_degrees_and_utm(result):
    words = words_of(sheet(result))
    spot = result.spots[0]
    assert f"{spot.lat:.5f}° N, {-spot.lon:.5f}° W" in words
    # The grid is UTM zone 17 itself, so easting and northing are the spot's own.
    east, north = re.search(r"UTM 17 north: (\d+) E, (\d+) N", words).groups()
    assert float(east) == pytest.approx(spot.easting, abs=0.51)
    assert float(north) == pytest.approx(spot.northing, abs=0.51)


@pytest.mark.parametrize(
    ("lat", "lon", "degrees", "utm"),
    [
        # UTM 38 N: 33.3 N 44.4 E is 444140.545, 3684706.356 (GeographicLib's example).
        (33.3, 44.4, "33.30000° N, 44.40000° E", "UTM 38 north: 444141 E, 3684706 N"),
        # Flinders Peak, GDA manual: E 273741.297 N 5796489.777 in zone 55 (GRS80: within 1 mm).
        (
            -(37 + 57 / 60 + 3.7203 / 3600),
            144 + 25 / 60 + 29.5244 / 3600,
            "37.95103° S, 144.42487° E",
            "UTM 55 south: 273741 E, 5796490 N",
        ),
    ],
)
def test_positions_of_known_points(result, lat, lon, degrees, utm):
    moved = replace(result, spots=(replace(result.spots[0], lat=lat, lon=lon),))
    words = words_of(sheet(moved))
    assert degrees in words
    assert utm in words


def test_geo_uri_is_that_of_rfc_5870(result):
    # Latitude first, decimal point, no spaces; scheme "geo" (RFC 5870 section 3.3).
    found = re.findall(r'href="(geo:[^"]+)"', sheet(result))
    assert len(found) == 4
    for uri, spot in zip(found, result.spots, strict=True):
        lat, lon = re.fullmatch(r"geo:(-?\d+\.\d+),(-?\d+\.\d+)", uri).groups()
        assert float(lat) == pytest.approx(spot.lat, abs=5e-6)
        assert float(lon) == pytest.approx(spot.lon, abs=5e-6)


def test_qr_holds_the_geo_uri(result):
    html = sheet(result)
    uri = re.search(r'href="(geo:[^"]+)"', html)[1]
    path = re.search(r'<svg viewBox="0 0 (\d+) \d+" class="qr">.*?d="([^"]+)"', html)
    side, drawn = int(path[1]), path[2]
    dark = np.zeros((side, side), dtype=bool)
    x, y = 0.0, 0.0
    # The drawing is runs of modules: M or m moves, h draws a run one module high.
    for op, numbers in re.findall(r"([Mmh])([^Mmh]*)", drawn):
        steps = [float(v) for v in re.findall(r"-?\d+(?:\.\d+)?", numbers)]
        if op == "h":
            dark[int(y), int(x) : int(x + steps[0])] = True
            x += steps[0]
        else:
            x, y = (steps[0], steps[1]) if op == "M" else (x + steps[0], y + steps[1])
    matrix = np.array([list(row) for row in segno.make(uri, error="m", micro=False).matrix])
    np.testing.assert_array_equal(dark[4:-4, 4:-4], matrix.astype(bool))
    assert not dark[:4].any()  # the quiet zone


def test_headings_true_and_magnetic(result):
    words = words_of(sheet(result))
    assert "Face north, 349° on a compass (340° true)" in words
    assert "Compass: 349°; the needle points 9° west of true north." in words
    assert "Second choice: south, 169° on a compass (160° true), the dashed arrow." in words
    assert "Face, by compass" in words
    assert "349° north " in words.partition("Before you go")[0]
    assert "Faces north, no low sun in the frame." in words


def test_needle_to_the_east(result):
    aim = fake_aim(declination_deg=12.3, magnetic_heading_deg=327.7)
    spot = replace(result.spots[0], aim=aim)
    words = words_of(sheet(replace(result, spots=(spot,))))
    assert "Compass: 328°" in words
    assert "the needle points 12° east of true north" in words


def test_no_compass_reading_and_no_heading(result):
    aim = fake_aim(declination_deg=None, magnetic_heading_deg=None, second_magnetic_deg=None)
    spots = (
        replace(result.spots[0], aim=aim),
        replace(result.spots[1], aim=None, walk=None),
    )
    words = words_of(sheet(replace(result, spots=spots)))
    assert "No compass reading is given: use the true heading." in words
    assert "No heading was computed." in words
    assert "No route was found, or no way in is known: ask the owner." in words


def test_lens_and_clearing_are_the_trades():
    # Common practice: lens 0.3-0.6 m (1-2 ft), clearing 9-15 m (30-50 ft).
    assert lens_height(CameraRules().lens_height_m) == (
        "0.45 m (1.5 ft) above the ground; 0.3 to 0.6 m (1 to 2 ft) is usual"
    )
    assert "out to 9 m (30 ft), or better 15 m (49 ft)." in what_to_clear(CameraRules())
    # A protocol by the published guideline: 0.5-1 m.
    assert lens_height(0.75) == "0.75 m (2.5 ft) above the ground"


def test_checklist_has_all_its_steps(result):
    steps = [word for word, _ in set_up(CameraRules(), VisitRules())]
    for wanted in ("Power", "Card", "Date and time", "Burst", "Sensitivity", "Walk test"):
        assert wanted in steps
    words = words_of(sheet(result))
    for step in steps:
        assert words.count(step) >= 5  # once in full, and once on each spot's page


def test_the_visit_plan_shows_its_sums(result):
    protocol = Protocol(
        visits=VisitRules(card_gb=4.0, triggers_per_day=200.0, pictures_per_trigger=3.0)
    )
    words = words_of(sheet(result, protocol))
    for line in visit_plan(protocol.visits).sums:
        assert line in words
    # 4000 MB / 3 MB = 1333 pictures; 600 a day: 2.2 days, so the first visit is after 2.
    assert "Come back after about 2 days." in words


def test_the_walk_is_told(result):
    facts = spot_facts(result)
    words = words_of(sheet(result))
    walk = facts[0].walk
    assert minutes_words(walk.minutes_there, walk.minutes_back) in words
    assert f"about {math.ceil(walk.minutes_there)} minutes" in words
    assert "from the way in" in words
    road = replace(walk, start_kind="road", unknown_crossings=1)
    spot = replace(result.spots[0], aim=None, walk=road)
    words = words_of(sheet(replace(result, spots=(spot,))))
    assert "from the nearest point on a road (ask first)" in words
    assert "It crosses a stream where no crossing is known" in words


def test_cautions_of_the_land_once_and_of_the_spot_on_its_page(result):
    everything = texts(all_cautions())
    spots = tuple(replace(spot, cautions=everything) for spot in result.spots)
    words = words_of(sheet(replace(result, spots=spots)))
    assert FIRST in words
    by_topic = {caution.topic: caution.text for caution in all_cautions()}
    assert words.count(by_topic["hunting"]) == 1
    assert words.count(by_topic["ticks"]) == 1
    # Pages so full share what they have in common: it stands once before them.
    assert words.count(by_topic["livestock"]) == 1
    assert words.index("At every spot with a page") < words.index(by_topic["livestock"])
    few = tuple(replace(spot, cautions=(by_topic["livestock"],)) for spot in result.spots)
    words = words_of(sheet(replace(result, spots=few)))
    assert words.count(by_topic["livestock"]) == 4
    assert "At every spot with a page" not in words


def test_print_never_gets_smaller_on_a_full_page(result):
    css = re.search(r"<style>(.*?)</style>", sheet(result), re.DOTALL)[1]
    for rule in re.findall(r"\.dense[^{]*{([^}]*)}", css):
        for size in re.findall(r"font-size: ([\d.]+)pt", rule):
            assert float(size) >= 9.0


def test_cover_says_which_spots_have_pages(result):
    two = words_of(sheet(result, Protocol(sheet=SheetRules(spots=2))))
    said = "This sheet has pages for spots 1 to 2; the others are in the table only."
    assert said in two
    assert "the others are in the table" not in words_of(sheet(result))
    last = result.spots[-1]
    asked = Proposal(last.place_id or "P01-LAST", last.rank, "proposed")
    spots = (*result.spots[:-1], replace(last, place_id=asked.place_id))
    late = sheet(replace(result, spots=spots, proposal=asked), Protocol(sheet=SheetRules(spots=2)))
    assert f"has pages for spot {last.rank} and spot 1; the others" in words_of(late)


def test_index_and_acres_for_readers(result):
    words = words_of(sheet(result))
    assert "Index" in words
    assert (
        f"{result.spots[0].score:.2f}"
        not in words.partition("Before you go")[0].partition("Index")[2]
    )
    assert "16 ha (40 acres)" in words  # a square of 400 m


def test_no_line_claims_anything(result):
    spots = tuple(replace(spot, cautions=texts(all_cautions())) for spot in result.spots)
    html = sheet(replace(result, spots=spots))
    assert not CLAIMS.search(words_of(html))
    for item in re.findall(r'<ul class="cautions">(.*?)</ul>', html, re.DOTALL):
        for line in Seen(item).words.split("! "):
            if line.strip():
                assert any(phrase in line.lower() for phrase in DEFERS), line


def test_what_the_map_cannot_know_is_said(result):
    words = words_of(sheet(result))
    assert "does not say how likely you are to see an animal" in words
    assert "two would count the same animals twice" in words
    assert "The land cover is coarser than the grid." in words


def test_no_spots(result):
    words = words_of(sheet(replace(result, spots=())))
    assert "No spot was found on this land." in words


# The page as a file


def test_policy_names_the_one_style_and_nothing_else(result):
    html = sheet(result)
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', html)[1])
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
    seen = Seen(html)
    assert "script" not in seen.tags
    assert not {"img", "iframe", "link", "object", "base"} & set(seen.tags)
    assert not [a for a in seen.attributes if a[1].startswith("on") or a[1] == "style"]
    assert not [a for a in seen.attributes if re.match("https?:|//", a[2] or "")]


def test_ids_are_there_once_and_all_references_hold(result):
    seen = Seen(sheet(result))
    ids = [value for _, name, value in seen.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    wanted = [value for _, name, value in seen.attributes if name == "aria-labelledby"]
    wanted += [
        value[5:-1] for _, name, value in seen.attributes if name == "fill" and "url(" in value
    ]
    assert set(wanted) <= set(ids)


@pytest.fixture(scope="module")
def ordinary(result):
    return Seen(sheet(result))


@pytest.mark.parametrize("text", TEXTS)
def test_text_stays_text(ordinary, text):
    html = sheet(hostile_result(text))
    odd = Seen(html)
    assert set(odd.tags) <= set(ordinary.tags)
    names = {(tag, name) for tag, name, _ in ordinary.attributes}
    assert {(tag, name) for tag, name, _ in odd.attributes} <= names
    links = [value for tag, name, value in odd.attributes if name == "href"]
    assert all(link.startswith("geo:") for link in links)
    html.encode("utf-8")


def test_same_result_same_bytes(result):
    assert sheet(result) == sheet(with_details(fake_result()))


# The drawings


def drawn(result, bounds=(540100, 4820100, 540500, 4820500), **options):
    window = window_around(bounds, width_mm=100.0, height_mm=80.0, key="t")
    return ElementTree.fromstring(
        plan(
            result, window, facts=spot_facts(result), shut=shut_areas(result), title="t", **options
        )
    )


def test_map_scale_and_places(result):
    # 400 m on 80 mm: 0.2 mm to the metre; the window is 500 m wide, 50 m spare on both sides.
    svg = drawn(result)
    spot = [c for c in svg.iter("circle") if c.get("class") == "spot"][-1]
    first = result.spots[0]
    assert float(spot.get("cx")) == pytest.approx((first.easting - 540050) * 0.2, abs=0.01)
    assert float(spot.get("cy")) == pytest.approx((4820500 - first.northing) * 0.2, abs=0.01)
    numbers = [t.text for t in svg.iter("text") if t.get("class") == "number"]
    assert numbers == ["4", "3", "2", "1", "N"]


def test_scale_bar_is_in_scale(result):
    svg = drawn(result)
    bar = next(p for p in svg.iter("path") if p.get("class") == "bar")
    long_mm = float(re.search(r"h([\d.]+)", bar.get("d"))[1])
    words = next(t.text for t in svg.iter("text") if "ft" in (t.text or ""))
    metres = float(words.split()[0])
    assert long_mm == pytest.approx(metres * 0.2)
    assert words == "100 m (328 ft)"


def test_search_circle_is_in_scale(result):
    circle = next(c for c in drawn(result, close=True).iter("circle") if c.get("class") == "search")
    assert float(circle.get("r")) == pytest.approx(15 * 0.2)


@given(st.floats(0, 359.9))
def test_arrow_points_where_the_heading_says(heading):
    card = ElementTree.fromstring(str(rose(Facing(heading_deg=heading, second_deg=90.0))))
    arrow = next(p for p in card.iter("path") if p.get("class") == "first")
    x, y = (float(v) for v in re.search(r"L(-?[\d.]+) (-?[\d.]+)", arrow.get("d")).groups())
    # On paper y runs down: north is up, east is right.
    bearing = math.degrees(math.atan2(x, -y)) % 360
    turn = abs(bearing - heading)
    assert min(turn, 360 - turn) < 0.1


def test_true_north_on_the_grid():
    # PROJ's own meridian convergence (positive where true north lies west of grid north).
    grid = Grid(CRS, 540000.0, 4820600.0, 5.0, 120, 120)
    lon, lat = grid.to_lonlat.transform(540300, 4820300)
    expected = -Proj(CRS).get_factors(lon, lat).meridian_convergence
    assert -grid.convergence_deg == pytest.approx(expected, abs=1e-3)
    assert -0.4 < -grid.convergence_deg < -0.3


def test_maps_are_black_and_grey(result):
    css = sheet(result).partition("<style>")[2].partition("</style>")[0]
    colours = set(
        re.findall(r"#[0-9a-fA-F]{3,6}\b", css + ElementTree.tostring(drawn(result)).decode())
    )
    for colour in colours:
        digits = colour[1:]
        parts = [digits[i : i + len(digits) // 3] for i in range(0, len(digits), len(digits) // 3)]
        assert len(set(parts)) == 1, colour


@pytest.mark.parametrize(
    ("heading", "words"),
    [(0.0, "0° north"), (359.6, "0° north"), (45.0, "45° north-east"), (None, "")],
)
def test_headings_in_words(heading, words):
    assert face(heading) == words


def test_no_rose_without_a_heading():
    assert rose(Facing()) == ""
