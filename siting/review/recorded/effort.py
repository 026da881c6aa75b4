"""From a season to rows a model can take: days, events of one group, clusters, what is left out."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np

from siting.review.recorded.package import TAME
from siting.review.recorded.season import Deployment, Record, Season, some, warning
from siting.review.recorded.tables import metres_between
from siting.types import Note

ALL_WILD = "all wild animals"
GAPS_MIN = (30.0, 0.0, 60.0)
"""Independence intervals, minutes: the first is used, the others are shown beside it."""

_DAY_S = 86_400.0
# Our choice: ln of a few hours must not reach the fit as an offset.
_LEAST_DAYS = 1.0
# Our choice: a longer one is a slip in a year, and its days would outweigh the whole season.
_MOST_DAYS = 800.0
# Our choice: both at once, so that neither a short stay nor a long one is doubted for a few quiet
# days.
_SILENT_DAYS, _SILENT_SHARE = 7.0, 0.25
# Our choice: cameras nearer than this record the same animals; a place that does not say how exact
# it is counts as good to 15 m.
_NEAR_M, UNSTATED_M = 30.0, 15.0


def camera_days(start: dt.datetime, end: dt.datetime) -> float:
    """Days from start to end, both with a zone; nights of a clock change count what they last."""
    return (end - start).total_seconds() / _DAY_S


def count_events(
    times: Iterable[dt.datetime],
    *,
    gap_min: float = 30.0,
    counted_from: Literal["last", "first"] = "last",
) -> int:
    """Independent events among the records of one species at one deployment.

    A new event begins when at least `gap_min` minutes have passed since the last record, or since
    the first record of the event. Records of one instant are one: a herd, or a female and a male
    on two rows, is one event.

    Parameters
    ----------
    times : instants of the records, in any order
    gap_min : float, minutes; 30 is usual (common practice, no source)

    Examples
    --------
    >>> at = [dt.datetime(2026, 5, 1, m // 60, m % 60) for m in (0, 20, 40, 60, 100)]
    >>> count_events(at), count_events(at, counted_from="first")
    (2, 3)
    """
    gap = dt.timedelta(minutes=gap_min)
    count, reference = 0, None
    for time in sorted(set(times)):
        if reference is None or time - reference >= gap:
            count, reference = count + 1, time
        elif counted_from == "last":
            reference = time
    return count


@dataclass(frozen=True)
class CameraRow:
    """One deployment as the review uses it.

    Parameters
    ----------
    days : camera-days, 0 where the deployment is left out
    events : events of the group by independence interval, minutes
    left_out : code of the reason, "" when it is used
    cluster : label shared by deployments that are not independent of each other
    days_to_last : camera-days up to the last picture of any kind
    sure_events : events of the group without records that a machine was not sure of
    by_group : events of every group of the office's table, or of every species without one
    """

    deployment: Deployment
    days: float
    events: Mapping[float, float]
    left_out: str
    cluster: str
    days_to_last: float
    sure_events: float = 0.0
    by_group: Mapping[str, float] = field(default_factory=dict)

    @property
    def fell_silent(self) -> bool:
        """True where the last picture was long before the end: the camera may have failed."""
        silent = self.days - self.days_to_last
        return silent > _SILENT_DAYS and silent > _SILENT_SHARE * self.days


Times = Mapping[str, Mapping[str, list[dt.datetime]]]
"""Instants of records by deployment and species."""


def camera_rows(
    season: Season,
    *,
    group: str = ALL_WILD,
    groups: Mapping[str, str] | None = None,
    today: dt.datetime,
) -> tuple[tuple[CameraRow, ...], tuple[Note, ...]]:
    """Every deployment of the season, those without animals too, and what was noticed.

    Parameters
    ----------
    group : str
        Group whose events count; `ALL_WILD` is every animal but livestock, pets and people.
    groups : mapping from species to group, the office's own table; never matched by likeness
    today : instant; a deployment that ends later has not ended
    """
    wanted, kinds, notes = _species_of(season, group, groups or {})
    times, sure = _times(season.records), _times(r for r in season.records if r.certain)
    clusters, near = _clusters(list(season.deployments.values()))
    rows = []
    # From the deployments and not from the records: cameras without animals would vanish.
    for key, one in season.deployments.items():
        days, left_out = _days(one, today)
        # A camera that sleeps longer than the gap cannot tell two visits apart any sooner.
        gaps = {gap: max(gap, one.delay_s / 60) for gap in GAPS_MIN}
        rows.append(
            CameraRow(
                one, days,
                {gap: _events(season, times, key, wanted, used) for gap, used in gaps.items()},
                left_out, clusters[key], _to_last(season, one, days),
                _events(season, sure, key, wanted, gaps[GAPS_MIN[0]]),
                {name: _events(season, times, key, species, gaps[GAPS_MIN[0]])
                 for name, species in kinds.items()},
            )
        )  # fmt: skip
    found = [*notes, *near, *_effort_notes(rows), *_event_notes(season.records)]
    return tuple(rows), tuple(found)


def _times(records: Iterable[Record]) -> Times:
    found: dict[str, dict[str, list[dt.datetime]]] = defaultdict(lambda: defaultdict(list))
    for record in records:
        found[record.deployment][record.species].append(record.time)
    return found


def _species_of(
    season: Season, group: str, groups: Mapping[str, str]
) -> tuple[set[str], dict[str, set[str]], list[Note]]:
    """Species that count, species of every group, and what was noticed about names."""
    counts: dict[str, float] = defaultdict(float)
    for record in season.records:
        counts[record.species] += 1
    for (_, species), value in season.counts.items():
        counts[species] += value
    tame = sorted(name for name in counts if name.lower() in TAME)
    notes = []
    if tame:
        listed = [f"{name} ({counts[name]:g})" for name in tame]
        notes.append(warning("W-NAME-02", names=some(listed)))
    wild = set(counts) - set(tame)
    kinds: dict[str, set[str]] = defaultdict(set)
    for name in sorted(wild):
        kinds[groups.get(name, "") if groups else name].add(name)
    kinds.pop("", None)
    if group == ALL_WILD:
        return wild, dict(kinds), notes
    # Named with their counts: under a synonym the animals would be missing without a word.
    unknown = sorted(wild - set(groups))
    if unknown:
        listed = [f"{name} ({counts[name]:g})" for name in unknown]
        notes.append(warning("W-NAME-01", n=len(unknown), names=some(listed)))
    return {name for name in wild if groups.get(name) == group}, dict(kinds), notes


def _events(season: Season, times: Times, key: str, wanted: set[str], gap_min: float) -> float:
    held = times.get(key, {})
    # A plain table gives counts: they are the office's events, whatever the gap. Beside a package
    # its cameras have counts, those of the package records.
    given = sum(v for (at, s), v in season.counts.items() if at == key and s in wanted)
    return given + float(sum(count_events(held[s], gap_min=gap_min) for s in held if s in wanted))


def _days(one: Deployment, today: dt.datetime) -> tuple[float, str]:
    """Camera-days, and the code of the reason why the deployment cannot be used."""
    # A missing end is never taken from the last animal: that would drop the quiet days.
    if one.start is None or one.end is None or one.end > today:
        return 0.0, "W-EFFORT-01"
    days = camera_days(one.start, one.end)
    if days > _MOST_DAYS:
        return 0.0, "W-EFFORT-04"
    return (days, "") if days >= _LEAST_DAYS else (0.0, "W-EFFORT-03")


def _to_last(season: Season, one: Deployment, days: float) -> float:
    last = season.last_picture.get(one.id)
    if last is None or one.start is None or one.end is None or days == 0:
        return days
    return min(max(camera_days(one.start, min(last, one.end)), _LEAST_DAYS), days)


def _effort_notes(rows: Sequence[CameraRow]) -> Iterable[Note]:
    for code in ("W-EFFORT-01", "W-EFFORT-03", "W-EFFORT-04"):
        found = [row.deployment.id for row in rows if row.left_out == code]
        if found:
            yield warning(code, n=len(found), names=some(found))
    silent = [row.deployment.id for row in rows if row.fell_silent]
    if silent:
        yield warning("W-EFFORT-02", n=len(silent), names=some(silent))
    doubted = [row.deployment.id for row in rows if row.deployment.clock_doubtful]
    if doubted:
        yield warning("W-CLOCK-02", n=len(doubted), names=some(doubted))
    yield from _overlaps(rows)


def _overlaps(rows: Sequence[CameraRow]) -> Iterable[Note]:
    """One camera cannot stand at two places at a time."""
    by_camera: dict[str, list[Deployment]] = defaultdict(list)
    for row in rows:
        if row.deployment.camera_id and not row.left_out:
            by_camera[row.deployment.camera_id].append(row.deployment)
    found = []
    for camera, several in by_camera.items():
        ordered = sorted(several, key=lambda d: (d.start or dt.datetime.min, d.id))
        for a, b in pairwise(ordered):
            # Up to an hour is taken for a time noted roughly (our choice); more would count effort
            # twice.
            if a.end and b.start and (a.end - b.start) > dt.timedelta(hours=1):
                found.append(f"{camera}: {a.id} and {b.id}")
    if found:
        yield warning("W-DEPLOY-02", n=len(found), names=some(found))


def _event_notes(records: Sequence[Record]) -> Iterable[Note]:
    """A warning where the records look like single pictures rather than visits."""
    by_key: dict[tuple[str, str], list[dt.datetime]] = defaultdict(list)
    for record in records:
        by_key[record.deployment, record.species].append(record.time)
    gaps = [
        (b - a).total_seconds() / 60
        for times in by_key.values()
        for a, b in pairwise(sorted(set(times)))
    ]
    # Our choice: records so close together are pictures of one visit.
    if gaps and float(np.median(gaps)) < 5:
        yield warning("W-EVENT-01", gap=f"{GAPS_MIN[0]:g}")


def _clusters(deployments: Sequence[Deployment]) -> tuple[dict[str, str], list[Note]]:
    """One label for deployments at one place: same place, or nearer than their places are exact."""
    label = {d.id: d.id for d in deployments}

    def root(key: str) -> str:
        while label[key] != key:
            key = label[key]
        return key

    joined = []
    for i, a in enumerate(deployments):
        for b in deployments[:i]:
            if _one_place(a, b):
                # The lesser name stays, so that the order of the rows changes nothing.
                low, high = sorted((root(a.id), root(b.id)))
                label[high] = low
                joined.append(a.id)
    notes = []
    if joined:
        notes.append(warning("W-PLACE-02", names=some(joined)))
    return {d.id: root(d.id) for d in deployments}, notes


def _one_place(a: Deployment, b: Deployment) -> bool:
    if a.place_id and a.place_id == b.place_id:
        return True
    # Places nearer to each other than they are exact may be one and the same.
    exact = max(_NEAR_M, a.uncertainty_m or UNSTATED_M, b.uncertainty_m or UNSTATED_M)
    return metres_between(a, b) < exact
