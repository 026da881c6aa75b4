"""One parcel of a batch as a job: what goes to a worker, and the row that comes back.

A job never raises: a failure of one parcel is its result, so that it harms only itself.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from siting.batch.fingerprints import NO_DECISIONS
from siting.batch.rows import Done, Failure, PlaceByLot, ScoredParcel, ScoredSpot, SettledPlace
from siting.batch.survey.assign_program import Option, place_kind
from siting.decisions.proposal import PROPOSED
from siting.disk.files import LAST, check_unlinked, make_folder, safe_name
from siting.disk.lock import locked
from siting.disk.paths import file_and_layer
from siting.errors import SitingError, memory_error, out_of_memory
from siting.lengths import whole_minutes
from siting.pipeline import site_parcel
from siting.read.vector.decision_files import Decisions
from siting.read.vector.parcels import checked_parcel
from siting.report import write_report
from siting.report.files.places import places_now
from siting.report.files.random_places import place_name, place_rows
from siting.scoring.common_maps import best_without, fair_share, maps_of
from siting.scoring.stability import FIRM
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import Parcel, Result, Spot
from siting.words.office.letters import draws_words, letter_sentence, limit_of, where
from siting.words.spot.doubt import asked_index, begin_at

_LOG = logging.getLogger(__name__)
PARCELS = "parcels"
# The pages of a large parcel take a minute; who holds its folder longer hangs.
_OTHER_WRITES_S = 600.0


@dataclass(frozen=True)
class Job:
    """All that a worker needs; only paths and small values cross to it.

    Parameters
    ----------
    parcel : Parcel
        As read from its file, not yet checked.
    folder : Path or None
        Output folder of the batch when the parcel's pages are wanted, None for its row alone.
    decisions : Decisions
        What was decided about the parcel, and the places that have a name.
    offered : (name of a place, why) or None
        What the assignment proposes.
    """

    parcel: Parcel
    inputs: Inputs
    protocol: Protocol
    folder: Path | None = None
    decisions: Decisions = NO_DECISIONS
    offered: tuple[str, str] | None = None


def parcel_folder(folder: Path, identifier: str) -> Path:
    """Where the pages of a parcel go."""
    return folder / PARCELS / safe_name(identifier)


def do_job(job: Job) -> Done | Failure:
    """Score one parcel and write its pages if wanted; never raises for a fault of the parcel."""
    try:
        return _done(job)
    except SitingError as error:
        return _failure(error, job.inputs)
    # Whatever it is, it must not end the worker: a job returns its failure.
    except Exception as error:
        if out_of_memory(error):
            needed = memory_error("The parcel needed more memory than there was.")
            return _failure(needed, job.inputs)
        _LOG.debug("parcel %s failed", job.parcel.id, exc_info=True)
        return {"code": "E-INTERNAL", "message": f"{type(error).__name__}: {error}"}


def _failure(error: SitingError, inputs: Inputs) -> Failure:
    """The failure as the journal and failures.csv hold it, without the way to the user's files."""
    message = str(error).removeprefix(f"{error.code}: ")
    homes = {str(inputs.folder.absolute()), *(str(Path(f).parent) for f in _absolute_files(inputs))}
    # The longest first: the folder of one file may lie in that of another.
    for home in sorted(homes, key=len, reverse=True):
        message = message.replace(f"{home}/", "")
    return {"code": error.code, "message": message}


def _absolute_files(inputs: Inputs) -> list[str]:
    given = [
        inputs.parcel.file,
        *(f for spec in inputs.rasters().values() for f in spec.every_file),
    ]
    given += [path for _, layer in inputs.layers.files() for path in layer.paths]
    return [name for name in given if Path(name).is_absolute()]


