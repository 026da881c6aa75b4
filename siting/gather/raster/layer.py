"""One raster of a region: the joined cells, checked, as a file, and what to say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.errors import SitingError
from siting.gather.network.addresses import shown
from siting.gather.network.pieces import BLOCK
from siting.gather.raster import far as far_off
from siting.gather.raster.far import FarMade
from siting.gather.raster.plan import LayerPlan, mosaic_words
from siting.gather.raster.tiles import Mosaic, fill, join, trimmed
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

_MULTIHASH_SHA256 = "1220"
_SURFACE_HINTS = ("dsm", "mns", "dom", "surface")
CHANGED = "cut to the region, tiles joined"


@dataclass(frozen=True)
class LayerMade:
    """A layer as it will be written: bytes of the file, keys for inputs.toml, facts, notes."""

    content: bytes
    table: Mapping[str, Any]
    facts: Mapping[str, Any]
    notes: tuple[Note, ...]
    legend: str = ""
    far: bytes = b""
    far_facts: Mapping[str, Any] = field(default_factory=dict)


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
    far = _far_off(plan, mosaic, values, known)
    if far is not None:
        notes.append(far if isinstance(far, Note) else far.note)
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
    made = LayerMade(
        _file(plan, mosaic, values, known), _table(plan, known, name), facts(plan), tuple(notes),
        legend or recipe.legend,
    )  # fmt: skip
    return made if far is None or isinstance(far, Note) else _with_far(made, plan, far)


def _far_off(
    plan: LayerPlan, mosaic: Mosaic, values: NDArray[Any], known: BoolArray
) -> FarMade | Note | None:
    if plan.far is None:
        return None
    made = far_off.make(plan.far, mosaic, values, known, from_m=plan.from_m)
    if isinstance(made, FarMade) and plan.absent and plan.recipe.sea_level is not None:
        made.values[~made.known] = plan.recipe.sea_level
        made.known[:] = True
    return made


def _with_far(made: LayerMade, plan: LayerPlan, far: FarMade) -> LayerMade:
    """The layer with its elevations far off as a second file."""
    table = {**made.table, "far": far_off.FILE}
    if not far.known.all():
        # Said of both files: the holes of the second would become heights.
        table.pop("nodata", None)
    items = [_item(piece.tile) for piece in far.mosaic.pieces]
    told = {
        "title": plan.recipe.title,
        "collection": plan.recipe.collection,
        "of": f"{plan.layer}.tif",
        "items": [{k: v for k, v in one.items() if k != "bytes_read"} for one in items],
        "changed": f"reduced copies with cells of {far.mosaic.cell_m:.0f} m, cut to the region, "
        "tiles joined",
    }
    content = _file(plan, far.mosaic, far.values, far.known)
    return replace(made, table=table, far=content, far_facts=told)


def _file(plan: LayerPlan, mosaic: Mosaic, values: NDArray[Any], known: BoolArray) -> bytes:
    recipe, first = plan.recipe, mosaic.first
    return tiff(
        values, known, crs=mosaic.crs, transform=mosaic.transform,
        nodata=missing_value(values, known, mosaic, declared=recipe.nodata),
        scale=(first.scale, first.offset),
        unit="" if plan.layer == "land_cover" else first.unit or recipe.z_unit,
        source=recipe.title, attribution=recipe.attribution,
    )  # fmt: skip


def _filled(
    plan: LayerPlan, values: NDArray[Any], known: BoolArray
) -> tuple[NDArray[Any], BoolArray, list[Note]]:
    notes: list[Note] = []
    for other in plan.others:
        values, known, cells, step = fill(
            values, known, plan.mosaic, other, key=plan.layer, classes=plan.layer == "land_cover"
        )
        if cells:
            notes.append(words.seam(plan.layer, cells, mosaic_words(other), step))
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


def items(plan: LayerPlan) -> list[dict[str, Any]]:
    """The items that a layer takes, those of its reduced copies among them."""
    every = [*plan.mosaic.pieces, *(plan.far.pieces if plan.far is not None else ())]
    return [_item(piece.tile) for piece in every]


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
