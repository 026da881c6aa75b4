"""What the page shows of a land whatever its places are: pictures, cells, zones, contour lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from siting.grid import FloatArray, Grid
from siting.report.page import cells, layers
from siting.report.page.window import cut
from siting.report.shared import drawing, overlays, zones
from siting.report.shared.frame import PageProjection, page_frame
from siting.report.shared.overlays import Picture
from siting.types import Land, NoGo, NoGoArray, Scores


@dataclass(frozen=True)
class LandDrawn:
    """The land on the page of a window of its grid; `frame.grid` is the window.

    Parameters
    ----------
    shade, colours : the shaded ground, and the index over the parcel
    cells : what the page must know of every cell
    zones, contours : as `zones_data` and `contours_data` give them
    """

    frame: PageProjection
    shade: Picture
    colours: Picture
    cells: cells.EncodedCells
    zones: list[dict[str, Any]]
    contours: dict[str, Any]


def land_drawn(land: Land, scores: Scores, no_go: NoGoArray, *, window: Grid) -> LandDrawn:
    """The land as the page shows it in a window of its grid.

    `no_go` is (rows, cols) bits of `NoGo`, 0 = a camera may stand.
    """
    frame = page_frame(window)
    parcel, rows, cols = drawing.parcel_window(no_go, land.grid)
    score = _shown_score(scores, no_go)[rows, cols]
    dem = cut(land.dem, land.grid, window)
    return LandDrawn(
        frame=frame,
        shade=overlays.ground_picture(dem, grid=window, frame=frame),
        colours=overlays.score_picture(score, grid=parcel, frame=frame),
        cells=cells.pack(scores.memberships, total=scores.total, no_go=no_go, grid=land.grid),
        zones=zones.zones_data(cut(no_go, land.grid, window), grid=window),
        contours=layers.contours_data(dem, grid=window),
    )


def _shown_score(scores: Scores, no_go: NoGoArray) -> FloatArray:
    """Scores where a camera may stand; NaN elsewhere."""
    inside = (no_go & NoGo.OUTSIDE.value) == 0
    # A colour on closed ground would read as a score that can be had there.
    out: FloatArray = np.where(inside & (no_go == 0), scores.total, np.nan)
    return out.astype(np.float32)