def _done(job: Job) -> Done:
    file = Path(file_and_layer(job.inputs.parcel.file)[0]).name
    parcel = checked_parcel(job.parcel, file=file)
    result = site_parcel(
        job.inputs, job.protocol, parcel, decisions=job.decisions, offered=job.offered
    )
    record = ""
    if job.folder is not None:
        folder = parcel_folder(job.folder, parcel.id)
        check_unlinked(folder)
        make_folder(folder)
        # A cluster may give one job to two workers, when it took the first for lost: either would
        # take the other's unfinished files for those of a dead run and remove them.
        with locked(folder, wait_s=_OTHER_WRITES_S):
            digests = write_report(result, folder, protocol=job.protocol, inputs=job.inputs)
        record = digests[LAST]
    return {
        "row": parcel_row(result, job.protocol),
        "record": record,
        "offered": list(job.offered) if job.offered else None,
        "places": [(p.id, p.lon, p.lat, p.radius_m) for p in places_now(result)],
    }


def parcel_row(result: Result, protocol: Protocol) -> ScoredParcel:
    """What the tables and the overview say about one parcel, as plain values.

    Numbers are rounded to what the maps support; None means "not known" or "does not apply".
    """
    parcel = result.land.parcel
    shape = result.land.parcel_shape
    # Not the centroid, which may lie outside a bent parcel or in its hole.
    inside = shapely.point_on_surface(shape)
    lon, lat = result.land.grid.to_lonlat.transform(inside.x, inside.y)
    limit = limit_of(result, rules=protocol.no_go)
    firm = firm_count(result.spots)
    # Not always the first: one with an open question gives way to another that comes as near.
    best = begin_at(result.spots) if result.spots else None
    area_m2 = float(shapely.area(shape))
    return {
        "parcel_id": parcel.id,
        "parcel_label": parcel.label,
        "survey_cell": parcel.cell,
        "priority": _number(parcel.priority, 6),
        "lon_deg": round(float(lon), 6),
        "lat_deg": round(float(lat), 6),
        "area_ha": round(area_m2 / 1e4, 2),
        "best_score": None if best is None else _number(best.score, 4),
        "judged_by": maps_of(result.land),
        "best_without": best_without(result.scores, result.no_go == 0, scoring=protocol.scoring),
        "spots": len(result.spots),
        "firm_spots": firm,
        "usable_share": round(result.usable_share, 6),
        "limit": limit.words,
        "limit_share": _number(limit.share, 4),
        "problem": limit.problem,
        "sentence": letter_sentence(
            result, limit=limit, firm=firm, scant_share=protocol.assign.scant_share
        ),
        "cautions": list(dict.fromkeys(text for spot in result.spots for text in spot.cautions)),
        "caution_spots": _caution_spots(result),
        "warnings": [note.text for note in result.notes if note.level == "warning"],
        "decided": _decided(result),
        "lot": _lot(result),
        "drawn": place_rows(result, seed=protocol.random.seed),
        "begin": None if best is None else best.rank,
        "top": [_spot_row(spot, result) for spot in result.spots],
    }


def _caution_spots(result: Result) -> list[list[int]]:
    """For each caution of the row, the ranks of its spots; empty where all spots share it."""
    found: dict[str, list[int]] = {}
    for spot in result.spots:
        for text in dict.fromkeys(spot.cautions):
            found.setdefault(text, []).append(spot.rank)
    return [[] if len(ranks) == len(result.spots) else ranks for ranks in found.values()]


def firm_count(spots: tuple[Spot, ...]) -> int | None:
    """How many spots are firm choices when maps and ratios are shaken; None where no trials ran."""
    known = [spot.stability for spot in spots if spot.stability]
    firm = sum(one.word == FIRM for one in known)
    return firm if known or not spots else None


def _decided(result: Result) -> SettledPlace | None:
    """The place that a volunteer chose or a camera stands at; None where there is none."""
    asked = result.proposal
    if asked is None or asked.state == PROPOSED or asked.lon is None or asked.lat is None:
        return None
    return {
        "state": asked.state,
        "spot": asked.rank,
        "place_id": asked.place_id,
        "lon_deg": round(asked.lon, 6),
        "lat_deg": round(asked.lat, 6),
    }


