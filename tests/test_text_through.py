"""Hostile text from the files of the land to every output: text stays text.

The same land with a harmless name gives the structure that each page must have; whatever a name,
reason or legend holds, not one tag or attribute may be added to it.
"""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from unittest import mock

import pytest
from shapely.geometry import LineString, Point

import siting.cli.main
from siting.read.vector.columns import plain_text
from tests.bad_inputs.builders_text import PAYLOADS
from tests.bad_inputs.land import Land, clean, geojson, to_lonlat
from tests.bad_inputs.runner import words, write_settings
from tests.hostile import TEXTS

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("land_once")]

TURNING = {"\u202e", "\u2066"}


def scored(folder: Path, text: str) -> Path:
    """All outputs of a land whose names, reasons and legend hold this text."""
    land = clean(folder)
    # Signs that turn text round are refused in an identifier, by a row of tests/bad_inputs.
    identifier = "A7" if TURNING & set(text) else text
    named = [{"label": text, "id": identifier}]
    geojson(folder / "lot.geojson", to_lonlat(land.outline), properties=named)
    corner = land.outline.exterior.interpolate(0).buffer(8)
    told = [{"reason": text, "name": text}]
    no_go = file_named(text)
    geojson(folder / no_go, to_lonlat(corner), properties=told)
    west, south, east, north = land.outline.bounds
    ways = {
        "water": LineString([(west, south + 60), (west + 90, south + 80), (east, south + 50)]),
        "trails": LineString([(west + 40, south), (west + 60, north)]),
        "roads": LineString([(east + 20, south - 40), (east + 20, north + 40)]),
        "crossings": Point(west + 45, south + 70),
        "feeders": Point(west + 150, south + 150),
        "livestock": Point(east + 60, north).buffer(20),
        "way_in": Point(east + 20, south),
    }
    for layer, shape in ways.items():
        geojson(folder / f"{layer}.geojson", to_lonlat(shape), properties=told)
        land.set(f"layers.{layer}", f"{layer}.geojson")
    house = land.outline.exterior.interpolate(300).buffer(5)
    geojson(folder / "house.geojson", to_lonlat(house), properties=told)
    if not any(c < " " for c in text):
        write_legend(land, text)
    land.set("parcel.file", "lot.geojson").set("layers.no_go", no_go)
    land.set("layers.buildings", "house.geojson")
    write_settings(land)
    with (
        mock.patch("sys.argv", ["siting", *words(land, "score")]),
        pytest.raises(SystemExit) as end,
    ):
        siting.cli.main.main()
    assert end.value.code == 0
    return folder / "out"


def file_named(text: str) -> str:
    """The text as the name of a file, where a file may have such a name."""
    plain = all(c.isprintable() and c not in "/\\:" for c in text) and len(text) < 100
    return f"{text}.geojson" if plain else "no_go.geojson"


def write_legend(land: Land, text: str) -> None:
    out = io.StringIO()
    csv.writer(out).writerows(
        [("code", "name", "role"), (41, text, "tree"), (81, "hay", "pasture")]
    )
    (land.folder / "legend.csv").write_text(out.getvalue(), encoding="utf-8", errors="replace")
    land.set("land_cover.legend", "legend.csv")


class Structure(HTMLParser):
    """Every tag with the names of its attributes, counted."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: Counter[tuple[str, tuple[str, ...]]] = Counter()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found[tag, tuple(sorted(name for name, _ in attrs))] += 1


def texts_of(value: object) -> set[str]:
    """Every text inside nested tables and lists."""
    if isinstance(value, dict):
        return set().union(*(texts_of(v) for v in value.values()))
    if isinstance(value, list):
        return set().union(*(texts_of(v) for v in value))
    return {value} if isinstance(value, str) else set()


def structure(path: Path) -> Counter[tuple[str, tuple[str, ...]]]:
    parser = Structure()
    parser.feed(path.read_text(encoding="utf-8"))
    return parser.found


@pytest.fixture(scope="module")
def harmless(tmp_path_factory) -> Path:
    return scored(tmp_path_factory.mktemp("harmless"), "Mill Lot")


@pytest.fixture(scope="module")
def harmless_path(tmp_path_factory) -> Path:
    """The same with a word for a way on foot, which adds a warning about the roads to the map."""
    return scored(tmp_path_factory.mktemp("harmless"), "Mill path")


# An identifier of nothing but spaces is refused, by a row of tests/bad_inputs.
EVERY = PAYLOADS | {f"text {k}": text for k, text in enumerate(TEXTS) if text.strip()}


@pytest.mark.parametrize("name", EVERY)
def test_text_stays_text(name, harmless, harmless_path, tmp_path, capsys):
    text = EVERY[name]
    twin = harmless_path if "path" in text else harmless
    capsys.readouterr()
    out = scored(tmp_path, text)
    terminal = capsys.readouterr()
    assert all(c == "\n" or c.isprintable() for c in terminal.out + terminal.err)
    for page in ("map.html", "field_sheet.html"):
        extra = structure(out / page) - structure(twin / page)
        assert not extra, f"{page}: {dict(extra)}"
    # A library ends a text at a NUL; what is told is what came in, on one line.
    told = plain_text(text.partition("\0")[0])
    features = json.loads((out / "spots.geojson").read_text(encoding="utf-8"))["features"]
    assert features
    held = json.dumps(features, ensure_ascii=False)
    for c in held:
        assert c >= " "
        assert c not in "\u2028\u2029\x7f"
    rows = list(csv.reader(io.StringIO((out / "spots.csv").read_text(encoding="utf-8-sig"))))
    assert len({len(row) for row in rows}) == 1
    for row in rows:
        for cell in row:
            if cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
                float(cell)
    assert ET.parse(out / "spots.gpx").getroot().tag.endswith("gpx")
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert told.strip() in {kept.strip() for kept in texts_of(record)}
    json.loads((out / "datapackage.json").read_text(encoding="utf-8"))


def test_planted_fault_a_tag_in_the_page_is_seen(harmless, tmp_path):
    """The comparison notices what it is there for."""
    page = (harmless / "map.html").read_text(encoding="utf-8")
    spoilt = tmp_path / "map.html"
    spoilt.write_text(page.replace("Mill Lot", "<img src=x onerror=1>", 1), encoding="utf-8")
    before, after = structure(harmless / "map.html"), structure(spoilt)
    assert after - before
