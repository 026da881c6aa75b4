"""Taking in what came back: visits as records, a sketch layer by layer, outlines as sign-ups."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from siting.decisions.model import DecisionsFile
from siting.desk.back.matching import about
from siting.desk.back.records import remember_camera
from siting.desk.storage.land import LandIn, Shape, ShapeIn
from siting.desk.storage.store import Land, Store
from siting.words.office.desk import layer_title

NEW = "new"
"""In place of a sign-up: one is to be made of the file."""
_OURS, _THEIRS, _BOTH = "ours", "theirs", "both"
_NAMELESS = "Land from a file"


def taken(
    store: Store,
    row: Mapping[str, Any],
    *,
    signups: Mapping[str, str],
    layers: Mapping[str, str],
    areas: Sequence[int],
) -> list[str]:
    """Take in a waiting file; the sign-ups that it changed.

    Parameters
    ----------
    row : of the received file
    signups : the sign-up for each parcel of the file, under "" for a sketch or outlines; `NEW`
    layers : of a sketch, "ours", "theirs" or "both" for each layer
    areas : of a file of outlines, which of its areas are taken

    Raises
    ------
    ValueError
        Where a parcel of the file has no sign-up, or the land would be no land.
    """
    found = json.loads(row["found"])
    if row["kind"] == "visits":
        return _visits(store, row, found, signups)
    asked = signups.get("", "")
    before = {asked: _by_name(store.land(asked))} if asked not in ("", NEW) else {}
    if row["kind"] == "sketch":
        uids = [_sketch(store, found, asked, layers)]
    else:
        uids = _outlines(store, row, found, asked, areas)
    undo = {
        uid: {"before": before.get(uid, {}), "after": _by_name(store.land(uid))} for uid in uids
    }
    store.settle(row["uid"], "accepted", said={}, found=json.dumps(undo), signup=uids[0])
    return uids


def given_back(store: Store, row: Mapping[str, Any]) -> tuple[list[str], bool]:
    """A sketch or outlines taken out again: the land as it was before, layer by layer.

    The sign-ups, and whether anything stays because it was edited since.
    """
    stays = False
    undo = json.loads(row["found"])
    for uid, was in undo.items():
        land = store.land(uid)
        now = _by_name(land)
        edited = {
            layer
            for layer in {*now, *was["before"], *was["after"]}
            if now.get(layer) != was["after"].get(layer)
        }
        stays = stays or bool(edited)
        # What somebody drew since is not thrown away with the sketch.
        kept = {layer: one for layer, one in was["before"].items() if layer not in edited}
        kept |= {layer: one for layer, one in now.items() if layer in edited}
        shapes = [_shape(one) for layer in kept.values() for one in layer["shapes"]]
        answers = {layer: one["answer"] for layer, one in kept.items() if one["answer"]}
        _save(store, uid, shapes, answers, rev=land.rev)
    store.settle(row["uid"], "given back", said={})
    return list(undo), stays


def _by_name(land: Land) -> dict[str, Any]:
    """Layer by layer what is drawn and answered, as it comes out of JSON."""
    drawn = _by_layer([shape.as_data() for shape in land.shapes])
    found = {
        layer: {"shapes": drawn.get(layer, []), "answer": land.answers.get(layer, "")}
        for layer in {*drawn, *land.answers}
    }
    same: dict[str, Any] = json.loads(json.dumps(found))
    return same


def _visits(
    store: Store, row: Mapping[str, Any], found: Mapping[str, Any], signups: Mapping[str, str]
) -> list[str]:
    said: dict[str, str] = {}
    for content in found["files"]:
        file = DecisionsFile.model_validate(content)
        uid = signups.get(file.parcel, "")
        if not uid:
            raise ValueError("Choose a sign-up for each part of the file first.")
        mine = about(file, str(store.signup(uid)["parcel_id"]))
        before = DecisionsFile.model_validate_json(said[uid]).records if uid in said else ()
        # Two parts of one file for one sign-up are one file: of one phone only the newest counts.
        mine = mine.model_copy(update={"records": (*before, *mine.records)})
        said[uid] = mine.model_dump_json(exclude_defaults=True, indent=1) + "\n"
    store.settle(row["uid"], "accepted", said=said)
    for uid in said:
        remember_camera(store, uid)
    return list(said)


# --- sketches ------------------------------------------------------------------------------------


def compared(store: Store, uid: str, found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Layer by layer: what is there, what the sketch has, whether it is the same.

    `uid` may be "": then nothing is there.
    """
    land = store.land(uid) if uid else None
    ours = _by_layer([s.as_data() for s in land.shapes]) if land else {}
    answers = dict(land.answers) if land else {}
    theirs, said = _by_layer(found["shapes"]), found["answers"]
    rows = []
    for layer in sorted({*theirs, *said}, key=_in_order):
        mine, drawn = ours.get(layer, []), theirs.get(layer, [])
        rows.append(
            {
                "layer": layer,
                "title": layer_title(layer),
                "ours": len(mine),
                "theirs": len(drawn),
                "our_answer": answers.get(layer, ""),
                "their_answer": said.get(layer, ""),
                "same": _places(mine) == _places(drawn)
                and answers.get(layer, "") == said.get(layer, ""),
            }
        )
    return rows


