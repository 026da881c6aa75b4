"""An invented season on the sample valley: cameras at known places, counts from a hidden truth."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
DAYS = 60


def places(count: int, *, seed: int = 1) -> list[tuple[float, float]]:
    """(lon, lat) of random places on the parcels of the sample valley, inside by 15 m."""
    rng = np.random.default_rng(seed)
    parcels = gpd.read_file(SAMPLE / "layers.gpkg", layer="parcels")
    inner = parcels.geometry.buffer(-15)
    inner = inner[inner.area > 5000]
    found = []
    for i in range(count):
        shape = inner.iloc[i % len(inner)]
        left, bottom, right, top = shape.bounds
        while True:
            at = shapely.Point(rng.uniform(left, right), rng.uniform(bottom, top))
            if shape.contains(at):
                break
        found.append(at)
    degrees = gpd.GeoSeries(found, crs=parcels.crs).to_crs(4326)
    return [(p.x, p.y) for p in degrees]


def table_of(at: list[tuple[float, float]], events: np.ndarray) -> str:
    """A plain table of a season, one row per camera."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    names = ["deployment", "longitude", "latitude", "uncertainty_m", "start", "end", "events_deer"]
    writer.writerow(names)
    for number, ((lon, lat), count) in enumerate(zip(at, events, strict=True), start=1):
        writer.writerow([f"c{number:03d}", f"{lon:.6f}", f"{lat:.6f}", 5, "2026-05-01T12:00:00Z",
                         "2026-06-30T12:00:00Z", int(count)])  # fmt: skip
    return stream.getvalue()
