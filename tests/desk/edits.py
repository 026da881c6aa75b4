"""Edits as a coordinator makes them, drawn from a seed, on a piece of land that has been read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siting.pipeline import site_land
from siting.read.land import read_land, read_parcel
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import Protocol
from siting.types import Land, Result

SAMPLE = Path(__file__).parents[2] / "sample_rasters" / "inputs.toml"
DRAWN = (
    "feeders", "no_go", "way_in", "livestock", "trails", "crossings", "water", "roads", "buildings"
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """What a run takes."""

    land: Land
    protocol: Protocol
    survey: tuple[str, Any, Any]

    def result(self) -> Result:
        return site_land(self.land, self.protocol, survey=self.survey)


def sample(cell_size_m: float | None = None, *, wider_m: float = 0.0) -> Case:
    """The sample farm as it is read anew, on cells of another size if one is named.

    Its outline is drawn out by `wider_m` metres before it is read.
    """
    inputs, protocol = load_inputs(SAMPLE), load_protocol(None)
    grid = inputs.grid.model_copy(update={"cell_size_m": cell_size_m})
    inputs = inputs.model_copy(update={"grid": grid})
    parcel = read_parcel(inputs)
    drawn = shapely.buffer(parcel.geometry, wider_m, join_style="mitre")
    land = read_land(
        inputs,
        replace(parcel, geometry=drawn) if wider_m else parcel,
        rules=protocol.grid,
        far_reach_m=protocol.sun.horizon_reach_m,
    )
    survey = inputs.survey
    return Case(land, protocol, (survey.time_zone, survey.first_day, survey.last_day))


def with_layer(land: Land, name: str, frame: gpd.GeoDataFrame) -> Land:
    return replace(land, vectors={**land.vectors, name: frame})


def moved(land: Land, name: str, *, east_m: float = 0.0, north_m: float = 0.0) -> Land:
    """A whole layer pushed aside."""
    frame = land.vectors[name].copy()
    frame["geometry"] = frame.geometry.translate(east_m, north_m)
    return with_layer(land, name, frame)


def outlined(land: Land, by_m: float) -> Land:
    """The outline drawn in or out, within the ground that was read."""
    return replace(land, parcel_shape=shapely.buffer(land.parcel_shape, by_m, join_style="mitre"))


def _some(land: Land, name: str, rng: np.random.Generator) -> Land:
    """One shape of a layer moved, taken away, or drawn a second time a few metres off."""
    frame = land.vectors[name].reset_index(drop=True)
    if not len(frame):
        return land
    n = int(rng.integers(len(frame)))
    way = str(rng.choice(["move", "delete", "add"]))
    if way == "delete":
        return with_layer(land, name, frame.drop(index=n).reset_index(drop=True))
    east, north = (float(rng.normal(0, 15)) for _ in range(2))
    pushed = frame.loc[[n]].copy()
    pushed["geometry"] = pushed.geometry.translate(east, north)
    if way == "add":
        both = pd.concat([frame, pushed], ignore_index=True)
        return with_layer(land, name, gpd.GeoDataFrame(both, crs=frame.crs))
    frame = frame.copy()
    frame.loc[[n], "geometry"] = pushed.geometry
    return with_layer(land, name, frame)


def _use(land: Land, rng: np.random.Generator) -> Land:
    trails = land.vectors["trails"].reset_index(drop=True).copy()
    if len(trails):
        trails.loc[int(rng.integers(len(trails))), "use"] = str(rng.choice(["game", "busy"]))
    return with_layer(land, "trails", trails)


def _forgotten(land: Land, rng: np.random.Generator) -> Land:
    """A layer that nobody was asked about any more: not the same as an empty one."""
    name = str(rng.choice(list(land.vectors)))
    return replace(land, vectors={k: v for k, v in land.vectors.items() if k != name})


def _rules(protocol: Protocol, rng: np.random.Generator) -> Protocol:
    no_go = protocol.no_go.model_copy(update={"feeder_m": float(rng.integers(20, 120))})
    return protocol.model_copy(update={"no_go": no_go})


def series(seed: int, count: int, first: Case) -> list[Case]:
    """A series of edits, each on top of the one before; now and then one is undone."""
    rng = np.random.default_rng(seed)
    made = [first]
    for _ in range(count):
        here = made[-1]
        kind = str(rng.choice(["shape"] * 6 + ["outline", "use", "forget", "rules", "undo"]))
        if kind == "undo":
            here = made[max(len(made) - 3, 0)]
        elif kind == "shape":
            known = [name for name in DRAWN if name in here.land.vectors]
            here = replace(here, land=_some(here.land, str(rng.choice(known)), rng))
        elif kind == "outline":
            here = replace(here, land=outlined(here.land, float(rng.uniform(-6, 2))))
        elif kind == "use" and "trails" in here.land.vectors:
            here = replace(here, land=_use(here.land, rng))
        elif kind == "forget" and len(here.land.vectors) > 6:
            here = replace(here, land=_forgotten(here.land, rng))
        elif kind == "rules":
            here = replace(here, protocol=_rules(here.protocol, rng))
        made.append(here)
    return [replace(case, land=_read_again(case.land)) for case in made]


def _read_again(land: Land) -> Land:
    """Equal rasters that are other arrays, as the desk reads them before each run."""
    return replace(land, dem=land.dem.copy(), role=land.role.copy())
