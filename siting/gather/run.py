"""Gathering a region: plan, ask, fetch, check, write. The whole folder appears, or nothing new."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from siting.disk.files import (
    Staged,
    file_hash,
    file_state,
    make_folder,
    remove_folder,
    staged,
    text_hash,
)
from siting.disk.lock import locked
from siting.errors import SitingError
from siting.gather import record
from siting.gather.network.net import Door
from siting.gather.network.pieces import Budget
from siting.gather.raster import layer as raster_layer
from siting.gather.raster import lidar
from siting.gather.raster.sources import Network
from siting.gather.raster.written import tiff
from siting.gather.recipes import RasterRecipe, Recipe
from siting.gather.record import Entry
from siting.gather.region import Region
from siting.gather.vector import layers
from siting.gather.vector import made as vectors
from siting.gather.vector.mapping import load_mapping
from siting.kernels.threads import one_thread
from siting.types import Note
from siting.words.office import gather as words

WAITING = ".gather"
"""Folder of pieces and pages that have come; gone when the region is done."""
_ASK_FROM_BYTES = 50_000_000
_PLANNING_BYTES = 200_000_000
_SPARE_BYTES = 1_000_000


@dataclass(frozen=True)
class Ask:
    """What is to be gathered.

    Parameters
    ----------
    region : Region
    recipe : Recipe
    margin_m : float
        Ground around the land for cover and layers, metres.
    files : layer to paths of rasters given by hand, in place of the recipe's
    legend : str
        Of a land cover given by hand.
    surface : "yes", "no" or "unknown"
        Whether a DEM given by hand is a surface model.
    update : bool
        Look again at the catalogue for what is here already.
    fill : bool
        Fill holes of one edition or product from the next.
    most_mb : float
    allow_hosts : names of hosts besides the recipe's
    osm : an OpenStreetMap extract, or a folder made from one
    mapping : a file that maps other vector files to layers
    hunting_no_go : bool
        Keep spots clear of mapped hunting stands.
    lidar : point clouds (files or folders) that elevations and vegetation are made of
    """

    region: Region | None
    recipe: Recipe
    margin_m: float = 1500.0
    files: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    legend: str = ""
    surface: str = "unknown"
    update: bool = False
    fill: bool = False
    most_mb: float = 2000.0
    allow_hosts: tuple[str, ...] = ()
    osm: str = ""
    mapping: str = ""
    hunting_no_go: bool = False
    lidar: tuple[str, ...] = ()

    @property
    def land(self) -> Region:
        """The region, where there is one."""
        if self.region is None:
            raise ValueError("an extract alone has no region")
        return self.region


@dataclass
class Gathered:
    """What came of it."""

    folder: Path
    written: list[str]
    kept: list[str]
    notes: list[Note]
    requests: int
    bytes: int


@dataclass
class _Part:
    """One file of the region as it will be staged."""

    entry: Entry
    content: bytes | None
    notes: tuple[Note, ...]


def gather(
    ask: Ask,
    folder: Path,
    *,
    confirm: Callable[[str, int], bool],
    progress: Callable[[str], None],
    make_door: Callable[..., Door] = Door,
    now: dt.datetime | None = None,
) -> Gathered:
    """Make or renew a region folder.

    Parameters
    ----------
    ask : Ask
    folder : Path
    confirm : function (estimate in words, bytes) that says whether to download so much
    progress : function, told each stage
    make_door : maker of doors to the network
    now : time with a zone, for sources.json

    Raises
    ------
    SitingError
        See docs/errors.md; nothing of the region is changed then. What has come is kept beside it
        and not asked for again.
    """
    make_folder(folder)
    when = now or dt.datetime.now(dt.UTC)
    with locked(folder), one_thread():
        network = Network(
            folder / WAITING,
            ask.allow_hosts,
            Budget(_PLANNING_BYTES),
            make_door,
            now=when.timestamp(),
        )
        try:
            return _gathered(ask, folder, network, confirm, progress, when)
        finally:
            for door in network.doors or []:
                door.close()


def _gathered(
    ask: Ask,
    folder: Path,
    network: Network,
    confirm: Callable[[str, int], bool],
    progress: Callable[[str], None],
    when: dt.datetime,
) -> Gathered:
    before = record.earlier(folder)
    _check_folder(folder, before)
    old = record.entries_of(before)
    parts = _vectors(ask, folder, old, progress, when)
    if ask.region is not None:
        # Rasters come last: what a file on this machine lacks is told before anything is asked.
        measured = _measured(ask, folder, old, progress, when)
        rasters = _rasters(ask, folder, old, network, confirm, progress, when)
        parts = [*measured, *rasters, *parts]
    inputs = _inputs(ask, [p.entry for p in parts]) if ask.region is not None else None
    progress("writing")
    written, notes = _write(ask, folder, parts, inputs, before, when)
    remove_folder(folder / WAITING)
    requests, count = network.asked
    return Gathered(
        folder,
        written,
        list(dict.fromkeys(p.entry.file for p in parts if p.content is None)),
        [*(n for p in parts for n in p.notes), *notes],
        requests,
        count,
    )


def _check_folder(folder: Path, before: Mapping[str, Any]) -> None:
    """E-OUT-01 for a folder that holds something else: its files are not ours to overwrite."""
    ours = ("dem.tif", "land_cover.tif", "canopy.tif", "layers.gpkg", record.INPUTS)
    found = [name for name in ours if (folder / name).exists()]
    if found and not before:
        raise SitingError(
            "E-OUT-01",
            f"{folder} holds {', '.join(found)} and no sources.json.",
            rule="A region has a folder of its own; other files are never overwritten.",
            cure="Name another folder with --out.",
        )


def by_hand(layer: str, recipe: RasterRecipe | None, ask: Ask) -> RasterRecipe:
    """The recipe of files given by hand: the survey's own where it has one for them."""
    if recipe is not None and recipe.way == "files":
        return recipe
    names = ", ".join(Path(p).name for p in ask.files[layer][:3])
    return RasterRecipe(
        title=names[:200],
        publisher="the user",
        way="files",
        legend=ask.legend,
        surface=ask.surface if layer == "dem" else "unknown",  # type: ignore[arg-type]
        licence="not stated",
        attribution="file given by the user, licence not stated",
    )