def _lot(result: Result) -> PlaceByLot | None:
    """Where a camera at random would stand; None where no ground is open."""
    lot, land = result.lot, result.land
    if lot is None:
        return None
    lon, lat = land.grid.to_lonlat.transform(lot.easting, lot.northing, errcheck=True)
    return {
        "place_id": place_name(land.parcel.id, lot.stratum, 1),
        "stratum": lot.stratum,
        "lon_deg": round(float(lon), 6),
        "lat_deg": round(float(lat), 6),
    }


def _spot_row(spot: Spot, result: Result) -> ScoredSpot:
    return {
        "spot": spot.rank,
        "place_id": spot.place_id,
        "lon_deg": round(spot.lon, 6),
        "lat_deg": round(spot.lat, 6),
        "score": round(spot.score, 4),
        "kind": place_kind(spot.kind),
        "where": where(spot, result.land),
        "heading_true_deg": round(spot.aim.heading_deg) % 360 if spot.aim else None,
        "walk_there_min": float(whole_minutes(spot.walk.minutes_there)) if spot.walk else None,
        "stability": spot.stability.word if spot.stability else "",
        "plain": spot.plain,
        "draws": draws_words(spot),
        "doubt": spot.doubt,
        "asked_score": round(asked_index(spot, result.spots), 4),
    }


def _number(value: Any, digits: int) -> float | None:
    if value is None or not np.isfinite(value):
        return None
    return round(float(value), digits) if digits else float(math.floor(value + 0.5))


CRASHED: Failure = {
    "code": "E-CRASH-01",
    "message": "The process that worked on this parcel died twice, the second time alone. The "
    "other parcels went on. Run again with 'siting --debug score' for this parcel.",
}


def too_large(needed: int) -> Failure:
    """The failure of a parcel that this machine cannot hold; `needed` in bytes."""
    return {
        "code": "E-MEM-01",
        "message": f"The parcel with its surroundings needs about {needed / 1e9:.1f} GB, more "
        "than this machine has free. Set a larger grid.cell_size_m or split the parcel.",
    }


def options_of(row: ScoredParcel, *, left_out: Sequence[str] = ()) -> list[Option]:
    """The spots of a parcel that may become the camera of its cell.

    Where one was chosen, or a camera stands, only that place: also where it is no spot any more.
    `left_out` names the maps that some parcels of the batch lack (`not_common`).
    """
    settled = row["decided"]
    fair = fair_share(row["best_without"], left_out)
    if settled is None:
        return [_option(row, spot, fair=fair) for spot in row["top"]]
    mine = [spot for spot in row["top"] if spot["place_id"] == settled["place_id"]]
    if mine:
        return [_option(row, mine[0], fair=fair)]
    return [
        Option(
            cell=row["survey_cell"],
            parcel=row["parcel_id"],
            spot=None,
            lon=settled["lon_deg"],
            lat=settled["lat_deg"],
            # This run did not score the place; any number would count in the sum that is made
            # greatest.
            score=math.nan,
            kind=place_kind(""),
            decided=settled["state"],
        )
    ]


def _option(row: ScoredParcel, spot: ScoredSpot, *, fair: float) -> Option:
    settled = row["decided"]
    return Option(
        cell=row["survey_cell"],
        parcel=row["parcel_id"],
        spot=spot["spot"],
        lon=spot["lon_deg"],
        lat=spot["lat_deg"],
        score=spot["score"],
        kind=spot["kind"],
        priority=math.nan if row["priority"] is None else float(row["priority"]),
        usable_share=float(row["usable_share"]),
        of_spots=len(row["top"]),
        decided=settled["state"] if settled else "",
        fair=fair,
        plain=spot["plain"],
        draws=spot["draws"],
        # A row that an earlier version kept knows of no open question.
        doubt=spot.get("doubt", ""),
        asked=spot.get("asked_score", math.nan),
    )
