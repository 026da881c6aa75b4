"""Every sign-up, what is known of its land, runs and decisions: the rows of the office file."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from siting.desk.storage.blob import from_blob, to_blob
from siting.desk.storage.clock import now_text
from siting.desk.storage.land import Shape, geometry_of, shape_of
from siting.desk.storage.runs import Runs, blob_at, place_of
from siting.desk.storage.schema import LAYERS, new_parcel_id

_TEXTS = ("label", "cell", "contact_ref", "note", "set_aside_why")
Row = dict[str, Any]


class Conflict(Exception):
    """What is to be changed was changed by somebody else in the meantime."""


class Missing(Exception):
    """There is no such sign-up."""


@dataclass(frozen=True)
class Land:
    """What is known of a sign-up's land: shapes, answers by layer, and the state they are of."""

    shapes: tuple[Shape, ...]
    answers: Mapping[str, str]
    rev: int


class Store(Runs):
    """The sign-ups of an open office file: their land, runs, decisions and what came in."""

    # --- sign-ups ----------------------------------------------------------------------------

    def add_signup(
        self,
        label: str,
        *,
        cell: str = "",
        priority: float | None = None,
        contact_ref: str = "",
        place: tuple[float, float] | None = None,
    ) -> str:
        """A new sign-up, its uid; `place` (longitude, latitude) in degrees, where known."""
        values: Row = {
            "label": label,
            "parcel_id": new_parcel_id(label, self.parcel_ids()),
            "cell": cell,
            "priority": priority,
            "contact_ref": contact_ref,
            "geom": None if place is None else blob_at(place),
        }
        uid = secrets.token_hex(8)
        with self._act("signup added", uid, after={"label": label, "cell": cell}):
            self._insert("signup", {"uid": uid, **values})
        return uid

    def parcel_ids(self) -> dict[str, str]:
        """The sign-up's uid of every name that files call its land by."""
        rows = self._rows("SELECT uid, parcel_id FROM signup WHERE gone_at IS NULL")
        return {row["parcel_id"]: row["uid"] for row in rows}

    def place(self, uid: str) -> tuple[float, float] | None:
        """(longitude, latitude) in degrees that a sign-up came with; None where there was none."""
        return place_of(self.signup(uid)["geom"])

    def named_places(self) -> set[tuple[str, tuple[float, float] | None]]:
        """Name and place (longitude, latitude in degrees) of each sign-up, as it was given."""
        rows = self._rows("SELECT label, geom FROM signup WHERE gone_at IS NULL")
        return {(row["label"], place_of(row["geom"])) for row in rows}

    def change_signup(
        self, uid: str, changes: Mapping[str, Any], *, place: tuple[float, float] | None = None
    ) -> None:
        """Texts, priority and place (longitude, latitude in degrees) of a sign-up changed.

        Unknown names are refused with ValueError; without a place the old one stays.
        """
        # The names become part of the SQL, so nothing but these may be one.
        strange = set(changes) - {*_TEXTS, "priority"}
        if strange:
            raise ValueError(f"a sign-up has no {sorted(strange)[0]!r}")
        before = self.signup(uid)
        was, now, values = {n: before[n] for n in changes}, dict(changes), dict(changes)
        if place is not None:
            was["place"], now["place"] = place_of(before["geom"]), place
            values["geom"] = blob_at(place)
        parts = ", ".join(f"{name} = ?" for name in values)
        with self._act("signup changed", uid, was, now):
            self._db.execute(
                f"UPDATE signup SET {parts}, rev = rev + 1, changed_at = ? WHERE uid = ?",
                (*values.values(), now_text(), uid),
            )

    def signup(self, uid: str) -> Row:
        """One sign-up; raises Missing where there is none."""
        row = self._row("SELECT * FROM signup WHERE uid = ? AND gone_at IS NULL", (uid,))
        if row is None:
            raise Missing(uid)
        return dict(row)

    def signups(self, only: str = "") -> list[Row]:
        """Every sign-up with what its status is worked out from, in the order they came.

        With `only`, a uid, that one.
        """
        rows = self._rows(
            """SELECT s.uid, s.label, s.cell, s.priority, s.geom, s.set_aside_why, s.land_rev,
                      s.contact_ref, s.note, s.parcel_id, s.said_rev,
                      (SELECT geom FROM parcel p WHERE p.signup_uid = s.uid
                       AND p.gone_at IS NULL LIMIT 1) AS outline,
                      r.state AS run_state, r.land_rev AS run_land_rev,
                      r.message AS run_message, r.said_rev AS run_said_rev, r.named AS run_named,
                      c.state AS camera, c.since AS camera_since, c.last_on AS camera_last_on,
                      (SELECT sent_on FROM handover h WHERE h.signup_uid = s.uid
                       ORDER BY h.fid DESC LIMIT 1) AS sent_on,
                      (SELECT kind FROM decision d WHERE d.signup_uid = s.uid
                       AND d.kind != 'refused' AND d.gone_at IS NULL
                       ORDER BY d.fid DESC LIMIT 1) AS decided
               FROM signup s
               LEFT JOIN run r ON r.fid = (SELECT MAX(fid) FROM run WHERE signup_uid = s.uid
                                           AND state IN ('done', 'failed'))
               LEFT JOIN camera c ON c.signup_uid = s.uid
               WHERE s.gone_at IS NULL AND ? IN ('', s.uid) ORDER BY s.fid""",
            (only,),
        )
        return [dict(row) for row in rows]

    # --- the land of a sign-up ---------------------------------------------------------------

    def land(self, uid: str) -> Land:
        """What is known of the land, layer by layer, in the order of drawing."""
        # Read while a page saves, it could else be half of an edit.
        with self._moment():
            return self._land(uid)

    def _land(self, uid: str) -> Land:
        rev = int(self.signup(uid)["land_rev"])
        shapes: list[Shape] = []
        for layer in LAYERS:
            rows = self._rows(
                f"SELECT * FROM {layer} WHERE signup_uid = ? AND gone_at IS NULL ORDER BY uid",
                (uid,),
            )
            shapes += [shape_of(dict(row), layer, from_blob(row["geom"])) for row in rows]
        answers = self._rows(
            "SELECT layer, state FROM answer WHERE signup_uid = ? AND gone_at IS NULL", (uid,)
        )
        return Land(tuple(shapes), {row["layer"]: row["state"] for row in answers}, rev)

    def save_land(
        self, uid: str, shapes: Sequence[Shape], answers: Mapping[str, str], *, rev: int
    ) -> int:
        """The land as it is drawn now; the number of its new state.

        Rows that did not change keep their revision. Raises Conflict when the land is no longer in
        the state `rev` that the drawing began from.
        """
        # Held from the look to the last row: neither of two drawings may silently win.
        with self._alone:
            return self._save_land(uid, shapes, answers, rev)

    def _save_land(
        self, uid: str, shapes: Sequence[Shape], answers: Mapping[str, str], rev: int
    ) -> int:
        before = self.land(uid)
        # Somebody drew in another window meanwhile.
        if before.rev != rev:
            raise Conflict(uid)
        old = {shape.uid: shape for shape in before.shapes}
        new = {shape.uid: shape for shape in shapes}
        # A new state without a change would call the last run out of date.
        if old == new and dict(before.answers) == dict(answers):
            return rev
        kept = {u: s for u, s in new.items() if old.get(u) == s}
        changed = {u: s.as_data() for u, s in new.items() if u not in kept}
        gone = {u: s.as_data() for u, s in old.items() if u not in new or u in changed}
        with self._act("land", uid, gone, changed):
            at = now_text()
            for was in (s for u, s in old.items() if u not in new):
                self._db.execute(
                    f"UPDATE {was.layer} SET gone_at = ?, rev = rev + 1 WHERE uid = ?",
                    (at, was.uid),
                )
            for shape in (s for u, s in new.items() if u not in kept):
                self._put_shape(uid, shape, moved=shape.uid in old)
            self._put_answers(uid, answers)
            self._db.execute(
                "UPDATE signup SET land_rev = land_rev + 1, changed_at = ? WHERE uid = ?", (at, uid)
            )
        return rev + 1

    def _put_shape(self, uid: str, shape: Shape, *, moved: bool) -> None:
        values: Row = {
            "geom": to_blob(geometry_of(shape)),
            "name": shape.name,
            "use": shape.use,
            "class": shape.road_class,
            "reason": shape.reason,
            "said_by": shape.said_by,
            "said_on": shape.said_on,
            "via": shape.via,
        }
        if moved:
            parts = ", ".join(f"{name} = ?" for name in values)
            self._db.execute(
                f"UPDATE {shape.layer} SET {parts}, rev = rev + 1, changed_at = ? WHERE uid = ?",
                (*values.values(), now_text(), shape.uid),
            )
        else:
            self._db.execute(
                # Undo brings a shape back under its old uid, which its removed row still holds.
                f"DELETE FROM {shape.layer} WHERE uid = ? AND gone_at IS NOT NULL",
                (shape.uid,),
            )
            self._insert(shape.layer, {"uid": shape.uid, "signup_uid": uid, **values})

    def _put_answers(self, uid: str, answers: Mapping[str, str]) -> None:
        self._db.execute("DELETE FROM answer WHERE signup_uid = ?", (uid,))
        for layer, state in sorted(answers.items()):
            self._insert("answer", {"signup_uid": uid, "layer": layer, "state": state})

    # --- the record ----------------------------------------------------------------------------

    def changes(self, uid: str) -> list[Row]:
        """What was changed about a sign-up and when, newest first."""
        rows = self._rows(
            "SELECT number, at, what FROM change WHERE uid = ? ORDER BY number DESC LIMIT 200",
            (uid,),
        )
        return [dict(row) for row in rows]
