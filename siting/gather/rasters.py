"""The rasters of a region: kept from the last run, or planned, agreed to and read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from siting.disk.files import (
    file_hash,
    file_state,
)
from siting.errors import SitingError
from siting.gather import record
from siting.gather.ask import Ask, cover_from_osm
from siting.gather.parts import Part, files_in, kept_part, sha256_of
from siting.gather.raster import layer as raster_layer
from siting.gather.raster import plan as raster_plan
from siting.gather.raster.far import FILE as FAR
from siting.gather.raster.sources import Network
from siting.gather.recipes import RasterRecipe
from siting.gather.record import Entry
from siting.ground.cover import SHIPPED
from siting.types import Note
from siting.words.office import gather as words

_SPARE_BYTES = 1_000_000


def by_hand(layer: str, recipe: RasterRecipe | None, ask: Ask) -> RasterRecipe:
    """The recipe of files given by hand: the survey's own where it has one for them."""
    if recipe is not None and recipe.way == "files":
        return recipe
    # Names alone: the title is shown on pages that are passed on.
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
    if cover_from_osm(ask):
        recipes.pop("land_cover", None)
    for name in ask.files:
        if name == "land_cover" and cover_from_osm(ask):
            continue
        recipes[name] = by_hand(name, recipes.get(name), ask)
    for name, recipe in recipes.items():
        if recipe.way == "files" and name not in ask.files:
            # Told before anything is asked: some publishers want a name and an address of each who
            # downloads.
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
        if name not in recipes and not (name == "land_cover" and cover_from_osm(ask)):
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
    if ask.legend and ask.legend not in SHIPPED and not Path(ask.legend).is_file():
        raise SitingError(
            "E-LEGEND-01",
            f"There is no legend {ask.legend!r}.",
            rule="A legend comes with the program, or is a CSV file.",
            cure=f"Name one of {', '.join(SHIPPED)}, or a file that is there.",
        )
    return {n: recipes[n] for n in ("dem", "land_cover", "canopy") if n in recipes}


def rasters_of(
    ask: Ask,
    folder: Path,
    old: Sequence[Entry],
    network: Network,
    confirm: Callable[[str, int], bool],
    progress: Callable[[str], None],
    when: dt.datetime,
) -> list[Part]:
    """Every raster of the region: kept from the last run, or planned, agreed to and read."""
    parts: dict[str, list[Part]] = {}
    plans: dict[str, raster_plan.LayerPlan] = {}
    recipes = _wanted(ask)
    keys = {name: _raster_key(ask, name, recipe) for name, recipe in recipes.items()}
    for name, recipe in recipes.items():
        known = _known(folder, old, name, keys[name])
        if known and not ask.update:
            parts[name] = [kept_part(entry) for entry in known]
            continue
        progress(f"looking for {name.replace('_', ' ')}")
        # The same items as last time, unless asked to look again: a region must not change by
        # itself.
        ids = [] if ask.update else _ids(old, name, recipe)
        plan = raster_plan.plan(
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
            parts[name] = [kept_part(entry) for entry in known]
        else:
            plans[name] = plan
    _agree(ask, plans, network, confirm)
    # Only now, when all is planned and agreed to: a run asks once, for the whole region.
    for name, plan in plans.items():
        made = raster_layer.make(
            plan, ask.land, with_fill=ask.fill, legend=ask.legend, progress=progress
        )
        notes = (*_changes(old, name, plan), *made.notes)
        parts[name] = _new(name, keys[name], made, notes, when)
    return [part for name in recipes for part in parts[name]]


def _raster_key(ask: Ask, name: str, recipe: RasterRecipe) -> str:
    stamps = [(p, file_state(p)) for path in ask.files.get(name, ()) for p in files_in(path)]
    # A legend corrected under the same name changes what the codes mean.
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


def _known(folder: Path, old: Sequence[Entry], name: str, key: str) -> list[Entry]:
    """All files of a layer as the last run wrote them; none where one of them is missing."""
    mine = [e for e in old if name in _serves(e) and e.key == key]
    there = record.kept(folder, mine, key)
    return there if len(there) == len(mine) else []


def _serves(entry: Entry) -> list[str]:
    told = entry.facts.get("layers")
    return [str(name) for name in told] if isinstance(told, list) else [entry.layer]


def _ids(old: Sequence[Entry], name: str, recipe: RasterRecipe) -> list[str]:
    """Items that the last run took from this collection."""
    return [
        str(item.get("id"))
        for e in old
        if name in _serves(e) and e.facts.get("collection") == recipe.collection
        for item in e.facts.get("items", [])
    ]


def _tags(items: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    # By name and tag: a file that was corrected at the server keeps its name and changes its tag.
    return sorted({(str(i.get("id")), str(i.get("etag", ""))) for i in items})


def _same_items(known: Sequence[Entry], plan: raster_plan.LayerPlan) -> bool:
    before = [item for e in known for item in e.facts.get("items", [])]
    return _tags(raster_layer.items(plan)) == _tags(before)


def _changes(
    old: Sequence[Entry], name: str, plan: raster_plan.LayerPlan
) -> tuple[Note, ...]:  # fmt: skip
    """A-EDITION-01 where the catalogue gives other items than last time for the same land."""
    before = set(_ids(old, name, plan.recipe))
    after = {str(item["id"]) for item in raster_layer.items(plan)}
    if not before or before == after:
        return ()
    return (words.items_changed(name, sorted(before - after), sorted(after - before)),)


def _agree(
    ask: Ask,
    plans: Mapping[str, raster_plan.LayerPlan],
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
    if total > ask.ask_from_mb * 1e6 and not confirm(told, total):
        raise SitingError(
            "E-SIZE-01",
            f"{words.size(total)} was not agreed to, so nothing was downloaded.",
            rule=f"More than {words.size(int(ask.ask_from_mb * 1e6))} are asked about first.",
            cure="Run again and answer yes, or add --yes.",
        )
    if network.budget is not None:
        # Half as much again: heads and block borders come on top of the cells that were counted.
        network.budget.left = int(1.5 * total) + _SPARE_BYTES


def _new(
    name: str,
    key: str,
    made: raster_layer.LayerMade,
    notes: tuple[Note, ...],
    when: dt.datetime,
) -> list[Part]:
    facts = {**made.facts, "layers": [name], "inputs": dict(made.table)}
    kept_notes = tuple((n.code, n.level, n.text) for n in notes)
    time = when.astimezone(dt.UTC).isoformat(timespec="seconds")
    entry = Entry(f"{name}.tif", name, key, facts, sha256_of(made.content), time, kept_notes)
    out = [Part(entry, made.content, notes)]
    if made.far:
        more = {**made.far_facts, "layers": [name]}
        digest = sha256_of(made.far)
        out.append(Part(Entry(FAR, f"{name}_far", key, more, digest, time), made.far, ()))
    # The legend goes along: codes without it mean nothing where the folder is taken.
    if made.table.get("legend") == "land_cover_legend.csv":
        text = Path(made.legend).read_bytes()
        more = {"layers": [name], "title": "Legend of the land cover", "of": entry.file}
        legend = Entry("land_cover_legend.csv", "legend", key, more, sha256_of(text), time)
        out.append(Part(legend, text, ()))
    return out
