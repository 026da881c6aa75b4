"""Lines of publishers that rasters carry in their own tags, beside those of the inputs file."""

from __future__ import annotations

from siting.read.file_kinds import is_remote
from siting.read.input_files import raster_path
from siting.read.raster import rasters
from siting.read.vector import layer_cache
from siting.settings.given.rasters import RasterInput
from siting.settings.inputs import Inputs
from siting.types import Note
from siting.words.office.gather import lost_line

_TAG = "SITING_ATTRIBUTION"
_MOST_SIGNS = 300


def lost_lines(inputs: Inputs) -> tuple[Note, ...]:
    """W-ATTRIB-01 for each raster whose tag has a line that the inputs file lacks.

    `siting gather` writes the lines into the rasters, too: where only a part of a region was
    copied, they would else be lost without a word.
    """
    # A line that the inputs file has is said anyway; only a lost one needs a warning.
    told = {one.attribution for one in inputs.credits()}
    specs: dict[str, RasterInput | None] = {"dem": inputs.dem, "canopy": inputs.canopy}
    cover = inputs.land_cover
    specs["land_cover"] = None if cover is None or cover.is_polygons else cover
    lines = {spec.label: _line(inputs, spec, key) for key, spec in specs.items() if spec}
    return tuple(lost_line(file, line) for file, line in lines.items() if line and line not in told)


def _line(inputs: Inputs, spec: RasterInput, key: str) -> str:
    """The line in a raster's tag; "" for none, and for tiles and files on the network."""
    path = raster_path(inputs, spec, key=key)
    if not isinstance(path, str) or is_remote(path):
        return ""

    def read() -> str:
        with rasters.opened(path, key=key, spec=spec) as dataset:
            return str(dataset.tags().get(_TAG, ""))[:_MOST_SIGNS]

    # The parcels of a batch ask one after the other.
    return layer_cache.facts(path, ("line", key), read)
