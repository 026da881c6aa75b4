"""What a place is judged by: one row per criterion, with every phrase a reader meets about it.

A criterion is one row here, one section of the same name in `settings/protocol_score.py` (ratio
and curve) and, where no layer serves it yet, one layer in `ground/layers.py`. Tables, card, letter,
page and trials read the rows; none of them keeps a list of its own.
"""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Literal

MAPPED, DERIVED, ASSUMED = "mapped", "derived", "assumed"
"""How a fact is known: in a layer that was given, worked out from elevations or cover, or by a
default that stood in. What is none of these is not known, and not said."""

Target = Literal["all mammals", "carnivores", "deer and other ungulates", "small mammals"]
TARGET_GROUPS: Mapping[str, Target] = {
    "all": "all mammals",
    "carnivores": "carnivores",
    "deer": "deer and other ungulates",
    "small": "small mammals",
}
"""Groups of animals that have ratios of their own, by the word on the command line."""

# What may stand between braces in a phrase, by field: `siting.words.spot.reasons` fills it in.
# `far` is "right here" or "12 m (39 ft) to the north", `length` is metres with feet.
_BLANKS: Mapping[str, frozenset[str]] = {
    "why": frozenset({"far", "value"}),
    "assumed_why": frozenset({"far"}),
    "weakness": frozenset({"value", "percent", "points", "length"}),
}


@dataclass(frozen=True)
class Need:
    """Evidence a criterion cannot do without: any one of these layers, known in one of these ways.

    Parameters
    ----------
    layers : names of inputs ("dem", "land_cover" or a vector layer); one of them is enough
    how : "mapped" (in the layer itself), "derived" (worked out from elevations or cover)
    """

    layers: tuple[str, ...]
    how: tuple[str, ...] = (MAPPED,)


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """What attractors and conditions have in common.

    Parameters
    ----------
    name : str
        Key in tables, in the protocol and on the page.
    group : str
        The fact it speaks of. Criteria of one group are not independent of each other.
    layer : str
        Layer it is judged by, one of `ground.layers` or "heading_score".
    unit : str
        Unit of that layer: "m", "degrees", "share" or "times".
    needs : tuple of Need
        Evidence, all of it: without one of these the criterion is not judged.
    label : str
        Its name in lists, on the weights tab and in titles, lower case.
    about : str
        One sentence beside its weight.
    not_judged : str
        Sentence for a run that lacks the layer; only where the layer must be given by the user.
    said_by : str
        Layer that sentences take their number from, where it is not the one judged by.
    """

    name: str = ""
    group: str = ""
    layer: str = ""
    unit: str = ""
    needs: tuple[Need, ...] = ()
    label: str = ""
    about: str = ""
    not_judged: str = ""
    said_by: str = ""

    def __post_init__(self) -> None:
        optional = self._optional()
        for field in fields(self):
            if not getattr(self, field.name) and field.name not in optional:
                raise ValueError(f"criterion {self.name!r} has no {field.name}")
            blanks = _BLANKS.get(field.name, frozenset())
            used = _blanks_of(getattr(self, field.name))
            if not used <= blanks:
                raise ValueError(
                    f"criterion {self.name!r}: {field.name} may use "
                    f"{sorted(blanks)}, not {sorted(used - blanks)}"
                )

    def _optional(self) -> set[str]:
        return {"said_by"} if self.must_be_given else {"said_by", "not_judged"}

    @property
    def measure(self) -> str:
        """The layer that sentences take their number from."""
        return self.said_by or self.layer

    @property
    def kind(self) -> Literal["attractor", "condition"]:
        """The group of the protocol it belongs to, without its s."""
        return "attractor" if isinstance(self, Attractor) else "condition"

    @property
    def curve_key(self) -> str:
        """Where the protocol keeps its curve: "attractors.trail.curve"."""
        return f"{self.kind}s.{self.name}.curve"

    @property
    def must_be_given(self) -> bool:
        """True where no raster can stand in for a vector layer that only the user can give."""
        rasters = {"dem", "land_cover"}
        return any(need.how == (MAPPED,) and not rasters & set(need.layers) for need in self.needs)


