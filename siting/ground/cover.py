"""Land cover: from class codes to roles, and from roles to woods, fields, edges and openings."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.errors import SitingError
from siting.grid import FloatArray
from siting.ground.distance import nearest_value
from siting.kernels.remembered import remembered
from siting.types import BoolArray, CoverRole, RoleArray

SHIPPED = ("nlcd", "worldcover", "corine", "dynamic-world", "c-cap")
NO_CODE = -1
OPEN_ROLES = (CoverRole.GRASS, CoverRole.CROP, CoverRole.PASTURE)
# A hedge one cell wide that runs diagonally is still one patch: cells touch by corners, too.
_EIGHT = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class Legend:
    """What each class code of a land-cover raster means.

    Parameters
    ----------
    name : str
        Name of a shipped legend or the file it came from.
    role : mapping from code to `CoverRole`
    names : mapping from code to the class name
    no_data : tuple of codes that mean "no data"
    alias : mapping from a second numbering to the first (CORINE rasters hold 1..44)
    """

    name: str
    role: Mapping[int, CoverRole]
    names: Mapping[int, str]
    no_data: tuple[int, ...] = ()
    alias: Mapping[int, int] | None = None


def shipped_legend(name: str) -> Legend:
    """One of the legends in `SHIPPED`; sources are listed in docs/method/land-cover.md."""
    path = resources.files("siting").joinpath(f"data/legends/{name}.csv")
    return parse_legend(path.read_text(encoding="utf-8"), name=name)


def parse_legend(text: str, *, name: str) -> Legend:
    """A legend from CSV text with columns code (or value), name and role.

    Raises
    ------
    SitingError
        E-LEGEND-01 with every faulty line.
    """
    rows = _table(text, name)
    columns = list(rows[0]) if rows else []
    key = next((c for c in ("code", "value") if c in columns), None)
    if key is None or "role" not in columns:
        raise _legend_error(name, [f"its columns are {', '.join(map(str, columns)) or 'none'}"])
    role: dict[int, CoverRole] = {}
    names: dict[int, str] = {}
    no_data: list[int] = []
    alias: dict[int, int] = {}
    faults: list[str] = []
    for number, row in enumerate(rows, start=2):
        code, second = _whole(row[key]), _whole(row.get("grid_code"))
        if code is None:
            faults.append(f"line {number}: code {_short(row[key])} is no whole number")
            continue
        word = (row["role"] or "").strip().lower()
        if code in names:
            faults.append(f"line {number}: code {code} stands twice")
        elif word == "nodata":
            no_data.append(code)
        elif word.upper() in CoverRole.__members__ and word != "unknown":
            role[code] = CoverRole[word.upper()]
        else:
            faults.append(f"line {number}: role {_short(row['role'])} is not known")
        names[code] = " ".join((row.get("name") or "").split()) or str(code)  # one line
        if second is not None:
            alias[second] = code
        elif row.get("grid_code"):
            faults.append(f"line {number}: grid_code {_short(row['grid_code'])} is no whole number")
    if faults or not role:
        raise _legend_error(name, faults[:12] or ["no class has a role"])
    return Legend(name, role, names, tuple(no_data), alias or None)


def _table(text: str, name: str) -> list[dict[str, str]]:
    # Spreadsheets put a byte-order mark before the first column's name.
    plain = text.lstrip("\ufeff")
    odd = next((c for c in plain if c < " " and c not in "\t\r\n"), None)
    if odd is not None:
        raise _legend_error(name, [f"it holds the control character {odd!r}"])
    try:
        return list(csv.DictReader(io.StringIO(plain)))
    except csv.Error as error:
        raise _legend_error(name, [str(error)]) from error


def _whole(text: str | None) -> int | None:
    """The whole number of a cell of the table; None when it holds none that a raster can hold."""
    plain = (text or "").strip()
    return int(plain) if re.fullmatch(r"[+-]?[0-9]{1,9}", plain) else None


def _short(text: str | None) -> str:
    shown = repr(text)
    return shown if len(shown) <= 40 else shown[:37] + "..."


def _legend_error(name: str, faults: Sequence[str]) -> SitingError:
    known = ", ".join(r.name.lower() for r in CoverRole if r is not CoverRole.UNKNOWN)
    return SitingError(
        "E-LEGEND-01",
        f"Legend {name}: {'; '.join(faults)}.",
        rule="A legend is a CSV table with columns code (or value), name, role; a role is one of "
        f"{known}, or nodata.",
        cure=f"Correct the table, or name a legend that comes with siting: {', '.join(SHIPPED)}.",
    )


@remembered()
def canonical_codes(code: NDArray[np.int32], legend: Legend, *, file: str) -> NDArray[np.int32]:
    """Codes in the legend's first numbering, `NO_CODE` where the legend says no data.

    Raises
    ------
    SitingError
        E-CODES-01 listing codes the legend does not know; E-CODES-03 where two numberings mix.
    """
    present = [int(c) for c in np.unique(code) if c != NO_CODE]
    data = [c for c in present if c not in legend.no_data]
    alias = legend.alias or {}
    # CORINE comes as 1..44 or as 111..523: which one a raster uses is seen from its codes alone.
    second = [c for c in data if c in alias]
    first = [c for c in data if c in legend.role]
    if second and first:
        raise SitingError(
            "E-CODES-03",
            f"{file} holds codes of two numberings: {first[:8]} and {second[:8]}.",
            rule=f"Legend {legend.name} is numbered either {min(alias)}-{max(alias)} "
            f"or {min(legend.role)}-{max(legend.role)}, not both in one raster.",
            cure="Recode the raster to one numbering.",
        )
    unknown = [c for c in data if c not in legend.role and c not in alias]
    if unknown:
        shown = ", ".join(str(c) for c in unknown[:20]) + (" ..." if len(unknown) > 20 else "")
        raise SitingError(
            "E-CODES-01",
            f"{file} holds codes that legend {legend.name} does not know: {shown}.",
            rule="Every code must have a meaning; none is guessed.",
            cure="Choose the legend that belongs to this raster, or give a CSV legend that lists "
            "these codes; declare the code for no data with nodata.",
        )
    out = code.copy()
    for old, new in alias.items():
        if second:
            out[code == old] = new
    for missing in legend.no_data:
        out[code == missing] = NO_CODE
    return out


@remembered()
def roles(code: NDArray[np.int32], legend: Legend) -> RoleArray:
    """`CoverRole` of each cell, UNKNOWN where there is no code; (rows, cols) int8."""
    out = np.full(code.shape, CoverRole.UNKNOWN, dtype=np.int8)
    for number, role in legend.role.items():
        out[code == number] = role
    return out


@remembered()
def without_specks(role: RoleArray, *, smallest_cells: int) -> RoleArray:
    """Roles in which patches of fewer than `smallest_cells` cells take the role around them.

    A patch is a set of equal cells that touch by edge or corner. Cells of removed patches take
    the role of the nearest kept cell. Water, built and unknown cells are kept as they are: a
    small pond or a hut is no speck.
    """
    if smallest_cells <= 1:
        return role
    kept_always = np.isin(role, [CoverRole.WATER, CoverRole.BUILT, CoverRole.UNKNOWN])
    speck = np.zeros(role.shape, dtype=bool)
    for value in np.unique(role[~kept_always]):
        label, small = _patches(role == value, smallest_cells)
        # Patch 0 is everything off the mask.
        small[0] = False
        speck |= small[label]
    if not speck.any() or speck.all():
        return role
    # A speck in a field must not become water because the brook is the nearest kept cell.
    source = speck | kept_always
    if source.all():
        return role
    out: RoleArray = np.where(speck, nearest_value(role, ~source), role)
    return out


def _patches(mask: BoolArray, smallest_cells: int) -> tuple[NDArray[np.int32], BoolArray]:
    """Number of the patch of each cell, 0 off the mask, and which numbers are below the size."""
    label, _ = scipy.ndimage.label(mask, structure=_EIGHT)
    return label, np.bincount(label.ravel()) < smallest_cells


@remembered()
def patches_at_least(mask: BoolArray, *, smallest_cells: float) -> BoolArray:
    """The patches of `mask` with at least `smallest_cells` cells (joined by edge or corner)."""
    label, small = _patches(mask, int(np.ceil(smallest_cells)))
    small[0] = True
    large: BoolArray = (~small)[label]
    return large


@remembered()
def openings(
    open_ground: BoolArray,
    woods: BoolArray,
    *,
    known: BoolArray,
    least_cells: float,
    most_cells: float,
    ring: float,
) -> BoolArray:
    """Open patches inside forest: between two sizes and mostly rimmed by trees.

    A patch that runs on over the border of the array, or into cells that are not known, may be
    the corner of a field: its size is not known, and it is no opening.

    Parameters
    ----------
    open_ground, woods : (rows, cols) bool
    known : (rows, cols) bool, True where the cover is known
    least_cells, most_cells : size limits of a patch, cells
    ring : least share of the patch's outer rim that is woods, 0..1
    """
    label, _ = scipy.ndimage.label(open_ground, structure=_EIGHT)
    out = np.zeros(open_ground.shape, dtype=bool)
    for index, box in enumerate(scipy.ndimage.find_objects(label), start=1):
        rows, cols = (slice(max(s.start - 1, 0), s.stop + 1) for s in box)
        patch = label[rows, cols] == index
        if not least_cells <= patch.sum() < most_cells:
            continue
        rim = scipy.ndimage.binary_dilation(patch, structure=_EIGHT) & ~patch
        # Cut off by the border it may be the corner of a wide field.
        inner = all(s.start > 0 and s.stop < n for s, n in zip(box, label.shape, strict=True))
        whole = inner and bool(known[rows, cols][rim].all())
        if whole and woods[rows, cols][rim].mean() >= ring:
            out[rows, cols] |= patch
    return out


def clear_share(role: RoleArray, *, share_of_role: Mapping[CoverRole, float]) -> FloatArray:
    """Share of the view that is expected to be clear, by role; NaN where the role is not known.

    Returns
    -------
    (rows, cols) float32 in 0..1; roles that are not listed count as fully blocked.
    """
    out = np.zeros(role.shape, dtype=np.float32)
    for kind, share in share_of_role.items():
        out[role == kind] = share
    out[role == CoverRole.UNKNOWN] = np.nan
    return out


def clear_by_canopy(
    clear: FloatArray,
    canopy_m: FloatArray,
    *,
    brush_m: tuple[float, float],
    in_brush: float,
    under_trees: float,
    between: float,
    grows: BoolArray,
) -> FloatArray:
    """Share of the view that is clear, with measured heights of plants in place of classes.

    A class says "shrub" of a whole square; a height says which of its cells stand before the lens.

    Parameters
    ----------
    clear : (rows, cols) float in 0..1, by class, NaN = not known
    canopy_m : (rows, cols) float, height of plants, metres, NaN = not known: the class counts
    brush_m : (least, most) height of what stands before a lens; taller is trees
    in_brush, under_trees, between : share that is clear in brush, under trees, and at least where
        nothing stands
    grows : (rows, cols) bool, True where low plants grow again, as crops and reeds do: the class
        counts there, too

    Examples
    --------
    >>> heights = np.array([[0.1, 1.5, 12.0, np.nan]])
    >>> shares = {"in_brush": 0.3, "under_trees": 0.6, "between": 0.9, "grows": heights < 0}
    >>> clear_by_canopy(np.full((1, 4), 0.5), heights, brush_m=(0.4, 3.0), **shares)
    array([[0.9, 0.3, 0.6, 0.5]])
    """
    least, most = brush_m
    low = np.where(np.isnan(clear), between, np.maximum(clear, between))
    out = np.where((canopy_m < least) & ~grows, low, clear)
    out = np.where((canopy_m >= least) & (canopy_m <= most), in_brush, out)
    return np.where(canopy_m > most, under_trees, out).astype(clear.dtype)
