"""The runs of each sign-up's land and what was decided on their places."""

from __future__ import annotations

import json
import secrets
from typing import Any

import shapely

from siting.desk.storage.blob import from_blob, to_blob
from siting.desk.storage.clock import now_text
from siting.desk.storage.land import Shape, geometry_of
from siting.desk.storage.returns import Returns

Row = dict[str, Any]


class Runs(Returns):
    """The part of the store that keeps runs and decisions."""

    def begin_run(self, uid: str, *, land_rev: int, said_rev: int = 0) -> str:
        """A run that has started, of this state of the land and of what was said; its uid."""
        run = secrets.token_hex(8)
        values: Row = {"uid": run, "signup_uid": uid, "land_rev": land_rev, "state": "started"}
        values["said_rev"] = said_rev
        with self._act("run started", uid, after=values):
            self._insert("run", values)
        return run

    def end_run(self, run: str, state: str, **facts: Any) -> None:
        """How a run ended: "done", "failed", "cancelled" or "cut short", with further columns."""
        values = {"state": state, **facts}
        parts = ", ".join(f"{name} = ?" for name in values)
        with self._act("run ended", run, after=values):
            self._db.execute(
                f"UPDATE run SET {parts}, rev = rev + 1, changed_at = ? WHERE uid = ?",
                (*values.values(), now_text(), run),
            )

    def going(self) -> list[tuple[str, str]]:
        """(sign-up, run) of each run that has not ended."""
        rows = self._rows("SELECT uid, signup_uid FROM run WHERE state = 'started'")
        return [(row["signup_uid"], row["uid"]) for row in rows]

    def replaced(self) -> list[tuple[str, str]]:
        """(sign-up, run) of each run that ended well and has a later one that did."""
        rows = self._rows(
            "SELECT uid, signup_uid FROM run WHERE state = 'done' AND fid NOT IN "
            "(SELECT max(fid) FROM run WHERE state = 'done' GROUP BY signup_uid)"
        )
        return [(row["signup_uid"], row["uid"]) for row in rows]

    def cut_short(self) -> int:
        """Runs that were going when the desk ended are marked so; how many there were."""
        going = self.going()
        for _, run in going:
            self.end_run(run, "cut short")
        return len(going)

    def last_run(self, uid: str) -> Row | None:
        """The newest run of a sign-up that ended well or failed; None where there is none."""
        row = self._row(
            "SELECT * FROM run WHERE signup_uid = ? AND state IN ('done', 'failed') "
            "ORDER BY fid DESC LIMIT 1",
            (uid,),
        )
        return None if row is None else dict(row)

    def decide(
        self,
        uid: str,
        *,
        run_uid: str,
        rank: int,
        kind: str,
        why: str,
        place: tuple[float, float],
        spot_id: str = "",
        said: str = "",
    ) -> None:
        """A decision on a spot of a run, `place` in degrees; the newest one of a sign-up counts.

        `said` is the same as a file of decisions, which every later run reads.
        """
        values: Row = {
            "signup_uid": uid,
            "run_uid": run_uid,
            "rank": rank,
            "kind": kind,
            "why": why,
            "spot_id": spot_id,
        }
        with self._act("decision", uid, after={**values, "place": place}):
            self._insert("decision", {**values, "geom": blob_at(place)})
            if said:
                self._insert("said", {"signup_uid": uid, "received_uid": "", "text": said})
            # Ground that was closed makes the list out of date; a place that was taken does not.
            if said and kind == "refused":
                self._db.execute(
                    "UPDATE decision SET gone_at = ? WHERE signup_uid = ? AND spot_id = ?",
                    (now_text(), uid, spot_id),
                )
                self._db.execute("UPDATE signup SET said_rev = said_rev + 1 WHERE uid = ?", (uid,))

    def withdraw(self, uid: str) -> None:
        """Take the office's choice of a place back, as if none had been made; refusals stay."""
        mine = self._rows(
            "SELECT fid, text FROM said WHERE signup_uid = ? AND received_uid = '' "
            "AND gone_at IS NULL",
            (uid,),
        )
        asked = [
            row["fid"]
            for row in mine
            if any(one["state"] == "proposed" for one in json.loads(row["text"])["records"])
        ]
        at = now_text()
        with self._act("choice taken back", uid, before=self.decision(uid)):
            self._db.execute(
                "UPDATE decision SET gone_at = ? WHERE signup_uid = ? AND kind != 'refused' "
                "AND gone_at IS NULL",
                (at, uid),
            )
            for fid in asked:
                self._db.execute("UPDATE said SET gone_at = ? WHERE fid = ?", (at, fid))

    def decision(self, uid: str) -> Row | None:
        """The decision that counts for a sign-up, with its place as (longitude, latitude)."""
        row = self._row(
            "SELECT * FROM decision WHERE signup_uid = ? AND kind != 'refused' "
            "AND gone_at IS NULL "
            "ORDER BY fid DESC LIMIT 1",
            (uid,),
        )
        if row is None:
            return None
        lon, lat = place_of(row["geom"]) or (None, None)
        names = ("uid", "run_uid", "rank", "kind", "why", "made_at", "spot_id")
        return {**{name: row[name] for name in names}, "lon": lon, "lat": lat}


def blob_at(place: tuple[float, float]) -> bytes:
    """A place (longitude, latitude in degrees) as the file keeps it."""
    return to_blob(geometry_of(Shape(uid="", layer="way_in", kind="point", corners=(place,))))


def place_of(blob: bytes | None) -> tuple[float, float] | None:
    """(longitude, latitude) in degrees of a place that is kept; None where there is none."""
    if blob is None:
        return None
    lon, lat = (float(v) for v in shapely.get_coordinates(from_blob(blob))[0])
    return lon, lat
