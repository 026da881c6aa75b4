"""From a recipe or a list of files to the tiles that lie over a region."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from siting.errors import SitingError
from siting.gather.network.addresses import shown
from siting.gather.network.failures import Refused
from siting.gather.network.net import Door
from siting.gather.network.pages import Pages
from siting.gather.network.pieces import Budget, RemoteFile
from siting.gather.network.stac import Box, Item, Wanted, search, walk
from siting.gather.raster.windows import Tile, facts_of
from siting.gather.recipes import RasterRecipe, key_of
from siting.settings.given.rasters import RasterInput

# Over the sea there is no tile; some stores answer 403 for what is not there.
_NO_TILE = (403, 404)
_KM_PER_DEG = 111.2
_ENDINGS = (".tif", ".tiff", ".asc", ".img", ".hgt", ".dem", ".bil", ".jp2")
# Each tile costs a request for its head, before a single cell has come.
_MOST_TILES = 400


@dataclass
class Network:
    """What a run asks the network with: hosts that the user allows besides, and the waiting room.

    `folder` holds pieces and pages until the region is done. `doors` are the doors opened so far,
    for the count of requests and bytes.
    """

    folder: Path
    allowed: tuple[str, ...] = ()
    budget: Budget | None = None
    make: Callable[..., Door] = Door
    doors: list[Door] | None = None
    now: float = 0.0

    def door(self, recipe: RasterRecipe) -> Door:
        """A door to the hosts of one raster's recipe."""
        hosts = frozenset(h.lower() for h in (*recipe.hosts, *self.allowed))
        door = self.make(hosts, key=key_of(recipe.key))
        self.doors = [*(self.doors or []), door]
        return door

    @property
    def asked(self) -> tuple[int, int]:
        """(requests, bytes) so far."""
        every = [door.counts for door in self.doors or []]
        return sum(c.requests for c in every), sum(c.bytes for c in every)


@dataclass(frozen=True)
class Found:
    """Tiles of a layer, and how many places where one was looked for have none."""

    tiles: tuple[Tile, ...]
    absent: int = 0


def spec_of(recipe: RasterRecipe) -> RasterInput:
    """What the recipe asserts of a raster, in the form the readers take."""
    return RasterInput(file="raster", nodata=recipe.nodata)


def from_network(
    layer: str, recipe: RasterRecipe, boxes: list[Box], network: Network, *, ids: Sequence[str] = ()
) -> Found:
    """Tiles of a recipe that lie over the boxes.

    Parameters
    ----------
    ids : items taken last time; they are taken again where they are all still there

    Raises
    ------
    SitingError
        E-STAC-03 when there is none.
    """
    door = network.door(recipe)
    if recipe.way == "tiles":
        return _by_name(layer, recipe, boxes, door, network)
    pages = Pages(door, network.folder, now=network.now)
    wanted = Wanted(recipe.endpoint, recipe.collection, recipe.asset, recipe.where, recipe.rewrite)
    if recipe.way == "walk":
        items = walk(pages, wanted, boxes)
    else:
        items = search(pages, wanted, boxes, path=recipe.way)
    if not items:
        raise _nothing(layer, recipe, boxes, _reach(pages, recipe, boxes[0]))
    again = [item for item in items if item.id in set(ids)]
    # All of them or none: half an old edition beside half a new one would show as a seam.
    items = again if ids and len(again) == len(set(ids)) else items
    if len(items) > _MOST_TILES:
        raise _many(layer, recipe, len(items))
    tiles = [_tile(layer, recipe, item, door, network) for item in items]
    return Found(tuple(tiles))


def _by_name(
    layer: str, recipe: RasterRecipe, boxes: list[Box], door: Door, network: Network
) -> Found:
    """Tiles whose names are made from the degrees of their south-western corner."""
    tiles, absent = [], 0
    corners = _corners(boxes, recipe.degrees)
    for lat, lon in corners:
        address = _filled(recipe.endpoint, lat, lon)
        item = Item(Path(address).stem, address)
        try:
            tiles.append(_tile(layer, recipe, item, door, network))
        except Refused as error:
            if error.status not in _NO_TILE:
                raise
            absent += 1
    if not tiles:
        raise _nothing(layer, recipe, boxes, "none of the tiles that would lie here is there")
    return Found(tuple(tiles), absent)


def _corners(boxes: list[Box], degrees: int) -> list[tuple[int, int]]:
    """(lat, lon) of the south-western corners of the tiles that boxes touch."""
    out = set()
    for west, south, east, north in boxes:
        for lat in range(math.floor(south / degrees), math.floor(north / degrees) + 1):
            for lon in range(math.floor(west / degrees), math.floor(east / degrees) + 1):
                # At 180 degrees the next tile is that at -180, which the other box asks for.
                if lon * degrees < 180:
                    out.add((lat * degrees, lon * degrees))
    return sorted(out)


