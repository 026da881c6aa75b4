"""Every column of the tables of a batch, one row each; docs/batch.md is made from them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from siting.batch.rows import FailedParcel, ScoredParcel, ScoredSpot, best_spot
from siting.batch.survey.assign import CellChoice
from siting.batch.survey.assign_program import Option
from siting.report.files.columns import Column
from siting.report.shared.text import clean

_INDEX = "1 = plain ground"


def page_of(folder: str) -> str:
    """The path of a parcel's map below the batch's folder, "" when none was written."""
    return f"{folder}/map.html" if folder else ""


@dataclass(frozen=True)
class ParcelRow:
    """What a row of a scored parcel is made from; `role` and `folder` are "" for none.

    Indices are without a unit, 1 = plain ground.
    """

    row: ScoredParcel
    role: str
    folder: str
    state: tuple[str, str] = ("", "")
    comparable: float | None = None

    @property
    def best(self) -> ScoredSpot | None:
        """The spot that page and letter begin with; None where the parcel has no spot."""
        return best_spot(self.row)


@dataclass(frozen=True)
class ChoiceRow:
    """What a row of the proposal is made from: a cell's camera, or one of its reserves."""

    choice: CellChoice
    role: str
    option: Option | None
    folder: str
    first: bool


def _best(get: Callable[[ScoredSpot], Any]) -> Callable[[ParcelRow], Any]:
    return lambda parcel: None if parcel.best is None else get(parcel.best)


def _option(get: Callable[[Option], Any]) -> Callable[[ChoiceRow], Any]:
    return lambda row: None if row.option is None else get(row.option)


def _placement(row: ChoiceRow) -> str | None:
    if not row.first or row.option is None or row.option.decided:
        return None
    return "random" if row.choice.lot is not None else "picked"


def _score(option: Option) -> float | None:
    return None if math.isnan(option.score) else option.score


# One row to a column: a column once stood in five lists, and a new one was published unless
# somebody thought of the list of what is not.
PARCELS: tuple[Column[ParcelRow], ...] = (
    Column("parcel_id", "text", "", "as given", lambda p: clean(p.row["parcel_id"])),
    Column("parcel_label", "text", "", "as given", lambda p: clean(p.row["parcel_label"])),
    Column("survey_cell", "text", "", "as given", lambda p: clean(p.row["survey_cell"])),
    Column("priority", "decimal", "", "as given", lambda p: p.row["priority"]),
    Column("role", "text", "", "with `--assign`: camera, reserve 1, reserve 2 ...",
           lambda p: p.role),
    Column("state", "text", "",
           "what was last reported of it, a camera that stands before all else",
           lambda p: p.state[0]),
    Column("state_since", "text", "", "the day of that report", lambda p: p.state[1]),
    Column("best_score", "decimal", _INDEX,
           "index of the best spot; it helps to choose where to look first and does not say how "
           "likely you are to see an animal",
           lambda p: p.row["best_score"]),
    Column("comparable_score", "decimal", _INDEX,
           "the same by the maps that all parcels have (trails, water): compare parcels by this",
           lambda p: p.comparable),
    Column("spots", "whole", "", "ranked spots", lambda p: p.row["spots"]),
    Column("firm_spots", "whole", "",
           "how many of them are firm: they stay among the first when the maps and settings are "
           "slightly wrong", lambda p: p.row["firm_spots"]),
    Column("usable_share", "decimal", "0..1", "share of the parcel where a camera may stand",
           lambda p: p.row["usable_share"]),
    Column("area_ha", "decimal", "ha", "area of the parcel", lambda p: p.row["area_ha"]),
    Column("problem", "text", "",
           "what limits the parcel most, as a key; `none` where it is good all the same",
           lambda p: p.row["problem"]),
    Column("limit", "text", "", "the same in words", lambda p: clean(p.row["limit"])),
    Column("limit_share", "decimal", "0..1",
           "the same as a share of the parcel, for ground that is closed",
           lambda p: p.row["limit_share"]),
    Column("best_spot", "whole", "",
           "rank of the best spot, the one that page and letter begin with: not the first of the "
           "list where that has an open question or cannot be told from the others",
           _best(lambda s: s["spot"])),
    Column("best_where", "text", "", "the best spot in a few words", _best(lambda s: s["where"])),
    Column("best_kind", "text", "", "kind of place, as `--assign` counts it",
           _best(lambda s: s["kind"])),
    Column("best_lon_deg", "decimal", "degrees", "longitude of the best spot, WGS 84",
           _best(lambda s: s["lon_deg"])),
    Column("best_lat_deg", "decimal", "degrees", "latitude of the best spot, WGS 84",
           _best(lambda s: s["lat_deg"])),
    Column("best_heading_true_deg", "whole", "degrees", "best heading there, from true north",
           _best(lambda s: s["heading_true_deg"])),
    Column("best_walk_there_min", "whole", "minutes", "walk to it",
           _best(lambda s: s["walk_there_min"])),
    Column("lon_deg", "decimal", "degrees", "a point inside the parcel, WGS 84",
           lambda p: p.row["lon_deg"]),
    Column("lat_deg", "decimal", "degrees", "a point inside the parcel, WGS 84",
           lambda p: p.row["lat_deg"]),
    Column("sentence", "text", "", "for the letter", lambda p: clean(p.row["sentence"])),
    Column("cautions", "texts", "", "for the volunteer",
           lambda p: list(map(clean, p.row["cautions"]))),
    Column("warnings", "texts", "", "about the maps",
           lambda p: list(map(clean, p.row["warnings"]))),
    Column("page", "text", "", "the parcel's own page, below the folder",
           lambda p: page_of(p.folder)),
)  # fmt: skip

