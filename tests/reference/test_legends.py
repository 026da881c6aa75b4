"""The shipped legends held against the published class tables."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from siting.errors import SitingError
from siting.ground.cover import NO_CODE, SHIPPED, canonical_codes, roles, shipped_legend
from siting.types import CoverRole

TABLES = Path(__file__).parents[3] / "shared" / "reference" / "legends"
# Number of classes and a few codes, as published: NLCD (MRLC legend), WorldCover 2021 v200 (ESA),
# CORINE level 3 (EEA), Dynamic World v1, C-CAP regional (NOAA).
PUBLISHED = {
    "nlcd": (20, {11: "Open Water", 41: "Deciduous Forest", 82: "Cultivated Crops"}),
    "worldcover": (11, {10: "Tree cover", 80: "Permanent water bodies", 95: "Mangroves"}),
    "corine": (44, {111: "Continuous urban fabric", 311: "Broad-leaved forest", 231: "Pastures"}),
    "dynamic-world": (9, {0: "water", 1: "trees", 6: "built"}),
    "c-cap": (26, {9: "Deciduous Forest", 21: "Open Water", 2: "High Intensity Developed"}),
}
FILES = {
    "nlcd": "nlcd.csv",
    "worldcover": "esa_worldcover_2021_v200.csv",
    "corine": "corine_clc_level3.csv",
    "dynamic-world": "dynamic_world_v1.csv",
    "c-cap": "noaa_c_cap_regional.csv",
}


@pytest.mark.parametrize("name", SHIPPED)
def test_classes_as_published(name):
    legend = shipped_legend(name)
    count, some = PUBLISHED[name]
    published = [c for c in legend.names if legend.names[c].split(" ")[0] != "No"]
    assert len(published) == count
    assert {code: legend.names[code] for code in some} == some


@pytest.mark.skipif(
    not TABLES.exists(), reason="the published class tables are not beside the repository"
)
@pytest.mark.parametrize("name", SHIPPED)
def test_every_code_and_name_against_the_tables(name):
    legend = shipped_legend(name)
    with (TABLES / FILES[name]).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {int(r["code"]): r["name"] for r in rows}.items() <= legend.names.items()
    extra = set(legend.names) - {int(r["code"]) for r in rows}
    assert extra <= set(legend.no_data)
    if name == "corine":
        assert legend.alias == {int(r["grid_code"]): int(r["code"]) for r in rows}


def test_what_a_class_means_is_plain():
    """Names that leave no doubt must have the role they say."""
    words = {"forest": "TREE", "tree": "TREE", "open water": "WATER", "crop": "CROP"}
    for name in SHIPPED:
        legend = shipped_legend(name)
        for code, role in legend.role.items():
            for word, wanted in words.items():
                text = legend.names[code].lower()
                if word in text and "palustrine scrub" not in text:
                    assert role.name == wanted or _known_exception(text), (name, code, text)


def _known_exception(text: str) -> bool:
    return any(part in text for part in ("fruit trees", "agro-forestry", "annual crops"))


def test_dynamic_world_zero_is_water_and_not_missing():
    legend = shipped_legend("dynamic-world")
    code = np.array([[0, 1]], dtype=np.int32)
    assert (roles(canonical_codes(code, legend, file="x"), legend) == [[7, 1]]).all()


def test_corine_in_either_numbering_but_not_both():
    legend = shipped_legend("corine")
    first, second = np.array([[311, 231]], dtype=np.int32), np.array([[23, 18]], dtype=np.int32)
    for code in (first, second):
        got = roles(canonical_codes(code, legend, file="x"), legend)
        assert (got == [[CoverRole.TREE, CoverRole.PASTURE]]).all()
    with pytest.raises(SitingError, match="E-CODES-03"):
        canonical_codes(np.array([[311, 18]], dtype=np.int32), legend, file="x")


def test_unknown_codes_are_listed_and_missing_stays_missing():
    legend = shipped_legend("nlcd")
    with pytest.raises(SitingError, match=r"E-CODES-01.*13, 99"):
        canonical_codes(np.array([[41, 13, 99]], dtype=np.int32), legend, file="x")
    got = canonical_codes(np.array([[41, 0, NO_CODE]], dtype=np.int32), legend, file="x")
    assert got.tolist() == [[41, NO_CODE, NO_CODE]]
