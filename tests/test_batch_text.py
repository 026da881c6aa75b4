"""Hostile text through a batch: its tables, its overview, its pages, its terminal."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest

from siting.batch.run import Outcome
from siting.commands import batch_summary
from siting.read.vector.columns import hidden_signs
from siting.report.files.tables import cell
from siting.report.shared.text import clean
from tests.batch_tools import run, small_land, spoil
from tests.hostile import TEXTS
from tests.test_text_through import structure

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("land_once")]

# A GeoPackage ends a text at a NUL and has no halves of pairs.
STORED = [
    text.encode("utf-8", "ignore").decode().replace("\0", "") or "nothing left" for text in TEXTS
]
# Their pages have the tags of any number of parcels.
HARMLESS = [f"Land {number}" for number in range(8)]
# A row of each table for every parcel, failure and survey cell, whatever signs its texts hold.
ROWS = {"parcels.csv": len(STORED) - 3, "failures.csv": 3, "assignments.csv": len(STORED)}


def identifier(text: str, number: int) -> str:
    """The beginning of a text, without the invisible signs that identifiers are refused for.

    The beginning matters in a table, so what makes an identifier single stands at its end.
    """
    seen = "".join(sign for sign in text[:60] if not hidden_signs(sign))
    return f"{seen} {number}"


def scored(folder: Path, texts: list[str]) -> tuple[Outcome, Path]:
    """A batch whose parcels have these texts as names, identifiers and survey cells."""
    inputs = small_land(folder, count=len(texts))
    path = folder / "parcels.gpkg"
    parcels = gpd.read_file(path, layer="parcels")
    assert len(parcels) == len(texts)
    parcels["id"] = [identifier(text, number) for number, text in enumerate(texts)]
    parcels["label"], parcels["cell"] = texts, texts
    path.unlink()
    parcels.to_file(path, layer="parcels", driver="GPKG")
    # The second is spoilt already.
    for number in (3, len(texts) * 7 // 10):
        spoil(path, parcels["id"][number])
    layers = {name: gpd.read_file(folder / "layers.gpkg", layer=name)
              for name, _ in pyogrio.list_layers(folder / "layers.gpkg")}  # fmt: skip
    (folder / "layers.gpkg").unlink()
    for name, frame in layers.items():
        frame["name"] = [texts[k % len(texts)] for k in range(len(frame))]
        frame.to_file(folder / "layers.gpkg", layer=name, driver="GPKG")
    return run(inputs, folder / "out", pages=4), folder / "out"


@pytest.fixture(scope="module")
def harmless(tmp_path_factory) -> tuple[Outcome, Path]:
    return scored(tmp_path_factory.mktemp("harmless"), HARMLESS)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory) -> tuple[Outcome, Path]:
    return scored(tmp_path_factory.mktemp("hostile"), STORED)


def rows_of(path: Path) -> list[list[str]]:
    text = path.read_text(encoding="utf-8-sig")
    return list(csv.reader(io.StringIO(text, newline="")))


def spoken(text: str) -> str:
    """What must be left of a text: its signs, whatever was done about spaces and length."""
    return "".join(c for c in clean(text)[:60] if c.isprintable() and c != " ")


@pytest.mark.parametrize("name", ROWS)
def test_tables_hold_text_and_no_formula(name, hostile):
    rows = rows_of(hostile[1] / name)
    assert len({len(row) for row in rows}) == 1
    assert len(rows) == 1 + ROWS[name]
    for row in rows:
        for text in row:
            assert not any(c < " " and c != "\n" for c in text)
            if text[:1] in ("=", "+", "-", "@", "\t", "\r"):
                float(text)


def test_every_name_comes_through(hostile):
    held = "".join(
        spoken(text)
        for name in ("parcels.csv", "failures.csv")
        for row in rows_of(hostile[1] / name)
        for text in row[:3]
    )
    assert all(spoken(text) in held for text in STORED)


def test_no_tag_is_added_to_any_page(hostile, harmless):
    pages = sorted(hostile[1].rglob("*.html"))
    assert sum(page.name == "map.html" for page in pages) >= 4
    extra = structure(hostile[1] / "overview.html") - structure(harmless[1] / "overview.html")
    assert not extra
    allowed = {
        (tag, names)
        for page in harmless[1].rglob("*.html")
        for tag, names in structure(page)
    }  # fmt: skip
    for page in pages:
        assert set(structure(page)) <= allowed, page


def test_folders_of_parcels_have_plain_names(hostile):
    for folder in (hostile[1] / "parcels").iterdir():
        assert re.fullmatch(r"[a-z0-9-]+", folder.name)


def test_the_geopackage_holds_the_same_text(hostile):
    package = gpd.read_file(hostile[1] / "parcels.gpkg", layer="parcels")
    table = {row[0]: row[1] for row in rows_of(hostile[1] / "parcels.csv")[1:]}
    assert len(table) == len(package) == len(STORED) - 3
    for name, label in zip(package["parcel_id"], package["parcel_label"], strict=True):
        assert spoken(cell(label or "")) == spoken(table[cell(name)])


def test_the_terminal_gets_printable_signs(hostile):
    told = batch_summary(*hostile)
    assert "3 could not be scored" in told
    assert all(c == "\n" or c.isprintable() for c in told)
