"""The tables [scoring], [attractors] and [conditions]: what raises and lowers the index.

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
_SULTAIRE = (
    "direction published: Sultaire et al., Wildlife Biology (gentle slopes as good as flat or "
    "better, steepest worse for some); size our judgement"
)
_MOLL = (
    "Moll et al. 2020, doi 10.1071/WR19004 (2 to 3 times fewer when fully blocked for 5 of 8 "
    "species): ln(1 / 2.5) x 5 / 8"
)
_QUIET = (
    "our judgement; either direction by species: Rytwinski & Fahrig 2012, doi "
    "10.1016/j.biocon.2011.11.023; Marion et al. 2024, doi 10.1371/journal.pone.0300870"
)
_HEADING = "our judgement; a study gives the order (north or south better than west), no ratio"
_STRAP = "practical, not a rate; our judgement"
_GEOMETRY = "our choice: a camera sees about 15 m, land cover has cells of about 10 m"


class Scoring(Section):
    """What the index is for and how its parts add up."""

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
        "Of criteria that speak of one fact (trail, crossing ...) the strongest counts in full, "
        "the next this share.",
        ge=0.0,
        le=1.0,
    )


class Rule(Section):
    """A criterion: its rate ratio, the interval of that, and the curve to its membership."""

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
        """Standard deviation of the weight that the interval stands for."""
        return math.log(self.high / self.low) / _INTERVAL_SD

    @model_validator(mode="after")
    def _interval_in_order(self) -> Rule:
        if self.low > self.high:
            raise ValueError(f"low = {self.low:g} must not exceed high = {self.high:g}")
        return self


def _bound(default: float, which: str) -> Any:
    return param(
        default, "times", "as for ratio", f"{which} end of its 95 % interval.", ge=0.02, le=50.0
    )


def _low(default: float) -> Any:
    return _bound(default, "Lower")


def _high(default: float) -> Any:
    return _bound(default, "Upper")


def _draws(default: float, source: str) -> Any:
    text = "Pictures per day right there, as many times those on plain ground; 1 = no effect."
    return param(default, "times", source, text, ge=0.05, le=20.0)


def _costs(default: float, source: str) -> Any:
    text = "Pictures per day where it does not hold at all, as many times; 1 = no effect."
    return param(default, "times", source, text, ge=0.05, le=1.0)


class Trail(Rule):
    """Animals use trails: near a game or quiet trail."""

    ratio: float = _draws(1.6, _TRAIL)
    low: float = _low(1.0)
    high: float = _high(3.0)
    curve: Curve = _curve(
        [[0, 0.8], [3, 1], [10, 1], [15, 0.6], [30, 0]],
        "m",
        _TRIGGER,
        "Distance to the nearest game or quiet trail; a few metres off it is best.",
    )


class Water(Rule):
    """Animals use the shore: near a stream, pond or lake."""

    ratio: float = _draws(1.3, _WATER)
    low: float = _low(0.8)
    high: float = _high(2.0)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.6], [100, 0]],
        "m",
        "our judgement: use of the shore, not thirst at a distance",
        "Distance to the water's edge.",
    )


class Valley(Rule):
    """A valley line worked out from the elevations, where no water layer was given: may be dry."""

    ratio: float = _draws(1.1, "our judgement: a way down the land, water at times; no study found")
    low: float = _low(0.8)
    high: float = _high(1.5)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.6], [60, 0]],
        "m",
        "our choice: as near as the shore counts",
        "Distance to the nearest valley line.",
    )


class Crossing(Rule):
    """Where animals cross: a log or ford, a trail meeting a stream."""

    ratio: float = _draws(2.0, _LOG)
    low: float = _low(1.0)
    high: float = _high(5.0)
    curve: Curve = _curve(
        [[0, 1], [10, 1], [15, 0.6], [30, 0]],
        "m",
        _TRIGGER,
        "Distance to the nearest stream or log crossing.",
    )


class Edge(Rule):
    """Animals feed along the line where forest meets field."""

    ratio: float = _draws(1.3, _EDGE)
    low: float = _low(0.8)
    high: float = _high(2.0)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.5], [60, 0]],
        "m",
        _GEOMETRY,
        "Distance to the forest-field edge.",
    )


class Opening(Rule):
    """A clearing inside the woods draws grazers and gives a view."""

    ratio: float = _draws(1.15, _NO_STUDY)
    low: float = _low(0.8)
    high: float = _high(1.6)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.5], [60, 0]],
        "m",
        _GEOMETRY,
        "Distance to the nearest opening in the forest.",
    )


class Funnel(Rule):
    """Ground through which easy ways across the land are squeezed."""

    ratio: float = _draws(1.1, _LAPOINT)
    low: float = _low(0.7)
    high: float = _high(1.5)
    curve: Curve = _curve(
        [[1.1, 0], [1.4, 0.5], [2, 1]],
        "times the flow around",
        "McRae et al. 2008, doi 10.1890/07-1861.1 (method); knots our choice",
        "Flow of travel through the cell against the ground around it.",
    )


class SoftEdge(Rule):
    """The softer line where woods or field meet brush, reeds or rough ground."""

    ratio: float = _draws(1.15, _NO_STUDY)
    low: float = _low(0.8)
    high: float = _high(1.6)
    curve: Curve = _curve(
        [[0, 1], [15, 1], [30, 0.5], [60, 0]],
        "m",
        _GEOMETRY,
        "Distance to the nearest edge of woods or field with shrub or wetland.",
    )


class Landmark(Rule):
    """A feature found: saddle, corner, strip or point of woods, fork, pond end."""

    ratio: float = _draws(1.15, _IANNARILLI)
    low: float = _low(0.9)
    high: float = _high(1.6)
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


class Flat(Rule):
    """Near flat or gently sloping ground in front of the camera."""

    ratio: float = _costs(0.5, _SULTAIRE)
    low: float = _low(0.3)
    high: float = _high(0.9)
    curve: Curve = _curve(
        [[0, 1], [12, 1], [20, 0.5], [30, 0]],
        "degrees",
        _SULTAIRE,
        "Mean slope within the length of the view.",
    )


class View(Rule):
    """A clear view."""

    ratio: float = _costs(0.56, _MOLL)
    low: float = _low(0.4)
    high: float = _high(1.0)
    curve: Curve = _curve(
        [[0, 0], [1, 1]],
        "share of the view that is clear",
        "Moll et al. 2020, doi 10.1071/WR19004 (cover board, in a straight line)",
        "Clear share expected from the land cover within the length of the view.",
    )


class Heading(Rule):
    """A heading without low sun, with clear ground and across the way animals go."""

    ratio: float = _costs(0.8, _HEADING)
    low: float = _low(0.6)
    high: float = _high(1.0)
    curve: Curve = _curve(
        [[0, 0], [1, 1]], "score of the best heading", OWN, "Score of the best heading of the spot."
    )


class Quiet(Rule):
    """Far from traffic and people."""

    ratio: float = _costs(0.6, _QUIET)
    low: float = _low(0.3)
    high: float = _high(1.0)
    curve: Curve = _curve(
        [[0, 0], [1, 1]], "quietness", OWN, "The worst of the disturbances in [disturbance]."
    )


class Strap(Rule):
    """Something to strap the camera to."""

    ratio: float = _costs(0.7, _STRAP)
    low: float = _low(0.5)
    high: float = _high(1.0)
    curve: Curve = _curve(
        [[0, 1], [10, 1], [30, 0.3], [60, 0]],
        "m",
        "common practice, no source: reach of a strap; beyond, bring a post",
        "Distance to tree cover.",
    )


class Conditions(Section):
    """What must hold at a spot; each lowers the index where it does not."""

    flat: Flat = Flat()
    view: View = View()
    heading: Heading = Heading()
    quiet: Quiet = Quiet()
    strap: Strap = Strap()


# Ratio, low and high where a group of animals differs from all mammals (docs/method.md).
_DIFFERENCES: dict[Target, dict[str, dict[str, tuple[float, float, float]]]] = {
    "all mammals": {},
    "carnivores": {
        "attractors": {
            "trail": (3.5, 1.5, 7.0),
            "crossing": (3.5, 1.2, 7.0),
            "feature": (1.15, 0.9, 1.8),
            "water": (1.4, 0.9, 2.5),
            "edge": (1.2, 0.7, 2.0),
            "opening": (1.0, 0.7, 1.4),
        },
        "conditions": {"quiet": (0.7, 0.4, 1.2)},
    },
    "deer and other ungulates": {
        "attractors": {
            "trail": (1.5, 1.0, 2.5),
            "crossing": (1.5, 0.8, 3.0),
            "funnel": (1.1, 0.7, 1.6),
            "feature": (1.2, 0.9, 1.8),
            "water": (1.2, 0.8, 1.8),
            "edge": (1.5, 0.9, 2.5),
            "soft_edge": (1.3, 0.8, 2.0),
            "opening": (1.3, 0.8, 2.0),
        },
        "conditions": {"view": (0.5, 0.33, 1.0), "quiet": (0.5, 0.25, 1.0)},
    },
    "small mammals": {
        "attractors": {
            "trail": (1.0, 0.4, 1.5),
            "crossing": (2.5, 1.0, 6.0),
            "funnel": (1.0, 0.7, 1.4),
            "feature": (1.0, 0.8, 1.3),
            "water": (1.1, 0.8, 1.6),
            "edge": (1.1, 0.7, 1.6),
            "soft_edge": (1.2, 0.8, 1.8),
            "opening": (1.0, 0.7, 1.4),
        },
        "conditions": {
            "flat": (0.8, 0.5, 1.0),
            "view": (0.5, 0.33, 1.0),
            "quiet": (0.9, 0.6, 1.3),
        },
    },
}
TARGETS: tuple[Target, ...] = tuple(_DIFFERENCES)
"""Groups of animals that have ratios of their own."""

# Small bodies are seen over half the distance (Rowcliffe et al. 2011; Hofmeester et al. 2017).
_SMALL_REACH = 0.5
_BY_DISTANCE = ("trail", "crossing", "feature", "water", "valley", "edge", "soft_edge", "opening")


def settings_for(target: Target) -> dict[str, Any]:
    """The tables of a protocol in which a group of animals differs from the default.

    Examples
    --------
    >>> settings_for("carnivores")["attractors"]["trail"]
    {'ratio': 3.5, 'low': 1.5, 'high': 7.0}
    """
    out: dict[str, Any] = {"scoring": {"target": target}}
    for table, rules in _DIFFERENCES[target].items():
        out[table] = {
            name: {"ratio": ratio, "low": low, "high": high}
            for name, (ratio, low, high) in rules.items()
        }
    if target == "small mammals":
        for name in _BY_DISTANCE:
            knots = Attractors.model_fields[name].default.curve
            out["attractors"].setdefault(name, {})["curve"] = [
                [_SMALL_REACH * x, y] for x, y in knots
            ]
    return out
