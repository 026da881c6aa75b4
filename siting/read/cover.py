"""Land cover of the inputs: a raster of class codes, or polygons burnt into cells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize

from siting.credits import Source
from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.grid import Grid
from siting.ground.cover import (
    NO_CODE,
    SHIPPED,
    Legend,
    canonical_codes,
    parse_legend,
    roles,
    shipped_legend,
)
from siting.read import checks
from siting.read.file_kinds import read_text
from siting.read.input_files import input_path, raster_path
from siting.read.raster import raster_layers
from siting.read.vector import vectors
from siting.read.vector.columns import column_text
from siting.settings.given.layers import LayerInput
from siting.settings.given.rasters import CoverInput
from siting.settings.given.tables import LEFT_OUT
from siting.settings.inputs import Inputs
from siting.settings.protocol import GridRules
from siting.types import BoolArray, CoverRole, Note

_CODE = re.compile(r"[0-9]{1,9}")


@dataclass(frozen=True)
class CoverRead:
    """Class codes on the grid: (rows, cols) int32; share of the parcel they cover, 0..1."""

    values: NDArray[np.int32]
    legend: Legend
    cell_m: float
    share: float
    source: Source
    notes: tuple[Note, ...]


def read_cover(
    inputs: Inputs, spec: CoverInput, grid: Grid, inside: BoolArray, *, rules: GridRules
) -> CoverRead:
    """The land cover of the inputs on the grid, its codes known to the legend.

    Parameters
    ----------
    inside : (rows, cols) bool, True inside the parcel

    Raises
    ------
    SitingError
        E-COVER-02 when less than 60 % of the parcel is covered, E-CODES-01 or E-FIELD-01 for
        classes without a meaning, E-LEGEND-01, and all of opening a file.
    """
    if spec.is_polygons:
        found = _polygons(inputs, spec, grid)
    else:
        found = _raster(inputs, spec, grid, rules)
    file, legend = found.source.file, found.legend
    share, more = checks.check_coverage(
        found.values != NO_CODE, inside, file=file, what="land cover"
    )
    role = roles(found.values, legend)[inside]
    doubt = checks.check_roles(role, legend=legend.name, file=file)
    return replace(found, share=share, notes=(*found.notes, *more, *doubt))


def _raster(inputs: Inputs, spec: CoverInput, grid: Grid, rules: GridRules) -> CoverRead:
    legend = read_legend(inputs, spec)
    raw, facts, source, notes = raster_layers.read_classes(
        raster_path(inputs, spec, key="land_cover"),
        spec,
        grid,
        key="land_cover",
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
    )
    code = canonical_codes(raw, legend, file=facts.file)
    return CoverRead(code, legend, facts.cell_m, 0.0, source, notes)


def read_legend(inputs: Inputs, spec: CoverInput) -> Legend:
    """The legend of the land cover: a shipped one or a CSV file."""
    name = spec.legend
    if name in SHIPPED:
        return shipped_legend(name)
    # A word that is no shipped legend is a slip; a file is meant only where the name says so.
    if not name.lower().endswith(".csv"):
        raise SitingError(
            "E-LEGEND-01",
            f"land_cover.legend = {name!r} is not known.",
            rule=f"A legend is one of {', '.join(SHIPPED)}, or a CSV file.",
            cure="Choose the legend that belongs to the raster.",
        )
    path = Path(input_path(inputs, name))
    return parse_legend(read_text(path, key="land_cover.legend"), name=path.name)


def _polygons(inputs: Inputs, spec: CoverInput, grid: Grid) -> CoverRead:
    """Polygons burnt by the centres of the cells, the large ones first, so that the small ones
    drawn over them (a pond in a wood) keep their place."""
    file, layer = file_and_layer(spec.files[0])
    given = LayerInput(file=file, layer=spec.layer or layer, crs=spec.crs)
    path = input_path(inputs, file)
    name = Path(path).name
    near = vectors.near_features(path, given, grid, key="land_cover")
    shapes = near.shapes
    areas = np.isin(shapely.get_type_id(shapes), (3, 6))
    if spec.column not in near.columns:
        raise SitingError(
            "E-FIELD-01",
            f"{name} has no column {spec.column!r}.",
            rule="land_cover.column must be a column of the layer.",
            cure=f"It has {', '.join(map(str, near.columns))}.",
        )
    codes, legend = _codes(inputs, spec, column_text(near.columns, spec.column), name)
    wanted = areas & (codes != NO_CODE)
    # Stable: polygons of one size keep the file's order.
    order = np.argsort(-shapely.area(shapes[wanted]), kind="stable")
    pairs = [(shapes[wanted][i], int(codes[wanted][i])) for i in order]
    burnt = np.full(grid.shape, NO_CODE, dtype=np.int32)
    if pairs:
        rasterize(pairs, out=burnt, transform=grid.transform)
    source = vectors.source_of("land_cover", path, near, spec.attribution)
    notes = _notes(name, len(pairs), int((~wanted).sum()), near.mended, grid)
    # A line that is off by some metres is like cells with that half diagonal.
    cell_m = max(grid.cell_size_m, (spec.error_m or 0.0) * 2**0.5)
    return CoverRead(burnt, legend, cell_m, 0.0, source, notes)


def _notes(name: str, burnt: int, left_out: int, mended: int, grid: Grid) -> tuple[Note, ...]:
    text = (
        f"{name} (land_cover): {burnt} polygons were laid on cells of {grid.cell_size_m:g} m, "
        "small ones over large ones."
    )
    if left_out:
        text += f" {left_out} shapes are left out: points, lines, or classes not asked for."
    if mended:
        text += f" {mended} invalid shapes were repaired."
    return (Note("A-POLYGONS-01", "assumption", text),)


def _codes(
    inputs: Inputs, spec: CoverInput, values: Sequence[str], name: str
) -> tuple[NDArray[np.int32], Legend]:
    """The code of each polygon, -1 for those left out, and the legend of the codes."""
    # Without a list the column must hold codes, which the legend then explains.
    if not spec.values:
        legend = read_legend(inputs, spec)
        strange = sorted({v for v in values if v and not _CODE.fullmatch(v)})
        if strange:
            raise _unknown(name, spec.column, strange, "With a legend alone it holds codes.")
        raw = np.array([int(v) if v else NO_CODE for v in values], dtype=np.int32)
        return canonical_codes(raw, legend, file=name), legend
    meant = [spec.values.get(v, spec.other or v) for v in values]
    known = {role.name.lower(): role for role in CoverRole if role is not CoverRole.UNKNOWN}
    strange = sorted({m for m in meant if m not in known and m not in LEFT_OUT})
    if strange:
        raise _unknown(name, spec.column, strange, f"A role is one of {', '.join(known)}.")
    # Numbers by the sorted values: the same polygons get the same codes in whatever order they
    # come.
    told = sorted({(v, m) for v, m in zip(values, meant, strict=True) if m in known})
    number = {value: n for n, (value, _) in enumerate(told, start=1)}
    codes = np.array([number.get(v, NO_CODE) for v in values], dtype=np.int32)
    role = {number[value]: known[m] for value, m in told}
    names = {number[value]: value or m for value, m in told}
    return codes, Legend(f"{name} ({spec.column})", role, names)


def _unknown(name: str, column: str, values: Sequence[str], rule: str) -> SitingError:
    return SitingError(
        "E-FIELD-01",
        f"{name}: column {column} holds {', '.join(repr(v) for v in values[:12])}.",
        rule=f"Every class must have a meaning; none is guessed. {rule}",
        cure='Say what they mean: values = { wood = "tree", meadow = "pasture", path = '
        '"leave out" }; other = "leave out" speaks for the rest.',
    )
