"""Find, rank and explain good places for a survey's motion-triggered still camera.

The public names are loaded when they are first used, so that `import siting` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Loaded on first use: numpy, pandas and rasterio take a second that `siting --help` does not have.
_HOME = {
    "Grid": "siting.grid",
    "Inputs": "siting.settings.inputs",
    "Parcel": "siting.types",
    "Protocol": "siting.settings.protocol",
    "Result": "siting.types",
    "SitedParcel": "siting.notebook",
    "SitingError": "siting.errors",
    "Spot": "siting.types",
    "load_inputs": "siting.settings.load",
    "load_protocol": "siting.settings.load",
    "parcel_ids": "siting.notebook",
    "protocol_with": "siting.settings.load",
    "read_parcel": "siting.notebook",
    "site_parcel": "siting.notebook",
    "site_parcels": "siting.notebook",
    "write_report": "siting.report",
}
__all__ = [
    "Grid",
    "Inputs",
    "Parcel",
    "Protocol",
    "Result",
    "SitedParcel",
    "SitingError",
    "Spot",
    "load_inputs",
    "load_protocol",
    "parcel_ids",
    "protocol_with",
    "read_parcel",
    "site_parcel",
    "site_parcels",
    "write_report",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'siting' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
