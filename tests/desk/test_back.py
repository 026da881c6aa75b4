"""What comes back to the desk: matched, shown beside what is known, taken in or left."""

from __future__ import annotations

import io
import itertools
import json
import zipfile
from typing import Any

import pytest

from siting.decisions.model import FORMAT, Record
from siting.desk.storage.office import SAID, parcel_folder, write_inputs
from siting.desk.storage.office_file import BACKUPS, FILE
from siting.desk.storage.schema import SCHEMA, VERSION_TABLE
from siting.desk.storage.store import Store
from siting.words.office.back import record_words
from tests.desk.test_routes import HERE, RING, Office, new_signup

LON, LAT = -80.506, 43.532
_NUMBERS = itertools.count(1)


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    made = Office(tmp_path_factory.mktemp("office"))
    yield made
    made.close()


def land(office: Office, label: str, shift: float = 0.0) -> str:
    """A sign-up with an outline, moved east by some degrees so that places tell them apart."""
    uid = new_signup(office, label)
    corners = [[lon + shift, lat] for lon, lat in RING]
    shape = {"uid": f"{next(_NUMBERS):016x}", "layer": "parcel", "kind": "area"}
    body = {"rev": 0, "shapes": [{**shape, "corners": corners}], "answers": {}}
    assert office.send("PUT", f"/api/land/{uid}", body).status_code == 200
    return uid


def visit(parcel: str, *records: dict[str, Any], **more: Any) -> bytes:
    return json.dumps(
        {"format": FORMAT, "parcel": parcel, "records": list(records), **more}
    ).encode()


def up(day: str = "2027-04-03", shift: float = 0.0, **more: Any) -> dict[str, Any]:
    return {
        "state": "camera up", "at": f"{day}T10:20:00-05:00", "spot": 2,
        "location": f"L{shift:g}-7KQ3",
        "planned_lat": LAT, "planned_lon": LON + shift, "radius_m": 15,
        "lat": LAT + 0.0003, "lon": LON + shift, "position_from": "phone", "accuracy_m": 6,
        "height_m": 0.6, "heading_magnetic_deg": 54, "camera": "C-017", "card": "S-041", **more,
    }  # fmt: skip


def drop(office: Office, content: bytes, name: str = "visit.json") -> Any:
    return office.client.post(
        f"/api/back?name={name}",
        content=content,
        headers={**office.headers, "Content-Type": "application/octet-stream"},
    )


def item(office: Office, uid: str) -> dict[str, Any]:
    return next(i for i in office.get("/api/back").json()["items"] if i["uid"] == uid)


def took(office: Office, content: bytes, signups: dict[str, str], **more: Any) -> Any:
    uid = drop(office, content).json()["uid"]
    return office.send("POST", f"/api/back/{uid}/accept", {"signups": signups, **more})


def status(office: Office, uid: str) -> str:
    rows = office.get("/api/signups").json()["rows"]
    return next(str(row["status"]) for row in rows if row["uid"] == uid)


def test_a_place_is_named_with_the_number_on_its_list_where_there_is_one():
    def title(**at: Any) -> str:
        found = Record(state="camera up", at="2027-04-03", lat=LAT, lon=LON, **at)
        return str(record_words(found, "")["title"]).partition(": ")[2]

    assert title(spot=2, location="L0-7KQ3") == "The camera is up, spot 2 (L0-7KQ3)"
    assert title(location="L0-7KQ3") == "The camera is up, place L0-7KQ3"
    assert title() == "The camera is up, a place that is on no list"


# --- visits -------------------------------------------------------------------------------------


def test_a_visit_counts_only_after_it_was_taken_in(office):
    uid = land(office, "Brook")
    answer = drop(office, visit("Brook", up()))
    assert answer.status_code == 200, answer.text
    (part,) = item(office, answer.json()["uid"])["parts"]
    assert part["signup"] == uid
    assert (part["before"], part["after"]) == ("nothing reported yet", "camera up (2027-04-03)")
    (record,) = part["records"]
    assert record["is"] == "new"
    assert "The camera is up, spot 2 (L0-7KQ3)" in record["title"]
    assert any("from the place that was planned" in fact for fact in record["facts"])
    assert status(office, uid) == "Ready to score"
    taken = office.send(
        "POST", f"/api/back/{answer.json()['uid']}/accept", {"signups": {"Brook": uid}}
    )
    assert taken.json() == {"signups": [uid]}
    # The day is behind us on any clock that runs these tests before 2027, and due after it.
    assert status(office, uid) in ("Camera up", "Check due")
    again = office.send("POST", f"/api/back/{answer.json()['uid']}/accept", {})
    assert again.status_code == 404, "a second window finds it taken in already"