def _wanted(ask: Ask) -> dict[str, RasterRecipe]:
    """The rasters to gather, those given by hand in place of the recipe's."""
    recipes = ask.recipe.rasters()
    if _cover_from_osm(ask):
        recipes.pop("land_cover", None)
    for name in ask.files:
        if name == "land_cover" and _cover_from_osm(ask):
            continue
        recipes[name] = by_hand(name, recipes.get(name), ask)
    for name, recipe in recipes.items():
        if recipe.way == "files" and name not in ask.files:
            option = name.replace("_", "-")
            raise SitingError(
                "E-RECIPE-01",
                f"Recipe {ask.recipe.name}: {recipe.title} is downloaded by hand.",
                rule="Its publisher has no catalogue that can be asked for a piece.",
                cure=f"See docs/recipes/{ask.recipe.name}.md, then give the files with --{option}.",
            )
    if ask.lidar:
        recipes.pop("dem", None)
        recipes.pop("canopy", None)
    for name in ("dem", "land_cover"):
        if name == "dem" and ask.lidar:
            continue
        if name not in recipes and not (name == "land_cover" and _cover_from_osm(ask)):
            raise SitingError(
                "E-RECIPE-01",
                f"Recipe {ask.recipe.name} has no {name.replace('_', ' ')}.",
                rule="A region needs elevation and land cover.",
                cure=f"Give a file with --{name.replace('_', '-')}, or take another recipe.",
            )
    cover = recipes.get("land_cover")
    if cover is not None and cover.way == "files" and not (ask.legend or cover.legend):
        raise SitingError(
            "E-LEGEND-01",
            "The land cover given by hand has no legend.",
            rule="Class codes mean nothing without their legend.",
            cure="Name it with --legend: nlcd, worldcover, corine ... or a CSV file.",
        )
    return {n: recipes[n] for n in ("dem", "land_cover", "canopy") if n in recipes}


