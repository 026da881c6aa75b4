"""A review from packages to pages: read, score the places, answer, write."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from siting.disk.files import canonical_json, make_folder, remove, staged
from siting.disk.lock import locked
from siting.errors import SitingError
from siting.kernels.bands import one_thread
from siting.read.file_kinds import read_text
from siting.report.destination import (
    REVIEW,
    REVIEW_PUBLIC,
    REVIEW_RECORD,
    check_kind,
    record_of,
)
from siting.review.answer import Answer, answer
from siting.review.assemble import cameras_of
from siting.review.blanks import Blanks, blanks_of
from siting.review.cameras import LEAST_CAMERAS, Cameras
from siting.review.places import Judged, judge_places
from siting.review.recorded.effort import ALL_WILD, GAPS_MIN, CameraRow, camera_rows
from siting.review.recorded.package import read_season
from siting.review.recorded.season import Season, warning
from siting.review.shown import output
from siting.review.shown.page import headline, review_page
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol

FRAGMENT = "protocol-change.toml"
NAMES = ("review.html", "review.csv", "review_weights.csv", FRAGMENT, REVIEW_RECORD)
_LEAST_OF_GROUP = 30


@dataclass(frozen=True)
class Review:
    """A review before it is written."""

    season: Season
    rows: tuple[CameraRow, ...]
    judged: Judged
    cameras: Cameras
    answer: Answer
    blanks: Blanks | None = None


def review_season(
    packages: Sequence[Path],
    inputs: Inputs,
    protocol: Protocol,
    *,
    group: str = ALL_WILD,
    groups: Mapping[str, str] | None = None,
    today: dt.datetime,
) -> Review:
    """What last season's cameras say about the score of their places.

    Parameters
    ----------
    packages : folders or zips of Camera Trap Data Packages, or plain tables
    group : str
        The one group of species the survey is for, named before looking.
    groups : mapping from species to group
    today : instant with a zone; a deployment that ends later is left out

    Raises
    ------
    SitingError
        E-REV-02 when a deployment was used for this protocol before; see docs/errors.md.
    """
    season = read_season(packages, time_zone=inputs.survey.time_zone)
    rows, notes = camera_rows(season, group=group, groups=groups, today=today)
    if _too_few_of(rows, group):
        # Decided by counts, before any place is scored: a group must not be chosen for its answer.
        fewer = warning("W-GROUP-01", n=f"{_events_of(rows):.0f}", group=group)
        group = ALL_WILD
        rows, notes = camera_rows(season, group=group, groups=groups, today=today)
        notes = (*notes, fewer)
    _check_not_used_before(rows, protocol)
    kept = [row.deployment for row in rows if not row.left_out]
    judged = judge_places(kept, inputs, protocol)
    cameras, doubts = cameras_of(rows, judged, protocol, season)
    asked = (warning("W-MAPDATE-01"),)
    noticed = (*season.notes, *notes, *judged.notes, *doubts, *asked)
    # Sums over several threads may differ in their last digit, and with it a file.
    with one_thread():
        found = answer(cameras, group=group, notes=noticed)
    blanks = blanks_of(
        season, rows, protocol, time_zone=inputs.survey.time_zone or "UTC",
        seen={key: place.seen for key, place in judged.places.items()},
    )  # fmt: skip
    return Review(season, rows, judged, cameras, found, blanks)


def _events_of(rows: Sequence[CameraRow]) -> float:
    return sum(row.events[GAPS_MIN[0]] for row in rows if not row.left_out)


def _too_few_of(rows: Sequence[CameraRow], group: str) -> bool:
    """Ten cameras and fewer than thirty events of the group that was named."""
    used = sum(not row.left_out for row in rows)
    return group != ALL_WILD and used >= LEAST_CAMERAS and _events_of(rows) < _LEAST_OF_GROUP


def write_review(
    review: Review,
    folder: Path,
    protocol: Protocol,
    *,
    today: dt.datetime,
    public: bool = False,
    overwrite: bool = False,
) -> str:
    """Write every file of a review into a folder, all or none; the headline in words.

    Raises
    ------
    SitingError
        E-OUT-01 for a link in the folder, E-OUT-03 where it holds another kind of run, E-OUT-04
        where it holds other files or a review of other packages and `overwrite` is not said.
    """
    found, cameras = review.answer, review.cameras
    kind = REVIEW_PUBLIC if public else REVIEW
    check_kind(folder, NAMES, kind=kind)
    _check_replaceable(folder, review, public=public, overwrite=overwrite)
    make_folder(folder)
    page = review_page(found, cameras, about=_about(review), blanks=review.blanks, public=public)
    with locked(folder), staged(folder, REVIEW_RECORD) as stage:
        stage.write("review.html", page)
        stage.write(
            "review.csv",
            output.review_csv(review.rows, review.judged.places, cameras, found, public=public),
        )
        if found.weights:
            stage.write("review_weights.csv", output.weights_csv(found))
        if found.groups:
            stage.write("review_groups.csv", output.groups_csv(found))
        if found.fragment and not public:
            text = output.fragment(found, review.rows, protocol, made=today.date())
            stage.write(FRAGMENT, text)
        record = {
            "kind": kind,
            "made": today.isoformat(timespec="seconds"),
            "sources": {} if public else dict(review.season.sources),
            "protocol": output.protocol_hash(protocol),
            "verdict": found.verdict,
            "notes": [] if public else [{"code": n.code, "text": n.text} for n in found.notes],
            "outputs": stage.digests(),
        }
        stage.write(REVIEW_RECORD, canonical_json(record) + "\n")
        written = set(stage.digests())
    for name in NAMES:
        if name not in written:  # an earlier review had it, this one has not
            remove(folder / name)
    return headline(found)


def _check_replaceable(folder: Path, review: Review, *, public: bool, overwrite: bool) -> None:
    found = sorted(name for name in NAMES if (folder / name).exists())
    if overwrite or not found:
        return
    record = record_of(folder, REVIEW_RECORD) or {}
    # A review to pass on does not say what it was made from.
    if public or record.get("sources") != dict(review.season.sources):
        raise SitingError(
            "E-OUT-04",
            f"{folder} holds {', '.join(found)}, which this review was not asked to replace.",
            rule="A finished review is replaced unasked only by one of the same packages.",
            cure="Say --overwrite to replace it, or name another folder with --out.",
        )


def read_groups(path: Path) -> dict[str, str]:
    """Group of each species, from a table of two columns: species, group.

    Raises
    ------
    SitingError
        E-TABLE-01 when a row does not have two columns.
    """
    rows = [row for row in csv.reader(io.StringIO(read_text(path, key="species"))) if row]
    if any(len(row) != 2 for row in rows):
        raise SitingError(
            "E-TABLE-01",
            f"{path.name} has a row without exactly two columns.",
            rule="A table of groups has two columns: species as in the package, and its group.",
            cure="Write one species per row, for example: Vulpes vulpes,foxes",
        )
    return {species.strip(): group.strip() for species, group in rows}


def _check_not_used_before(rows: Sequence[CameraRow], protocol: Protocol) -> None:
    used = set(protocol.review.used)
    twice = [row.deployment.id for row in rows if output.deployment_hash(row) in used]
    if twice:
        raise SitingError(
            "E-REV-02",
            f"{len(twice)} deployments were used for this protocol before: {twice[0]} is one.",
            rule="A season counts once: the same animals would count twice.",
            cure="Use the protocol from before that season, or review the new season alone.",
        )


def _about(review: Review) -> str:
    days = [d for row in review.rows if not row.left_out
            for d in (row.deployment.start, row.deployment.end) if d]  # fmt: skip
    if not days:
        return "No deployment could be used."
    return f"{review.answer.group}, {min(days).date()} to {max(days).date()}"
