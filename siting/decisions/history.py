"""What the records of a place come to: its last state, and the deployments of its cameras."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from siting.decisions.model import Record
from siting.decisions.places import KnownPlace, named_places

_NOON = dt.time(12, 0)
_DEFAULT_RADIUS_M = 15.0


def moment_of(record: Record) -> dt.datetime:
    """When it was; a day without a time of day counts as its noon, for the order alone."""
    # In UTC: two phones of one visit may keep different clocks.
    when = record.at
    if isinstance(when, dt.datetime):
        return when.astimezone(dt.UTC)
    return dt.datetime.combine(when, _NOON, tzinfo=dt.UTC)


def in_order(records: Iterable[Record]) -> tuple[Record, ...]:
    """Records by time; those of one moment as they were written, exact copies once."""
    # By what they say and not by hash: the outline an owner drew is a mapping, which has none.
    distinct = {record.model_dump_json(): record for record in records}
    return tuple(sorted(distinct.values(), key=moment_of))


def place_key(record: Record) -> str:
    """What tells the places of a parcel apart: their name, else where they are."""
    if record.location:
        return record.location
    # Six decimals are about 0.1 m: finer than any phone, so that one place stays one key.
    return f"{record.lat:.6f} {record.lon:.6f}"


def last_states(records: Iterable[Record]) -> dict[str, Record]:
    """The record that counts for each place: the last one by time."""
    return {place_key(record): record for record in in_order(records)}


def point_of(record: Record) -> tuple[float, float] | None:
    """(lon, lat) of a place, degrees WGS 84: as planned, else as measured; None without either.

    Planned first, for that is what a re-run compares with.
    """
    if record.planned_lon is not None and record.planned_lat is not None:
        return record.planned_lon, record.planned_lat
    return None if record.lon is None or record.lat is None else (record.lon, record.lat)


def places_of(records: Iterable[Record]) -> tuple[KnownPlace, ...]:
    """Places that records name, where they were planned."""
    found: dict[str, KnownPlace] = {}
    for record in in_order(records):
        point = point_of(record)
        if record.location and point is not None and record.location not in found:
            radius_m = record.radius_m or _DEFAULT_RADIUS_M
            found[record.location] = KnownPlace(record.location, *point, radius_m)
    return tuple(found.values())


@dataclass(frozen=True)
class Deployment:
    """One camera at one place, from the day it was put up until it was moved or taken down.

    Parameters
    ----------
    parcel, location : str
    start : Record
        The record that put it up.
    end : Record or None
        The record that ended it; None while it stands.
    checks : check visits in between, by time
    """

    parcel: str
    location: str
    start: Record
    end: Record | None
    checks: tuple[Record, ...]

    @property
    def last_seen(self) -> Record:
        """The last time somebody was at the camera."""
        return self.end or (self.checks[-1] if self.checks else self.start)


def deployments_of(
    records: Iterable[Record], *, parcel: str, known: Iterable[KnownPlace] = ()
) -> tuple[Deployment, ...]:
    """The deployments that records of one parcel come to, by start.

    A record speaks of the camera that was put up under its `location`, also after that camera was
    moved: the page that writes it lists no other; a page made later knows the new place by its own
    name. A camera that was moved stands at a place of its own: a known one within the search
    radius, else one with a new name.
    """
    records = in_order(records)
    names = [*known, *places_of(records)]
    done: list[Deployment] = []
    standing: dict[str, tuple[str, Record, list[Record]]] = {}
    for record in records:
        key = _camera_of(record, standing)
        if record.state == "checked" and key in standing:
            standing[key][2].append(record)
        if record.state not in ("camera up", "moved", "taken down"):
            continue
        if key in standing:
            # A second "camera up" under one name ends the first: the page lists one camera to a
            # place.
            location, start, checks = standing.pop(key)
            done.append(Deployment(parcel, location, start, record, tuple(checks)))
        if record.state != "taken down":
            place = _standing_place(record, names, parcel)
            names.append(place)
            standing[key] = (place.id, record, [])
    done += [Deployment(parcel, loc, up, None, tuple(c)) for loc, up, c in standing.values()]
    return tuple(sorted(done, key=lambda d: (moment_of(d.start), d.location)))


def reported(
    records: Iterable[Record], *, parcel: str, known: Iterable[KnownPlace] = ()
) -> tuple[str, str]:
    """What was last reported of a parcel, and the day: of a camera that stands before all else."""
    records = in_order(records)
    standing = [d for d in deployments_of(records, parcel=parcel, known=known) if d.end is None]
    # A camera that stands outranks later words about other places: it is what must be fetched one
    # day.
    last = max((d.last_seen for d in standing), key=moment_of, default=None)
    if last is None and not records:
        return "", ""
    found = last or records[-1]
    return found.state, found.at.isoformat()[:10]


def _camera_of(record: Record, standing: Mapping[str, tuple[str, Record, list[Record]]]) -> str:
    """The key of the camera that a record speaks of, by the name of then or of now."""
    key = place_key(record)
    if key in standing:
        return key
    return next((other for other, (place, _, _) in standing.items() if place == key), key)


def deployed_places(deployments: Iterable[Deployment]) -> tuple[KnownPlace, ...]:
    """Where cameras stood or stand, under the names their deployments have."""
    return tuple(
        KnownPlace(d.location, d.start.lon or 0.0, d.start.lat or 0.0,
                   d.start.radius_m or _DEFAULT_RADIUS_M)
        for d in deployments
    )  # fmt: skip


def _standing_place(record: Record, names: Sequence[KnownPlace], parcel: str) -> KnownPlace:
    """The place that a camera stands at."""
    radius_m = record.radius_m or _DEFAULT_RADIUS_M
    # A record that says where a camera stands has a position: `Record` sees to it.
    at = (record.lon or 0.0, record.lat or 0.0, radius_m)
    if record.state == "camera up" and record.location:
        return KnownPlace(record.location, *at)
    return named_places([at], names, parcel=parcel)[0]


def newest_exports(
    files: Sequence[tuple[str, dt.datetime | dt.date | None]],
) -> list[int]:
    """Which of several exports count: of one device only the one saved last.

    Parameters
    ----------
    files : (parcel and device, when it was saved) of each file; an empty key always counts
    """
    best: dict[str, int] = {}
    for n, (key, saved) in enumerate(files):
        # Of two saved at one moment the later in the list: the folder's order is fixed.
        if key and (key not in best or _moment(saved) >= _moment(files[best[key]][1])):
            best[key] = n
    return [n for n, (key, _) in enumerate(files) if not key or best[key] == n]


def _moment(when: dt.datetime | dt.date | None) -> dt.datetime:
    if when is None:
        return dt.datetime.min.replace(tzinfo=dt.UTC)
    if isinstance(when, dt.datetime):
        return when.astimezone(dt.UTC)
    return dt.datetime.combine(when, _NOON, tzinfo=dt.UTC)
