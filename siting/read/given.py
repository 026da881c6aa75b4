"""Every file that the inputs name, with the files that belong to it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from siting.disk.paths import file_and_layer
from siting.settings.inputs import Inputs


def given_files(
    inputs: Inputs, *, parcels: bool = True, decisions: bool = True
) -> tuple[Path, ...]:
    """Every local file that is read, in a fixed order.

    Parameters
    ----------
    inputs : Inputs
    parcels : bool
        With the file of the outlines. A batch leaves it out: a parcel added to the list changes
        nothing for the others.
    decisions : bool
        With the files of decisions, which a batch tells apart by parcel, too.

    A raster's `.ovr`, `.aux.xml`, `.msk` or world file, a shapefile's `.dbf` and a GeoPackage's
    `-wal` count: they change what is read.
    """
    names = [file_and_layer(inputs.parcel.file)[0]] if parcels and inputs.parcel.file else []
    names += [file_and_layer(f)[0] for spec in inputs.rasters().values() for f in spec.every_file]
    names += [path for _, layer in inputs.layers.files() for path in layer.paths]
    names += inputs.survey.visited if decisions else ()
    legend = inputs.land_cover.legend if inputs.land_cover else ""
    names += [legend] if legend.lower().endswith(".csv") else []
    out: dict[Path, None] = {}
    for name in names:
        path = inputs.folder / name
        try:
            if path.is_dir():
                out.update(dict.fromkeys(sorted(p for p in path.rglob("*") if p.is_file())))
            elif path.is_file():
                out[path] = None
                out.update(dict.fromkeys(_belonging(path)))
        except (OSError, ValueError):
            continue  # told with its own code when the file is read
    return tuple(out)


def _belonging(path: Path) -> Iterator[Path]:
    """Files that change what is read of a file: overviews, masks, georeferencing, parts, logs.

    They share its name up to the ending: `dem.tif.ovr`, `dem.tfw`, `roads.dbf`, `farm.gpkg-wal`.
    """
    # By the stem, in lower case: DEM.TFW belongs to dem.tif on a card from another system.
    start = f"{path.stem.lower()}."
    for other in sorted(path.parent.iterdir()):
        if other != path and other.name.lower().startswith(start) and other.is_file():
            yield other