@dataclass(frozen=True, kw_only=True)
class Attractor(Criterion):
    """Something that brings animals past.

    Parameters
    ----------
    why : str
        Sentence on the card, with {far} for a distance or {value} for the layer's value.
    place_kind : str
        The kind of place a survey counts it as, a key of `settings.protocol_assign.AssignShare`.
    letter_place : str
        Where the best spot is, in a letter to an owner: "by a game trail or quiet path".
    assumed_label, assumed_why, assumed_letter_place : str
        The same three where the thing is there but what it is was assumed, as with a trail of
        which nobody has said who uses it; "" where nothing is assumed.
    told_by_name : bool
        True where the spot's name tells it already, so that the card does not say it twice.
    """

    why: str = ""
    place_kind: str = ""
    letter_place: str = ""
    told_by_name: bool = False
    assumed_label: str = ""
    assumed_why: str = ""
    assumed_letter_place: str = ""

    def _optional(self) -> set[str]:
        assumed = {"assumed_label", "assumed_why", "assumed_letter_place"}
        # All three or none: a half-filled row would say "game trail" somewhere after all.
        some = any(getattr(self, name) for name in assumed)
        return super()._optional() | {"told_by_name"} | (set() if some else assumed)

    def as_known(self, how: str) -> Attractor:
        """The row with the phrases that fit how a thing is known."""
        if how != ASSUMED or not self.assumed_why:
            return self
        return replace(
            self,
            label=self.assumed_label,
            why=self.assumed_why,
            letter_place=self.assumed_letter_place,
        )


@dataclass(frozen=True, kw_only=True)
class Condition(Criterion):
    """Something that must hold wherever a camera stands.

    Parameters
    ----------
    weakness : str
        Sentence on the card where it holds badly, with {value}, {percent}, {points} or {length}.
    weakness_nowhere : str
        The same where a distance has no end, as there is no such thing anywhere around.
    letter_limit : str
        Clause of a letter: what limits the parcel even at its best place.
    problem : str
        The same in two or three words, for the list of parcels.
    """

    weakness: str = ""
    weakness_nowhere: str = ""
    letter_limit: str = ""
    problem: str = ""

    def _optional(self) -> set[str]:
        # Only a distance can be without end.
        return super()._optional() | (set() if self.unit == "m" else {"weakness_nowhere"})


def _blanks_of(value: object) -> set[str]:
    if not isinstance(value, str):
        return set()
    return {name for _, name, _, _ in string.Formatter().parse(value) if name is not None}


