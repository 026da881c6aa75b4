"""Recipes: which open data a region is made of, where they lie, and what must be said of them."""

from __future__ import annotations

import datetime as dt
import os
from importlib import resources
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from siting.errors import SitingError
from siting.gather.network.net import Key
from siting.settings.given.tables import Table
from siting.settings.text.faults import validate
from siting.settings.text.toml import read_toml

Way = Literal["search", "items", "walk", "tiles", "files"]


class KeyRule(Table):
    """A key that the server wants: the name of an environment variable, never the key itself."""

    env: str = Field(min_length=1, description="Environment variable that holds the key.")
    header: str = Field(
        "Authorization", pattern=r"^[A-Za-z0-9-]+$", description="Header it goes in."
    )
    host: str = Field(min_length=1, description="The one host that gets it.")


class RasterRecipe(Table):
    """One raster of a recipe: where it lies, what it is, and what its publisher asks for.

    `cell_m` is in metres, `degrees` the side of a tile; `nodata` and `sea_level` are in the unit of
    the cells.
    """

    title: str = Field(min_length=1, max_length=200, description="Name of the data.")
    publisher: str = Field(min_length=1, max_length=200, description="Who publishes them.")
    way: Way = Field(
        description="search or items (a STAC interface), walk (a static STAC catalogue), tiles "
        "(names made from degrees), files (given by hand)."
    )
    endpoint: str = Field(
        "", description="Address of the catalogue, or of a tile with {ns}, {lat}, {ew}, {lon}."
    )
    collection: str = Field("", description="Collection of the catalogue.")
    asset: str = Field("", description='Key of the one file of an item; "*end" fits an ending.')
    where: dict[str, str | int | float] = Field(
        default_factory=dict, description="Properties that an item must have."
    )
    rewrite: dict[str, str] = Field(
        default_factory=dict, description="Beginnings of addresses to replace, such as s3://."
    )
    hosts: tuple[str, ...] = Field((), description="Hosts that may be asked, no others.")
    cell_m: float = Field(
        30.0,
        gt=0,
        le=150,
        description="About how wide a cell is, metres: finer data are cut closer.",
    )
    degrees: int = Field(1, ge=1, le=30, description="Side of a tile, for way = tiles.")
    edition: Literal["year", "one"] = Field(
        "year", description="Whether items of another year are another edition."
    )
    surface: Literal["yes", "no", "unknown"] = Field(
        "unknown", description="Whether heights are of tree tops and roofs, not of the ground."
    )
    z_unit: Literal["", "m", "ft", "us-ft"] = Field("", description="Unit of the heights.")
    vertical_datum: str = Field("", max_length=100, description="What heights count from.")
    nodata: float | Literal["none", ""] = Field("", description="Value that means no data.")
    sea_level: float | None = Field(None, description="Height of tiles that are not there.")
    legend: str = Field("", description="Legend of the classes.")
    licence: str = Field(min_length=1, max_length=200, description="Name of the licence.")
    licence_url: str = Field("", max_length=200, description="Where it can be read.")
    attribution: str = Field(min_length=1, max_length=300, description="The line asked for.")
    short: str = Field("", max_length=60, description="The line for small places.")
    key: KeyRule | None = None

    @model_validator(mode="before")
    @classmethod
    def _numbers(cls, data: Any) -> Any:
        if isinstance(data, dict):
            # TOML knows whole numbers and decimals apart; -9999 is meant as the decimal that cells
            # hold.
            whole = {
                k: float(v)
                for k, v in data.items()
                if k in ("nodata", "sea_level", "cell_m")
                and isinstance(v, int)
                and not isinstance(v, bool)
            }
            hosts = data.get("hosts")
            more = {"hosts": tuple(hosts)} if isinstance(hosts, list) else {}
            return {**data, **whole, **more}
        return data

    @model_validator(mode="after")
    def _whole(self) -> RasterRecipe:
        if self.way != "files":
            if not self.endpoint:
                raise ValueError(f"way = {self.way!r} needs an endpoint")
            # The braces of a tile's pattern would make an address that cannot be parsed.
            host = urlsplit(self.endpoint.replace("{", "").replace("}", "")).hostname or ""
            # The recipe must allow what it asks for itself: hosts stand in one list, to be read at
            # a glance.
            if host not in self.hosts:
                raise ValueError(f"the host of the endpoint, {host!r}, must stand in hosts")
        if self.way in ("search", "items") and not self.collection:
            raise ValueError("a search needs a collection")
        if self.way in ("search", "items", "walk") and not self.asset:
            raise ValueError("asset must name the file of an item")
        if self.way == "tiles" and "{lat" not in self.endpoint:
            raise ValueError("the endpoint of tiles needs {ns}, {lat:02d}, {ew} and {lon:03d}")
        return self


