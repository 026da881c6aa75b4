"""Places drawn at random for a survey that estimates: balanced in space, stratified by habitat.

A spot that was chosen for being good shows what lives on the land; it cannot show how many, or
how much of the land is used. For that every piece of open ground must have a known chance. The
points of a Halton sequence with a random start are taken in their order, those outside the
stratum passed over (balanced acceptance sampling). Any run of such points is spread evenly, so
that spares taken in order keep the balance.

Robertson BL, Brown JA, McDonald T, Jaksons P (2013), Biometrics 69:776-784, doi 10.1111/biom.12059;
spatial balance: Stevens DL, Olsen AR (2004), J Am Stat Assoc 99:262-278,
doi 10.1198/016214504000000250.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.decisions.proposal import Proposal
from siting.grid import FloatArray, Grid
from siting.notes import Remark
from siting.settings.protocol_field import RandomRules
from siting.spot_parts import RandomPlace
from siting.types import BoolArray, CoverRole, RoleArray

WOODS, OPEN, BRUSH, UNKNOWN = "woods", "open ground", "brush and wetland", "cover not known"
STRATA: Mapping[str, tuple[CoverRole, ...]] = {
    WOODS: (CoverRole.TREE, CoverRole.ORCHARD),
    OPEN: (
        CoverRole.GRASS,
        CoverRole.CROP,
        CoverRole.PASTURE,
        CoverRole.PARK,
        CoverRole.BARE,
        CoverRole.SNOW,
        CoverRole.BUILT,
        CoverRole.WATER,
    ),
    BRUSH: (CoverRole.SHRUB, CoverRole.WETLAND),
    UNKNOWN: (CoverRole.UNKNOWN,),
}
"""Habitats that are drawn from apart; water and built-up ground count where they are open."""

_BASES = (2, 3)
# A start this far along the sequence takes every remainder of the bases' powers that matter.
_STARTS = 2**31
_AT_ONCE = 512


def draw_places(
    role: RoleArray,
    open_ground: BoolArray,
    *,
    grid: Grid,
    rules: RandomRules,
    parcel_id: str,
    tree_m: FloatArray | None = None,
    named: tuple[str, int] | None = None,
) -> tuple[RandomPlace, ...]:
    """Places for cameras drawn at random, and as many spares, in the order of the draw.

    Parameters
    ----------
    role : (rows, cols) int8, `CoverRole` of each cell
    open_ground : (rows, cols) bool, True where a camera may stand: the frame of the draw
    grid : Grid
    rules : RandomRules
    parcel_id : str
        Two parcels of one survey get draws of their own from the same seed.
    tree_m : (rows, cols) float or None
        Distance to tree cover, metres, infinite where there is none.
    named : (stratum, order) or None
        A place that the survey asks for: drawn also where the rules ask for none there.

    Returns
    -------
    tuple of RandomPlace; the main places of all strata first, stratum by stratum, then the spares.
    Each stratum has places in proportion to its open ground. Fewer than asked where there is none.

    Examples
    --------
    >>> grid = Grid("EPSG:32617", 0, 100, 10, 10, 10)
    >>> woods = np.full(grid.shape, CoverRole.TREE, dtype=np.int8)
    >>> rules = RandomRules(places=2)
    >>> drawn = draw_places(woods, woods > 0, grid=grid, rules=rules, parcel_id="A")
    >>> [(p.stratum, p.spare, p.inclusion_per_ha) for p in drawn]
    [('woods', False, 2.0), ('woods', False, 2.0), ('woods', True, 2.0), ('woods', True, 2.0)]
    """
    if rules.places == 0 and named is None:
        return ()
    frames = {name: open_ground & of_stratum(role, name) for name in STRATA}
    counts = shares([int(frame.sum()) for frame in frames.values()], rules.places)
    found: list[RandomPlace] = []
    for (name, frame), count in zip(frames.items(), counts, strict=True):
        asked = named[1] if named is not None and named[0] == name else 0
        count = max(count, min(asked, 1))
        if count == 0 or not frame.any():
            continue
        most = max(count + math.ceil(rules.spares_share * count), asked)
        found += _places_of(
            frame, name, count, most, grid=grid, rules=rules, parcel_id=parcel_id, tree_m=tree_m
        )
    return tuple(sorted(found, key=lambda place: place.spare))


def _places_of(
    frame: BoolArray,
    name: str,
    count: int,
    most: int,
    *,
    grid: Grid,
    rules: RandomRules,
    parcel_id: str,
    tree_m: FloatArray | None = None,
) -> list[RandomPlace]:
    """The first places of a stratum, those beyond `count` spares.

    For one seed they are always the same, however many are asked for.
    """
    # A checksum and not Python's hash, which is another one in every process.
    seed = (rules.seed, zlib.crc32(parcel_id.encode()), zlib.crc32(name.encode()))
    east, north = balanced_points(frame, most, grid=grid, seed=seed)
    area_ha = int(frame.sum()) * grid.cell_size_m**2 / 1e4
    reach_m = rules.reach_woods_m if name == WOODS else rules.reach_open_m
    found = []
    for k, (e, n) in enumerate(zip(east, north, strict=True)):
        away = np.inf if tree_m is None else float(tree_m[grid.rowcol(e, n)])
        found.append(
            RandomPlace(
                easting=float(e),
                northing=float(n),
                stratum=name,
                order=k + 1,
                spare=k >= count,
                inclusion_per_ha=round(count / area_ha, 6),
                stratum_ha=round(area_ha, 4),
                reach_m=reach_m,
                tree_m=away if away <= reach_m else None,
            )
        )
    return found


def place_by_lot(
    role: RoleArray, open_ground: BoolArray, *, grid: Grid, rules: RandomRules, parcel_id: str
) -> RandomPlace | None:
    """The one place of the parcel for a camera that is to stand at random; None without ground.

    The stratum is drawn by its area, the place is the first of the stratum's own draw: so every
    piece of open ground has the same chance, and the place is also the first that `draw_places`
    draws there. Parameters as there.
    """
    # Counted in one pass: a mask for each stratum would cost every run, and few ask for the place.
    cells = np.bincount(role[open_ground].astype(np.int64), minlength=len(CoverRole))
    sizes = [sum(int(cells[int(kind)]) for kind in kinds) for kinds in STRATA.values()]
    if not any(sizes):
        return None
    # A survey with draws of its own: only where it has one, to keep its places in proportion.
    sizes = shares(sizes, rules.places) if rules.places else sizes
    start = np.random.default_rng([rules.seed, zlib.crc32(parcel_id.encode())]).random()
    index = int(np.searchsorted(np.cumsum(sizes), start * sum(sizes), side="right"))
    name = list(STRATA)[index]
    frame = open_ground & of_stratum(role, name)
    return _places_of(frame, name, 1, 1, grid=grid, rules=rules, parcel_id=parcel_id)[0]


class Lot(NamedTuple):
    """Places drawn at random: all of them, the one for a single camera, the one proposed.

    `inside` are the cells of the parcel, (rows, cols).
    """

    places: tuple[RandomPlace, ...]
    one: RandomPlace | None
    named: tuple[str, int] | None
    inside: BoolArray
    remark: tuple[Remark, ...]


def draw_lot(
    role: RoleArray,
    open_ground: BoolArray,
    *,
    inside: BoolArray,
    grid: Grid,
    rules: RandomRules,
    parcel_id: str,
    tree_m: FloatArray | None = None,
    named: tuple[str, int] | None = None,
) -> Lot:
    """All that is drawn at random on one parcel; parameters as of `draw_places`.

    `inside` are the cells of the parcel, (rows, cols) bool; `tree_m` (rows, cols) in metres.
    """
    places = draw_places(
        role,
        open_ground,
        grid=grid,
        rules=rules,
        parcel_id=parcel_id,
        tree_m=tree_m,
        named=named,
    )
    remark = draw_remark(places, role, inside=inside, open_ground=open_ground, rules=rules)
    one = place_by_lot(role, open_ground, grid=grid, rules=rules, parcel_id=parcel_id)
    return Lot(places, one, named, inside, remark)


def asked_at_random(
    proposal: Proposal | None,
    drawn: Sequence[RandomPlace],
    named: tuple[str, int] | None,
    grid: Grid,
) -> Proposal | None:
    """The proposal; where its place was drawn at random, with what the map calls it, and where.

    `named` is the stratum and order of the place that the proposal names, None for any other.
    """
    place = next((p for p in drawn if (p.stratum, p.order) == named), None)
    if proposal is None or place is None:
        return proposal
    words = f"{place.stratum} {place.order}"
    if proposal.lon is not None:
        return replace(proposal, drawn=words)
    lon, lat = grid.to_lonlat.transform(place.easting, place.northing, errcheck=True)
    return replace(proposal, drawn=words, lon=round(float(lon), 7), lat=round(float(lat), 7))


def of_stratum(role: RoleArray, name: str) -> BoolArray:
    """(rows, cols) True where a cell's cover belongs to a stratum."""
    return np.isin(role, [int(kind) for kind in STRATA[name]])


