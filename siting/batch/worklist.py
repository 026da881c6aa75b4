"""What a batch knows before its first parcel: parcels, fingerprints, and what each will need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.batch import budget, fingerprints
from siting.batch.journal import Journal
from siting.decisions.places import KnownPlace
from siting.disk.files import file_state, safe_name
from siting.errors import SitingError
from siting.grid import transformer
from siting.read.cover import read_legend
from siting.read.crs.projection import WGS84, metres_per_unit
from siting.read.given import given_files
from siting.read.input_files import input_path, raster_path
from siting.read.land import all_parcels, known_places
from siting.read.raster import rasters
from siting.read.vector.decision_files import (
    Decisions,
    check_parcels,
    decisions_of,
    read_given,
)
from siting.settings.given.rasters import CoverInput
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import Note, Parcel

# A window of a raster as it is read: its own cells, a float copy and a mask.
_WINDOW_BYTES = 14
# On the equator, where degrees are widest: the memory is not estimated too low.
_METRES_PER_DEGREE = 111_320.0


def batch_parcels(inputs: Inputs) -> list[Parcel]:
    """The parcels of a batch in the order of their file; each has a folder name of its own.

    Raises
    ------
    SitingError
        E-BATCH-01 without a parcels file, E-GEOM-07 when two would share a folder.
    """
    if not inputs.parcel.file:
        raise SitingError(
            "E-BATCH-01",
            "The inputs give a point instead of a parcels file.",
            rule="A batch scores the parcels of a file, each with an identifier.",
            cure="Name the file with [parcel] file, or use 'siting score' for one place.",
        )
    parcels = all_parcels(inputs)
    names: dict[str, str] = {}
    for parcel in parcels:
        # Two identifiers share a name only if their 32-bit hashes clash: rare, not impossible.
        other = names.setdefault(safe_name(parcel.id), parcel.id)
        if other != parcel.id:
            raise SitingError(
                "E-GEOM-07",
                f"The identifiers {other!r} and {parcel.id!r} give the same folder name.",
                rule="Each parcel needs a folder of its own.",
                cure="Change one of them.",
            )
    return parcels


def file_prints(inputs: Inputs, journal: Journal) -> dict[str, str]:
    """Fingerprint of every input file's bytes, by its name in records.

    A file is not read again only when nothing about it has changed since: size, both times and its
    number on the disk.
    """
    out: dict[str, str] = {}
    for path in given_files(inputs, parcels=False, decisions=False):
        name = fingerprints.named(path, inputs.folder)
        known = journal.get("file", name)
        state = file_state(path)
        if known is None or state is None or known.get("state") != list(state):
            digest, settled = fingerprints.file_fingerprint(path)
            known = journal.add("file", name, state=settled, print=digest)
        out[name] = str(known["print"])
    return out


@dataclass(frozen=True)
class Decided:
    """What was decided about each parcel, by its identifier, and what to say about the files."""

    of: Mapping[str, Decisions]
    notes: tuple[Note, ...]


def decisions_by_parcel(inputs: Inputs, parcels: Sequence[Parcel], journal: Journal) -> Decided:
    """The decisions of all parcels, and the names that their places have already.

    A place is known from the file that the inputs name, and from what this folder's batch wrote
    before, whatever has changed since.

    Raises
    ------
    SitingError
        E-VISIT-... for a file that cannot be used, before any parcel is scored.
    """
    given = read_given(inputs)
    notes = check_parcels(given, [parcel.id for parcel in parcels])
    known = known_places(inputs)
    of = {}
    for parcel in parcels:
        entry = journal.get("parcel", parcel.id) or {}
        before = [KnownPlace(*row) for row in entry.get("places", [])]
        names = (*known.get(parcel.id, ()), *before)
        of[parcel.id] = decisions_of(given, parcel, known=names)
    return Decided(of, notes)


@dataclass(frozen=True)
class Sizes:
    """What decides how much memory a parcel needs.

    `bytes_each` is for one cell of the grid: its layers, and the cells of finer rasters under it.
    """

    cell_m: float
    context_m: float
    bytes_each: float

    def needed(self, parcel: Parcel) -> int:
        """Bytes a worker needs for a parcel, by estimate from the outline's extent."""
        shape = parcel.geometry
        if shape is None or shape.is_empty:
            return budget.WORKER_BYTES
        left, bottom, right, top = shapely.bounds(shape)
        unit = metres_per_unit(parcel.crs)
        scale_y = _METRES_PER_DEGREE if unit is None else unit
        # A degree of longitude shrinks towards the poles; an estimate needs no more than that.
        scale_x = scale_y * (np.cos(np.radians((bottom + top) / 2)) if unit is None else 1.0)
        wide = (abs((right - left) * scale_x) + 2 * self.context_m) / self.cell_m
        high = ((top - bottom) * scale_y + 2 * self.context_m) / self.cell_m
        cells = wide * high
        # An outline with infinite corners fails in its own job, with a message of its own.
        if not np.isfinite(cells):
            return budget.WORKER_BYTES
        return budget.WORKER_BYTES + int(min(cells, 1e12) * self.bytes_each)


def open_inputs_once(inputs: Inputs, protocol: Protocol) -> Sizes:
    """Open every raster, layer and legend that all parcels need, so that a fault is reported once.

    Returns
    -------
    Sizes
        From the cell sizes that were found, for the memory of each parcel.

    Raises
    ------
    SitingError
        As reading the file for one parcel would.
    """
    cells: dict[str, float] = {}
    for key, spec in inputs.rasters().items():
        if isinstance(spec, CoverInput) and spec.is_polygons:
            continue
        path = raster_path(inputs, spec, key=key)
        with rasters.opened(path, key=key, spec=spec, allow_remote=inputs.allow_remote) as dataset:
            cells[key] = rasters.describe(dataset, spec, key=key).cell_m
    if inputs.land_cover is not None and inputs.land_cover.legend:
        read_legend(inputs, inputs.land_cover)
    for _, layer in inputs.layers.files():
        for name in layer.paths:
            input_path(inputs, name)
    rules = protocol.grid
    asked = inputs.grid.cell_size_m
    cell = asked or min(max(cells["dem"], rules.smallest_cell_m), rules.largest_cell_m)
    finer = sum(_WINDOW_BYTES * (cell / own) ** 2 for own in cells.values())
    return Sizes(cell, rules.context_m, budget.CELL_BYTES + finer)


def outlines(parcels: Sequence[Parcel]) -> Mapping[str, Geometry | None]:
    """Outline of each parcel in degrees (lon, lat), WGS 84; None where it cannot be drawn."""
    out: dict[str, Geometry | None] = {}
    for parcel in parcels:
        shape = parcel.geometry
        out[parcel.id] = None
        if shape is not None and not shape.is_empty and shapely.get_dimensions(shape) == 2:
            moved = _in_degrees(shape, parcel.crs)
            if np.isfinite(shapely.get_coordinates(moved)).all():
                out[parcel.id] = moved
    return out


def _in_degrees(shape: Geometry, crs: str) -> Geometry:
    change = transformer(crs, WGS84)

    def moved(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(change.transform(xy[:, 0], xy[:, 1]))

    return shapely.transform(shapely.force_2d(shape), moved)
