"""A new office: the maps of an inputs file, with every path counted from the office's folder."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomli_w

from siting.desk.storage.office import open_office
from siting.errors import SitingError
from siting.read.given import given_files

TABLES = {
    "dem": {"file": "dem.tif", "far": "dem_far.tif"},
    "land_cover": {
        "file": "habitats.gpkg::woods", "layer": "", "column": "type", "legend": "Roles.CSV",
        "values": {"file": "tree", "far": "shrub"},
    },
    "layers": {
        "water": ["brooks.gpkg", {"file": "ponds.gpkg::all", "known_within": "survey.gpkg::area"}],
        "roads": {
            "file": "roads.gpkg", "column": "class", "values": {"far": "minor"},
            "known_within": [-81.0, 43.0, -80.0, 44.0],
        },
    },
}  # fmt: skip
FILES = {
    "dem.tif", "dem_far.tif", "habitats.gpkg", "Roles.CSV", "brooks.gpkg", "ponds.gpkg",
    "survey.gpkg", "roads.gpkg",
}  # fmt: skip


def maps(folder: Path) -> Path:
    folder.mkdir()
    for name in FILES:
        (folder / name).touch()
    path = folder / "inputs.toml"
    path.write_text(tomli_w.dumps({"parcel": {"file": "x.geojson"}, **TABLES}))
    return path


def test_every_path_of_the_maps_still_leads_to_its_file(tmp_path):
    inputs = open_office(tmp_path / "there" / "office", maps(tmp_path / "maps"))
    assert {path.name for path in given_files(inputs)} == FILES
    assert inputs.land_cover.values == TABLES["land_cover"]["values"]
    assert inputs.layers.roads[0].values == {"far": "minor"}


def test_a_refused_office_leaves_no_folder(tmp_path):
    with pytest.raises(SitingError, match="E-DESK-04"):
        open_office(tmp_path / "office", None)
    wrong = maps(tmp_path / "maps")
    wrong.write_text("[dem]\nfil = 'dem.tif'\n")
    with pytest.raises(SitingError, match="E-SETTINGS-01"):
        open_office(tmp_path / "office", wrong)
    assert not (tmp_path / "office").exists()
