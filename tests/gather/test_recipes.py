"""Recipes that come with the program are whole, say what was verified, and have their page."""

from __future__ import annotations

from pathlib import Path

import pytest

from siting.errors import SitingError
from siting.gather.network.addresses import checked
from siting.gather.raster.sources import _corners, _filled
from siting.gather.recipes import load_recipe, shipped_names
from siting.ground.cover import SHIPPED

PAGES = Path(__file__).parents[2] / "docs" / "recipes"


@pytest.mark.parametrize("name", shipped_names())
def test_a_shipped_recipe_is_whole_and_has_its_page(name):
    recipe = load_recipe(name)
    page = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    assert "ot tried" in recipe.verified or "ot verified" in page
    for layer, one in recipe.rasters().items():
        assert one.attribution
        assert one.licence
        if name == "world" or layer == "dem":
            assert one.title in page
            assert one.attribution in page
        if one.way == "tiles":
            checked(_filled(one.endpoint, 45, -111), hosts=set(one.hosts))
        elif one.way != "files":
            checked(one.endpoint, hosts=set(one.hosts))
    assert recipe.land_cover is not None
    assert recipe.land_cover.legend in SHIPPED
    assert f"[{name}]({name}.md)" in (PAGES / "README.md").read_text(encoding="utf-8")


def test_tiles_are_named_after_their_south_western_corner():
    assert _corners([(-110.73, 45.02, -110.68, 45.05)], 1) == [(45, -111)]
    assert _corners([(-110.73, 45.02, -110.68, 45.05)], 3) == [(45, -111)]
    assert _corners([(-0.01, -0.01, 0.01, 0.01)], 3) == [(-3, -3), (-3, 0), (0, -3), (0, 0)]
    assert _corners([(179.9, 1.0, 180.0, 1.1), (-180.0, 1.0, -179.9, 1.1)], 1) == [
        (1, -180), (1, 179),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('title = "x"', "verified is missing"),
        ("nonsense = 1", "no such key"),
        ('[dem]\nway = "search"', "dem.title is missing"),
    ],
)
def test_faults_of_a_recipe_are_told_at_once(text, told, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SitingError, match="E-SETTINGS-01") as failure:
        load_recipe(str(path))
    assert told in str(failure.value)


def test_an_unknown_recipe_is_told_with_those_there_are():
    with pytest.raises(SitingError, match=r"E-RECIPE-01: .*world"):
        load_recipe("nowhere")
