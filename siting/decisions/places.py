"""How a place keeps its name: spots are matched to the places that were written before."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

_METRES_PER_DEGREE = 111_320.0
# Letters and digits that are not taken for each other when read out or written by hand.
_SIGNS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_LENGTH = 4


@dataclass(frozen=True)
class KnownPlace:
    """A place that has a name.

    Parameters
    ----------
    id : str
        Its name, the `spot_id` of tables and the `locationID` of deployments.
    lon, lat : degrees WGS 84
    radius_m : float
        How far around the point it reaches: the search radius it was shown with.
    """

    id: str
    lon: float
    lat: float
    radius_m: float


def apart_m(lon: float, lat: float, place: KnownPlace) -> float:
    """Metres between a point (degrees WGS 84) and a place; exact enough within a parcel."""
    # Across the antimeridian the short way round.
    east = (lon - place.lon + 180.0) % 360.0 - 180.0
    east *= math.cos(math.radians((lat + place.lat) / 2))
    return math.hypot(east, lat - place.lat) * _METRES_PER_DEGREE


def named_places(
    spots: Sequence[tuple[float, float, float]],
    known: Iterable[KnownPlace],
    *,
    parcel: str,
    gone: Collection[str] = (),
) -> tuple[KnownPlace, ...]:
    """The place of each spot: one that was known before, else a new one.

    A spot takes the name of the nearest known place that lies within the larger of the two search
    radii; the nearest pairs come first, and no name is given twice.

    Parameters
    ----------
    spots : (lon, lat, search radius in metres) of each spot
    known : places written before
    parcel : str
        Identifier of the parcel; the names of its places begin with it.
    gone : names of places that were ruled out: the ground beside one is another place
    """
    before = list(first_of_each(known).values())
    pairs = sorted(
        (apart_m(lon, lat, place), n, k)
        for n, (lon, lat, radius_m) in enumerate(spots)
        for k, place in enumerate(before)
        if place.id not in gone and apart_m(lon, lat, place) <= max(radius_m, place.radius_m)
    )
    names: dict[int, str] = {}
    taken: set[int] = set()
    for _, n, k in pairs:
        if n not in names and k not in taken:
            names[n] = before[k].id
            taken.add(k)
    used = {place.id for place in before}
    out = []
    for n, (lon, lat, radius_m) in enumerate(spots):
        name = names.get(n) or _new_name(parcel, lon, lat, used)
        used.add(name)
        out.append(KnownPlace(name, round(lon, 7), round(lat, 7), radius_m))
    return tuple(out)


def _new_name(parcel: str, lon: float, lat: float, used: set[str]) -> str:
    """A short name made from the place, so that two runs without memory give the same one."""
    for trial in range(1000):
        text = f"{parcel}|{lon:.5f}|{lat:.5f}|{trial}"
        number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")
        signs = ""
        for _ in range(_LENGTH):
            number, rest = divmod(number, len(_SIGNS))
            signs += _SIGNS[rest]
        if f"{parcel}-{signs}" not in used:
            return f"{parcel}-{signs}"
    raise RuntimeError(f"parcel {parcel!r} has more places than names")


def remembered(known: Iterable[KnownPlace], now: Iterable[KnownPlace]) -> tuple[KnownPlace, ...]:
    """All places that have a name, for the next run: a place that left the list may come back.

    A known place stays where it was first: a name would else wander with every new raster.
    """
    out = first_of_each([*known, *now])
    return tuple(out[name] for name in sorted(out))


def first_of_each(places: Iterable[KnownPlace]) -> dict[str, KnownPlace]:
    """Each place once, by its name: where it was written first, and as wide as it was then."""
    out: dict[str, KnownPlace] = {}
    for place in places:
        out.setdefault(place.id, place)
    return out
