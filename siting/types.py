"""Frozen values that cross module borders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, IntFlag
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from siting.credits import Credit, Source
from siting.grid import FloatArray, Grid
from siting.spot_parts import (
    Aim,
    Extent,
    HeadingWords,
    PlaceName,
    PlaceStability,
    RandomPlace,
    Walk,
)

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry as Geometry

    from siting.decisions.model import Record
    from siting.decisions.places import KnownPlace
    from siting.decisions.proposal import Proposal

BoolArray = NDArray[np.bool_]
RoleArray = NDArray[np.int8]


class CoverRole(IntEnum):
    """What a land-cover class means for an animal and for a camera."""

    # Numbers are stored in rasters and tables: a new role takes the next, none is used again.
    UNKNOWN = 0
    TREE = 1
    SHRUB = 2
    GRASS = 3
    CROP = 4
    PASTURE = 5
    WETLAND = 6
    WATER = 7
    BUILT = 8
    BARE = 9
    SNOW = 10
    PARK = 11
    ORCHARD = 12


class NoGo(IntFlag):
    """Why a camera must not stand on a cell; a cell may have several reasons."""

    # Stored in rasters and tables as these bits: a new reason takes the next power of two.
    OUTSIDE = 1
    BOUNDARY = 2
    NO_DATA = 4
    WATER = 8
    ROAD = 16
    BUILDING = 32
    FEEDER = 64
    LIVESTOCK = 128
    STEEP = 256
    BUILT_COVER = 512
    USER = 1024
    RULED_OUT = 2048


NoGoArray = NDArray[np.uint16]


@dataclass(frozen=True)
class Note:
    """An assumption or a warning, kept in the run record.

    `level` is "assumption" or "warning" (told to the user, too); `values` is what the text speaks
    of, where notes are brought together by it.
    """

    code: str
    level: str
    text: str
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Parcel:
    """A piece of land as given, before any grid.

    Parameters
    ----------
    id : str
        Identifier; used in file names and tables.
    label : str
        Free text of the user.
    geometry : shapely Polygon or MultiPolygon
        Valid outline in `crs`, easting/lon first; holes and parts kept.
    crs : str, coordinate system of `geometry`
    cell : str, survey cell, or ""
    priority : float
        1 comes first when cameras are assigned; NaN when not given.
    """

    id: str
    label: str
    geometry: Geometry
    crs: str
    cell: str = ""
    priority: float = float("nan")
    notes: tuple[Note, ...] = ()
    sources: tuple[Source, ...] = ()


@dataclass(frozen=True)
class Land:
    """All that was read about one parcel, on one grid.

    Parameters
    ----------
    dem : (rows, cols) float32, metres above any datum, NaN = no data
    cover_code : (rows, cols) int32, class codes of the legend, -1 = no data; -1 everywhere when no
        land cover was given (see `has_cover`)
    role : (rows, cols) int8, `CoverRole` of each cell
    canopy_m : (rows, cols) float32 or None, height of vegetation above ground, metres; None also
        where the file's cells are too wide to say what stands before a lens
    canopy_trees : (rows, cols) float32 or None, 1 where the canopy file makes a tree to strap a
        camera to likely, 0 elsewhere, NaN = not known
    vectors : mapping from layer name to GeoDataFrame in the grid's coordinate system; a layer
        that was not given is missing, a layer that was given but is empty here is an empty frame;
        column error_m is how far a shape may be off, metres, NaN when nobody said
    parcel_shape : shapely geometry of the parcel in the grid's coordinate system
    dem_cell_m, cover_cell_m : float, cell size of the files, metres
    ruled_out : (shape, metres around it) of ground that decisions close
    decisions : records about the parcel (`siting.decisions.model`), by time
    known_places : places of the parcel that have a name already
    known : mapping from each raster given ("dem", "land_cover", "canopy"; polygons of land cover
        count as one) to (rows, cols) bool, True where it has a value. Nothing can be found near a
        cell that is False, nor near the border of the array: what lies beyond is not known. A
        layer that was not given is missing.
    known_areas : where a vector layer was mapped that does not reach over all of the parcel
    credits : sources whose lines must stand on all that is made of the land
    far_dem, far_grid : coarse elevations around the grid for the skyline and their own grid, or
        None
    """

    grid: Grid
    parcel: Parcel
    parcel_shape: Geometry
    dem: FloatArray
    cover_code: NDArray[np.int32]
    role: RoleArray
    canopy_m: FloatArray | None
    vectors: Mapping[str, gpd.GeoDataFrame]
    dem_cell_m: float
    cover_cell_m: float
    coverage: Mapping[str, float]
    notes: tuple[Note, ...]
    sources: tuple[Source, ...]
    class_names: Mapping[int, str] = field(default_factory=dict)
    ruled_out: tuple[tuple[Geometry, float], ...] = ()
    decisions: tuple[Record, ...] = ()
    known_places: tuple[KnownPlace, ...] = ()
    known: Mapping[str, BoolArray] = field(default_factory=dict)
    known_areas: Mapping[str, Geometry] = field(default_factory=dict)
    canopy_trees: FloatArray | None = None
    far_dem: FloatArray | None = None
    far_grid: Grid | None = None
    credits: tuple[Credit, ...] = ()

    def __repr__(self) -> str:
        grid = self.grid
        return (
            f"<Land {self.parcel.id[:40]!r}: {grid.n_rows} x {grid.n_cols} cells of "
            f"{grid.cell_size_m:g} m in {grid.crs[:20]}; layers {', '.join(self.vectors)}>"
        )

    def shapes(self, name: str) -> list[Geometry]:
        """The shapes of a vector layer in the grid's coordinates; none where it was not given."""
        return list(self.vectors[name].geometry.values) if name in self.vectors else []

    @property
    def has_cover(self) -> bool:
        """Whether land cover was given; without it every role is UNKNOWN and closes nothing."""
        return "land_cover" in self.coverage


