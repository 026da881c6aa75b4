"""The chosen places as spots: what each is called, the walk to it, its sentences."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from siting.ground.distance import cells_covered
from siting.ground.layers import GroundLayers
from siting.ground.shapes.feature_order import name_by_feature
from siting.notes import Remark
from siting.scoring.combine import parts_of
from siting.scoring.rank import Ranked
from siting.scoring.trials import elevation_error_m
from siting.settings.protocol import Protocol
from siting.spot_parts import Aim
from siting.types import Land, Spot
from siting.walk.route import ways_in
from siting.words.cautions import parcel_cautions
from siting.words.mapped import mapped
from siting.words.spot.beware import cautions_at
from siting.words.spot.doubt import doubt_of
from siting.words.spot.reasons import flood_warning
from siting.words.spot.spots import Picture, make_spots


def describe_spots(
    ranked: Ranked,
    aims: Sequence[Aim],
    *,
    ground: GroundLayers,
    land: Land,
    protocol: Protocol,
    frost: bool = True,
) -> tuple[tuple[Spot, ...], tuple[Remark, ...]]:
    """The chosen candidates as spots: named, with the walk to them and their sentences.

    `frost` is whether there may be ice while a camera stands here.
    """
    named = name_by_feature(
        ranked.candidates,
        ground.features,
        reach_m=protocol.features.reach_m,
        land=land.parcel_shape,
    )
    # Cautions go with what grows on the parcel, not only where a spot stands.
    inside = np.unique(land.role[cells_covered([land.parcel_shape], grid=land.grid)])
    general = parcel_cautions([int(role) for role in inside])
    shapes = mapped(land, ground.valley_lines)
    # One search from the way in serves all places: the walks share most of it.
    walks, remarks = ways_in(
        land,
        [(c.easting, c.northing) for c in named],
        rules=protocol.walk,
        height_error_m=elevation_error_m(land.dem_cell_m, protocol.stability),
    )
    spots = make_spots(
        named,
        totals=[float(total) for total in ranked.judged.total],
        judged=ranked.judged,
        parts=parts_of(
            ranked.judged.memberships, weights=ranked.judged.weights, scoring=protocol.scoring
        ),
        radius_m=ranked.radius_m,
        layers=ground.layers,
        land=land,
        role=ground.role,
        caution_texts=[
            cautions_at(
                c, walk, ground, land, protocol, general=general, shapes=shapes, frost=frost
            )
            for c, walk in zip(named, walks, strict=True)
        ],
        aims=aims,
        walks=walks,
        firmness=ranked.stability,
        lens_height_m=protocol.camera.lens_height_m,
        picture=Picture(
            half_view_deg=protocol.camera.field_of_view_deg / 2.0,
            # A feature is known to the cell it was found in, no better.
            most_m=protocol.heading.named_most_m + land.grid.cell_size_m,
            on_it_m=protocol.heading.on_line_m,
        ),
        doubts=partial(doubt_of, weights=ranked.judged.weights, protocol=protocol),
        floods=partial(
            flood_warning,
            rules=protocol.wet,
            dem_cell_m=land.dem_cell_m,
            error_m=elevation_error_m(land.dem_cell_m, protocol.stability),
        ),
        plain=ranked.plain,
    )
    return spots, remarks