def _filled(pattern: str, lat: int, lon: int) -> str:
    """A tile's address: signs and digits are put in, nothing else of a pattern is interpreted.

    Examples
    --------
    >>> _filled("https://a.example/{ns}{lat:02d}{ew}{lon:03d}.tif", -3, 9)
    'https://a.example/S03E009.tif'
    """
    out = pattern.replace("{ns}", "N" if lat >= 0 else "S").replace(
        "{ew}", "E" if lon >= 0 else "W"
    )
    for name, value in (("lat", abs(lat)), ("lon", abs(lon))):
        for digits in (2, 3):
            out = out.replace(f"{{{name}:0{digits}d}}", f"{value:0{digits}d}")
    return out


def _tile(
    layer: str, recipe: RasterRecipe, item: Item, door: Door, network: Network
) -> Tile:  # fmt: skip
    remote = RemoteFile(door, item.address, network.folder, network.budget or Budget(10**12))
    name = f"{item.id}"[:80]
    facts = facts_of("", remote, spec_of(recipe), key=layer, name=name)
    edition = item.when[:4] if recipe.edition == "year" else ""
    return Tile(item.id, facts, remote, "", edition, item.when, item.checksum)


def from_files(layer: str, recipe: RasterRecipe, paths: Sequence[str]) -> Found:
    """Tiles on disk: files, and folders of files.

    Raises
    ------
    SitingError
        E-FILE-01 when a path or folder holds none.
    """
    files: list[Path] = []
    for text in paths:
        path = Path(text)
        # Sorted: of tiles that overlap the first by name counts.
        inside = sorted(p for p in path.glob("*") if p.suffix.lower() in _ENDINGS)
        if path.is_dir() and inside:
            files += inside
        elif path.is_file():
            files.append(path)
        else:
            what = "holds no raster" if path.is_dir() else "is not there"
            raise SitingError(
                "E-FILE-01",
                f"{text} ({layer}) {what}.",
                rule=f"Rasters by hand are files or folders of {', '.join(_ENDINGS[:4])} ...",
                cure="Check the name and folder.",
            )
    spec = spec_of(recipe)
    tiles = [
        Tile(p.name, facts_of(str(p), None, spec, key=layer, name=p.name), None, str(p))
        for p in files
    ]
    return Found(tuple(tiles))


def _reach(pages: Pages, recipe: RasterRecipe, box: Box) -> str:
    """Where the collection says that it has data, and how far from the box that is, in words."""
    if recipe.way == "walk":
        return ""
    address = f"{recipe.endpoint.rstrip('/')}/collections/{recipe.collection}"
    try:
        extent = pages.get(address)["extent"]["spatial"]["bbox"][0]
        west, south, east, north = (float(extent[i]) for i in (0, 1, -2, -1))
        gap = _gap_km(box, (west, south, east, north))
    except (SitingError, KeyError, IndexError, TypeError, ValueError):
        return "the collection does not say where it has data"
    away = f", {gap:,.0f} km away" if gap else ""
    return f"the collection has data from {west:.2f},{south:.2f} to {east:.2f},{north:.2f}{away}"


def _gap_km(one: Box, other: Box) -> float:
    """How far two boxes in degrees lie apart, kilometres to the nearest; 0 where they meet."""
    east = max(one[0] - other[2], other[0] - one[2], 0.0)
    # The shorter way round, as where one lies on either side of 180 degrees.
    east = min(east, max(360.0 - (max(one[2], other[2]) - min(one[0], other[0])), 0.0))
    north = max(one[1] - other[3], other[1] - one[3], 0.0)
    middle = math.radians((one[1] + one[3] + other[1] + other[3]) / 4)
    return math.hypot(east * math.cos(middle), north) * _KM_PER_DEG


def _nothing(layer: str, recipe: RasterRecipe, boxes: list[Box], reach: str) -> SitingError:
    west, south, east, north = boxes[0]
    told = (
        f"{layer}: {recipe.title} has nothing at {west:.3f},{south:.3f} to {east:.3f},{north:.3f}"
    )
    return SitingError(
        "E-STAC-03",
        f"{told}{f'; {reach}' if reach else ''}.",
        rule="A recipe must have data over the whole land.",
        cure="Check that longitude comes before latitude, or take another recipe or a file of "
        "your own.",
    )


def _many(layer: str, recipe: RasterRecipe, count: int) -> SitingError:
    return SitingError(
        "E-STAC-02",
        f"{layer}: {shown(recipe.endpoint)} has {count:,} files here.",
        rule=f"At most {_MOST_TILES} files are opened for one layer.",
        cure="Gather a smaller region, or name in the recipe what an item must have.",
    )


def year(when: str) -> str:
    """The year of a date as catalogues write it; "" when it is none."""
    try:
        return str(dt.date.fromisoformat(when[:10]).year)
    except ValueError:
        return ""
