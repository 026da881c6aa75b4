"""The tables [scoring] and [attractors]: what raises the index, and the rule of a criterion.

A number here is a rate ratio: pictures of animals per day where a criterion holds in full, against
plain ground. Its weight in the sum is the logarithm of it. Each comes with a 95 % interval and says
in its source whether a study gives it or we judged it; docs/method.md has the studies.
"""

from __future__ import annotations

import math
from typing import Any

from pydantic import model_validator

from siting.criteria import Target
from siting.settings.protocol_base import OWN, Curve, Section, param
from siting.settings.protocol_base import curve as _curve

# The width of a 95 % interval in standard deviations.
_INTERVAL_SD = 3.92

_TRAIL = (
    "direction published: Kolowski & Forrester 2017, doi 10.1371/journal.pone.0186679; Cusack et "
    "al. 2015, doi 10.1371/journal.pone.0126373 (refitted: 1.54, 1.32-1.79); size our judgement"
)
_TRIGGER = (
    "DeWitt & Cocksedge 2023, doi 10.1007/s10661-023-11945-9 (triggers fall off from 6 m); Findlay "
    "et al. 2020, doi 10.1007/s13364-020-00478-y (very close passes are missed); knots our choice"
)
_LOG = (
    "logs in forest: Kolowski & Forrester 2017, doi 10.1371/journal.pone.0186679; fords and "
    "stream crossings: our judgement"
)
_LAPOINT = (
    "our judgement, kept small: modelled corridors found 5 of 23 (LaPoint et al. 2013, doi "
    "10.1007/s10980-013-9910-0)"
)
_IANNARILLI = (
    "our judgement, kept small: placement at features helped 1 of 10 carnivores (Iannarilli et "
    "al. 2021, doi 10.2981/wlb.00726)"
)
_WATER = (
    "our judgement; direction only: Dijak & Thompson 2000, doi 10.2307/3802992 (raccoon); Edwards "
    "et al. 2016 (dry land)"
)
_EDGE = "our judgement; either direction by species: Dijak & Thompson 2000, doi 10.2307/3802992"
_NO_STUDY = "our judgement; no study found that gives a ratio"
_GEOMETRY = "our choice: a camera sees about 15 m, land cover has cells of about 10 m"


class Scoring(Section):
    """What the index is for and how its parts add up.

    `second_share` is a share 0..1 of the weight.
    """

    target: Target = param(
        "all mammals",
        "",
        "docs/method.md",
        "Group of animals the ratios are for; `siting protocol --for GROUP` prints another.",
    )
    second_share: float = param(
        0.3,
        "share",
        OWN,
        "Of criteria that describe one thing (trail, crossing ...) the strongest counts in full, "
        "the next this share.",
        ge=0.0,
        le=1.0,
    )


class Rule(Section):
    """A criterion: its rate ratio, the interval of that, and the curve to its membership.

    Ratio, low and high are times as many pictures a day, without a unit; the curve is knots of
    (value in the unit of the layer, membership 0..1).
    """

    ratio: float
    low: float
    high: float
    curve: Curve

    @property
    def weight(self) -> float:
        """Logarithm of the ratio: what the criterion adds to the sum."""
        return math.log(self.ratio)

    @property
    def spread(self) -> float:
        """Standard deviation of the weight that the interval stands for (without a unit)."""
        # On the log scale the interval of a ratio is even to both sides.
        return math.log(self.high / self.low) / _INTERVAL_SD

    @model_validator(mode="after")
    def _interval_in_order(self) -> Rule:
        if self.low > self.high:
            raise ValueError(f"low = {self.low:g} must not exceed high = {self.high:g}")
        return self


def _bound(default: float, which: str) -> Any:
    return param(
        # Wide enough for the ratio of any study, and a slip of the decimal point is caught.
        default,
        "times",
        "as for ratio",
        f"{which} end of its 95 % interval.",
        ge=0.02,
        le=50.0,
    )


def lower_end(default: float) -> Any:
    """Lower end of a ratio's 95 % interval: times as many pictures, without a unit."""
    return _bound(default, "Lower")


def upper_end(default: float) -> Any:
    """Upper end of a ratio's 95 % interval: times as many pictures, without a unit."""
    return _bound(default, "Upper")


def _draws(default: float, source: str) -> Any:
    text = "Pictures per day right there, as many times those on plain ground; 1 = no effect."
    return param(default, "times", source, text, ge=0.05, le=20.0)


