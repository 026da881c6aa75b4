"""What is to be gathered, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from siting.gather.recipes import Recipe
from siting.gather.region import Region
from siting.types import Note


@dataclass(frozen=True)
class Ask:
    """What is to be gathered.

    Parameters
    ----------
    region : Region
    recipe : Recipe
    margin_m : float
        Ground around the land for cover and layers, metres.
    files : layer to paths of rasters given by hand, in place of the recipe's
    legend : str
        Of a land cover given by hand.
    surface : "yes", "no" or "unknown"
        Whether a DEM given by hand is a surface model.
    update : bool
        Look again at the catalogue for what is here already.
    fill : bool
        Fill holes of one edition or product from the next.
    most_mb : float
    allow_hosts : names of hosts besides the recipe's
    osm : an OpenStreetMap extract, or a folder made from one
    mapping : a file that maps other vector files to layers
    hunting_no_go : bool
        Keep spots clear of mapped hunting stands.
    lidar : point clouds (files or folders) that elevations and vegetation are made of
    ask_from_mb : float
        Downloads of more than this are asked about first.
    """

    region: Region | None
    recipe: Recipe
    margin_m: float = 1500.0
    files: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    legend: str = ""
    surface: str = "unknown"
    update: bool = False
    fill: bool = False
    most_mb: float = 2000.0
    allow_hosts: tuple[str, ...] = ()
    osm: str = ""
    mapping: str = ""
    hunting_no_go: bool = False
    lidar: tuple[str, ...] = ()
    ask_from_mb: float = 50.0

    @property
    def land(self) -> Region:
        """The region, where there is one."""
        # Only reached where a caller forgot that an extract may be read without a land.
        if self.region is None:
            raise ValueError("an extract alone has no region")
        return self.region


@dataclass
class Gathered:
    """What came of it."""

    folder: Path
    written: list[str]
    kept: list[str]
    notes: list[Note]
    requests: int
    bytes: int


def cover_from_osm(ask: Ask) -> bool:
    # "osm" in place of a file: the areas of the extract stand for a raster of land cover.
    return ask.files.get("land_cover") == ("osm",)
