"""What a batch says where its parcels cannot all be taken together."""

from __future__ import annotations

from collections.abc import Sequence

from siting.scoring.common_maps import not_common


def compared_notes(judged: Sequence[Sequence[str]]) -> list[str]:
    """A sentence for each map that some parcels lack; none where all have the same.

    `judged` holds the names of the maps that have something on each parcel.

    Examples
    --------
    >>> compared_notes([["trails"], []])[0][:60]
    'The map of trails shows nothing on 1 of 2 parcels. It may be'
    """
    return [
        f"The map of {name} shows nothing on {sum(name not in maps for maps in judged)} of "
        f"{len(judged)} parcels. It may be incomplete there, so parcels are compared without it "
        "(comparable_score in parcels.csv)."
        for name in not_common(judged)
    ]


def draw_notes(*, parcels: int, pages: int) -> list[str]:
    """A sentence where places were to be drawn at random on parcels that get no files.

    Examples
    --------
    >>> draw_notes(parcels=30, pages=30)
    []
    """
    if pages == parcels:
        return []
    return [
        f"{parcels - pages} of {parcels} parcels have none of the maps and sheets that show places "
        "drawn at random (random_places.csv has all places). An estimate needs every place: use "
        "--pages all."
    ]
