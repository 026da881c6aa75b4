"""Tables of shapes as one GeoPackage: the form in which every map program reads layers."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from siting.errors import ResourceError

if TYPE_CHECKING:
    import geopandas as gpd

# Version 1.2 is read by map programs of ten years; nothing newer is needed.
_VERSION = "1.2"
# GeoPackage keeps the time of the last change; a fixed one keeps equal results equal.
_FIXED_TIME = "2000-01-01T00:00:00.000Z"


def write_layers(
    path: Path,
    layers: Mapping[str, gpd.GeoDataFrame],
    *,
    kinds: Mapping[str, str],
    attribution: str = "",
) -> None:
    """Write frames as the layers of a new GeoPackage, the same bytes for the same frames.

    `kinds` gives the geometry type of each layer by its name, `attribution` the lines that the
    publishers of the data ask for.
    """
    import pyogrio

    credit = {"SITING_ATTRIBUTION": attribution} if attribution else None

    # The file is built in a temporary folder and flushed as a whole later: no need to do it twice.
    with gdal_options(
        OGR_CURRENT_DATE=_FIXED_TIME,
        OGR_SQLITE_SYNCHRONOUS="OFF",
        OGR_SQLITE_JOURNAL="DELETE",
        OGR_SQLITE_PRAGMA="",
    ):
        for number, (name, frame) in enumerate(layers.items()):
            try:
                pyogrio.write_dataframe(
                    frame,
                    path,
                    layer=name,
                    driver="GPKG",
                    append=number > 0,
                    dataset_options={"VERSION": _VERSION} if number == 0 else None,
                    # Map programs show it as the file's metadata (table gpkg_metadata).
                    dataset_metadata=credit if number == 0 else None,
                    geometry_type=kinds[name],
                )
            except pyogrio.errors.DataSourceError as error:
                raise ResourceError(
                    "E-DISK-01",
                    f"Cannot build {path.name}: {error}.",
                    rule="A result is written whole or not at all.",
                    cure="Free some space in the folder for temporary files.",
                ) from error


@contextlib.contextmanager
def gdal_options(**options: str | None) -> Iterator[None]:
    """The reader and writer of layers works with these options of GDAL while this lasts.

    None takes an option away. Put back afterwards: others in this process have their own.
    """
    import pyogrio

    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