class Recipe(Table):
    """What a region is made of."""

    title: str = Field(min_length=1, max_length=200, description="What the recipe is for.")
    checked: dt.date = Field(description="When the recipe was last looked over.")
    verified: str = Field(
        min_length=1, description="What was verified, how and when, and what was not."
    )
    where: str = Field("", description="The part of the Earth it serves.")
    dem: RasterRecipe | None = None
    land_cover: RasterRecipe | None = None
    canopy: RasterRecipe | None = None
    land_cover_of: str = Field("", description="Shipped recipe whose land cover is taken, too.")
    name: str = Field("", description="File name of the recipe; set by the program.")

    @model_validator(mode="after")
    def _legend(self) -> Recipe:
        if self.land_cover is not None and not self.land_cover.legend:
            raise ValueError("land_cover needs a legend")
        return self

    def rasters(self) -> dict[str, RasterRecipe]:
        """The rasters of the recipe by layer, in a fixed order."""
        every = {"dem": self.dem, "land_cover": self.land_cover, "canopy": self.canopy}
        return {name: one for name, one in every.items() if one is not None}


def shipped_names() -> list[str]:
    """Names of the recipes that come with the program."""
    folder = resources.files("siting").joinpath("data/recipes")
    return sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml"))


def load_recipe(name: str) -> Recipe:
    """A shipped recipe by its name, or one of the user's own by its file.

    Raises
    ------
    SitingError
        E-RECIPE-01 for an unknown name, E-SETTINGS-01 with all faults of a file.
    """
    shipped = shipped_names()
    if name in shipped:
        place = resources.files("siting").joinpath(f"data/recipes/{name}.toml")
        with resources.as_file(place) as path:
            data = read_toml(path)
    elif name.lower().endswith(".toml"):
        data = read_toml(Path(name))
    else:
        raise SitingError(
            "E-RECIPE-01",
            f"There is no recipe {name!r}.",
            rule=f"Recipes that come with the program: {', '.join(shipped)}.",
            cure="Choose one of them, or name a file of your own that ends in .toml.",
        )
    recipe = validate(Recipe, data, source=name)
    # Land cover of the whole Earth serves many recipes: it stands in one of them.
    if recipe.land_cover is None and recipe.land_cover_of in shipped:
        other = load_recipe(recipe.land_cover_of).land_cover
        recipe = recipe.model_copy(update={"land_cover": other})
    return recipe.model_copy(update={"name": Path(name).stem if name not in shipped else name})


def key_of(rule: KeyRule | None) -> Key | None:
    """The key of a recipe from the environment; it stays in memory and is sent to one host only.

    Raises
    ------
    SitingError
        E-KEY-01 when the variable is not set.
    """
    if rule is None:
        return None
    value = os.environ.get(rule.env, "").strip()
    # A line break in a key would smuggle a header into the request.
    if not value or not value.isprintable():
        raise SitingError(
            "E-KEY-01",
            f"The environment variable {rule.env} is not set.",
            rule="This recipe's server asks for a key; keys are read from the environment only.",
            cure=f"Ask the publisher for a key and set {rule.env} to it before this command.",
        )
    return Key(rule.host, rule.header, value)