FAILURES: tuple[Column[FailedParcel], ...] = (
    Column("parcel_id", "text", "", "as given", lambda row: clean(row["parcel_id"])),
    Column("parcel_label", "text", "", "as given", lambda row: clean(row["parcel_label"])),
    Column("survey_cell", "text", "", "as given", lambda row: clean(row["survey_cell"])),
    Column("code", "text", "", "code of docs/errors.md", lambda row: clean(row["code"])),
    Column(
        "message", "text", "", "what is wrong and how to fix it", lambda row: clean(row["message"])
    ),
)

ASSIGNMENTS: tuple[Column[ChoiceRow], ...] = (
    Column("survey_cell", "text", "", "the cell", lambda row: clean(row.choice.cell)),
    Column("role", "text", "", "camera, none, or reserve 1, reserve 2 ...", lambda row: row.role),
    Column("parcel_id", "text", "", "the parcel proposed", _option(lambda o: clean(o.parcel))),
    Column("placement", "text", "", "of a camera: picked, or random where a share of them stands "
           "at places drawn at random", _placement),
    Column("spot", "whole", "", "rank of the spot proposed, empty where a "
           "camera stands at a place that is no spot of this run, or is to stand at random",
           _option(lambda o: o.spot)),
    Column("score", "decimal", _INDEX, "its index", _option(_score)),
    Column("kind", "text", "", "its kind of place", _option(lambda o: o.kind)),
    Column("lon_deg", "decimal", "degrees", "its longitude, WGS 84", _option(lambda o: o.lon)),
    Column("lat_deg", "decimal", "degrees", "its latitude, WGS 84", _option(lambda o: o.lat)),
    Column("reason", "text", "", "why this one",
           lambda row: clean(row.choice.reason) if row.first else None),
    Column("traded", "text", "", "what was given up for it",
           lambda row: clean(row.choice.traded) if row.first else None),
    Column("page", "text", "", "the parcel's own page, below the folder",
           lambda row: page_of(row.folder) if row.option else None),
)  # fmt: skip
