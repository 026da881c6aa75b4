"""One raster of a region: which tiles, how many bytes, the joined raster, and what to say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.errors import SitingError
from siting.gather.network.addresses import shown
from siting.gather.network.pieces import BLOCK
from siting.gather.raster.sources import Found, Network, from_files, from_network
from siting.gather.raster.tiles import Mosaic, fill, join, mosaics, trimmed
from siting.gather.raster.windows import Tile
from siting.gather.raster.written import missing_value, tiff
from siting.gather.recipes import RasterRecipe
from siting.gather.region import Region
from siting.ground.cover import SHIPPED, canonical_codes, parse_legend, shipped_legend
from siting.read import checks
from siting.read.file_kinds import read_text
from siting.read.raster.units import unit_factor
from siting.types import BoolArray, Note
from siting.words.office import gather as words

CONTEXT_M = 700.0
"""Ground around the land that scoring always reads, with some cells to spare."""
# As far as the skyline is looked for by default (8 km), and the context.
_FAR_M, _FAR_FROM_CELL_M = 8_800.0, 10.0
_WHOLE = 0.9995
_MULTIHASH_SHA256 = "1220"
_SURFACE_HINTS = ("dsm", "mns", "dom", "surface")
CHANGED = "cut to the region, tiles joined"


@dataclass(frozen=True)
class LayerPlan:
    """What will be read for one layer: the mosaic to take, others beside it, bytes to come."""

    layer: str
    recipe: RasterRecipe
    mosaic: Mosaic
    others: tuple[Mosaic, ...]
    bytes: int
    absent: int
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class LayerMade:
    """A layer as it will be written: bytes of the file, keys for inputs.toml, facts, notes."""

    content: bytes
    table: Mapping[str, Any]
    facts: Mapping[str, Any]
    notes: tuple[Note, ...]
    legend: str = ""


def margin_of(layer: str, cell_m: float, margin_m: float) -> float:
    """Ground to gather around the land: elevations reach as far as the skyline is looked for.

    Fine elevations are cut closer: they would be hundreds of times as many bytes, and the skyline
    is read from them only as far as scoring's own budget goes.
    """
    if layer == "dem" and cell_m >= _FAR_FROM_CELL_M:
        return max(margin_m, _FAR_M)
    return max(margin_m, CONTEXT_M)


def plan(
    layer: str,
    recipe: RasterRecipe,
    region: Region,
    network: Network,
    *,
    files: Sequence[str] = (),
    margin_m: float,
    with_fill: bool,
    ids: Sequence[str] = (),
) -> LayerPlan:
    """Find the tiles of a layer and what they will cost; reads headers only.

    Parameters
    ----------
    layer : "dem", "land_cover" or "canopy"
    recipe : RasterRecipe
    region : Region
    network : Network
    files : rasters given by hand, in place of the recipe's
    margin_m : float, ground around the land, metres; elevations may take more (`margin_of`)
    with_fill : bool, fill holes from the next product
    ids : items that the last run took

    Raises
    ------
    SitingError
        E-STAC-03 when nothing lies over the land, E-UNIT-02 for files in several units.
    """
    margin = margin_of(layer, recipe.cell_m, margin_m)
    if files:
        found = from_files(layer, recipe, files)
        margin = margin_of(layer, min(t.facts.cell_m for t in found.tiles), margin_m)
    else:
        found = from_network(layer, recipe, region.boxes(margin), network, ids=ids)
    every = mosaics(found.tiles, region.grid(CONTEXT_M), region.grid(margin), beyond=with_fill)
    if not every:
        raise SitingError(
            "E-COVER-01",
            f"{layer}: none of {len(found.tiles)} rasters lies over the land.",
            rule="Elevation and land cover must lie over the land.",
            cure="Give files of this place, or check longitude and latitude.",
        )
    _check_units(layer, every)
    chosen = every[0]
    return LayerPlan(
        layer,
        recipe,
        chosen,
        tuple(every[1:]),
        chosen.bytes_to_come(key=layer),
        found.absent,
        _plan_notes(layer, every, found),
    )


def _check_units(layer: str, every: Sequence[Mosaic]) -> None:
    """Heights in several units, or in numbers scaled in several ways, are never one product."""
    units = {(m.first.unit or "no unit stated", m.first.scale, m.first.offset) for m in every}
    if len(units) > 1:
        told = "; ".join(sorted(f"{m.first.file} in {m.first.unit or 'no unit'}" for m in every))
        raise SitingError(
            "E-UNIT-02",
            f"{layer}: tiles in several units: {told}.",
            rule="Tiles that are joined have one unit and one vertical datum.",
            cure="Give the tiles of one product only.",
        )


def _plan_notes(layer: str, every: Sequence[Mosaic], found: Found) -> tuple[Note, ...]:
    notes = []
    chosen = every[0]
    if len(every) > 1:
        others = [_mosaic_words(m) for m in every[1:7]]
        notes.append(words.editions(layer, _mosaic_words(chosen), others))
    if chosen.share < _WHOLE:
        notes.append(words.part_only(layer, chosen.share))
    return tuple(notes)


def _mosaic_words(mosaic: Mosaic) -> str:
    edition = f" of {mosaic.edition}" if mosaic.edition else ""
    more = f" and {len(mosaic.pieces) - 1} more" if len(mosaic.pieces) > 1 else ""
    return f"{mosaic.first.file}{more}{edition} (cells of {mosaic.cell_m:.3g} m)"


def make(
    plan: LayerPlan,
    region: Region,
    *,
    with_fill: bool,
    legend: str,
    progress: Callable[[str], None],
) -> LayerMade:
    """Read, join and check a layer; nothing is written here."""
    layer, mosaic, recipe = plan.layer, plan.mosaic, plan.recipe
    values, known, differing = join(mosaic, key=layer, progress=progress)
    if isinstance(recipe.nodata, float):
        known &= values != recipe.nodata
    notes = [*plan.notes]
    if differing:
        notes.append(words.shared_cells(layer, differing))
    # Asked for, never by itself: two products side by side make a step in the ground.
    if with_fill and not known.all():
        values, known, more = _filled(plan, values, known)
        values, known, mosaic = trimmed(values, known, mosaic)
        notes += more
    # Only where the catalogue had no tile at all: a hole in a tile is not the sea.
    if plan.absent and recipe.sea_level is not None:
        values[~known] = recipe.sea_level
        known[:] = True
    holes_km2 = float((~known).sum()) * mosaic.cell_m**2 / 1e6
    if holes_km2 > 0:
        notes.append(words.hole(layer, holes_km2))
    _check_sums(mosaic)
    if not known.any():
        raise SitingError(
            "E-NODATA-02",
            f"{layer}: {mosaic.first.file} has no value over this land.",
            rule="Unknown ground is never ranked.",
            cure="Take another recipe, or files of your own.",
        )
    name = ""
    if layer == "land_cover":
        name, more = _check_classes(values, known, mosaic, legend or recipe.legend)
        notes += more
    else:
        _check_heights(values, known, mosaic, recipe, layer)
        notes += _surface_notes(layer, mosaic, recipe)
    nodata = missing_value(values, known, mosaic, declared=recipe.nodata)
    unit = mosaic.first.unit or recipe.z_unit
    content = tiff(
        values, known, crs=mosaic.crs, transform=mosaic.transform, nodata=nodata,
        scale=(mosaic.first.scale, mosaic.first.offset), unit="" if layer == "land_cover" else unit,
        source=recipe.title, attribution=recipe.attribution,
    )  # fmt: skip
    return LayerMade(
        content, _table(plan, known, name), facts(plan), tuple(notes), legend or recipe.legend
    )


def _filled(
    plan: LayerPlan, values: NDArray[Any], known: BoolArray
) -> tuple[NDArray[Any], BoolArray, list[Note]]:
    notes: list[Note] = []
    for other in plan.others:
        values, known, cells, step = fill(
            values, known, plan.mosaic, other, key=plan.layer, classes=plan.layer == "land_cover"
        )
        if cells:
            notes.append(words.seam(plan.layer, cells, _mosaic_words(other), step))
    return values, known, notes


def _check_sums(mosaic: Mosaic) -> None:
    """E-SUM-01 for a file that came whole and is not the one that its catalogue tells of.

    Of a file that came in parts the sum cannot be checked; sources.json keeps it all the same.
    """
    for piece in mosaic.pieces:
        remote, told = piece.tile.remote, piece.tile.checksum.lower()
        if remote is None or not remote.sha256 or not told.startswith(_MULTIHASH_SHA256):
            continue
        if told[len(_MULTIHASH_SHA256) :] != remote.sha256:
            raise SitingError(
                "E-SUM-01",
                f"{shown(remote.address)} has the SHA-256 {remote.sha256[:16]}..., its catalogue "
                f"says {told[4:20]}....",
                rule="A file must be the one that its catalogue describes.",
                cure="Try again later; if that does not help, report it to the catalogue's keeper.",
            )


def _check_heights(
    values: NDArray[Any], known: BoolArray, mosaic: Mosaic, recipe: RasterRecipe, layer: str
) -> None:
    """The rule of E-NODATA-01 and that of units, before anything is written."""
    if mosaic.first.unit:
        unit_factor(mosaic.first.unit, what=mosaic.first.file, key=layer)
    if recipe.nodata != "" or mosaic.first.no_data is not None:
        return
    raw = np.where(known, values, np.nan).astype(np.float64)
    metres = raw * mosaic.first.scale + mosaic.first.offset
    checks.check_sentinels(raw, metres, file=mosaic.first.file, key=f"{layer}.nodata")


def _check_classes(
    values: NDArray[Any], known: BoolArray, mosaic: Mosaic, legend: str
) -> tuple[str, list[Note]]:
    """Codes that the legend does not know are an error now, not at the first parcel."""
    found = (
        shipped_legend(legend)
        if legend in SHIPPED
        else parse_legend(read_text(Path(legend), key="legend"), name=Path(legend).name)
    )
    checks.check_class_scale(mosaic.first.scale, mosaic.first.offset, file=mosaic.first.file)
    numbers = np.where(known, values, np.nan).astype(np.float64)
    codes = checks.check_class_codes(numbers, file=mosaic.first.file)
    canonical_codes(codes, found, file=mosaic.first.file)
    return (legend if legend in SHIPPED else "land_cover_legend.csv"), []


def _surface_notes(layer: str, mosaic: Mosaic, recipe: RasterRecipe) -> list[Note]:
    if layer != "dem" or recipe.surface == "no":
        return []
    if recipe.surface == "yes":
        return [words.surface(layer, recipe.title)]
    # Publishers put it into file names: DSM, MNS (French), DOM (German).
    names = " ".join(p.tile.id for p in mosaic.pieces).lower()
    # A hint only: nothing but the publisher's word says what the heights are of.
    hint = next((word for word in _SURFACE_HINTS if word in names), "")
    return [words.surface_unknown(mosaic.first.file, hint)]


def _table(plan: LayerPlan, known: BoolArray, legend: str) -> dict[str, Any]:
    """The layer's keys of inputs.toml."""
    recipe = plan.recipe
    table: dict[str, Any] = {"file": f"{plan.layer}.tif"}
    if plan.layer == "land_cover":
        table["legend"] = legend
        return table
    if plan.layer == "dem":
        table["surface"] = recipe.surface
    if recipe.nodata == "none" and known.all():
        table["nodata"] = "none"
    return table


def facts(plan: LayerPlan) -> dict[str, Any]:
    """What sources.json tells of a layer."""
    recipe = plan.recipe
    told: dict[str, Any] = {
        "title": recipe.title,
        "publisher": recipe.publisher,
        "catalogue": shown(recipe.endpoint) if recipe.endpoint else "",
        "collection": recipe.collection,
        "items": [_item(p.tile) for p in plan.mosaic.pieces],
        "licence": recipe.licence,
        "licence_url": recipe.licence_url,
        "attribution": recipe.attribution,
        "short": recipe.short,
        "changed": CHANGED,
        "vertical_datum": recipe.vertical_datum if plan.layer == "dem" else "",
        "share_of_region": round(plan.mosaic.share, 4),
    }
    if plan.layer == "dem":
        told["surface"] = recipe.surface
    return told


def _item(tile: Tile) -> dict[str, Any]:
    told: dict[str, Any] = {"id": tile.id, "datetime": tile.when, "file_checksum": tile.checksum}
    if tile.remote is not None:
        told |= {
            "address": shown(tile.remote.address),
            # What was needed, whether it came in this run or in one that broke off.
            "bytes_read": BLOCK * len(tile.remote.wanted),
            "etag": tile.remote.kept.tag,
        }
    return told