@dataclass(frozen=True)
class Scores:
    """The index of every cell and what it is made of.

    Parameters
    ----------
    memberships : mapping from criterion name to (rows, cols) float32 in 0..1, NaN = not known;
        a criterion that cannot be judged (no such layer) is missing
    total : (rows, cols) float32, the index: times as many pictures as on plain ground, NaN = not
        known
    attraction, conditions : (rows, cols) float32, its two factors: what draws animals (most often
        1 or above) and what does not hold (1 or below)
    weights : mapping from criterion name to the weight used, the logarithm of its ratio
    """

    memberships: Mapping[str, FloatArray]
    attraction: FloatArray
    conditions: FloatArray
    total: FloatArray
    weights: Mapping[str, float]

    def __repr__(self) -> str:
        return f"<Scores of {self.total.shape} by {', '.join(self.memberships)}>"


@dataclass(frozen=True)
class Feature:
    """A thing on the ground that animals use, found by the program or known by the user.

    `words` is how a spot names it ("saddle between two knolls"), `short` the same for a small
    screen ("saddle"; "" where it is short already); coordinates are metres in the grid's coordinate
    system; `strength` is 0..1. `side` tells apart two that are called the same: see
    `siting.ground.shapes.feature_order.side_of`.
    """

    kind: str
    easting: float
    northing: float
    strength: float
    words: str
    short: str = ""
    side: str = ""


@dataclass(frozen=True)
class Candidate:
    """A cell that may become a spot.

    Row 0 is the northernmost; metres in the grid's coordinate system; `score` is the index without
    the heading, `part` the number of the connected open ground it lies in.
    """

    row: int
    col: int
    easting: float
    northing: float
    score: float
    part: int
    feature: Feature | None = None


@dataclass(frozen=True)
class Spot:
    """A ranked candidate as it is shown to a user.

    Parameters
    ----------
    rank : int, 1 is the best
    score : float, the index with the heading: 1 is plain ground; `site_score` is without it
    memberships : mapping from criterion name to 0..1
    parts : mapping from criterion name to what it adds to the logarithm of the score
    measures : mapping from layer name (with its unit) to the value at the spot
    why, pulled_down, check, cautions : plain sentences
    search_radius_m : float
        How far around the point to look for the right tree: the circle that holds most of the
        best positions of the trials, never less than the data and a phone can tell.
    name : what it is called; `place` is the same in its parts, None for a name that was given
    extent : Extent or None, what is as good, where the maps cannot tell a point
    aim, walk, stability : Aim, Walk and PlaceStability, each None where it was not found or sought
    heading_words : HeadingWords or None, what a reader is told of the aim
    place_id : the place's own name, which it keeps when its rank changes
    plain : True for an area to look over; `doubt` is what a spot depends on that no map shows,
        "use" of a trail or what was "derived", "" without one
    """

    rank: int
    row: int
    col: int
    easting: float
    northing: float
    lon: float
    lat: float
    elevation_m: float
    score: float
    site_score: float
    attraction: float
    conditions: float
    memberships: Mapping[str, float]
    measures: Mapping[str, float]
    why: tuple[str, ...]
    pulled_down: tuple[str, ...]
    check: tuple[str, ...]
    cautions: tuple[str, ...]
    search_radius_m: float
    kind: str = ""
    name: str = ""
    place: PlaceName | None = None
    aim: Aim | None = None
    heading_words: HeadingWords | None = None
    walk: Walk | None = None
    stability: PlaceStability | None = None
    extent: Extent | None = None
    place_id: str = ""
    plain: bool = False
    doubt: str = ""
    parts: Mapping[str, float] = field(default_factory=dict)

    def __repr__(self) -> str:
        named = f", {self.name[:60]}" if self.name else ""
        place = f"{self.lon:.5f}, {self.lat:.5f}"
        return f"<Spot {self.rank}: score {self.score:.3f} at lon, lat {place}{named}>"


@dataclass(frozen=True)
class Result:
    """All that is known about one parcel after the run; what the reports are written from.

    Parameters
    ----------
    layers : mapping from layer name, with its unit, to (rows, cols) float32; inf = there is none
    scores : Scores of every cell, without the heading
    no_go : (rows, cols) uint16, bits of `NoGo`; 0 = a camera may stand; spots : best first
    usable_share : share of the parcel's cells on which a camera may stand, 0..1
    proposal : the place that the survey asks for, None where there is none
    lot : the place that a camera at random would take, None without open ground; frost : whether
        snow or ice may lie while a camera stands here
    """

    land: Land
    layers: Mapping[str, FloatArray]
    scores: Scores
    no_go: NoGoArray
    spots: tuple[Spot, ...]
    features: tuple[Feature, ...]
    valley_lines: tuple[Geometry, ...]
    notes: tuple[Note, ...]
    usable_share: float
    proposal: Proposal | None = None
    random_places: tuple[RandomPlace, ...] = ()
    lot: RandomPlace | None = None
    frost: bool = True

    @property
    def plain(self) -> bool:
        """Whether no place stands out here: the spots are areas, then."""
        return any(spot.plain for spot in self.spots)

    def __repr__(self) -> str:
        return f"<Result {self.land.parcel.id[:40]!r}: {len(self.spots)} spots>"
