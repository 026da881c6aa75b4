"""What a camera really saw: its noted heading, lens height and place, judged as a plan is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.ground.view import Profiles
from siting.heading.choose import Lookout
from siting.heading.heading_scores import PARTS, combined
from siting.heading.judged import HEADING_STEP_DEG, HEADINGS_DEG, Headings
from siting.heading.sun import in_view
from siting.heading.view_ahead import cover_ahead, look_ahead
from siting.kernels.curves import membership
from siting.review.recorded.season import Deployment, warning
from siting.settings.protocol import Protocol
from siting.types import CoverRole, Note

Floats = NDArray[np.float64]
# What grows up before a lens in a summer.
_GROWTH = (CoverRole.SHRUB, CoverRole.GRASS, CoverRole.CROP, CoverRole.PASTURE)
# Our choice: with fewer headings the criterion would speak of the crews that noted theirs.
_LEAST_SHARE, _LEAST_CAMERAS = 0.5, 10


class Seen(NamedTuple):
    """What one camera looked at.

    heading_score : how good its heading is by the protocol, 0..1, whatever is closed to a plan
    horizon_deg : (n_azimuths,) skyline above level at the azimuths of a sun track, NaN not known
    growth_share : part of the near view that lies on shrubs, grass or crops, 0..1
    clear_share : how far an animal stays in sight ahead, over the length of the near view, 0..1;
        None where elevation cells are too wide to show it
    """

    heading_score: float
    horizon_deg: Floats
    growth_share: float
    clear_share: float | None = None


def seen_from(view: Lookout, easting: float, northing: float, one: Deployment) -> Seen | None:
    """What a deployment at a place on the grid (metres) saw; None without a true heading."""
    if one.heading_deg is None:
        return None
    if one.height_m is not None:
        camera = view.camera.model_copy(update={"lens_height_m": one.height_m})
        view = replace(view, camera=camera)
    judged = view.judged(np.array([easting]), np.array([northing]))
    number = round(one.heading_deg / HEADING_STEP_DEG) % len(HEADINGS_DEG)
    return Seen(
        _score(judged, view, number),
        np.asarray(judged.sky.horizon_deg[0], dtype=np.float64),
        _growth_share(view, easting, northing, number),
        _clear_share(judged, view, number),
    )


def _score(judged: Headings, view: Lookout, number: int) -> float:
    """The combined parts: a camera that looked where none is planned is data all the same."""
    weights = {name: float(getattr(view.heading, f"{name}_weight")) for name in PARTS}
    scores = combined(judged.parts, weights)[0]
    # Where only eight directions can be told, a noted bearing is judged no finer than that.
    half = len(HEADINGS_DEG) // 16 if judged.spans else 0
    return float(np.mean([scores[(number + k) % len(scores)] for k in range(-half, half + 1)]))


def _clear_share(judged: Headings, view: Lookout, number: int) -> float | None:
    clear = float(judged.ahead.clear_m[0, number])
    return clear / view.camera.zone_m if np.isfinite(clear) else None


def _growth_share(view: Lookout, easting: float, northing: float, number: int) -> float:
    around, camera = view.around, view.camera
    share = in_view(HEADINGS_DEG, HEADINGS_DEG, half_view_deg=camera.field_of_view_deg / 2)
    rays: Profiles = look_ahead(
        around.ground,
        (np.array([easting]), np.array([northing])),
        headings_deg=HEADINGS_DEG,
        eye_height_m=camera.lens_height_m,
        sight_m=camera.zone_m,
        convergence_deg=around.convergence_deg,
    )
    _, shares = cover_ahead(
        rays,
        share.astype(np.float64) / share.sum(axis=0, dtype=np.float64),
        role=around.role,
        value=np.zeros(len(CoverRole)),
        zone_m=camera.zone_m,
        watched=_GROWTH,
    )
    return float(sum(part[0, number] for part in shares.values()))


def heading_column(
    seen: Sequence[Seen | None], protocol: Protocol
) -> tuple[Floats | None, list[Note]]:
    """How far each camera's heading fails (n,), 0..1, and what was noticed.

    None where fewer than half of the cameras have a true heading. One without counts as the middle
    of the others: neither for the score nor against it.
    """
    known = np.array([one is not None for one in seen], dtype=bool)
    if not known.any() or protocol.conditions.heading.ratio == 1.0:
        return None, []
    said = {"n": int(known.sum()), "total": len(seen)}
    if known.sum() < max(_LEAST_CAMERAS, _LEAST_SHARE * len(seen)):
        return None, [warning("W-HEAD-04", **said)]
    scores = np.array([0.0 if one is None else one.heading_score for one in seen])
    fails = 1.0 - membership(scores, protocol.conditions.heading.curve).astype(np.float64)
    fails[~known] = fails[known].mean()
    return fails, [] if known.all() else [warning("W-HEAD-03", **said)]