def _in_order(layer: str) -> str:
    # The outline first: without it nothing else can be looked at.
    return "" if layer == "parcel" else layer


def _by_layer(shapes: Sequence[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for shape in shapes:
        found.setdefault(shape["layer"], []).append(shape)
    return found


def _places(shapes: Sequence[Mapping[str, Any]]) -> set[str]:
    return {json.dumps([s["kind"], s["corners"], s["use"], s["road_class"]]) for s in shapes}


def _sketch(store: Store, found: Mapping[str, Any], asked: str, layers: Mapping[str, str]) -> str:
    uid = _signup(store, asked, found.get("made_for", ""))
    land = store.land(uid)
    shapes, answers = list(land.shapes), dict(land.answers)
    theirs = _by_layer(found["shapes"])
    for layer in {*theirs, *found["answers"]}:
        choice = layers.get(layer, _THEIRS)
        if choice == _OURS:
            continue
        drawn = [_shape(one) for one in theirs.get(layer, [])]
        kept = {shape.uid for shape in drawn}
        mine = [s for s in shapes if s.layer == layer and choice == _BOTH and s.uid not in kept]
        shapes = [s for s in shapes if s.layer != layer] + mine + drawn
        answers.pop(layer, None)
        # An answer of "none" beside something marked would contradict it.
        if not mine and not drawn and layer in found["answers"]:
            answers[layer] = found["answers"][layer]
    _save(store, uid, shapes, answers, rev=land.rev)
    return uid


# --- outlines ------------------------------------------------------------------------------------


def _outlines(
    store: Store,
    row: Mapping[str, Any],
    found: Mapping[str, Any],
    asked: str,
    areas: Sequence[int],
) -> list[str]:
    every = [s for s in found["shapes"] if s["layer"] == "parcel"]
    chosen = [every[n] for n in areas if 0 <= n < len(every)] or every
    if not chosen:
        raise ValueError("The file holds no outline of land.")
    if asked != NEW:
        uid = _signup(store, asked, "")
        land = store.land(uid)
        rest = [s for s in land.shapes if s.layer != "parcel"]
        _save(store, uid, [*rest, *map(_shape, chosen)], land.answers, rev=land.rev)
        return [uid]
    name = str(row["name"]).rsplit(".", 1)[0][:200]
    made = []
    for number, area in enumerate(chosen, start=1):
        label = area.get("label") or (name if len(chosen) == 1 else f"{name} {number}")
        uid = store.add_signup(label or _NAMELESS)
        _save(store, uid, [_shape(area)], {}, rev=0)
        made.append(uid)
    return made


def _signup(store: Store, asked: str, label: str) -> str:
    if not asked:
        raise ValueError("Choose a sign-up for the file first.")
    if asked == NEW:
        return store.add_signup(label or _NAMELESS)
    return str(store.signup(asked)["uid"])


def _shape(data: Mapping[str, Any]) -> Shape:
    return ShapeIn.model_validate({k: v for k, v in data.items() if k != "label"}).shape()


def _save(
    store: Store, uid: str, shapes: Sequence[Shape], answers: Mapping[str, str], *, rev: int
) -> None:
    """The land, within the limits that hold for what is drawn on the page."""
    data = [shape.as_data() for shape in shapes]
    LandIn.model_validate({"rev": rev, "shapes": data, "answers": dict(answers)})
    store.save_land(uid, shapes, answers, rev=rev)
