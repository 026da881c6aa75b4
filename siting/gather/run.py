"""Gathering a region: plan, ask, fetch, check, write. The whole folder appears, or nothing new."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from siting.disk.files import (
    Staged,
    file_state,
    make_folder,
    remove_folder,
    staged,
    text_hash,
)
from siting.disk.lock import locked
from siting.errors import SitingError
from siting.gather import record
from siting.gather.ask import Ask, Gathered, cover_from_osm
from siting.gather.network.net import Door
from siting.gather.network.pieces import Budget
from siting.gather.parts import Part, kept_part, sha256_of
from siting.gather.raster.sources import Network
from siting.gather.record import Entry
from siting.gather.region import Region
from siting.gather.vector import layers
from siting.gather.vector import made as vectors
from siting.gather.vector.mapping import load_mapping
from siting.grid import Grid
from siting.kernels.bands import one_thread
from siting.types import Note
from siting.words.office import gather as words

# Beside the region and not in the system's temporary folder: a run that was broken off finds it.
WAITING = ".gather"
"""Folder of pieces and pages that have come; gone when the region is done."""
# For catalogues and heads of files, before the size of the cells is known and agreed to.
_PLANNING_BYTES = 200_000_000


def gather(
    ask: Ask,
    folder: Path,
    *,
    confirm: Callable[[str, int], bool],
    progress: Callable[[str], None],
    came: Callable[[int], None] | None = None,
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
    came : function, told the bytes of each piece of a raster that comes
    make_door : maker of doors to the network
    now : time with a zone, for sources.json

    Raises
    ------
    SitingError
        See docs/errors.md; nothing of the region is changed then. What has come is kept beside it
        and not asked for again.
    """
    # Before the lock, which lies in it.
    make_folder(folder)
    when = now or dt.datetime.now(dt.UTC)
    with locked(folder), one_thread():
        network = Network(
            folder / WAITING,
            ask.allow_hosts,
            Budget(_PLANNING_BYTES, came),
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
    # First of all: files of somebody else are told of before a single request is made.
    before = record.earlier(folder)
    _check_folder(folder, before)
    old = record.entries_of(before)
    parts = _vectors(ask, folder, old, progress, when)
    if ask.region is not None:
        # An extract alone has no rasters: what reads them takes half a second to load.
        from siting.gather.measured import measured_of
        from siting.gather.rasters import rasters_of

        # Rasters come last: what a file on this machine lacks is told before anything is asked.
        measured = measured_of(ask, folder, old, progress, when)
        found = rasters_of(ask, folder, old, network, confirm, progress, when)
        parts = [*measured, *found, *parts]
    inputs = _inputs(ask, [p.entry for p in parts]) if ask.region is not None else None
    progress("writing")
    written, notes = _write(ask, folder, parts, inputs, before, when)
    # Last of all: had anything failed, the next run would go on with what has come.
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
    ours = ("dem.tif", "dem_far.tif", "land_cover.tif", "canopy.tif", "layers.gpkg", record.INPUTS)
    for name in (*ours, record.SOURCES):
        if (folder / name).is_dir():
            # Else it would be met at the very end, with half of the files renamed.
            raise SitingError(
                "E-OUT-01",
                f"{folder / name} is a folder.",
                rule=f"A region has files named {', '.join(ours[:2])} ... and {record.SOURCES}.",
                cure="Move that folder away, or name another place with --out.",
            )
    found = [name for name in ours if (folder / name).exists()]
    if found and not before:
        raise SitingError(
            "E-OUT-01",
            f"{folder} holds {', '.join(found)} and no sources.json.",
            rule="A region has a folder of its own; other files are never overwritten.",
            cure="Name another folder with --out.",
        )


def _vectors(
    ask: Ask, folder: Path, old: Sequence[Entry], progress: Callable[[str], None], when: dt.datetime
) -> list[Part]:
    """The vector layers: kept when nothing that they depend on has changed, else made."""
    if not ask.osm and not ask.mapping:
        return []
    key = _vector_key(ask)
    known = record.kept(folder, [e for e in old if e.file == layers.FILE], key)
    if known:
        return [kept_part(entry) for entry in known]
    progress("reading the layers")
    made = vectors.make(
        ask.osm,
        ask.mapping,
        ask.region.boxes(ask.margin_m) if ask.region is not None else [],
        hunting_no_go=ask.hunting_no_go,
        cover_land=_cover_land(ask) if cover_from_osm(ask) else None,
        now=when,
    )
    time = when.astimezone(dt.UTC).isoformat(timespec="seconds")
    kept_notes = tuple((n.code, n.level, n.text) for n in made.notes)
    parts = []
    for number, facts in enumerate(made.sources):
        told = kept_notes if not number else ()
        entry = Entry(layers.FILE, "layers", key, facts, sha256_of(made.content), time, told)
        parts.append(Part(entry, made.content, made.notes if not number else ()))
    return parts


def _cover_land(ask: Ask) -> Grid:
    from siting.gather.raster.plan import CONTEXT_M

    return ask.land.grid(CONTEXT_M)


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
        cover_from_osm(ask),
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
    parts: Sequence[Part],
    inputs: str | None,
    before: Mapping[str, Any],
    when: dt.datetime,
) -> tuple[list[str], list[Note]]:
    """Stage every new file and rename them together, inputs.toml last."""
    # A user adds their own layers to inputs.toml: such a file is never written over.
    there = folder / record.INPUTS
    old = there.read_text(encoding="utf-8", errors="replace") if there.exists() else None
    own = old is not None and text_hash(old) != before.get("inputs_sha256")
    new = {p.entry.file: p.content for p in parts if p.content is not None}
    # Nothing new: the folder keeps its files and their dates.
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
    from siting.disk.layer_file import write_layers

    frame = region.frame()
    content = built_by(
        "parcel.gpkg",
        lambda path: write_layers(path, {"parcel": frame}, kinds={"parcel": "Unknown"}),
    )
    stage.write("parcel.gpkg", content)
