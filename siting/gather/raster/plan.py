"""Which tiles one raster of a region is made of, and how many bytes they will take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from siting.errors import SitingError
from siting.gather.raster import far as far_off
from siting.gather.raster.sources import Found, Network, from_files, from_network
from siting.gather.raster.tiles import Mosaic, mosaics
from siting.gather.recipes import RasterRecipe
from siting.gather.region import Region
from siting.types import Note
from siting.words.office import gather as words

CONTEXT_M = 700.0
"""Ground around the land that scoring always reads, with some cells to spare."""
# As far as the skyline is looked for by default (8 km), and the context.
_FAR_M, _FAR_FROM_CELL_M = 8_800.0, 10.0
_WHOLE = 0.9995


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
    # Reduced copies for the skyline beyond `from_m` metres from the land.
    far: Mosaic | None = None
    from_m: float = 0.0


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
    whole = LayerPlan(
        layer,
        recipe,
        chosen,
        tuple(every[1:]),
        chosen.bytes_to_come(key=layer),
        found.absent,
        _plan_notes(layer, every, found),
    )
    near_m = max(margin_m, CONTEXT_M)
    # Holes are filled cell by cell from other products: of copies nobody knows what they hide.
    if margin <= near_m or with_fill or _undeclared(recipe, chosen):
        return whole
    return _with_copies(whole, region, margin, near_m)


def _undeclared(recipe: RasterRecipe, mosaic: Mosaic) -> bool:
    """Whether "no data" is known from the recipe alone: copies were averaged without knowing it."""
    return isinstance(recipe.nodata, float) and mosaic.first.no_data != recipe.nodata


def _with_copies(whole: LayerPlan, region: Region, margin: float, near_m: float) -> LayerPlan:
    """The plan with reduced copies for all beyond `near_m`, where there are any and they spare."""
    land, tiles = region.grid(CONTEXT_M), [p.tile for p in whole.mosaic.pieces]
    far = far_off.plan(tiles, land, region.grid(margin), from_m=near_m)
    if far is None:
        return whole
    near = next(iter(mosaics(tiles, land, region.grid(near_m))), None)
    if near is None:
        return whole
    count = near.bytes_to_come(key=whole.layer) + far.bytes_to_come(key=whole.layer)
    if count >= whole.bytes:
        return whole
    return replace(whole, mosaic=near, bytes=count, far=far, from_m=near_m)


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
        others = [mosaic_words(m) for m in every[1:7]]
        notes.append(words.editions(layer, mosaic_words(chosen), others))
    if chosen.share < _WHOLE:
        notes.append(words.part_only(layer, chosen.share))
    return tuple(notes)


def mosaic_words(mosaic: Mosaic) -> str:
    """A mosaic as people name it: file, edition, cells."""
    edition = f" of {mosaic.edition}" if mosaic.edition else ""
    more = f" and {len(mosaic.pieces) - 1} more" if len(mosaic.pieces) > 1 else ""
    return f"{mosaic.first.file}{more}{edition} (cells of {mosaic.cell_m:.3g} m)"