def draw_remark(
    drawn: Sequence[RandomPlace],
    role: RoleArray,
    *,
    inside: BoolArray,
    open_ground: BoolArray,
    rules: RandomRules,
) -> tuple[Remark, ...]:
    """What was drawn, and what share of each stratum of the parcel the draw could not reach."""
    if rules.places == 0:
        return ()
    strata = []
    for name in STRATA:
        whole = inside & of_stratum(role, name)
        main = sum(place.stratum == name and not place.spare for place in drawn)
        if whole.any():
            strata.append((name, main, float((whole & ~open_ground).sum() / whole.sum())))
    values = {"strata": strata, "seed": rules.seed, "asked": rules.places}
    return (Remark("A-RANDOM-01", values),)


def shares(sizes: Sequence[int], places: int) -> list[int]:
    """Places of each stratum in proportion to its size, by largest remainders.

    Examples
    --------
    >>> shares([60, 30, 10], 5)
    [3, 2, 0]
    """
    whole = sum(sizes)
    if whole == 0:
        return [0] * len(sizes)
    exact = [places * size / whole for size in sizes]
    counts = [math.floor(value) for value in exact]
    # The larger remainder first; of equals the earlier stratum.
    order = sorted(range(len(sizes)), key=lambda i: (counts[i] - exact[i], i))
    for i in order[: places - sum(counts)]:
        counts[i] += 1
    return counts


