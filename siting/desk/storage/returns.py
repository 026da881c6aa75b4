"""What came in and what it comes to: received files, what was said of places, cameras, letters."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from typing import Any

from siting.desk.storage.clock import now_text
from siting.desk.storage.office_file import OfficeFile

Row = dict[str, Any]


class Returns(OfficeFile):
    """Received files, and what is kept of them, in an open office file."""

    # --- received files ----------------------------------------------------------------------

    def receive(
        self, name: str, sha256: str, *, kind: str, uid: str = "", state: str = "in"
    ) -> bool:
        """A file that came in; False when the same bytes are here already."""
        # The same file dropped twice is one file, whatever its name.
        if self.known_file(sha256) is not None:
            return False
        values = {"signup_uid": uid, "name": name, "sha256": sha256, "kind": kind, "state": state}
        with self._act("received", uid, after=values):
            self._insert("received", values)
        return True

    def known_file(self, sha256: str) -> Row | None:
        """The row of a file by its bytes; None where it never came."""
        row = self._row("SELECT * FROM received WHERE sha256 = ?", (sha256,))
        return None if row is None else dict(row)

    def uid_for(self, sha256: str) -> str:
        """The uid of a file that was here before, else a new one."""
        before = self.known_file(sha256)
        return secrets.token_hex(8) if before is None else str(before["uid"])

    def keep_waiting(self, uid: str, name: str, sha256: str, *, kind: str, found: str) -> None:
        """A file that waits for somebody to look at it, with what it holds, under `uid_for` it.

        One that was here before and was not taken waits again.
        """
        before = self.known_file(sha256)
        values = {"name": name, "kind": kind, "state": "waiting", "found": found}
        with self._act("received", uid, after={"name": name, "sha256": sha256, "kind": kind}):
            if before is None:
                self._insert("received", {"uid": uid, "sha256": sha256, **values})
            else:
                self._update("received", uid, values)

    def waiting(self) -> list[Row]:
        """Files that nobody has decided about, in the order they came."""
        rows = self._rows("SELECT * FROM received WHERE state = 'waiting' ORDER BY fid")
        return [dict(row) for row in rows]

    def received(self, uid: str) -> Row | None:
        """One received file; None where there is none."""
        row = self._row("SELECT * FROM received WHERE uid = ?", (uid,))
        return None if row is None else dict(row)

    def settle(
        self, uid: str, state: str, *, said: Mapping[str, str], found: str = "", signup: str = ""
    ) -> None:
        """A received file "accepted", "left" or "given back"; `said` is what it says, by sign-up.

        Of a file that says nothing `found` is kept, for giving it back, with its sign-up. Whole or
        not at all: what was said and the state of the file are one act.
        """
        with self._act(f"file {state}", uid, after=sorted(said)):
            for signup, text in said.items():
                self._insert("said", {"signup_uid": signup, "received_uid": uid, "text": text})
                self._db.execute(
                    "UPDATE signup SET said_rev = said_rev + 1, changed_at = ? WHERE uid = ?",
                    (now_text(), signup),
                )
            first = next(iter(said), signup)
            self._update("received", uid, {"state": state, "found": found, "signup_uid": first})

    def taken_in(self) -> list[Row]:
        """Files that were taken in and can be given back, the newest first, at most 50."""
        rows = self._rows(
            "SELECT uid, name, changed_at, signup_uid FROM received "
            "WHERE state = 'accepted' AND (kind = 'visits' OR found != '') "
            "ORDER BY changed_at DESC, fid DESC LIMIT 50"
        )
        return [dict(row) for row in rows]

    def give_back(self, uid: str) -> list[str]:
        """Take a file of visits out again; what it said counts no more. Its sign-ups."""
        query = "SELECT DISTINCT signup_uid FROM said WHERE received_uid = ? AND gone_at IS NULL"
        signups = [str(row["signup_uid"]) for row in self._rows(query, (uid,))]
        at = now_text()
        with self._act("file given back", uid, before=signups):
            self._db.execute("UPDATE said SET gone_at = ? WHERE received_uid = ?", (at, uid))
            for signup in signups:
                self._db.execute(
                    "UPDATE signup SET said_rev = said_rev + 1, changed_at = ? WHERE uid = ?",
                    (at, signup),
                )
            self._update("received", uid, {"state": "given back"})
        return signups

    # --- what was said -----------------------------------------------------------------------

    def said(self, uid: str) -> list[tuple[str, str]]:
        """(name, text) of the files of decisions about a sign-up, in the order they were taken in.

        The names are those under which they are written for a run.
        """
        rows = self._rows(
            "SELECT fid, text FROM said WHERE signup_uid = ? AND gone_at IS NULL ORDER BY fid",
            (uid,),
        )
        return [(f"{row['fid']:06d}.json", row["text"]) for row in rows]

    def signups_with_words(self) -> list[str]:
        """The sign-ups of which anything was said."""
        rows = self._rows(
            "SELECT DISTINCT signup_uid FROM said WHERE gone_at IS NULL ORDER BY signup_uid"
        )
        return [row["signup_uid"] for row in rows]

    def put_camera(self, uid: str, *, state: str, since: str, last_on: str) -> None:
        """What was last reported of a sign-up's camera; dates as text, "" where not known."""
        values = {"state": state, "since": since, "last_on": last_on}
        before = self._row("SELECT state, since, last_on FROM camera WHERE signup_uid = ?", (uid,))
        if (dict(before) if before else {"state": ""}) == (values if state else {"state": ""}):
            return
        with self._act("camera", uid, after=values):
            self._db.execute("DELETE FROM camera WHERE signup_uid = ?", (uid,))
            if state:
                self._insert("camera", {"signup_uid": uid, **values})

    def camera_state(self, uid: str) -> str:
        """What was last reported of a sign-up's camera, "" for nothing."""
        row = self._row("SELECT state FROM camera WHERE signup_uid = ?", (uid,))
        return "" if row is None else str(row["state"])

    def camera_since(self, uid: str) -> str:
        """The day on which the camera of a sign-up was put up; "" where none was."""
        row = self._row("SELECT since FROM camera WHERE signup_uid = ?", (uid,))
        return "" if row is None else str(row["since"])

    # --- letters -----------------------------------------------------------------------------

    def put_letter(self, uid: str, values: Mapping[str, str]) -> None:
        """The letter of a sign-up as it was edited, and on which day it was sent."""
        before = self.letter(uid)
        with self._act("letter", uid, before, dict(values)):
            if before is None:
                self._insert("handover", {"signup_uid": uid, **values})
            else:
                self._update("handover", str(before["uid"]), values)

    def letter(self, uid: str) -> Row | None:
        """The letter of a sign-up: text, place it speaks of, day it was sent; None before."""
        row = self._row(
            "SELECT uid, spot_id, letter, sha256, sent_on FROM handover WHERE signup_uid = ? "
            "ORDER BY fid DESC LIMIT 1",
            (uid,),
        )
        return None if row is None else dict(row)

    def rows_of_runs(self) -> Sequence[tuple[str, str]]:
        """(sign-up, row as JSON) of the last good run of every sign-up."""
        rows = self._rows(
            """SELECT signup_uid, row FROM run WHERE fid IN (
                   SELECT MAX(fid) FROM run WHERE state = 'done' GROUP BY signup_uid)
               AND row != '' ORDER BY signup_uid"""
        )
        return [(row["signup_uid"], row["row"]) for row in rows]

    def _update(self, table: str, uid: str, values: Mapping[str, Any]) -> None:
        parts = ", ".join(f"{name} = ?" for name in values)
        self._db.execute(
            f"UPDATE {table} SET {parts}, rev = rev + 1, changed_at = ? WHERE uid = ?",
            (*values.values(), now_text(), uid),
        )