def test_what_is_left_changes_nothing_and_may_come_again(office):
    uid = land(office, "Left", 0.02)
    content = visit("Left", up(shift=0.02))
    one = drop(office, content).json()["uid"]
    office.send("POST", f"/api/back/{one}/leave")
    assert status(office, uid) == "Ready to score"
    assert office.desk.store.said(uid) == []
    assert drop(office, content).json() == {"uid": one, "again": ""}
    assert drop(office, content).json()["again"] == "This file is in the list already."
    office.send("POST", f"/api/back/{one}/accept", {"signups": {"Left": uid}})
    assert drop(office, content).json()["again"].startswith("This file was taken in before")


def test_a_file_without_a_known_name_is_found_by_where_it_is(office):
    uid = land(office, "Alone", 0.3)
    found = item(office, drop(office, visit("P77", up(shift=0.3))).json()["uid"])["parts"][0]
    assert (found["signup"], found["how"]) == (uid, "Found by where it is.")


def test_what_fits_nothing_is_asked_and_the_answer_shows_the_differences(office):
    uid = land(office, "Asked", 0.5)
    one = drop(office, visit("P78", up(shift=0.7))).json()["uid"]
    part = item(office, one)["parts"][0]
    assert part["signup"] == ""
    assert "No sign-up fits" in part["how"]
    refused = office.send("POST", f"/api/back/{one}/accept", {"signups": {}})
    assert refused.status_code == 400
    seen = office.send("POST", f"/api/back/{one}/look", {"signups": {"P78": uid}}).json()
    assert seen["parts"][0]["after"] == "camera up (2027-04-03)"


def test_a_name_that_fits_and_a_place_that_does_not_is_doubted(office):
    land(office, "Doubted", 0.9)
    part = item(office, drop(office, visit("Doubted", up(shift=1.0))).json()["uid"])["parts"][0]
    assert "km away" in part["doubt"]


def test_of_one_phone_the_export_saved_last_counts(office):
    uid = land(office, "Phone", 1.2)
    first = visit("Phone", up(shift=1.2), device="d1", saved="2027-04-03T12:00:00-05:00")
    later = {"state": "taken down", "at": "2027-05-03", "location": "L1.2-7KQ3"}
    second = visit("Phone", up(shift=1.2), later, device="d1", saved="2027-05-03T12:00:00-05:00")
    assert took(office, second, {"Phone": uid}).status_code == 200
    assert status(office, uid) == "Camera down"
    part = item(office, drop(office, first).json()["uid"])["parts"][0]
    assert "newer file of the same phone" in part["caution"]
    assert [record["is"] for record in part["records"]] == ["known"]


def test_one_file_of_many_parcels_goes_to_each_of_them(office):
    one, two = land(office, "Both A", 1.5), land(office, "Both B", 1.6)
    content = visit("", up(shift=1.5, parcel="Both A"), up(shift=1.6, parcel="Both B"))
    taken = took(office, content, {"Both A": one, "Both B": two})
    assert sorted(taken.json()["signups"]) == sorted([one, two])
    assert "Both B" not in office.desk.store.said(one)[0][1]


def test_a_run_reads_what_was_taken_in(office):
    uid = land(office, "Read", 1.8)
    out = {"state": "ruled out", "at": "2027-04-03", "location": "L-9", "reason": "people",
           "lat": LAT, "lon": LON + 1.8}  # fmt: skip
    took(office, visit("Read", out), {"Read": uid})
    store = office.desk.store
    signup = store.signup(uid)
    path = write_inputs(
        office.folder,
        uid,
        store.land(uid),
        label="Read",
        cell="",
        parcel_id=signup["parcel_id"],
        said=store.said(uid),
    )
    assert 'visited = [\n    "visited",\n]' in path.read_text()
    (file,) = (parcel_folder(office.folder, uid) / SAID).iterdir()
    assert '"people"' in file.read_text()


