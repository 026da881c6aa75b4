"""The score of the places where cameras really stood, by the same pipeline that sites them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.grid import transformer
from siting.kernels.bands import one_thread
from siting.pipeline import Judged as JudgedGround
from siting.pipeline import judge_parcel
from siting.read.land import all_parcels, read_parcel
from siting.read.vector.parcels import checked_parcel, point_parcel
from siting.review.recorded.season import Deployment, some, warning
from siting.review.seen import Seen, seen_from
from siting.scoring.combine import parts_of
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import NoGo, Note, Parcel, Result

_ALONE_RADIUS_M = 60.0
# Enough for a picture of twenty bars and a quartile; one parcel alone may have a million cells.
_LAND_SAMPLE = 2000
# A score of 0 has no logarithm.
_LEAST_TOTAL = 1e-4
_MOST_OUT = 0.4


@dataclass(frozen=True)
class PlaceScore:
    """The score where a camera stood.

    Parameters
    ----------
    parcel_id, survey_cell : of the parcel it stood on, "" off every parcel
    score : ln of the score, heading left out; NaN where the maps do not reach
    columns : what each criterion gives there, 0..1; times the ln rate ratios it adds up to `score`
    no_go : reasons against the place, 0 for none
    code : why it was left out, "" when it is used
    seen : what the camera looked at, None where its heading was not noted
    """

    parcel_id: str
    survey_cell: str
    score: float
    columns: Mapping[str, float]
    no_go: int
    code: str = ""
    seen: Seen | None = None


@dataclass(frozen=True)
class Judged:
    """The places of all deployments, and what is common to them.

    `protocol_w` are the ln rate ratios of the criteria, empty where the protocol scores otherwise;
    `land_score` is ln of the score over all open ground of the parcels, a sample of shape (n,).
    """

    places: Mapping[str, PlaceScore]
    protocol_w: Mapping[str, float]
    land_score: NDArray[np.float64]
    notes: tuple[Note, ...]


def judge_places(deployments: Sequence[Deployment], inputs: Inputs, protocol: Protocol) -> Judged:
    """The score at each deployment's place, parcel by parcel.

    Raises
    ------
    SitingError
        E-PLACE-02 when over 40 % of the cameras stood where no map reaches.
    """
    places: dict[str, PlaceScore] = {}
    weights: dict[str, float] = {}
    land: list[NDArray[np.float64]] = []
    with one_thread():
        for parcel, held, own in _by_parcel(deployments, inputs):
            try:
                result = judge_parcel(inputs, protocol, parcel)
            except SitingError as error:
                # The fault of one parcel's maps costs its own cameras only; they are counted below.
                places |= {d.id: _outside(parcel, own, error.code) for d in held}
                continue
            weights |= _ratios(result)
            places |= {d.id: _with_view(result, d, protocol, own) for d in held}
            land.append(_sampled(result))
    return Judged(
        places,
        weights,
        np.concatenate(land) if land else np.empty(0),
        tuple(_notes(deployments, places, weights)),
    )


def _by_parcel(
    deployments: Sequence[Deployment], inputs: Inputs
) -> list[tuple[Parcel, list[Deployment], bool]]:
    """Each parcel with its cameras; a camera off every parcel gets a circle of 60 m around it."""
    if inputs.parcel.point is not None:
        parcels = [read_parcel(inputs)]
    else:
        file = file_and_layer(inputs.parcel.file)[0]
        parcels = [checked_parcel(p, file=file) for p in all_parcels(inputs)]
    held: dict[int, list[Deployment]] = {}
    alone: list[Deployment] = []
    for one in deployments:
        at = next((i for i, parcel in enumerate(parcels) if _inside(parcel, one)), None)
        if at is None:
            alone.append(one)
        else:
            held.setdefault(at, []).append(one)
    out = [(parcels[i], found, True) for i, found in sorted(held.items())]
    return out + [(point_parcel(d.lon, d.lat, _ALONE_RADIUS_M), [d], False) for d in alone]


def _inside(parcel: Parcel, one: Deployment) -> bool:
    x, y = transformer("EPSG:4326", parcel.crs).transform(one.lon, one.lat)
    return bool(shapely.contains_xy(parcel.geometry, x, y))


def _outside(parcel: Parcel, own: bool, code: str) -> PlaceScore:
    del code
    name, cell = (parcel.id, parcel.cell) if own else ("", "")
    return PlaceScore(name, cell, float("nan"), {}, 0, "W-OUT-01")


def _ratios(result: JudgedGround) -> dict[str, float]:
    """Ln rate ratios of the criteria, where the protocol scores by them."""
    return dict(result.scores.weights)


def _place(
    result: JudgedGround | Result, one: Deployment, protocol: Protocol, own: bool
) -> PlaceScore:
    grid, scores = result.land.grid, result.scores
    x, y = transformer("EPSG:4326", grid.crs).transform(one.lon, one.lat)
    row, col = (int(v) for v in grid.rowcol(x, y))
    parcel = result.land.parcel
    name, cell = (parcel.id, parcel.cell) if own else ("", "")
    total = float(scores.total[row, col])
    if not np.isfinite(total):
        return PlaceScore(name, cell, float("nan"), {}, 0, "W-OUT-01")
    bits = int(result.no_go[row, col])
    if not own:
        bits |= int(NoGo.OUTSIDE)
    memberships = {k: v[row : row + 1, col] for k, v in scores.memberships.items()}
    return PlaceScore(
        name, cell, float(np.log(max(total, _LEAST_TOTAL))),
        _columns(memberships, scores.weights, protocol), bits,
    )  # fmt: skip


def _with_view(result: JudgedGround, one: Deployment, protocol: Protocol, own: bool) -> PlaceScore:
    place = _place(result, one, protocol, own)
    if place.code:
        return place
    x, y = transformer("EPSG:4326", result.land.grid.crs).transform(one.lon, one.lat)
    return replace(place, seen=seen_from(result.view, float(x), float(y), one))


def _columns(
    memberships: Mapping[str, NDArray[np.floating]],
    weights: Mapping[str, float],
    protocol: Protocol,
) -> dict[str, float]:
    """What each criterion gives at one place: its part of the score over its weight."""
    parts = parts_of(memberships, weights=weights, scoring=protocol.scoring)
    # A criterion of weight 0 adds nothing, and what it would give is its membership.
    return {
        name: float(parts[name][0] / weights[name] if weights[name] else memberships[name][0])
        for name in memberships
    }


def _sampled(result: JudgedGround) -> NDArray[np.float64]:
    """Ln of the score on open ground, at most so many cells at an even step."""
    open_score = result.scores.total[(result.no_go == 0) & np.isfinite(result.scores.total)]
    step = max(1, open_score.size // _LAND_SAMPLE)
    return np.asarray(np.log(np.maximum(open_score[::step].astype(np.float64), _LEAST_TOTAL)))


def _notes(
    deployments: Sequence[Deployment],
    places: Mapping[str, PlaceScore],
    weights: Mapping[str, float],
) -> list[Note]:
    notes = []
    out = [key for key, place in places.items() if place.code == "W-OUT-01"]
    if len(out) > _MOST_OUT * max(len(places), 1):
        raise SitingError(
            "E-PLACE-02",
            f"{len(out)} of {len(places)} cameras stood where the maps of the inputs do not reach: "
            f"{some(out)}.",
            rule="A place is judged by the maps around it.",
            cure="Name the inputs file of this survey area, and check longitude and latitude.",
        )
    if out:
        notes.append(warning("W-OUT-01", n=len(out), names=some(out)))
    # Kept all the same: a camera that stood there recorded what it recorded.
    closed = [key for key, place in places.items() if place.no_go and not place.code]
    if closed:
        notes.append(warning("W-OUT-02", n=len(closed), names=some(closed)))
    if not weights:
        notes.append(warning("W-SCORE-01"))
    return notes
