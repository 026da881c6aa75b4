"""Settings of the map library (GDAL): a file is read as it is written, on every machine alike.

The library takes settings from the environment and from a file in the home folder, which another
program may have left there. Some move a raster by half a cell, put zeros where a file is damaged
or write beside what they read, all in silence. Here they are held at the values that the library's
manual names as its own, for both copies of the library (rasterio's and pyogrio's).

Source: "Configuration options" and the drivers' pages of the GDAL manual, gdal.org.
"""

from __future__ import annotations

from collections.abc import Callable

from siting.errors import SitingError

# No request leaves the library, whatever a file or one beside it names: of the two ways that lead
# to the network one is closed to every name, the other leads to a port where nobody listens.
NO_NETWORK = {
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
    "GDAL_HTTP_PROXY": "http://127.0.0.1:1",
    "GDAL_HTTP_MAX_RETRY": "0",
}

AS_WRITTEN = {
    "CHECK_WITH_INVERT_PROJ": "NO",
    "DTED_APPLY_PIXEL_IS_POINT": "NO",
    "GDAL_GEOREF_SOURCES": "PAM,INTERNAL,TABFILE,WORLDFILE",
    "GDAL_PAM_ENABLED": "YES",
    "GTIFF_HONOUR_NEGATIVE_SCALEY": "NO",
    "GTIFF_IGNORE_READ_ERRORS": "NO",
    "GTIFF_POINT_GEO_IGNORE": "NO",
    "OGR_ENABLE_PARTIAL_REPROJECTION": "NO",
    "OGR_ORGANIZE_POLYGONS": "DEFAULT",
    "OGR_SQLITE_PRAGMA": "",
    "SHAPE_RESTORE_SHX": "NO",
}
# These have no value that means "not set".
_MUST_BE_UNSET = ("CENTER_LONG", "GTIFF_SRS_SOURCE", "SHAPE_ENCODING", "OGR_SQLITE_LOAD_EXTENSIONS")


def check_unset(setting: Callable[[str], object]) -> None:
    """E-ENV-01 where a setting that changes what is read is made outside this program.

    `setting` gives the value of a setting in one of the copies of the library, None for not set.
    """
    for name in _MUST_BE_UNSET:
        value = setting(name)
        if value is not None:
            raise SitingError(
                "E-ENV-01",
                f"{name} = {value} is set for the map library (GDAL).",
                rule="It changes how files are read; the same files must give the same result on "
                "every machine.",
                cure=f"Unset the environment variable {name}, or remove it from the file gdalrc.",
            )


def for_rasters(*, remote: dict[str, str] | None = None) -> dict[str, str]:
    """Settings for one raster; `remote` takes the place of the closed network."""
    return AS_WRITTEN | (NO_NETWORK if remote is None else remote)


def set_for_vectors(*, remote: bool) -> None:
    """Hold the settings of the copy of the library that reads vector files."""
    # It brings pandas, 0.3 s: who reads rasters alone, as the desk before its first page, does not
    # wait for it.
    import pyogrio

    network = dict.fromkeys(NO_NETWORK) if remote else NO_NETWORK
    pyogrio.set_gdal_config_options(AS_WRITTEN | network)
