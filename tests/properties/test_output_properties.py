"""Properties 34 and 35: what is written is read back as it was; text stays in its place."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from typing import Any

import gpxpy
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from siting.report.files import gpx, tables
from siting.report.page.map import map_page
from siting.report.shared.facts import spot_facts
from siting.report.shared.text import clean, json_for_script
from siting.settings.protocol import Protocol
from siting.types import Result
from tests.fake_result import fake_result, with_details
from tests.map_result import map_result

# Any letters there are, halves of pairs and control characters among them.
texts = st.text(st.characters(), min_size=1, max_size=80)
# The globe but for the poles, where a degree of longitude has no length.
places = st.tuples(st.floats(-180, 180), st.floats(-89, 89))
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
    | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@cache
def ordinary() -> Result:
    return with_details(fake_result())


def renamed(text: str, spots_at: Sequence[tuple[float, float]]) -> Result:
    """The invented result with this name of parcel and spots, and spots at these places."""
    base = ordinary()
    parcel = replace(base.land.parcel, label=text)
    spots = [
        replace(spot, name=text, lon=lon, lat=lat)
        for spot, (lon, lat) in zip(base.spots, spots_at, strict=False)
    ]
    return replace(base, land=replace(base.land, parcel=parcel), spots=tuple(spots))


def _apart(one: float, other: float) -> float:
    """Difference of two longitudes; 180 and -180 are one."""
    return abs((one - other + 180.0) % 360.0 - 180.0)


@settings(deadline=None, suppress_health_check=list(HealthCheck))
@given(text=texts, spots_at=st.lists(places, min_size=4, max_size=4))
@example(text="\x1f", spots_at=[(0.0, 0.0)] * 4)
def test_34_files_are_read_back_as_they_were_written(
    text: str, spots_at: list[tuple[float, float]]
) -> None:
    result = renamed(text, spots_at)
    facts = spot_facts(result)
    features = json.loads(tables.geojson(result, facts))["features"]
    written = tables.spots_csv(result, facts).encode("utf-8").decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(written, newline="")))
    points = gpxpy.parse(gpx.gpx(result, facts).encode("utf-8")).waypoints
    assert len(features) == len(rows) == len(points) == len(spots_at)
    for (lon, lat), feature, row, point in zip(spots_at, features, rows, points, strict=True):
        for found_lon, found_lat in (
            feature["geometry"]["coordinates"],
            (float(row["lon_deg"]), float(row["lat_deg"])),
            (point.longitude, point.latitude),
        ):
            assert _apart(found_lon, lon) <= 1e-7
            assert abs(found_lat - lat) <= 1e-7
            assert -180 <= found_lon <= 180
        name = feature["properties"]["name"]
        assert row["name"] in (name, f"'{name}")
        # Nothing but what cannot be shown is lost on the way in; the others of one name are told
        # apart by where they lie from the first.
        if not clean(text).strip():
            # It is named by what it is, as one without a name.
            assert name.strip()
            continue
        own, beside, way = name.rpartition(", about ")
        assert bool(beside) == (feature is not features[0])
        assert re.fullmatch(r"\d+ m \(\d+ ft\) to the [a-z-]+ of spot 1", way) or not beside
        assert (own if beside else name).split() == clean(text).split()


class Island(HTMLParser):
    """The text of the one script element that holds data."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.inside, self.found, self.open = False, "", list[str]()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag == "script" and ("id", "siting-data") in attrs
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        self.inside = False

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.found += data


@settings(deadline=None)
@given(value=st.dictionaries(texts, _JSON, max_size=5))
def test_35_an_island_is_read_as_it_was_and_cannot_be_left(value: dict[str, Any]) -> None:
    text = json_for_script(value)
    assert text.isascii()
    assert not set(text) & set("<>&")
    parser = Island()
    parser.feed(f'<p></p><script type="application/json" id="siting-data">{text}</script><b></b>')
    parser.close()
    assert json.loads(parser.found) == value
    assert parser.open == ["p", "script", "b"]


@settings(deadline=None, max_examples=12, suppress_health_check=list(HealthCheck))
@given(text=texts)
def test_35_a_page_holds_the_spots_and_loads_nothing(text: str) -> None:
    base = map_result()
    parcel = replace(base.land.parcel, label=text)
    spots = tuple(replace(spot, name=text) for spot in base.spots)
    result = replace(base, land=replace(base.land, parcel=parcel), spots=spots)
    page = map_page(result, protocol=Protocol())
    parser = Island()
    parser.feed(page)
    parser.close()
    shown = json.loads(parser.found)["spots"]
    features = json.loads(tables.geojson(result, spot_facts(result)))["features"]
    assert len(shown) == len(features)
    for spot, feature in zip(shown, features, strict=True):
        lon, lat = feature["geometry"]["coordinates"]
        assert _apart(spot["lon"], lon) <= 1e-7
        assert abs(spot["lat"] - lat) <= 1e-7
        assert abs(spot["index"] - feature["properties"]["score"]) <= 5e-5
    outside = page.replace(parser.found, "")
    for known in ("http://www.w3.org/2000/svg", "http://www.w3.org/1999/xhtml"):
        outside = outside.replace(known, "")
    outside = outside.replace(clean(text), "")
    assert not re.search(r"https?:", outside)
