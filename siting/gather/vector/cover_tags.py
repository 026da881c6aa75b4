"""What areas of OpenStreetMap say of the land cover."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np

from siting.gather.vector.tag_table import Tags

# Land cover of areas: role codes of the legend that gather writes, in the order of the table.
COVER: Mapping[str, tuple[tuple[str, tuple[str, ...]], ...]] = {
    "water": (("natural", ("water",)), ("landuse", ("reservoir", "basin"))),
    "tree": (
        ("natural", ("wood",)),
        ("landuse", ("forest",)),
        ("wetland", ("swamp", "mangrove")),
    ),
    "shrub": (("natural", ("scrub", "heath")),),
    "grass": (("natural", ("grassland", "fell")),),
    "pasture": (("landuse", ("meadow",)), ("farmland", ("pasture",))),
    "crop": (
        (
            "landuse",
            ("farmland", "orchard", "vineyard", "greenhouse_horticulture", "plant_nursery"),
        ),
    ),
    "wetland": (("natural", ("wetland",)),),
    "built": (
        (
            "landuse",
            (
                "residential", "industrial", "commercial", "retail", "farmyard", "cemetery",
                "construction", "brownfield", "allotments", "grass",
            ),
        ),
        ("leisure", ("park", "garden", "pitch", "golf_course")),
    ),
    "bare": (("natural", ("bare_rock", "scree", "sand", "shingle")), ("landuse", ("quarry",))),
    "snow": (("natural", ("glacier",)),),
}  # fmt: skip


def cover_of(areas: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Areas that say what covers the ground, with the column role; first rule that fits counts."""
    tags = Tags(areas)
    role = np.full(len(areas), "", dtype=object)
    for name, rules in COVER.items():
        fits = np.zeros(len(areas), dtype=bool)
        for key, values in rules:
            fits |= tags.isin(key, values)
        # The order of the table decides: a swamp under trees is woods for a camera.
        role[(role == "") & fits] = name
    rows = role != ""
    return tags.part(rows, role, role=role)
