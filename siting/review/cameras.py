"""The used deployments as arrays, and how much so many cameras allow to say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from siting.words.office import review as words

Floats = NDArray[np.float64]

LEAST_CAMERAS, LEAST_EVENTS = 10, 10
# Floors are our choice, from seasons whose truth was known (docs/review.md).
_HEADLINE_CAMERAS, _HEADLINE_CLUSTERS, _HEADLINE_EVENTS, _HEADLINE_DAYS = 20, 10, 30, 300
_FRAGMENT_CAMERAS, _FRAGMENT_CLUSTERS = 40, 15


@dataclass(frozen=True)
class Cameras:
    """The used deployments as arrays: (n,), and (n, k) for what each criterion gives.

    Parameters
    ----------
    events, days : (n,) events of the group, and camera-days above 0
    score : (n,) ln of the score
    place_score : (n,) the same without the heading, as `land_score` is; None = `score`
    columns, protocol_w : (n, k) and (k,)
        `columns` times `protocol_w` (ln rate ratios) adds up to `score` where the protocol scores
        by rate ratios; no columns otherwise.
    land_score : (m,) ln of the score over all open ground, or None
    terms, term_names : (n, t)
        What differs between cameras besides their places (bait, model, time of year), 0 for none.
    at_m : (n, 2) easting and northing in metres from the middle of the cameras, or None
    cells : (n,) labels of survey cells, "" where a camera has none
    comparable : (n, n) True for pairs that recorded in one season, or None for all pairs
    others : events and camera-days counted in another way, by the words for it
    blocked : criterion to the code of why this season cannot speak about it
    random : (n,) True where a camera stood at a random place, or None
    by_group : (n,) events of each group of animals by its name
    recorded_days : (n,) days with a record, where the table counted these and not events
    prior_sd : (k,) how far each true ln ratio may lie from the protocol's; None = `change.TAU`
    """

    ids: tuple[str, ...]
    events: Floats
    days: Floats
    score: Floats
    cluster: NDArray[np.str_]
    columns: Floats
    names: tuple[str, ...]
    protocol_w: Floats
    land_score: Floats | None = None
    terms: Floats | None = None
    term_names: tuple[str, ...] = ()
    at_m: Floats | None = None
    cells: NDArray[np.str_] | None = None
    comparable: NDArray[np.bool_] | None = None
    others: Mapping[str, tuple[Floats, Floats]] = field(default_factory=dict)
    blocked: Mapping[str, str] = field(default_factory=dict)
    random: NDArray[np.bool_] | None = None
    by_group: Mapping[str, Floats] = field(default_factory=dict)
    recorded_days: Floats | None = None
    prior_sd: Floats | None = None
    place_score: Floats | None = None

    @property
    def of_the_place(self) -> Floats:
        """Ln of the score of the place alone, (n,), to be set beside open ground."""
        return self.score if self.place_score is None else self.place_score

    @property
    def rate(self) -> Floats:
        """Events per camera-day, (n,)."""
        return self.events / self.days

    @property
    def design(self) -> Floats:
        """Criteria and then terms, (n, k + t)."""
        return self.columns if self.terms is None else np.column_stack([self.columns, self.terms])

    def part(self, kept: NDArray[np.bool_]) -> Cameras:
        """The cameras where `kept`, shape (n,), is True."""
        rows = {
            name: value[kept]
            for name in ("events", "days", "score", "cluster", "columns", "terms", "at_m", "cells",
                         "random", "recorded_days", "place_score")
            if (value := getattr(self, name)) is not None
        }  # fmt: skip
        ids = tuple(i for i, k in zip(self.ids, kept, strict=True) if k)
        pairs = None if self.comparable is None else self.comparable[np.ix_(kept, kept)]
        # What was counted in another way is not asked of a part.
        return replace(self, ids=ids, comparable=pairs, others={}, by_group={}, **rows)


def level_of(cameras: int, clusters: int, days: float, events: float) -> str:
    """How much a season allows to say: "list", "few", "headline" or "full".

    Parameters
    ----------
    days : camera-days
    events : events of the group

    Examples
    --------
    >>> level_of(8, 8, 900, 200), level_of(15, 12, 900, 200), level_of(30, 12, 900, 200)
    ('list', 'few', 'headline')
    """
    if cameras < LEAST_CAMERAS or events < LEAST_EVENTS:
        return "list"
    if (
        cameras < _HEADLINE_CAMERAS
        or clusters < _HEADLINE_CLUSTERS
        or events < _HEADLINE_EVENTS
        or days < _HEADLINE_DAYS
    ):
        return "few"
    enough = cameras >= _FRAGMENT_CAMERAS and clusters >= _FRAGMENT_CLUSTERS
    return "full" if enough else "headline"


def too_few(
    level: str, cameras: int, clusters: int, days: float, events: float
) -> tuple[str, dict[str, object]]:
    """Code of what is not said at this level, and the numbers of its sentence; "" when all is.

    Parameters
    ----------
    days : camera-days
    events : events of the group
    """
    said: dict[str, object] = {
        "cameras": words.count(cameras, "camera", "cameras"),
        "places": words.count(clusters, "independent place", "independent places"),
        "days": f"{days:.0f}",
        "events": f"{events:.0f}",
        "least": LEAST_CAMERAS,
    }
    if level == "list":
        return "W-FEW-00", said
    if level == "few":
        floors = {"cameras": _HEADLINE_CAMERAS, "places": _HEADLINE_CLUSTERS,
                  "days": _HEADLINE_DAYS, "events": _HEADLINE_EVENTS}  # fmt: skip
        return "W-FEW-01", said | {f"least_{key}": value for key, value in floors.items()}
    if level == "headline":
        return "W-FEW-03", said | {
            "least_cameras": _FRAGMENT_CAMERAS, "least_places": _FRAGMENT_CLUSTERS
        }  # fmt: skip
    return "", {}
