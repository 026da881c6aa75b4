"""One row makes a column everywhere; what may be passed on is a list of what is allowed."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from dataclasses import replace

import pyogrio
import pytest

from siting.report import write_report
from siting.report.files import columns
from siting.report.files.columns import Column
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from tests.fake_result import fake_result

INPUTS = Inputs.model_validate({
    "parcel": {"file": "p.gpkg"}, "dem": {"file": "d.tif"},
    "land_cover": {"file": "c.tif", "legend": "nlcd"},
})  # fmt: skip
NOW = dt.datetime(2027, 4, 1, tzinfo=dt.UTC)
SECRET = 31415926


def with_column(monkeypatch, *, public):
    added = Column("secret_no", "whole", "", "made up", lambda _: SECRET, public=public)
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS, added))


def files(folder, *, public):
    write_report(fake_result(), folder, protocol=Protocol(), inputs=INPUTS, time=NOW, public=public)
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_column_of_one_row_stands_in_every_exact_table(monkeypatch, tmp_path):
    with_column(monkeypatch, public=False)
    written = files(tmp_path, public=False)
    rows = list(csv.DictReader(io.StringIO(written["spots.csv"].decode())))
    assert {row["secret_no"] for row in rows} == {str(SECRET)}
    features = json.loads(written["spots.geojson"])["features"]
    assert {f["properties"]["secret_no"] for f in features} == {SECRET}
    table = pyogrio.read_dataframe(tmp_path / "spots.gpkg", layer="spots")
    assert table["secret_no"].tolist() == [SECRET] * len(rows)


def test_without_public_no_public_file_holds_it(monkeypatch, tmp_path):
    with_column(monkeypatch, public=False)
    for name, data in files(tmp_path, public=True).items():
        assert b"secret_no" not in data, name
        assert str(SECRET).encode() not in data, name


def test_with_public_the_public_tables_hold_it(monkeypatch, tmp_path):
    with_column(monkeypatch, public=True)
    written = files(tmp_path, public=True)
    for name in ("spots.csv", "spots.geojson"):
        assert str(SECRET).encode() in written[name], name


def test_a_column_is_private_unless_its_row_says_otherwise():
    plain = Column("x", "text", "", "", lambda _: "")
    assert not plain.public
    assert replace(plain, public=True).public


@pytest.mark.parametrize("column", columns.COLUMNS, ids=lambda c: c.name)
def test_every_row_is_complete(column):
    assert column.meaning
    units = {"_m": "m", "_deg": "degrees"}
    for end, unit in units.items():
        if column.name.endswith(end):
            assert column.unit == unit