def _rasters(
    ask: Ask,
    folder: Path,
    old: Sequence[Entry],
    network: Network,
    confirm: Callable[[str, int], bool],
    progress: Callable[[str], None],
    when: dt.datetime,
) -> list[_Part]:
    """Every raster of the region: kept from the last run, or planned, agreed to and read."""
    parts: dict[str, list[_Part]] = {}
    plans: dict[str, raster_layer.LayerPlan] = {}
    recipes = _wanted(ask)
    keys = {name: _raster_key(ask, name, recipe) for name, recipe in recipes.items()}
    for name, recipe in recipes.items():
        known = record.kept(folder, [e for e in old if name in _serves(e)], keys[name])
        if known and not ask.update:
            parts[name] = [_kept(entry) for entry in known]
            continue
        progress(f"looking for {name.replace('_', ' ')}")
        ids = [] if ask.update else _ids(old, name, recipe)
        plan = raster_layer.plan(
            name,
            recipe,
            ask.land,
            network,
            files=ask.files.get(name, ()),
            margin_m=ask.margin_m,
            with_fill=ask.fill,
            ids=ids,
        )
        if known and _same_items(known, plan):
            parts[name] = [_kept(entry) for entry in known]
        else:
            plans[name] = plan
    _agree(ask, plans, network, confirm)
    for name, plan in plans.items():
        made = raster_layer.make(
            plan, ask.land, with_fill=ask.fill, legend=ask.legend, progress=progress
        )
        notes = (*_changes(old, name, plan), *made.notes)
        parts[name] = _new(name, keys[name], made, notes, when)
    return [part for name in recipes for part in parts[name]]


def _raster_key(ask: Ask, name: str, recipe: RasterRecipe) -> str:
    stamps = [(p, file_state(p)) for path in ask.files.get(name, ()) for p in _inside(path)]
    legend = file_hash(Path(ask.legend)) if Path(ask.legend).is_file() else ask.legend
    return record.key_of(
        name,
        recipe.model_dump(mode="json"),
        ask.land.key(ask.margin_m),
        ask.margin_m,
        [[Path(p).name, list(s or ())] for p, s in stamps],
        ask.fill,
        legend if name == "land_cover" else "",
    )


def _inside(path: str) -> list[str]:
    place = Path(path)
    return sorted(str(p) for p in place.glob("*")) if place.is_dir() else [path]


def _serves(entry: Entry) -> list[str]:
    told = entry.facts.get("layers")
    return [str(name) for name in told] if isinstance(told, list) else [entry.layer]


def _kept(entry: Entry) -> _Part:
    """What an earlier run made; its warnings hold as they did."""
    return _Part(entry, None, tuple(Note(*note) for note in entry.notes))


def _ids(old: Sequence[Entry], name: str, recipe: RasterRecipe) -> list[str]:
    """Items that the last run took from this collection."""
    return [
        str(item.get("id"))
        for e in old
        if e.layer == name and e.facts.get("collection") == recipe.collection
        for item in e.facts.get("items", [])
    ]