# --- the office's package -----------------------------------------------------------------------


def test_deployments_of_the_office_are_one_valid_data_package(office, tmp_path):
    frictionless = pytest.importorskip("frictionless")
    one, two = land(office, "Packed", 2.0), land(office, "Packed", 2.1)
    assert [office.desk.store.signup(u)["parcel_id"] for u in (one, two)] == ["Packed", "Packed 2"]
    took(office, visit("Packed", up(shift=2.0)), {"Packed": one})
    took(office, visit("Packed 2", up("2027-04-04", 2.1, location="L2-1")), {"Packed 2": two})
    answer = office.get("/api/package")
    assert answer.status_code == 200, answer.text
    archive = zipfile.ZipFile(io.BytesIO(answer.content))
    assert {"deployments.csv", "datapackage.json", "due.csv"} <= set(archive.namelist())
    archive.extractall(tmp_path)
    report = frictionless.validate(str(tmp_path / "datapackage.json"))
    assert report.valid, report.flatten(["message"])
    text = archive.read("deployments.csv").decode()
    assert "parcel:Packed 2" in text
    assert "parcel:Packed," in text.replace("\n", ",")
    assert office.get("/api/package").content == answer.content, "the same bytes each time"


def test_without_a_camera_there_is_no_package(tmp_path):
    empty = Office(tmp_path / "office")
    try:
        answer = empty.get("/api/package")
        assert answer.status_code == 400
        assert "No camera was put up yet" in answer.json()["message"]
    finally:
        empty.close()


def test_what_is_due_stands_in_order_with_its_sign_up(office):
    due = office.get("/api/back").json()["due"]
    assert [row["due"] for row in due] == sorted(row["due"] for row in due)
    labels = office.desk.store.parcel_ids()
    assert all(labels[row["parcel_id"]] == row["signup"] for row in due)


# --- sketches and outlines ----------------------------------------------------------------------


def sketch(made_for: str, shift: float) -> bytes:
    ring = [[lon + shift, lat] for lon, lat in [*RING, RING[0]]]

    def feature(layer: str, kind: str, xy: Any) -> dict[str, Any]:
        return {"type": "Feature", "geometry": {"type": kind, "coordinates": xy},
                "properties": {"layer": layer}}  # fmt: skip

    return json.dumps({
        "type": "FeatureCollection", "format": "siting sketch 1", "for": made_for,
        "said_by": "the owner", "answers": {"livestock": "none"},
        "features": [feature("parcel", "Polygon", [ring]),
                     feature("feeders", "Point", [LON + shift, LAT])],
    }).encode()  # fmt: skip


@pytest.mark.parametrize(("choice", "feeders"), [("both", 2), ("theirs", 1), ("ours", 1)])
def test_a_sketch_is_taken_layer_by_layer(office, choice, feeders):
    shift = 2.4 + ["both", "theirs", "ours"].index(choice) / 10
    uid = land(office, f"Sketched {choice}", shift)
    before = office.get(f"/api/land/{uid}").json()
    mine = {"uid": f"{next(_NUMBERS):016x}", "layer": "feeders", "kind": "point"}
    mine["corners"] = [[round(LON + shift + 0.001, 7), LAT]]
    body = {"rev": before["rev"], "shapes": [*before["shapes"], mine], "answers": {}}
    office.send("PUT", f"/api/land/{uid}", body)
    one = drop(office, sketch(f"Sketched {choice}", shift)).json()["uid"]
    shown = item(office, one)
    rows = {row["layer"]: row for row in shown["layers"]}
    assert shown["signup"] == uid
    assert (rows["feeders"]["ours"], rows["feeders"]["theirs"]) == (1, 1)
    assert rows["parcel"]["same"]
    office.send(
        "POST",
        f"/api/back/{one}/accept",
        {"signups": {"": uid}, "layers": {"feeders": choice, "livestock": choice}},
    )
    after = office.get(f"/api/land/{uid}").json()
    places = [s["corners"][0] for s in after["shapes"] if s["layer"] == "feeders"]
    assert len(places) == feeders
    assert (mine["corners"][0] in places) == (choice != "theirs")
    assert after["answers"] == ({} if choice == "ours" else {"livestock": "none"})