def balanced_points(
    frame: BoolArray, most: int, *, grid: Grid, seed: Sequence[int]
) -> tuple[FloatArray, FloatArray]:
    """The first points of a Halton sequence with a random start that fall on the frame.

    Parameters
    ----------
    frame : (rows, cols) bool, at least one cell True
    most : int
    grid : Grid
    seed : whole numbers

    Returns
    -------
    (most,) easting and northing, metres, in the order of the draw
    """
    rows, cols = np.flatnonzero(frame.any(axis=1)), np.flatnonzero(frame.any(axis=0))
    # Within the box of the frame: points far from all open ground would only be passed over.
    box = grid.window(int(rows[0]), int(cols[0]), int(np.ptp(rows)) + 1, int(np.ptp(cols)) + 1)
    left, bottom, right, top = box.bounds
    start = np.random.default_rng(list(seed)).integers(0, _STARTS, 2)
    east, north = np.empty(0), np.empty(0)
    step = 0
    while len(east) < most:
        x, y = (
            halton(begin + np.arange(step, step + _AT_ONCE), base)
            for begin, base in zip(start, _BASES, strict=True)
        )
        x, y = left + x * (right - left), bottom + y * (top - bottom)
        row, col = grid.rowcol(x, y)
        kept = grid.contains(row, col)
        kept[kept] = frame[row[kept], col[kept]]
        east, north = np.append(east, x[kept]), np.append(north, y[kept])
        step += _AT_ONCE
    return east[:most], north[:most]


def halton(index: NDArray[np.int64], base: int) -> FloatArray:
    """Radical inverse: the digits of a number in a base, mirrored at the point.

    Parameters
    ----------
    index : (n,) int64, whole numbers from 0
    base : int, above 1

    Returns
    -------
    (n,) float64, 0 to 1, without a unit

    References
    ----------
    Halton JH (1960), Numerische Mathematik 2:84-90.

    Examples
    --------
    >>> halton(np.array([1, 2, 3, 4]), 2)
    array([0.5  , 0.25 , 0.75 , 0.125])
    """
    left, share = np.array(index, dtype=np.int64), 1.0
    # Whole numbers throughout: the digits are exact, and so the places are the same everywhere.
    out = np.zeros(left.shape)
    while left.any():
        share /= base
        out += share * (left % base)
        left //= base
    return out
