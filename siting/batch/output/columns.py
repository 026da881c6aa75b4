"""Every column of the tables of a batch, one row each; docs/batch.md is made from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from siting.batch.survey.assign import CellChoice
from siting.batch.survey.assign_program import Option
from siting.report.files.columns import Column
from siting.report.shared.text import clean

Row = Mapping[str, Any]
_POINTS = "0..1"


def page_of(folder: str) -> str:
    """The path of a parcel's map below the batch's folder, "" when none was written."""
    return f"{folder}/map.html" if folder else ""


@dataclass(frozen=True)
class ParcelRow:
    """What a row of a scored parcel is made from; `row` is that of `siting.batch.jobs`."""

    row: Row
    role: str
    folder: str

    @property
    def best(self) -> Row:
        """The first spot, or nothing."""
        return self.row["top"][0] if self.row["top"] else {}


@dataclass(frozen=True)
class ChoiceRow:
    """What a row of the proposal is made from: a cell's camera, or one of its reserves."""

    choice: CellChoice
    role: str
    option: Option | None
    folder: str
    first: bool


def _given(name: str) -> Callable[[ParcelRow], Any]:
    return lambda parcel: parcel.row[name]


def _text(name: str) -> Callable[[ParcelRow], Any]:
    return lambda parcel: clean(parcel.row[name])


def _lines(name: str) -> Callable[[ParcelRow], Any]:
    return lambda parcel: [clean(text) for text in parcel.row[name]]


def _best(name: str) -> Callable[[ParcelRow], Any]:
    return lambda parcel: parcel.best.get(name)


def _failed(name: str) -> Callable[[Row], Any]:
    return lambda row: clean(row[name])


def _option(get: Callable[[Option], Any]) -> Callable[[ChoiceRow], Any]:
    return lambda row: None if row.option is None else get(row.option)


PARCELS: tuple[Column[ParcelRow], ...] = (
    Column("parcel_id", "text", "", "as given", _text("parcel_id")),
    Column("parcel_label", "text", "", "as given", _text("parcel_label")),
    Column("survey_cell", "text", "", "as given", _text("survey_cell")),
    Column("priority", "decimal", "", "as given", _given("priority")),
    Column("role", "text", "", "with `--assign`: camera, reserve 1, reserve 2 ...",
           lambda parcel: parcel.role),
    Column("best_score", "decimal", _POINTS,
           "score of the best spot (the overview shows points, 0 to 100); it helps to choose "
           "where to look first and does not say how likely an animal is", _given("best_score")),
    Column("spots", "whole", "", "ranked spots", _given("spots")),
    Column("firm_spots", "whole", "",
           "how many of them are firm: they stay among the first when weights and elevations are "
           "shaken", _given("firm_spots")),
    Column("usable_share", "decimal", "0..1", "share of the parcel where a camera may stand",
           _given("usable_share")),
    Column("area_ha", "decimal", "ha", "area of the parcel", _given("area_ha")),
    Column("problem", "text", "",
           "what limits the parcel most, as a key; `none` where it is good in spite of it",
           _given("problem")),
    Column("limit", "text", "", "the same in words", _text("limit")),
    Column("limit_share", "decimal", "0..1",
           "the same as a share of the parcel, for ground that is closed", _given("limit_share")),
    Column("best_where", "text", "", "the best spot in a few words", _best("where")),
    Column("best_kind", "text", "", "kind of place, as `--assign` counts it", _best("kind")),
    Column("best_lon_deg", "decimal", "degrees", "longitude of the best spot, WGS 84",
           _best("lon_deg")),
    Column("best_lat_deg", "decimal", "degrees", "latitude of the best spot, WGS 84",
           _best("lat_deg")),
    Column("best_heading_true_deg", "whole", "degrees", "best heading there, from true north",
           _best("heading_true_deg")),
    Column("best_walk_there_min", "whole", "minutes", "walk to it", _best("walk_there_min")),
    Column("lon_deg", "decimal", "degrees", "a point inside the parcel, WGS 84",
           _given("lon_deg")),
    Column("lat_deg", "decimal", "degrees", "a point inside the parcel, WGS 84",
           _given("lat_deg")),
    Column("sentence", "text", "", "for the letter", _text("sentence")),
    Column("cautions", "texts", "", "for the volunteer", _lines("cautions")),
    Column("warnings", "texts", "", "about the maps", _lines("warnings")),
    Column("page", "text", "", "the parcel's own page, below the folder",
           lambda parcel: page_of(parcel.folder)),
)  # fmt: skip

FAILURES: tuple[Column[Row], ...] = (
    Column("parcel_id", "text", "", "as given", _failed("parcel_id")),
    Column("parcel_label", "text", "", "as given", _failed("parcel_label")),
    Column("survey_cell", "text", "", "as given", _failed("survey_cell")),
    Column("code", "text", "", "code of docs/errors.md", _failed("code")),
    Column("message", "text", "", "what is wrong and how to cure it", _failed("message")),
)

ASSIGNMENTS: tuple[Column[ChoiceRow], ...] = (
    Column("survey_cell", "text", "", "the cell", lambda row: clean(row.choice.cell)),
    Column("role", "text", "", "camera, none, or reserve 1, reserve 2 ...", lambda row: row.role),
    Column("parcel_id", "text", "", "the parcel proposed", _option(lambda o: clean(o.parcel))),
    Column("spot", "whole", "", "rank of the spot proposed", _option(lambda o: o.spot)),
    Column("score", "decimal", _POINTS, "its score", _option(lambda o: o.score)),
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
