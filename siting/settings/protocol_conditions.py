"""The table [conditions]: what must hold at a spot, and how much its absence lowers the index."""

from __future__ import annotations

from typing import Any

from siting.settings.protocol_base import OWN, Curve, Section, param
from siting.settings.protocol_base import curve as _curve
from siting.settings.protocol_score import Rule, lower_end, upper_end

_SULTAIRE = (
    "direction published: Sultaire et al., Wildlife Biology (gentle slopes as good as flat or "
    "better, steepest worse for some); size our judgement"
)
_MOLL = (
    "Moll et al. 2020, doi 10.1071/WR19004 (2 to 3 times fewer when fully blocked for 5 of 8 "
    "species): ln(1 / 2.5) x 5 / 8"
)
# Some species keep away from roads and people, others use both: hence the wide interval.
_QUIET = (
    "our judgement; either direction by species: Rytwinski & Fahrig 2012, doi "
    "10.1016/j.biocon.2011.11.023; Marion et al. 2024, doi 10.1371/journal.pone.0300870"
)
_HEADING = "our judgement; a study gives the order (north or south better than west), no ratio"
_STRAP = "practical, not a rate; our judgement"


def _costs(default: float, source: str) -> Any:
    text = "Pictures per day where it does not hold at all, as many times; 1 = no effect."
    return param(default, "times", source, text, ge=0.05, le=1.0)


# Conditions: what does not hold lowers the index. Their ratios are at most 1, so that no place is
# better for what it lacks.
class Flat(Rule):
    """Near flat or gently sloping ground in front of the camera.

    Curve by degrees.
    """

    ratio: float = _costs(0.5, _SULTAIRE)
    low: float = lower_end(0.3)
    high: float = upper_end(0.9)
    curve: Curve = _curve(
        [[0, 1], [12, 1], [20, 0.5], [30, 0]],
        "degrees",
        _SULTAIRE,
        "Mean slope within the length of the view.",
    )


# A straight line: a view half blocked loses half of what a full block would.
class View(Rule):
    """A clear view.

    Curve by the share 0..1 of the view that is clear.
    """

    ratio: float = _costs(0.56, _MOLL)
    low: float = lower_end(0.4)
    high: float = upper_end(1.0)
    curve: Curve = _curve(
        [[0, 0], [1, 1]],
        "share of the view that is clear",
        "Moll et al. 2020, doi 10.1071/WR19004 (cover board, in a straight line)",
        "Clear share expected from the land cover within the length of the view.",
    )


# Mild: the score is that of the best of 72 headings already.
class Heading(Rule):
    """A heading without low sun, with clear ground and across the way animals go.

    Curve by the score 0..1 of the best heading.
    """

    ratio: float = _costs(0.8, _HEADING)
    low: float = lower_end(0.6)
    high: float = upper_end(1.0)
    curve: Curve = _curve(
        [[0, 0], [1, 1]], "score of the best heading", OWN, "Score of the best heading of the spot."
    )


class Quiet(Rule):
    """Far from traffic and people.

    Curve by quietness 0..1.
    """

    ratio: float = _costs(0.6, _QUIET)
    low: float = lower_end(0.3)
    high: float = upper_end(1.0)
    curve: Curve = _curve(
        [[0, 0], [1, 1]], "quietness", OWN, "The worst of the disturbances in [disturbance]."
    )


# A place without a tree is not worse, only more work: a post does as well.
class Strap(Rule):
    """Something to strap the camera to.

    Curve by metres.
    """

    ratio: float = _costs(0.7, _STRAP)
    low: float = lower_end(0.5)
    high: float = upper_end(1.0)
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