def _tags(items: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    return sorted((str(i.get("id")), str(i.get("etag", ""))) for i in items)


def _same_items(known: Sequence[Entry], plan: raster_layer.LayerPlan) -> bool:
    return _tags(raster_layer.facts(plan)["items"]) == _tags(known[0].facts.get("items", []))


def _changes(
    old: Sequence[Entry], name: str, plan: raster_layer.LayerPlan
) -> tuple[Note, ...]:  # fmt: skip
    """A-EDITION-01 where the catalogue gives other items than last time for the same land."""
    before = set(_ids(old, name, plan.recipe))
    after = {piece.tile.id for piece in plan.mosaic.pieces}
    if not before or before == after:
        return ()
    return (words.items_changed(name, sorted(before - after), sorted(after - before)),)


def _agree(
    ask: Ask,
    plans: Mapping[str, raster_layer.LayerPlan],
    network: Network,
    confirm: Callable[[str, int], bool],
) -> None:
    """Tell the size, ask when it is large, and hold the download to it."""
    total = sum(plan.bytes for plan in plans.values())
    told = words.estimate([(n, p.recipe.title, p.bytes) for n, p in plans.items()], total=total)
    if total > ask.most_mb * 1e6:
        raise SitingError(
            "E-SIZE-01",
            f"{words.size(total)} would be downloaded for this region.",
            rule=f"At most {ask.most_mb:g} MB are (--most-mb).",
            cure="Gather a smaller region, or raise --most-mb.",
        )
    if total > _ASK_FROM_BYTES and not confirm(told, total):
        raise SitingError(
            "E-SIZE-01",
            f"{words.size(total)} was not agreed to, so nothing was downloaded.",
            rule=f"More than {words.size(_ASK_FROM_BYTES)} are asked about first.",
            cure="Run again and answer yes, or add --yes.",
        )
    if network.budget is not None:
        network.budget.left = int(1.5 * total) + _SPARE_BYTES


def _new(
    name: str,
    key: str,
    made: raster_layer.LayerMade,
    notes: tuple[Note, ...],
    when: dt.datetime,
) -> list[_Part]:
    facts = {**made.facts, "layers": [name], "inputs": dict(made.table)}
    kept_notes = tuple((n.code, n.level, n.text) for n in notes)
    time = when.astimezone(dt.UTC).isoformat(timespec="seconds")
    entry = Entry(f"{name}.tif", name, key, facts, _sha(made.content), time, kept_notes)
    out = [_Part(entry, made.content, notes)]
    if made.table.get("legend") == "land_cover_legend.csv":
        text = Path(made.legend).read_bytes()
        more = {"layers": [name], "title": "Legend of the land cover", "of": entry.file}
        legend = Entry("land_cover_legend.csv", "legend", key, more, _sha(text), time)
        out.append(_Part(legend, text, ()))
    return out


def _sha(content: bytes) -> str:
    import hashlib

    return hashlib.sha256(content).hexdigest()


def _measured(
    ask: Ask, folder: Path, old: Sequence[Entry], progress: Callable[[str], None], when: dt.datetime
) -> list[_Part]:
    """Elevations and vegetation from point clouds: kept, or measured anew."""
    if not ask.lidar:
        return []
    files = [p for path in ask.lidar for p in _inside(path)]
    states = [[Path(p).name, list(file_state(p) or ())] for p in files]
    key = record.key_of("lidar", states, ask.land.key(ask.margin_m), ask.margin_m)
    known = record.kept(folder, [e for e in old if e.layer in ("dem", "canopy")], key)
    if known:
        return [_kept(entry) for entry in known]
    progress("reading the point cloud")
    wide = ask.land.grid(max(ask.margin_m, raster_layer.CONTEXT_M))
    found = lidar.measure(ask.lidar, wide, progress=progress)
    title = ", ".join(Path(p).name for p in files)[:200]
    line = "file given by the user, licence not stated"
    time = when.astimezone(dt.UTC).isoformat(timespec="seconds")
    parts = []
    for name, surface in (("dem", found.dem), ("canopy", found.canopy)):
        if surface is None:
            continue
        content = tiff(
            surface.values, np.isfinite(surface.values), crs=found.crs,
            transform=surface.transform, nodata=float("nan"), unit="m", source=title,
            attribution=line,
        )  # fmt: skip
        table = {"file": f"{name}.tif"} | ({"surface": "no"} if name == "dem" else {})
        facts = {
            "title": title, "publisher": "the user", "licence": "not stated", "attribution": line,
            "changed": "points made into a raster", "layers": [name], "inputs": table,
        }  # fmt: skip
        notes = found.notes if name == "dem" else ()
        told = tuple((n.code, n.level, n.text) for n in notes)
        entry = Entry(f"{name}.tif", name, key, facts, _sha(content), time, told)
        parts.append(_Part(entry, content, notes))
    return parts


def _vectors(
    ask: Ask, folder: Path, old: Sequence[Entry], progress: Callable[[str], None], when: dt.datetime
) -> list[_Part]:
    """The vector layers: kept when nothing that they depend on has changed, else made."""
    if not ask.osm and not ask.mapping:
        return []
    key = _vector_key(ask)
    known = record.kept(folder, [e for e in old if e.file == layers.FILE], key)
    if known:
        return [_kept(entry) for entry in known]
    progress("reading the layers")
    made = vectors.make(
        ask.osm,
        ask.mapping,
        ask.region.boxes(ask.margin_m) if ask.region is not None else [],
        hunting_no_go=ask.hunting_no_go,
        cover_land=ask.land.grid(raster_layer.CONTEXT_M) if _cover_from_osm(ask) else None,
        now=when,
    )
    time = when.astimezone(dt.UTC).isoformat(timespec="seconds")
    kept_notes = tuple((n.code, n.level, n.text) for n in made.notes)
    parts = []
    for number, facts in enumerate(made.sources):
        told = kept_notes if not number else ()
        entry = Entry(layers.FILE, "layers", key, facts, _sha(made.content), time, told)
        parts.append(_Part(entry, made.content, made.notes if not number else ()))
    return parts


def _cover_from_osm(ask: Ask) -> bool:
    return ask.files.get("land_cover") == ("osm",)


def _vector_key(ask: Ask) -> str:
    files = [Path(ask.osm)] if ask.osm else []
    if ask.osm and Path(ask.osm).is_dir():
        files = [Path(ask.osm) / layers.FILE, Path(ask.osm) / record.SOURCES]
    if ask.mapping:
        found = Path(ask.mapping)
        files += [found, *load_mapping(found).files(found.parent)]
    return record.key_of(
        [[f.name, list(file_state(str(f)) or ())] for f in files],
        ask.region.key(ask.margin_m) if ask.region is not None else [],
        ask.hunting_no_go,
        _cover_from_osm(ask),
    )


def _inputs(ask: Ask, entries: Sequence[Entry]) -> str:
    """inputs.toml of what was gathered."""
    rasters = {e.layer: e.facts["inputs"] for e in entries if e.facts.get("inputs")}
    for entry in entries:
        if "inputs_cover" in entry.facts:
            rasters["land_cover"] = entry.facts["inputs_cover"]
    named: dict[str, Any] = {}
    for entry in entries:
        named |= entry.facts.get("vectors", {})
    told = [e for e in entries if e.facts.get("attribution")]
    return record.inputs_text(ask.land, rasters, named, told)


def _write(
    ask: Ask,
    folder: Path,
    parts: Sequence[_Part],
    inputs: str | None,
    before: Mapping[str, Any],
    when: dt.datetime,
) -> tuple[list[str], list[Note]]:
    """Stage every new file and rename them together, inputs.toml last."""
    there = folder / record.INPUTS
    old = there.read_text(encoding="utf-8", errors="replace") if there.exists() else None
    own = old is not None and text_hash(old) != before.get("inputs_sha256")
    new = {p.entry.file: p.content for p in parts if p.content is not None}
    if not new and (inputs is None or own or old == inputs):
        return [], []
    # Of lines that the user has changed the record keeps the sum that they had before.
    digest = str(before.get("inputs_sha256", "")) if own else text_hash(inputs or "")
    sources = record.sources_text(
        ask.region, [p.entry for p in parts], margin_m=ask.margin_m, time=when, inputs=digest
    )
    with staged(folder, last=record.SOURCES if own or inputs is None else record.INPUTS) as stage:
        for name, content in new.items():
            stage.write(name, content)
        if ask.region is not None and ask.region.point is None:
            _stage_parcels(stage, ask.region)
        stage.write(record.SOURCES, sources)
        if inputs is not None:
            stage.write(record.NEW_INPUTS if own else record.INPUTS, inputs)
        written = list(stage.digests())
    return written, ([words.inputs_kept(record.NEW_INPUTS)] if own else [])


def _stage_parcels(stage: Staged, region: Region) -> None:
    from siting.disk.files import built_by
    from siting.report.files.geopackage import write_layers

    frame = region.frame()
    content = built_by(
        "parcel.gpkg",
        lambda path: write_layers(path, {"parcel": frame}, kinds={"parcel": "Unknown"}),
    )
    stage.write("parcel.gpkg", content)