def test_outlines_become_sign_ups(office):
    ring = [[lon + 4, lat] for lon, lat in [*RING, RING[0]]]
    feature = {"type": "Feature", "properties": {"name": "From a file"},
               "geometry": {"type": "Polygon", "coordinates": [ring]}}  # fmt: skip
    content = json.dumps({"type": "FeatureCollection", "features": [feature]}).encode()
    (uid,) = took(office, content, {"": "new"}).json()["signups"]
    assert status(office, uid) == "Ready to score"
    assert office.desk.store.signup(uid)["label"] == "From a file"


# --- who may, and what is refused ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b'{"format": "siting decisions 9", "records": []}', "E-FILE-02"),
        (b'{"format": "siting decisions 1", "records": [{"state": "up"}]}', "E-VISIT-01"),
        (b'{"format": "siting decisions 1", "records": ' + b"[" * 100_000, "E-FILE-02"),
        (b"state,at\ncamera up,soon\n", "E-VISIT-01"),
        (b"\x00\x01", "E-DESK-02"),
        (b"<!DOCTYPE vrt><OGRVRTDataSource/>", "E-DESK-02"),
    ],
)
def test_a_damaged_file_is_named_and_nothing_is_kept(office, content, code):
    before = office.get("/api/back").json()
    answer = drop(office, content, "from%20a%20phone.json")
    assert answer.status_code == 422, answer.text
    assert answer.json()["code"] == code
    assert "dropped" not in answer.json()["message"]
    assert "from a phone.json" in answer.json()["message"]
    assert office.get("/api/back").json() == before


@pytest.mark.parametrize("path", ["", "/x/accept", "/x/leave", "/x/look"])
def test_another_page_takes_nothing_in(office, path):
    url = f"/api/back{path}"
    for headers in (
        {"Origin": HERE},
        {**office.headers, "Origin": "http://desk.example"},
        {**office.headers, "Sec-Fetch-Site": "same-site"},
    ):
        assert office.client.post(url, json={}, headers=headers).status_code == 403
    assert office.client.get("/api/back").status_code == 403
    assert office.client.get("/api/package").status_code == 403


@pytest.mark.parametrize("uid", ["nobody", "..%2f..%2foffice", "%00", "GPKG:x"])
def test_a_file_that_is_not_waiting_cannot_be_taken(office, uid):
    for act in ("accept", "leave", "look"):
        assert office.send("POST", f"/api/back/{uid}/{act}").status_code == 404


def test_looking_changes_nothing(office):
    one = drop(office, visit("Nobody", up("2027-06-01", shift=9.0))).json()["uid"]
    before = (office.folder / FILE).read_bytes()
    office.get("/api/back")
    office.get("/api/package")
    office.send("POST", f"/api/back/{one}/look", {"signups": {}})
    assert (office.folder / FILE).read_bytes() == before


@pytest.mark.parametrize(
    "name", ["../../evil.json", "<img src=x>.json", "a\u202eb.json", "x" * 300]
)
def test_the_name_of_a_file_is_only_shown(office, name):
    content = visit("Nobody", up("2027-07-01", shift=9.0, note=name[:50]))
    answer = office.client.post(
        "/api/back", params={"name": name}, content=content, headers=office.headers
    )
    one = answer.json()["uid"]
    assert item(office, one)["name"] == name[:200]
    assert (office.folder / "received" / one).read_bytes() == content


# --- older office files -------------------------------------------------------------------------


def test_an_office_file_of_the_first_version_is_brought_up(tmp_path):
    store = Store(tmp_path)
    store.add_signup("Orchard")
    store.add_signup("Orchard")
    for table in ("said", "camera", "handover"):
        store._db.execute(f"DROP TABLE {table}")
        store._db.execute("DELETE FROM gpkg_contents WHERE table_name = ?", (table,))
    for table, columns in (
        ("signup", ("parcel_id", "said_rev")),
        ("run", ("said_rev", "named", "row")),
        ("decision", ("spot_id",)),
        ("received", ("found",)),
    ):
        for column in columns:
            store._db.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    store._db.execute(f"UPDATE {VERSION_TABLE} SET number = 1")
    store.close()
    again = Store(tmp_path)
    assert sorted(again.parcel_ids()) == ["Orchard", "Orchard 2"]
    assert again._db.execute(f"SELECT number FROM {VERSION_TABLE}").fetchone()[0] == SCHEMA
    again.put_letter(next(iter(again.parcel_ids().values())), {"letter": "Dear owner"})
    again.close()
    assert (tmp_path / BACKUPS / "office-version-1.gpkg").exists()