CRITERIA: tuple[Criterion, ...] = (
    Attractor(
        name="trail",
        group="movement",
        layer="distance_to_trail_m",
        unit="m",
        needs=(Need(("trails",)),),
        label="game trail or quiet path",
        about="Animals follow trails: close to a game trail or quiet path.",
        not_judged="No trails were given, so closeness to a trail could not be judged.",
        why="A game trail or quiet path {far}.",
        place_kind="trail",
        letter_place="by a game trail or quiet path",
        assumed_label="trail of unknown use",
        assumed_why="A trail {far}. We do not know who uses it: animals may, and so may many "
        "people. Go and look before you choose this spot.",
        assumed_letter_place="by a trail whose use is not known",
    ),
    Attractor(
        name="water",
        group="water",
        layer="distance_to_water_m",
        unit="m",
        needs=(Need(("water", "land_cover")),),
        label="water",
        about="Animals need to drink: close to a stream, pond or lake.",
        why="Water {far}.",
        place_kind="water",
        letter_place="near water",
    ),
    Attractor(
        name="valley",
        group="water",
        layer="distance_to_valley_m",
        unit="m",
        needs=(Need(("dem",), (DERIVED,)),),
        label="valley line, may be dry",
        about="A valley line worked out from the elevations; it may be dry.",
        why="A valley line {far}; it may be dry.",
        place_kind="passage",
        letter_place="along a valley line, which may be dry",
    ),
    Attractor(
        name="crossing",
        group="movement",
        layer="distance_to_crossing_m",
        unit="m",
        needs=(Need(("crossings", "trails")), Need(("crossings", "water"))),
        label="stream crossing",
        about="Where animals cross water: a log, a ford, or a trail meeting a stream.",
        not_judged="No crossings were given, nor trails and water together, so stream crossings "
        "could not be judged.",
        why="A stream crossing {far}.",
        place_kind="water",
        letter_place="at a stream crossing",
    ),
    Attractor(
        name="edge",
        group="edge",
        layer="distance_to_edge_m",
        unit="m",
        needs=(Need(("land_cover",)),),
        label="forest-field edge",
        about="Animals feed along the line where forest meets field.",
        why="The edge between forest and field {far}.",
        place_kind="edge",
        letter_place="where forest meets field",
    ),
    Attractor(
        name="opening",
        group="edge",
        layer="distance_to_opening_m",
        unit="m",
        needs=(Need(("land_cover",)),),
        label="forest opening",
        about="A clearing in the woods draws grazing animals and gives a clear view.",
        why="A forest opening {far}.",
        place_kind="opening",
        letter_place="at a forest opening",
    ),
    Attractor(
        name="funnel",
        group="movement",
        layer="funnel_ratio",
        unit="times",
        needs=(Need(("dem",), (DERIVED,)), Need(("land_cover",), (DERIVED,))),
        label="narrow passage",
        about="A narrow passage: animals crossing the land are likely to pass here.",
        why="Animals crossing the land are likely to pass here ({value:.1f} times the traffic "
        "nearby, by our model).",
        place_kind="passage",
        letter_place="at a narrow passage that animals are likely to use",
    ),
    Attractor(
        name="soft_edge",
        group="edge",
        layer="distance_to_soft_edge_m",
        unit="m",
        needs=(Need(("land_cover",)),),
        label="edge of brush or reeds",
        about="Where woods or field meet brush, reeds or rough ground.",
        why="The edge of brush or reeds {far}.",
        place_kind="edge",
        letter_place="at the edge of brush or reeds",
    ),
    Attractor(
        name="feature",
        group="movement",
        layer="felt_feature_m",
        said_by="distance_to_feature_m",
        unit="m",
        needs=(Need(("dem", "land_cover"), (MAPPED, DERIVED)),),
        label="landform animals follow",
        about="A saddle, a corner, strip or point of woods, a fork in a trail, the end of a pond.",
        why="The shape of the land leads animals past a place {far}.",
        place_kind="passage",
        letter_place="where the shape of the land leads animals past",
        told_by_name=True,
    ),
    Condition(
        name="flat",
        group="ground",
        layer="view_slope_deg",
        unit="degrees",
        needs=(Need(("dem",)),),
        label="nearly level ground",
        about="Nearly level ground in front of the camera.",
        weakness="The ground in view slopes about {value:.0f} degrees.",
        letter_limit="even the best place looks onto sloping ground",
        problem="sloping ground",
    ),
    Condition(
        name="view",
        group="view",
        layer="clear_share",
        unit="share",
        needs=(Need(("land_cover",)),),
        label="clear view",
        about="A clear view: few plants between camera and animal.",
        weakness="Plants may block the view: about {percent} of it is likely to be clear.",
        letter_limit="plants are likely to block the view even at the best place",
        problem="overgrown view",
    ),
    Condition(
        name="heading",
        group="heading",
        layer="heading_score",
        unit="share",
        needs=(Need(("dem",)),),
        label="direction to face",
        about="A direction with no low sun, open ground ahead, and animals crossing the picture.",
        weakness="No direction is ideal: the best one has {points} of 100 points.",
        letter_limit="even at the best place every direction has low sun or another drawback",
        problem="low sun or no good direction",
    ),
    Condition(
        name="quiet",
        group="quiet",
        layer="quietness",
        unit="share",
        needs=(Need(("roads", "buildings", "trails")),),
        label="quiet",
        about="Far from traffic and people.",
        not_judged="No roads, buildings or busy trails were given, so quiet could not be judged.",
        weakness="People, buildings or traffic may be close: {points} of 100 points for quiet.",
        letter_limit="people, buildings or traffic may be close even at the best place",
        problem="people and traffic",
    ),
    Condition(
        name="strap",
        group="strap",
        layer="distance_to_tree_m",
        unit="m",
        needs=(Need(("land_cover",)),),
        label="tree for the camera",
        about="A tree to strap the camera to.",
        weakness="The nearest trees on the map are {length} away: look for a single one, or "
        "bring a post.",
        weakness_nowhere="The maps show no trees here or anywhere around: bring a post.",
        letter_limit="the maps show no trees near the best place",
        problem="no trees close by",
    ),
)
"""Every criterion, attractors first, in the order tables and page show them."""


def attractors() -> dict[str, Attractor]:
    """The attractors by name, in the order of the rows."""
    return {row.name: row for row in CRITERIA if isinstance(row, Attractor)}


def conditions() -> dict[str, Condition]:
    """The conditions by name, in the order of the rows."""
    return {row.name: row for row in CRITERIA if isinstance(row, Condition)}


def names() -> tuple[str, ...]:
    """Names of all criteria, in the order of the rows."""
    return tuple(row.name for row in CRITERIA)


def label_of(name: str, default: str, *, how: str = MAPPED) -> str:
    """What a criterion is called in lists; `default` for a name that is no criterion's.

    `how` is how it is known at the place that is named by it.
    """
    if name in (known := attractors()):
        return known[name].as_known(how).label
    return next((row.label for row in CRITERIA if row.name == name), default)


def known_at(name: str, measures: Mapping[str, float]) -> str:
    """How what a criterion speaks of is known at a place: mapped, derived or assumed.

    Parameters
    ----------
    name : a criterion
    measures : mapping from layer name to the value at the place
    """
    if name == "trail":
        unknown = measures.get("distance_to_unsure_trail_m", math.inf)
        return ASSUMED if unknown <= measures.get("distance_to_trail_m", math.inf) else MAPPED
    row = next(row for row in CRITERIA if row.name == name)
    return DERIVED if any(need.how == (DERIVED,) for need in row.needs) else MAPPED
