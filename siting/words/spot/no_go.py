"""Every phrase about ground where no camera may stand: one row per reason.

Map, list, table, overview and letter read the rows; a reason of `types.NoGo` without one fails
when this module is loaded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import shapely

from siting.ground.quiet import ROAD_CLASSES
from siting.lengths import length
from siting.settings.protocol_ground import NoGoRules
from siting.types import Land, NoGo


@dataclass(frozen=True, kw_only=True)
class Reason:
    """One reason, as it is met.

    In `rule` and `letter` a set-back of the protocol stands by its name, {water_m}, and is filled
    in as metres with feet; {steep_deg} as a number; {road} is the road class that closes most.

    Parameters
    ----------
    label : str
        On the map and in lists: "too near a road".
    name : str
        On an area of the map: "road".
    rule : str
        A sentence: what the survey asks for.
    problem : str
        In the list of parcels, where it closes most of one.
    letter : str
        In a letter, after "most of it".
    layers : tuple of str
        Layers it is measured from.
    """

    label: str = ""
    name: str = ""
    rule: str = ""
    problem: str = ""
    letter: str = ""
    layers: tuple[str, ...] = ()


REASONS: Mapping[NoGo, Reason] = {
    NoGo.OUTSIDE: Reason(
        label="outside the parcel",
        name="outside the parcel",
        rule="Permission to be there ends at the parcel's line.",
        problem="outside the parcel",
        letter="lies outside the parcel",
    ),
    NoGo.BOUNDARY: Reason(
        label="too near the boundary",
        name="boundary",
        rule="Keep {boundary_m} inside the boundary: map lines are approximate.",
        # Where this set-back closes most of a parcel, its shape is what is wrong with it.
        problem="small or narrow",
        letter="lies within {boundary_m} of its boundary",
    ),
    NoGo.NO_DATA: Reason(
        label="no data",
        name="no data",
        rule="The maps say nothing about this ground.",
        problem="no map data",
        letter="is blank on the maps",
    ),
    NoGo.WATER: Reason(
        label="water",
        name="water",
        rule="Keep {water_m} from open water and from streams.",
        problem="water",
        letter="is water or lies within {water_m} of it",
        layers=("water",),
    ),
    NoGo.ROAD: Reason(
        label="too near a road",
        name="road",
        rule="Keep {road_major_m} from a major road, {road_minor_m} from a minor road, "
        "{road_track_m} from a drive or track used by vehicles.",
        problem="roads",
        letter="lies {road}",
        layers=("roads",),
    ),
    NoGo.BUILDING: Reason(
        label="too near a building",
        name="building",
        rule="Keep {building_m} from any building.",
        problem="buildings",
        letter="lies within {building_m} of a building",
        layers=("buildings",),
    ),
    NoGo.FEEDER: Reason(
        label="too near a feeder",
        name="feeder",
        rule="Keep {feeder_m} from a feeder, salt lick or other artificial feeding.",
        problem="feeders",
        letter="lies within {feeder_m} of a feeder",
        layers=("feeders",),
    ),
    NoGo.LIVESTOCK: Reason(
        label="livestock",
        name="livestock",
        rule="Keep {livestock_m} from a field with livestock.",
        problem="livestock",
        letter="is a field with livestock or lies within {livestock_m} of one",
        layers=("livestock",),
    ),
    NoGo.STEEP: Reason(
        label="too steep",
        name="too steep",
        rule="The ground is steeper than {steep_deg} degrees.",
        problem="steep",
        letter="is steeper than {steep_deg} degrees",
    ),
    NoGo.BUILT_COVER: Reason(
        label="built-up ground or close by",
        name="built-up ground or close by",
        rule="The land-cover map shows built-up ground here, or within {built_cover_m} where "
        "houses and roads are not both mapped.",
        problem="built-up",
        letter="is built-up ground or close to it",
    ),
    NoGo.USER: Reason(
        label="left out by the owner",
        name="left out by the owner",
        rule="The owner or coordinator wants this left alone.",
        problem="left out by the owner",
        letter="is left out by the owner's wish",
        layers=("no_go",),
    ),
    NoGo.RULED_OUT: Reason(
        label="ruled out on an earlier visit",
        name="ruled out on an earlier visit",
        rule="Someone was here and ruled the place out.",
        problem="ruled out on a visit",
        letter="was ruled out on an earlier visit",
    ),
}


def _check() -> None:
    for bit in NoGo:
        # A missing row counts as an empty one: both are reported by the name of the reason.
        row = REASONS.get(bit, Reason())
        for field in fields(row):
            if field.name != "layers" and not getattr(row, field.name):
                raise ValueError(f"no-go reason {bit.name} has no {field.name}")


# On loading, so that a reason without words stops the first test and no user's run.
_check()


def rule_text(bit: NoGo, rules: NoGoRules) -> str:
    """The rule of one reason with the protocol's set-backs."""
    return REASONS[bit].rule.format(**_blanks(rules))


def letter_clause(bit: NoGo, land: Land, rules: NoGoRules) -> str:
    """What a letter says of ground closed for one reason: "is steeper than 20 degrees"."""
    road = _road(land, rules) if bit is NoGo.ROAD else ""
    return REASONS[bit].letter.format(road=road, **_blanks(rules))


def labels_of(bits: int) -> tuple[str, ...]:
    """The reasons of one cell in words, in a fixed order.

    Examples
    --------
    >>> labels_of(NoGo.WATER | NoGo.STEEP)
    ('water', 'too steep')
    """
    return tuple(row.label for flag, row in REASONS.items() if bits & flag)


def _blanks(rules: NoGoRules) -> dict[str, str]:
    away = {
        name: length(getattr(rules, name)) for name in NoGoRules.model_fields if name.endswith("_m")
    }
    return {**away, "steep_deg": f"{rules.steep_deg:g}"}


def _road(land: Land, rules: NoGoRules) -> str:
    """The road class whose set-back takes most of the parcel, in words."""
    roads = land.vectors.get("roads")
    if roads is None or not len(roads):
        return "too near a road"
    kind = np.asarray(roads["class"], dtype=object)
    shapes = np.asarray(roads.geometry.values, dtype=object)
    # By the ground it takes, not by the road that is nearest: the letter speaks of the whole land.
    taken: dict[str, float] = {}
    for name in ROAD_CLASSES:
        set_back: float = getattr(rules, f"road_{name}_m")
        zone = shapely.union_all(shapely.buffer(shapes[kind == name], set_back))
        taken[name] = float(shapely.area(shapely.intersection(zone, land.parcel_shape)))
    worst = max(taken, key=lambda name: taken[name])
    called = {"major": "a major road", "minor": "a road", "track": "a drive or track"}[worst]
    return f"within {length(getattr(rules, f'road_{worst}_m'))} of {called}"
