"""The overview of a batch: one page with a map and a table of all parcels, offline.

The parcels are drawn on a canvas and the table shows a hundred rows at a time, so that five
thousand parcels stay quick. All text goes into the page as data and is set as text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.batch.output.tables import Batch, roles
from siting.batch.rows import FailedParcel, ScoredParcel, ScoredSpot, best_spot, comparable_scores
from siting.batch.survey.assign import CellChoice
from siting.batch.survey.assign_program import Option
from siting.grid import FloatArray, Grid
from siting.lengths import tenths
from siting.report.shared import assets
from siting.report.shared.credits import full_lines, short_lines
from siting.report.shared.frame import mercator_of, page_frame, unwrapped
from siting.report.shared.overlays import SCORE_COLOURS, ground_picture
from siting.report.shared.text import clean
from siting.words.cautions import FIRST
from siting.words.office.compared import compared_notes
from siting.words.office.letters import problems

Relief = tuple[FloatArray, Grid]
_STYLES = ("shared/base.css", "overview/overview.css")
# Outlines are drawn coarser until all of them together have no more points than this.
_MOST_POINTS = 60_000
_FIRST_TOLERANCE_M = 2.0
# Where in the colours of the scores each fifth of the points stands.
_STEPS = (0.05, 0.3, 0.5, 0.75, 1.0)


def overview_page(
    batch: Batch,
    *,
    relief: Relief | None,
    protocol_name: str,
) -> str:
    """The whole page as HTML text; the same for the same batch.

    Parameters
    ----------
    batch : Batch
    relief : (dem, grid) or None
        Coarse elevations to draw under the parcels, (rows, cols), NaN = no data.
    protocol_name : str
    """
    return assets.page_of_scripts(
        "overview/overview.html",
        entry="overview/start.js",
        styles=_STYLES,
        data=page_data(batch, relief=relief),
        standing=FIRST,
        protocol=clean(protocol_name),
        left_out=compared_notes([row["judged_by"] for row in batch.rows]),
        assigned=batch.assignment is not None,
        credits=short_lines(batch.credits),
        credits_full=full_lines(batch.credits),
    )


def page_data(batch: Batch, *, relief: Relief | None) -> dict[str, Any]:
    """What the page draws: one list per fact, parcel by parcel, failures last."""
    texts = _Texts()
    role = roles(batch.assignment)
    # Parcels are sorted, coloured and filtered by what all of them were judged by.
    fair = comparable_scores(batch.rows)
    parcels = [
        _parcel(row, batch, role, texts, fair=score)
        for row, score in zip(batch.rows, fair, strict=True)
    ]
    parcels += [_failure(row) for row in batch.failures]
    ids = [str(row["parcel_id"]) for row in (*batch.rows, *batch.failures)]
    lon_0 = _middle_lon(batch.shapes.values())
    ground = None
    if relief is not None:
        dem, grid = relief
        frame = page_frame(grid)
        picture = ground_picture(dem, grid=grid, frame=frame)
        corners = np.array(picture.plane.corners)
        # The relief has a middle of its own: on the 180th meridian it could be drawn a whole turn
        # away from the parcels.
        corners[:, 1] += lon_0 - unwrapped(np.array(lon_0), frame.lon_0)
        ground = {"url": picture.url, "corners": corners.round(7).tolist()}
    return {
        "columns": {name: [p[name] for p in parcels] for name in _COLUMNS},
        "texts": texts.all,
        "problems": problems(),
        "colours": [SCORE_COLOURS[round(k * (len(SCORE_COLOURS) - 1))] for k in _STEPS],
        "shapes": _drawn([batch.shapes.get(name) for name in ids], lon_0),
        "ground": ground,
        "cells": _cells(batch),
    }


_COLUMNS = (
    "id", "label", "cell", "priority", "role", "index", "own_index", "spots", "firm", "usable",
    "area", "problem", "limit", "sentence", "cautions", "caution_spots",
    "state", "since", "warnings", "page", "where", "lon", "lat",
    "heading", "walk", "code",
)  # fmt: skip


class _Texts:
    """Sentences that many parcels share, each kept once."""

    def __init__(self) -> None:
        self.all: list[str] = []
        self._number: dict[str, int] = {}

    def numbers(self, texts: Iterable[str]) -> list[int]:
        """The places of these texts in the list of all."""
        out = []
        for text in map(clean, texts):
            if text not in self._number:
                self._number[text] = len(self.all)
                self.all.append(text)
            out.append(self._number[text])
        return out


def _parcel(
    row: ScoredParcel,
    batch: Batch,
    role: Mapping[str, str],
    texts: _Texts,
    *,
    fair: float | None,
) -> dict[str, Any]:
    top: ScoredSpot | dict[str, Any] = best_spot(row) or {}
    own = row["best_score"]
    return {
        "id": clean(row["parcel_id"]),
        "label": clean(row["parcel_label"]),
        "cell": clean(row["survey_cell"]),
        "priority": row["priority"],
        "role": role.get(row["parcel_id"], ""),
        "index": None if fair is None else tenths(fair) / 10,
        "own_index": None if own is None else tenths(own) / 10,
        "spots": row["spots"],
        "firm": row["firm_spots"],
        "usable": round(100 * row["usable_share"]),
        "area": row["area_ha"],
        "problem": row["problem"],
        "limit": clean(row["limit"]),
        "sentence": clean(row["sentence"]),
        "cautions": texts.numbers(row["cautions"]),
        "caution_spots": row["caution_spots"],
        "state": batch.states.get(row["parcel_id"], ("", ""))[0],
        "since": batch.states.get(row["parcel_id"], ("", ""))[1],
        "warnings": texts.numbers(row["warnings"]),
        "page": batch.pages.get(row["parcel_id"], ""),
        "where": clean(top.get("where", "")),
        "lon": top.get("lon_deg"),
        "lat": top.get("lat_deg"),
        "heading": top.get("heading_true_deg"),
        "walk": top.get("walk_there_min"),
        "code": "",
    }


def _failure(row: FailedParcel) -> dict[str, Any]:
    known = {
        "id": clean(row["parcel_id"]),
        "label": clean(row["parcel_label"]),
        "cell": clean(row["survey_cell"]),
        "problem": "failed",
        "limit": clean(row["message"]),
        "code": row["code"],
        "role": "",
        "sentence": "",
        "page": "",
        "where": "",
        "spots": 0,
        "cautions": [],
        "caution_spots": [],
        "state": "",
        "since": "",
        "warnings": [],
    }
    return {name: known.get(name) for name in _COLUMNS}


def _cells(batch: Batch) -> list[dict[str, Any]]:
    cells = batch.assignment.cells if batch.assignment else ()
    named = {
        (row["parcel_id"], spot["spot"]): spot["where"] for row in batch.rows for spot in row["top"]
    }
    return [
        {
            "cell": clean(choice.cell),
            "parcel": clean(choice.chosen.parcel) if choice.chosen else "",
            "spot": choice.chosen.spot if choice.chosen else None,
            "index": _index(choice.chosen),
            "place": clean(_place_words(choice, named)),
            "random": choice.lot is not None,
            "reserves": [clean(option.parcel) for option in choice.reserves],
            "reason": clean(choice.reason),
            "traded": clean(choice.traded),
        }
        for choice in cells
    ]


def _place_words(choice: CellChoice, named: Mapping[tuple[str, int], str]) -> str:
    """What the place is, in the words of the parcel's letter; "" where no spot is asked for."""
    if choice.lot is not None:
        return f"drawn at random in {choice.lot['stratum']}"
    if choice.chosen is None or choice.chosen.spot is None:
        return ""
    return named.get((choice.chosen.parcel, choice.chosen.spot), "")