# Attractors: memberships of 1 are worth the whole ratio. A curve's reach comes from what a camera
# sees (triggers fall off from 6 m) and how exactly the thing is mapped.
class Trail(Rule):
    """Animals use trails: near a game or quiet trail.

    Curve by metres.
    """

    ratio: float = _draws(1.6, _TRAIL)
    low: float = lower_end(1.0)
    high: float = upper_end(3.0)
    curve: Curve = _curve(
        [[0, 0.8], [3, 1], [10, 1], [15, 0.6], [30, 0]],
        "m",
        _TRIGGER,
        "Distance to the nearest game or quiet trail; a few metres off it is best.",
    )


# The shore is a way as well as a drink; a kilometre off it says nothing of this place.
class Water(Rule):
    """Animals use the shore: near a stream, pond or lake.

    Curve by metres.
    """

    ratio: float = _draws(1.3, _WATER)
    low: float = lower_end(0.8)
    high: float = upper_end(2.0)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.6], [100, 0]],
        "m",
        "our judgement: use of the shore, not thirst at a distance",
        "Distance to the water's edge.",
    )


# Weak on purpose: a bed derived from elevations may be dry for years.
class Valley(Rule):
    """A valley line worked out from the elevations, where no water layer was given: may be dry.

    Curve by metres.
    """

    ratio: float = _draws(1.1, "our judgement: a way down the land, water at times; no study found")
    low: float = lower_end(0.8)
    high: float = upper_end(1.5)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.6], [60, 0]],
        "m",
        "our choice: as near as the shore counts",
        "Distance to the nearest valley line.",
    )


# The best evidence of all: logs and fords gather whatever must cross.
class Crossing(Rule):
    """Where animals cross: a log or ford, a trail meeting a stream.

    Curve by metres.
    """

    ratio: float = _draws(2.0, _LOG)
    low: float = lower_end(1.0)
    high: float = upper_end(5.0)
    curve: Curve = _curve(
        [[0, 1], [10, 1], [15, 0.6], [30, 0]],
        "m",
        _TRIGGER,
        "Distance to the nearest stream or log crossing.",
    )


class Edge(Rule):
    """Animals feed along the line where forest meets field.

    Curve by metres.
    """

    ratio: float = _draws(1.3, _EDGE)
    low: float = lower_end(0.8)
    high: float = upper_end(2.0)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.5], [60, 0]],
        "m",
        _GEOMETRY,
        "Distance to the forest-field edge.",
    )


class Opening(Rule):
    """A clearing inside the woods draws grazers and gives a view.

    Curve by metres.
    """

    ratio: float = _draws(1.15, _NO_STUDY)
    low: float = lower_end(0.8)
    high: float = upper_end(1.6)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.5], [60, 0]],
        "m",
        _GEOMETRY,
        "Distance to the nearest opening in the forest.",
    )


# Small and with an interval across 1: modelled corridors have often been wrong.
class Funnel(Rule):
    """Ground through which easy ways across the land are squeezed.

    Curve by a ratio of flows, without a unit.
    """

    ratio: float = _draws(1.1, _LAPOINT)
    low: float = lower_end(0.7)
    high: float = upper_end(1.5)
    curve: Curve = _curve(
        [[1.1, 0], [1.4, 0.5], [2, 1]],
        "times the flow around",
        "McRae et al. 2008, doi 10.1890/07-1861.1 (method); knots our choice",
        "Flow of travel through the cell against the ground around it.",
    )


class SoftEdge(Rule):
    """The softer line where woods or field meet brush, reeds or rough ground.

    Curve by metres.
    """

    ratio: float = _draws(1.15, _NO_STUDY)
    low: float = lower_end(0.8)
    high: float = upper_end(1.6)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.5], [60, 0]],
        "m",
        _GEOMETRY,
        "Distance to the nearest edge of woods or field with shrub or wetland.",
    )


# Small as well: placing at features has helped few species in a published trial.
class Landmark(Rule):
    """A feature found: saddle, corner, strip or point of woods, fork, pond end.

    Curve by metres.
    """

    ratio: float = _draws(1.15, _IANNARILLI)
    low: float = lower_end(0.9)
    high: float = upper_end(1.6)
    curve: Curve = _curve(
        [[0, 1], [10, 1], [15, 0.7], [40, 0]],
        "m",
        "our choice: a feature itself is known to about 30 m",
        "Distance to the nearest feature found on the land; a faint one counts as farther away.",
    )


class Attractors(Section):
    """What brings animals past; of those that speak of one fact the strongest counts most."""

    trail: Trail = Trail()
    water: Water = Water()
    valley: Valley = Valley()
    crossing: Crossing = Crossing()
    edge: Edge = Edge()
    opening: Opening = Opening()
    funnel: Funnel = Funnel()
    soft_edge: SoftEdge = SoftEdge()
    feature: Landmark = Landmark()
