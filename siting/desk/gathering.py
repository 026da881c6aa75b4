"""Open data for one sign-up's land, gathered in a worker: what can be had, then the download."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from siting.desk.storage.office import LAND_FILE
from siting.gather import recipes
from siting.gather.ask import Ask
from siting.gather.region import Region, from_file, from_point
from siting.gather.run import gather
from siting.read.vector.sketch_file import OUTLINE

OWN_RECIPES = "recipes"
"""Folder of the office with recipes of its own."""
OSM = "osm"
"""Folder of the office made by `siting gather --osm EXTRACT -o OFFICE/osm`."""
_RADIUS_M = 1000.0


class Pipe(Protocol):
    """The worker's end of the pipe to the desk."""

    def send(self, said: Any, /) -> None:
        """Say (kind, value)."""

    def recv(self) -> Any:
        """Wait for an answer."""


def offered(office: Path) -> list[dict[str, str]]:
    """Recipes that can be downloaded: those shipped, then the office's own; {"name", "title"}."""
    own = sorted((office / OWN_RECIPES).glob("*.toml"))
    every = [(name, recipes.load_recipe(name)) for name in recipes.shipped_names()]
    every += [(path.name, recipes.load_recipe(str(path))) for path in own]
    # The world first: it serves everybody.
    every.sort(key=lambda pair: pair[0] != "world")
    return [
        {"name": name, "title": recipe.title}
        for name, recipe in every
        if all(raster.way != "files" for raster in recipe.rasters().values())
    ]


def gathered(
    office: Path, folder: Path, place: tuple[float, float] | None, recipe: str, pipe: Pipe
) -> str:
    """Gather for the land in a sign-up's folder; what came, in words.

    Parameters
    ----------
    folder : where the land lies and the region is made
    place : (lon, lat) where there is no outline yet: a kilometre around it
    recipe : name of a shipped recipe, or of a file in the office's folder of recipes

    Raises
    ------
    SitingError
        What gathering raises; E-SIZE-01 when the question was answered with no.
    """

    def confirm(estimate: str, size: int) -> bool:
        pipe.send(("question", {"words": estimate, "bytes": size}))
        return pipe.recv() is True

    return _made(_ask(office, folder, place, recipe), folder, confirm, pipe)


def _made(ask: Ask, folder: Path, confirm: Callable[[str, int], bool], pipe: Pipe) -> str:
    made = gather(
        ask,
        folder / "region",
        confirm=confirm,
        progress=lambda stage: pipe.send(("stage", stage)),
        came=lambda count: pipe.send(("came", count)),
    )
    return "\n".join(note.text for note in made.notes if note.level == "warning")


def _ask(office: Path, folder: Path, place: tuple[float, float] | None, recipe: str) -> Ask:
    osm = office / OSM
    return Ask(
        region=_region(folder, place),
        recipe=_recipe(office, recipe),
        # From the first byte: at the desk nothing is downloaded unasked.
        ask_from_mb=0.0,
        osm=str(osm) if osm.is_dir() else "",
    )


def _recipe(office: Path, name: str) -> recipes.Recipe:
    """By its name in the office's folder, or a shipped one; never a path."""
    own = {path.name: path for path in (office / OWN_RECIPES).glob("*.toml")}
    if name in own:
        return recipes.load_recipe(str(own[name]))
    return recipes.load_recipe(name.removesuffix(".toml"))


def _region(folder: Path, place: tuple[float, float] | None) -> Region:
    if place is not None:
        return from_point(*place, _RADIUS_M)
    return from_file(f"{folder / LAND_FILE}::{OUTLINE}")
