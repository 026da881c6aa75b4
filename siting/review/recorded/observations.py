"""Observations of a package: animals that count, blanks, last pictures, and what is doubtful."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from siting.review.recorded.season import Deployment, Record, warning
from siting.review.recorded.tables import Row, instant, number_in
from siting.types import Note

# Our choice, no source: below this the label of a machine does not count as sure, and above these
# shares of a season something is worth a warning.
_SURE = 0.8
_UNSURE_SHARE, _UNCLASSIFIED_SHARE, _NO_BLANKS_SHARE = 0.5, 0.05, 0.8
_REGULAR_SHARE, _LEAST_REGULAR = 0.5, 20
_LEVELS = ("event", "media")
_LEFT_OUT = {"W-DEPLOY-04": "strange", "W-EVENT-02": "timeless", "W-LEVEL-02": "levelless",
             "W-TYPE-03": "typeless"}  # fmt: skip
_OPEN_KINDS = ("unclassified", "unknown")
_KINDS = ("animal", "human", "vehicle", "blank", *_OPEN_KINDS)


@dataclass
class Seen:
    """What the observations of a package come to, filled row by row."""

    records: list[Record] = field(default_factory=list)
    last: dict[str, dt.datetime] = field(default_factory=dict)
    blanks: dict[str, list[dt.datetime]] = field(default_factory=lambda: defaultdict(list))
    kinds: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    counted: Counter[str] = field(default_factory=Counter)
    once: set[tuple[str, str, dt.datetime, str]] = field(default_factory=set)

    def latest(self, key: str, time: dt.datetime | None) -> None:
        """Remember the last picture of any kind at a deployment."""
        if time is not None and (key not in self.last or time > self.last[key]):
            self.last[key] = time

    @property
    def open_share(self) -> dict[str, float]:
        """Share of a deployment's observations that nobody has classified."""
        return {
            key: sum(kinds[kind] for kind in _OPEN_KINDS) / max(kinds.total(), 1)
            for key, kinds in self.kinds.items()
        }


def observations(
    rows: Sequence[Row], media: Sequence[Row], deployments: Mapping[str, Deployment]
) -> tuple[Seen, tuple[Note, ...]]:
    """Animal records that count, last pictures, blanks, and what was noticed.

    Raises
    ------
    SitingError
        E-TABLE-01, E-TIME-01 for a time that is none.
    """
    seen = Seen()
    lapsed = _lapsed(media)
    # Both levels counted together count an animal twice: the standard's own example has 29 event
    # rows beside 337 picture rows of the same visits.
    with_events = {r["deploymentID"] for r in rows if _level(r) == "event"}
    for number, row in enumerate(rows, start=2):
        time = instant(row.get("eventStart", ""), where=f"observations.csv, row {number}")
        # Before anything is left out: a picture by the clock or of a person shows that the camera
        # worked.
        seen.latest(row.get("deploymentID", ""), time)
        if row.get("mediaID") in lapsed or row.get("eventID") in lapsed:
            seen.counted["lapse"] += 1
        elif time is None:
            seen.counted["timeless"] += 1
        elif _level(row) not in _LEVELS:
            seen.counted["levelless"] += 1
        elif _counts(row, with_events):
            _take(seen, row, time, deployments, f"observations.csv, row {number}")
    _drop_regular(seen)
    levels = {_level(r) for r in rows}
    return seen, tuple(_notes(seen, levels, deployments))


def _lapsed(media: Sequence[Row]) -> set[str]:
    """Identifiers of pictures taken by the clock, and of events that hold nothing else."""
    by_clock: set[str] = set()
    others: set[str] = set()
    for row in media:
        names = {row.get("mediaID", ""), row.get("eventID", "")} - {""}
        (by_clock if row.get("captureMethod") == "timeLapse" else others).update(names)
    return by_clock - others


def _counts(row: Row, with_events: set[str]) -> bool:
    """No picture of the setting-up, and one level of observation at a deployment."""
    level = "event" if row.get("deploymentID", "") in with_events else "media"
    return not row.get("cameraSetupType") and _level(row) == level


def _level(row: Row) -> str:
    return row.get("observationLevel", "").lower()


def _take(
    seen: Seen,
    row: Row,
    time: dt.datetime,
    deployments: Mapping[str, Deployment],
    where: str,
) -> None:
    key, kind = row.get("deploymentID", ""), row.get("observationType", "").lower()
    seen.kinds[key][kind] += 1
    seen.counted["typeless"] += kind not in _KINDS
    if kind == "blank":
        seen.blanks[key].append(time)
    if kind != "animal":
        return
    species = " ".join(row.get("scientificName", "").split())
    # A female and a male of one visit stand on two rows, too: only rows alike in sex and age are
    # twice.
    once = (key, species, time, row.get("sex", "") + row.get("lifeStage", ""))
    seen.counted["twice"] += once in seen.once
    seen.once.add(once)
    if key not in deployments:
        seen.counted["strange"] += 1
    elif _outside(deployments[key], time):
        seen.counted["outside"] += 1
    else:
        seen.records.append(Record(key, species, time, _certain(row, where)))


def _outside(deployment: Deployment, time: dt.datetime) -> bool:
    start, end = deployment.start, deployment.end
    return bool((start and time < start) or (end and time > end))


def _certain(row: Row, where: str) -> bool:
    if row.get("classificationMethod", "").lower() != "machine":
        return True
    share = number_in(row, "classificationProbability", where=where, within=(0.0, 1.0))
    # A machine that does not say how sure it is counts as unsure.
    return share is not None and share >= _SURE


def _drop_regular(seen: Seen) -> None:
    """Blanks at the same minute and second of the hour are taken by the clock, said or not."""
    for key, times in seen.blanks.items():
        stamps = Counter((time.minute, time.second) for time in times)
        stamp, count = stamps.most_common(1)[0]
        if len(times) >= _LEAST_REGULAR and count > _REGULAR_SHARE * len(times):
            kept = [t for t in times if (t.minute, t.second) != stamp]
            seen.counted["lapse"] += len(times) - len(kept)
            seen.blanks[key] = kept


def _notes(seen: Seen, levels: set[str], deployments: Mapping[str, Deployment]) -> Iterable[Note]:
    counted = seen.counted
    if {"event", "media"} <= levels:
        yield warning("W-LEVEL-01")
    if counted["lapse"]:
        yield warning("W-LAPSE-01", n=counted["lapse"])
    kinds = sum(seen.kinds.values(), Counter())
    total = sum(kinds[kind] for kind in _KINDS)
    still_open = sum(kinds[kind] for kind in _OPEN_KINDS)
    # The animals among them are missing from the rates.
    if still_open > _UNCLASSIFIED_SHARE * total:
        yield warning("W-TYPE-01", n=still_open, total=total)
    for code, kind in _LEFT_OUT.items():
        if counted[kind]:
            yield warning(code, n=counted[kind])
    if counted["outside"]:
        yield warning("W-CLOCK-01", n=counted["outside"])
    if counted["twice"]:
        yield warning("W-TWICE-01", n=counted["twice"])
    without = sum(not seen.blanks.get(key) for key in deployments)
    # Blanks are often deleted before a season is passed on: then their number says nothing.
    if total and without > _NO_BLANKS_SHARE * len(deployments):
        yield warning("W-BLANK-01")
    doubtful = sum(not record.certain for record in seen.records)
    if doubtful > _UNSURE_SHARE * len(seen.records):
        yield warning("W-LABEL-01", n=doubtful, total=len(seen.records))