def test_a_file_taken_in_by_mistake_is_given_back_and_can_come_again(office):
    shift = 0.6
    uid = land(office, "By mistake", shift)
    content = visit(parcel_id(office, uid), up(shift=shift))
    first = drop(office, content).json()["uid"]
    asked = {"signups": {parcel_id(office, uid): uid}}
    assert office.send("POST", f"/api/back/{first}/accept", asked).status_code == 200
    assert status_of(office, uid) == "Camera up"
    assert office.get("/api/back").json()["taken"][0]["uid"] == first
    assert office.send("POST", f"/api/back/{first}/give-back").json()["signups"] == [uid]
    assert office.send("POST", f"/api/back/{first}/give-back").status_code == 404
    assert status_of(office, uid) != "Camera up"
    assert office.desk.store.said(uid) == []
    assert first not in [row["uid"] for row in office.get("/api/back").json()["taken"]]
    again = drop(office, content).json()
    assert (again["uid"], again["again"]) == (first, "")
    assert office.send("POST", f"/api/back/{first}/accept", asked).status_code == 200
    assert len(office.desk.store.said(uid)) == 1


def test_a_sketch_taken_in_by_mistake_is_given_back_but_not_what_was_drawn_since(office):
    shift = 0.7
    uid = land(office, "Sketched by mistake", shift)
    before = office.get(f"/api/land/{uid}").json()
    first = drop(office, sketch(uid, shift=shift)).json()["uid"]
    layers = {"parcel": "theirs"}
    asked = {"signups": {"": uid}, "layers": layers}
    assert office.send("POST", f"/api/back/{first}/accept", asked).status_code == 200
    drawn = office.get(f"/api/land/{uid}").json()
    assert drawn["shapes"] != before["shapes"]
    # Somebody marks what the sketch says nothing of.
    feeder = {"uid": "f" * 16, "layer": "way_in", "kind": "point"}
    feeder |= {"corners": [drawn["shapes"][0]["corners"][0]]}
    body = {key: drawn[key] for key in ("rev", "answers")} | {"shapes": [*drawn["shapes"], feeder]}
    assert office.send("PUT", f"/api/land/{uid}", body).status_code == 200
    assert first in [row["uid"] for row in office.get("/api/back").json()["taken"]]
    said = office.send("POST", f"/api/back/{first}/give-back").json()
    assert said == {"signups": [uid], "stays": True}
    after = office.get(f"/api/land/{uid}").json()
    assert [s for s in after["shapes"] if s["layer"] != "way_in"] == before["shapes"]
    assert [s["uid"] for s in after["shapes"] if s["layer"] == "way_in"] == ["f" * 16]
    assert after["answers"] == before["answers"]
    assert office.send("POST", f"/api/back/{first}/give-back").status_code == 404


def parcel_id(office: Office, uid: str) -> str:
    return str(office.desk.store.signup(uid)["parcel_id"])


def status_of(office: Office, uid: str) -> str:
    rows = office.get("/api/signups").json()["rows"]
    return str(next(row["status"] for row in rows if row["uid"] == uid))


def test_a_camera_that_is_up_before_the_season_is_asked_about_before_it_counts(office):
    """While the file waits: the volunteer can still be asked."""
    uid = new_signup(office, "Too soon")
    drop(office, visit("Too soon", up("2027-01-05")), "soon.json")
    item = next(i for i in office.get("/api/back").json()["items"] if i["name"] == "soon.json")
    (part,) = item["parts"]
    assert part["signup"] == uid
    assert part["early"].startswith("It went up on 2027-01-05, and the season begins on ")
    drop(office, visit("Too soon", up("2027-06-05")), "in time.json")
    item = next(i for i in office.get("/api/back").json()["items"] if i["name"] == "in time.json")
    assert item["parts"][0]["early"] == ""
