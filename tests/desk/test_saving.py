"""Saves wait for the disk by themselves: pages are answered meanwhile, and their order stays."""

from __future__ import annotations

import sqlite3
import threading
import time
from contextlib import contextmanager

import pytest

from siting.desk.storage.office_file import FILE
from siting.errors import ResourceError
from tests.desk.test_routes import Office, new_signup, outline


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    made = Office(tmp_path_factory.mktemp("office"))
    yield made
    made.close()


@contextmanager
def held(office):
    """The office file as a map program holds it while somebody edits there."""
    other = sqlite3.connect(office.folder / FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()


class Sent(threading.Thread):
    """A request on its way, with the answer once it is there."""

    def __init__(self, office, method, path, value):
        super().__init__()
        self.ask = lambda: office.send(method, path, value)
        self.start()

    def run(self):
        self.answer = self.ask()


def test_pages_are_answered_while_a_save_waits_for_the_file(office):
    uid = new_signup(office)
    land = {"rev": 0, "shapes": [outline()], "answers": {}}
    with held(office):
        save = Sent(office, "PUT", f"/api/land/{uid}", land)
        time.sleep(0.1)
        for path in ("/", "/api/signups", f"/api/land/{uid}", f"/api/places/{uid}"):
            assert office.get(path).status_code == 200
            # A page that waited would come after the save, when the save's own patience is over.
            # And not before it is kept: what the page calls saved survives a kill.
            assert save.is_alive(), path
        assert office.get(f"/api/land/{uid}").json()["rev"] == 0
    save.join()
    assert save.answer.json() == {"rev": 1}
    assert office.get(f"/api/land/{uid}").json()["rev"] == 1


def test_saves_are_kept_in_the_order_they_came(office):
    uid = new_signup(office)
    with held(office):
        saves = []
        for n in range(4):
            saves.append(Sent(office, "PATCH", f"/api/signups/{uid}", {"note": str(n)}))
            time.sleep(0.2)
        assert all(save.is_alive() for save in saves)
    for save in saves:
        save.join()
        assert save.answer.status_code == 200
    (row,) = office.get(f"/api/signups?only={uid}").json()["rows"]
    assert row["note"] == "3"


def test_a_score_waits_for_the_drawing_that_was_sent_before_it(office, monkeypatch):
    uid = new_signup(office)
    seen = []
    store = office.desk.store
    monkeypatch.setattr(
        office.desk.runner, "add", lambda found, anew: seen.append(store.land(found).rev)
    )
    land = {"rev": 0, "shapes": [outline("c" * 16)], "answers": {}}
    with held(office):
        save = Sent(office, "PUT", f"/api/land/{uid}", land)
        time.sleep(0.3)
        score = Sent(office, "POST", f"/api/score/{uid}", {})
    save.join()
    score.join()
    assert score.answer.status_code == 202
    assert seen == [1]


def test_of_two_drawings_at_once_one_is_kept_and_the_other_asked(office):
    uid = new_signup(office)
    store, said = office.desk.store, []

    def save(number):
        land = {"rev": 0, "shapes": [outline(f"{number:016x}")], "answers": {}}
        said.append(office.send("PUT", f"/api/land/{uid}", land).status_code)

    with held(office):
        both = [threading.Thread(target=save, args=(n,)) for n in (1, 2)]
        for one in both:
            one.start()
        time.sleep(0.3)
    for one in both:
        one.join()
    assert sorted(said) == [200, 409]
    assert len(store.land(uid).shapes) == 1


def test_what_is_not_kept_yet_is_not_read(office):
    store = office.desk.store
    uid = new_signup(office, "Before")
    with pytest.raises(ResourceError), store._act("signup changed", uid):
        store._db.execute("UPDATE signup SET label = 'Half' WHERE uid = ?", (uid,))
        assert store.signup(uid)["label"] == "Before"
        raise sqlite3.OperationalError("disk full")
    assert store.signup(uid)["label"] == "Before"
