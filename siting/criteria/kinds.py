"""What a row of the criteria holds: attractors, conditions and the evidence they need."""

from __future__ import annotations

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
    layers : names of inputs ("dem", "land_cover", "canopy" or a vector layer); one is enough
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

    # At import: a row without a phrase stops the program before it can say half a sentence.
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
        # `said_by` is the rule's exception, and only what can be absent needs a sentence for it.
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
        # A raster shows water or woods to anyone; a game trail is on no map unless the user drew
        # it.
        rasters = {"dem", "land_cover", "canopy"}
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
    place_label : str
        What a spot is called by it, lower case; its label where "" stands.
    letter_place : str
        Where the best spot is, in a letter to an owner: "by a game trail or quiet path".
    draws : str
        Why animals pass there, as a clause after "because".
    assumed_label, assumed_why, assumed_letter_place, assumed_draws : str
        The same four where the thing is there but what it is was assumed, as with a trail of
        which nobody has said who uses it; "" where nothing is assumed.
    told_by_name : bool
        True where the spot's name tells it already, so that the card does not say it twice.
    """

    why: str = ""
    place_kind: str = ""
    place_label: str = ""
    letter_place: str = ""
    draws: str = ""
    told_by_name: bool = False
    assumed_label: str = ""
    assumed_why: str = ""
    assumed_letter_place: str = ""
    assumed_draws: str = ""

    def _optional(self) -> set[str]:
        assumed = {"assumed_label", "assumed_why", "assumed_letter_place", "assumed_draws"}
        # All four or none: a half-filled row would say "game trail" somewhere after all.
        some = any(getattr(self, name) for name in assumed)
        # `told_by_name` is False for most: an empty value is no gap there.
        return super()._optional() | {"told_by_name", "place_label"} | (set() if some else assumed)

    def as_known(self, how: str) -> Attractor:
        """The row with the phrases that fit how a thing is known."""
        if how != ASSUMED or not self.assumed_why:
            return self
        return replace(
            self,
            label=self.assumed_label,
            place_label="",
            why=self.assumed_why,
            letter_place=self.assumed_letter_place,
            draws=self.assumed_draws,
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