def _index(option: Option | None) -> float | None:
    """The index to one place; None without an option, or where it is no spot of this run."""
    known = option is not None and np.isfinite(option.score)
    return tenths(option.score) / 10 if option is not None and known else None


def _middle_lon(shapes: Iterable[Geometry | None]) -> float:
    """A longitude in the middle of the parcels, whether or not they lie on the 180th meridian."""
    lon = [shapely.get_coordinates(s)[0, 0] for s in shapes if s is not None]
    if not lon:
        return 0.0
    turn = np.radians(np.array(lon))
    # A mean of degrees would put parcels at 179 and -179 on the far side of the Earth.
    return float(np.degrees(np.arctan2(np.sin(turn).mean(), np.cos(turn).mean())))


def _drawn(shapes: Sequence[Geometry | None], lon_0: float) -> dict[str, Any]:
    """Outlines in whole steps of Web Mercator from a corner: flat lists x0, y0, dx1, dy1, ..."""
    flat = [None if s is None else _mercator(s, lon_0) for s in shapes]
    known = np.array([s for s in flat if s is not None], dtype=object)
    if not known.size:
        return {"left": 0.0, "top": 0.0, "step": 1.0, "rings": [[] for _ in flat]}
    left, _, _, top = (float(v) for v in shapely.total_bounds(known))
    tolerance = _FIRST_TOLERANCE_M
    while True:
        light = [None if s is None else shapely.simplify(s, tolerance) for s in flat]
        points = sum(shapely.get_num_coordinates(s) for s in light if s is not None)
        # A parcel of four corners has five points: with very many parcels nothing gets below that.
        if points <= max(_MOST_POINTS, 5 * len(shapes)) or tolerance > 1000.0:
            break
        tolerance *= 2.0
    step = 1.0
    rings = [[] if s is None else _rings(s, left, top, step) for s in light]
    return {"left": left, "top": top, "step": step, "rings": rings}


def _mercator(shape: Geometry, lon_0: float) -> Geometry:
    def moved(xy: Any) -> Any:
        return np.column_stack(mercator_of(unwrapped(xy[:, 0], lon_0), xy[:, 1]))

    return shapely.transform(shape, moved)


def _rings(shape: Geometry, left: float, top: float, step: float) -> list[list[int]]:
    """Outer rings and holes of all parts; a fill by the even-odd rule draws them right."""
    found = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                xy = shapely.get_coordinates(ring)
                steps = np.rint((xy - [left, top]) * [1.0, -1.0] / step).astype(np.int64)[:-1]
                # Differences take fewer digits than positions.
                found.append(np.diff(steps, axis=0, prepend=0).ravel().tolist())
    return found
