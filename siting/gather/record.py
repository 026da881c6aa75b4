"""sources.json and inputs.toml of a region: what the files are, and what must be said of them."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from siting import __version__
from siting.disk.files import canonical_json, file_hash, text_hash
from siting.gather.region import Region
from siting.settings.text.toml import toml_value

FORMAT = 1
SOURCES, INPUTS = "sources.json", "inputs.toml"
NEW_INPUTS = "inputs.new.toml"


@dataclass(frozen=True)
class Entry:
    """One file of a region and where it came from.

    Parameters
    ----------
    file, layer : str
        File name of ours, and the layer of the inputs it serves.
    key : str
        Fingerprint of all that the file depends on; the same key needs no new file.
    facts : mapping
        What sources.json tells: title, publisher, licence, attribution, items ...
    sha256 : str
        Of the file as it was written.
    fetched : str
        When, in UTC.
    """

    file: str
    layer: str
    key: str
    facts: Mapping[str, Any]
    sha256: str = ""
    fetched: str = ""
    notes: tuple[tuple[str, str, str], ...] = field(default=())

    def as_json(self) -> dict[str, Any]:
        """The entry as it stands in sources.json."""
        return {
            "file": self.file,
            "layer": self.layer,
            "key": self.key,
            "sha256": self.sha256,
            "fetched": self.fetched,
            "notes": [list(note) for note in self.notes],
            **self.facts,
        }


_OWN = ("file", "layer", "key", "sha256", "fetched", "notes")


def earlier(folder: Path) -> dict[str, Any]:
    """sources.json of an earlier run; empty when there is none that can be read."""
    try:
        text = (folder / SOURCES).read_text(encoding="utf-8")
        record = json.loads(text)
    except (OSError, ValueError):
        return {}
    # Of another version nothing is taken over: all is gathered anew rather than half understood.
    return record if isinstance(record, dict) and record.get("version") == FORMAT else {}


def entries_of(record: Mapping[str, Any]) -> list[Entry]:
    """The entries of an earlier sources.json."""
    out = []
    listed = record.get("sources")
    for one in listed if isinstance(listed, list) else []:
        # What is not as we write it vouches for no file: that file is made anew.
        if isinstance(one, dict) and _is_ours(one):
            facts = {k: v for k, v in one.items() if k not in _OWN}
            head = {k: one[k] for k in _OWN[:-1]}
            notes = tuple((n[0], n[1], n[2]) for n in one["notes"])
            out.append(Entry(facts=facts, notes=notes, **head))
    return out


def _is_ours(one: Mapping[str, Any]) -> bool:
    """Whether an entry of sources.json has the form in which `Entry.as_json` writes it."""
    notes, items, layers = (one.get(k, []) for k in ("notes", "items", "layers"))
    return (
        all(isinstance(one.get(k), str) for k in _OWN[:-1])
        and all(isinstance(one.get(k, {}), dict) for k in ("inputs", "inputs_cover", "vectors"))
        and all(isinstance(v, list) for v in (notes, items, layers))
        and all(isinstance(n, list) and [type(v) for v in n] == [str] * 3 for n in notes)
        and all(isinstance(item, dict) for item in items)
    )


def kept(folder: Path, entries: Sequence[Entry], key: str) -> list[Entry]:
    """Entries of an earlier run with this key whose files are as they were written."""
    return [
        e
        for e in entries
        if e.key == key
        # A record from elsewhere may name any path; only files of this folder are ours.
        and Path(e.file).name == e.file
        and (folder / e.file).is_file()
        and file_hash(folder / e.file) == e.sha256
    ]


def key_of(*facts: Any) -> str:
    """Fingerprint of what a file depends on, the program's version among it."""
    # The program's version is part of it: a correction must reach regions that were made before.
    return text_hash(canonical_json([__version__, *facts]))[:32]


def sources_text(
    region: Region | None,
    entries: Sequence[Entry],
    *,
    margin_m: float,
    time: dt.datetime,
    inputs: str,
) -> str:
    """sources.json: no path of a machine, no query of an address, no key.

    `margin_m` is the ground around the land, metres; `inputs` is the SHA-256 of inputs.toml as it
    was last written by us.
    """
    record = {
        "version": FORMAT,
        "made": time.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "program": f"siting {__version__}",
        "region": {
            "boxes": [[round(v, 6) for v in box] for box in region.boxes(margin_m)]
            if region is not None
            else [],
            "margin_m": margin_m,
        },
        "inputs_sha256": inputs,
        "sources": [entry.as_json() for entry in entries],
    }
    return canonical_json(record) + "\n"


def inputs_text(
    region: Region,
    rasters: Mapping[str, Mapping[str, Any]],
    layers: Mapping[str, Any],
    entries: Sequence[Entry],
) -> str:
    """inputs.toml of the region: paths count from its own folder.

    Parameters
    ----------
    rasters : layer to keys of its table, such as {"dem": {"file": "dem.tif"}}
    layers : layer to value, such as {"water": "layers.gpkg::water"}
    """
    lines = ["# Written by siting gather. Add what you know of the land; see docs/inputs.md.", ""]
    lines += ["[parcel]"]
    if region.point is not None:
        lon, lat, radius = region.point
        lines += [f"point = [{lon!r}, {lat!r}]", f"radius_m = {float(radius)!r}"]
    else:
        lines += ['file = "parcel.gpkg::parcel"']
    for name, table in rasters.items():
        lines += ["", f"[{name}]", *(f"{k} = {toml_value(v)}" for k, v in table.items())]
    if layers:
        lines += ["", "[layers]", *(f"{k} = {toml_value(v)}" for k, v in layers.items())]
    for entry in entries:
        lines += ["", "[[sources]]", *_source_lines(entry)]
    return "\n".join(lines) + "\n"


def _source_lines(entry: Entry) -> list[str]:
    """What every page made of the data must be able to say, without sources.json."""
    told = {"layers": entry.facts.get("layers") or [entry.layer]}
    for key in ("title", "attribution", "short", "licence", "licence_url", "changed"):
        if entry.facts.get(key):
            told[key] = entry.facts[key]
    return [f"{key} = {toml_value(value)}" for key, value in told.items()]
