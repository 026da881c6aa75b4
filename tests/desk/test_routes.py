"""Who is let in, and what each route does, on the sample valley."""

from __future__ import annotations

import email
import email.policy
import io
import json
import re
import socket
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from siting.desk import run as desk_run
from siting.desk.server.app import make_app
from siting.desk.server.security import Gate
from siting.desk.storage.office import INPUTS_FILE, open_office, parcel_folder
from siting.desk.tiles import COVER_COLOURS
from siting.errors import SitingError
from tests.batch_tools import few_trials

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
PORT = 8123
HERE = f"http://127.0.0.1:{PORT}"
RING = [[-80.509, 43.530], [-80.503, 43.530], [-80.503, 43.534], [-80.509, 43.534]]


class Office:
    """A desk without a socket, and a browser that has entered it."""

    def __init__(
        self, folder: Path, inputs_file: Path = SAMPLE / "inputs.toml", rules: Path | None = None
    ) -> None:
        self.folder = folder
        inputs = open_office(folder, inputs_file)
        self.desk = desk_run._desk(folder, inputs, rules, Gate(PORT))
        self.client = TestClient(make_app(self.desk), base_url=HERE)
        self.client.__enter__()
        self.client.get(f"/enter?key={self.desk.gate.key}")
        self.headers = {"X-Desk": self.desk.gate.token, "Origin": HERE}

    def send(self, method: str, path: str, value: Any = None, **more: Any) -> Any:
        return self.client.request(
            method, path, json={} if value is None else value, headers=self.headers, **more
        )

    def get(self, path: str) -> Any:
        return self.client.get(path, headers={"X-Desk": self.desk.gate.token})

    def close(self) -> None:
        self.client.__exit__(None, None, None)
        self.desk.downloads.close()
        self.desk.runner.close()
        self.desk.reader.close()
        self.desk.store.close()


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    home = tmp_path_factory.mktemp("office")
    made = Office(home / "office", rules=few_trials(home))
    yield made
    made.close()


def outline(uid: str = "a" * 16) -> dict[str, Any]:
    return {"uid": uid, "layer": "parcel", "kind": "area", "corners": RING}


def new_signup(office: Office, label: str = "Orchard") -> str:
    answer = office.send("POST", "/api/signups", {"label": label, "lon": -80.506, "lat": 43.532})
    assert answer.status_code == 200, answer.text
    return str(answer.json()["uid"])


# --- who is let in ---------------------------------------------------------------------------


def test_an_address_that_is_too_old_does_not_claim_to_be_used(tmp_path, monkeypatch):
    gate = Gate(PORT)
    late = time.monotonic() + 601.0
    monkeypatch.setattr("siting.desk.server.security.time.monotonic", lambda: late)
    answer = gate.enter(gate.key)
    assert answer.status_code == 403
    assert b"older than ten minutes" in answer.body


def test_the_key_works_once(tmp_path):
    gate = Gate(PORT)
    assert gate.enter(gate.key).status_code == 303
    assert gate.enter(gate.key).status_code == 403
    assert Gate(PORT).enter("").status_code == 403


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "desk.example"}, 400),
        ({"Host": "127.0.0.1"}, 400),
        ({"Host": f"127.0.0.1:{PORT + 1}"}, 400),
        ({"Origin": "http://desk.example"}, 403),
        ({"Origin": f"http://127.0.0.1:{PORT + 1}"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"X-Desk": "guess"}, 403),
        ({"X-Desk": ""}, 403),
        ({"Cookie": ""}, 403),
        ({"Cookie": f"desk_{PORT}=guess"}, 403),
    ],
)
def test_nobody_else_changes_anything(office, headers, status):
    before = office.get("/api/signups").json()
    sent = {**office.headers, **headers}
    client = office.client
    if "Cookie" in headers:
        client = TestClient(make_app(office.desk), base_url=HERE)
    answer = client.post("/api/signups", json={"label": "intruder"}, headers=sent)
    assert answer.status_code == status, answer.text
    assert office.get("/api/signups").json() == before


def test_a_request_without_origin_changes_nothing(office):
    answer = office.client.post(
        "/api/signups", json={"label": "x"}, headers={"X-Desk": office.desk.gate.token}
    )
    assert answer.status_code == 403


def test_every_answer_carries_the_headers(office):
    for path in ("/", "/api/signups", "/static/desk/start.js", "/nowhere"):
        answer = office.get(path)
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in answer.headers


def test_the_page_holds_the_token_and_never_the_key(office):
    text = office.get("/").text
    assert office.desk.gate.token in text
    assert office.desk.gate.key not in text


@pytest.mark.parametrize(
    "path",
    ["..%2f..%2foffice.toml", "office.gpkg", "%2e%2e/inputs.toml", "map.html%00", "spots.gpkg"],
)
def test_only_named_files_of_a_result_are_handed_out(office, path):
    uid = new_signup(office)
    assert office.get(f"/result/{uid}/{path}").status_code == 404
    assert office.get("/static/..%2f..%2fdesk/app.py").status_code == 404


def test_reading_changes_nothing(office):
    uid = new_signup(office)
    store = office.folder / "office.gpkg"
    before = store.read_bytes()
    for path in (
        "/",
        "/api/signups",
        f"/api/land/{uid}",
        f"/api/places/{uid}",
        f"/api/record/{uid}",
    ):
        assert office.get(path).status_code == 200
    assert store.read_bytes() == before


# --- sign-ups and land --------------------------------------------------------------------------


def test_a_table_is_pasted_row_by_row(office):
    rows = ("label\tcell\tpriority\tlon\tlat", "Brook farm\tB2\t1\t-80.5\t43.5")
    text = "\n".join((*rows, "\t\t\t\t", "Hill\tB3\tsoon\t\t"))
    answer = office.send("POST", "/api/table", {"text": text}).json()
    assert answer["added"] == 1
    assert [fault["row"] for fault in answer["faults"]] == [3, 4]


def test_a_table_that_is_pasted_once_more_adds_only_what_is_new(office):
    """A list that grows all week is pasted whole; who is in it already stands there once."""
    text = "name\tlatitude\tlongitude\nDouble\t43.53\t-80.5\nNowhere yet\t\t\n"
    first = office.send("POST", "/api/table", {"text": text}).json()
    assert (first["added"], first["known"]) == (2, 0)
    longer = text + "Double\t43.54\t-80.5\n"  # the same name on other land is another sign-up
    again = office.send("POST", "/api/table", {"text": longer}).json()
    assert (again["added"], again["known"], again["faults"]) == (1, 2, [])


def test_a_place_that_was_mistyped_is_put_right(office):
    uid = office.send("POST", "/api/signups", {"label": "Off", "lon": 80.5, "lat": 43.53}).json()[
        "uid"
    ]
    assert office.get(f"/api/data/{uid}").json()["reaches"] is False
    office.send("PATCH", f"/api/signups/{uid}", {"lon": -80.506, "lat": 43.532})
    row = office.get(f"/api/signups?only={uid}").json()["rows"][0]
    assert (row["lon"], row["lat"]) == (-80.506, 43.532)
    assert office.get(f"/api/data/{uid}").json()["reaches"] is True
    # Half a place is none.
    assert office.send("PATCH", f"/api/signups/{uid}", {"lon": -80.0}).status_code == 400
    # Land that was drawn counts for more than the place that was given before.
    far = [[lon + 5, lat] for lon, lat in RING]
    shape = {"uid": f"{uid[:15]}1", "layer": "parcel", "kind": "area", "corners": far}
    office.send("PUT", f"/api/land/{uid}", {"rev": 0, "answers": {}, "shapes": [shape]})
    assert office.get(f"/api/data/{uid}").json()["reaches"] is False


def test_a_place_is_given_to_a_sign_up_that_had_none(office):
    uid = office.send("POST", "/api/signups", {"label": "No place"}).json()["uid"]
    assert office.get(f"/api/data/{uid}").json()["reaches"] is True
    office.send("PATCH", f"/api/signups/{uid}", {"lon": -80.506, "lat": 43.532})
    assert office.get(f"/api/signups?only={uid}").json()["rows"][0]["lat"] == 43.532


def test_status_follows_what_there_is(office):
    uid = new_signup(office, "Statuses")

    def status() -> str:
        rows = office.get("/api/signups").json()["rows"]
        return next(str(row["status"]) for row in rows if row["uid"] == uid)

    assert status() == "No outline yet"
    saved = office.send("PUT", f"/api/land/{uid}", {"rev": 0, "shapes": [outline()], "answers": {}})
    assert saved.json() == {"rev": 1}
    assert status() == "Ready to score"
    office.send("PATCH", f"/api/signups/{uid}", {"set_aside_why": "moved away"})
    assert status() == "Set aside"


def test_two_windows_do_not_overwrite_each_other(office):
    uid = new_signup(office)
    first = {"rev": 0, "shapes": [outline("c" * 16)], "answers": {}}
    assert office.send("PUT", f"/api/land/{uid}", first).status_code == 200
    assert office.send("PUT", f"/api/land/{uid}", {**first, "shapes": []}).status_code == 409


@pytest.mark.parametrize(
    "value", [{"rev": "0"}, {"rev": 0, "shapes": [{"layer": "x"}]}, [], {"rev": 0, "more": 1}]
)
def test_what_makes_no_sense_is_refused_in_words(office, value):
    uid = new_signup(office)
    answer = office.send("PUT", f"/api/land/{uid}", value)
    assert answer.status_code == 400
    assert answer.json()["message"]


def test_a_body_of_lists_within_lists_is_refused_and_the_desk_goes_on(office):
    headers = {**office.headers, "Content-Type": "application/json"}
    deep = b"[" * 200_000
    assert office.client.post("/api/signups", content=deep, headers=headers).status_code == 400
    assert office.get("/api/signups").status_code == 200


def test_a_sketch_page_of_a_sign_up_that_is_gone(office):
    assert office.get("/api/sketch/nobody").status_code == 404


def test_a_port_in_use_is_told():
    with socket.socket() as taken, pytest.raises(SitingError, match="E-DESK-05"):
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        desk_run._socket(taken.getsockname()[1])


def test_tiles_show_the_relief_and_nothing_beyond_it(office):
    from PIL import Image

    stamp = office.desk.relief.stamp()
    answer = office.client.get(f"/tile/{stamp}/15/9056/11974.png")
    assert answer.status_code == 200
    image = Image.open(io.BytesIO(answer.content))
    assert image.size == (256, 256)
    assert image.getextrema()[1][1] == 255, "this tile lies on the office's elevations"
    far = Image.open(io.BytesIO(office.client.get(f"/tile/{stamp}/5/0/0.png").content))
    assert far.getextrema()[1] == (0, 0)
    assert office.client.get("/tile/old/15/9056/11974.png").status_code == 410
    assert office.client.get(f"/tile/{stamp}/2/9/0.png").status_code == 404


def test_contours_and_land_cover_can_be_laid_over_the_relief(office):
    from PIL import Image

    stamp = office.desk.relief.stamp()

    def tile(kind: str, place: str = "15/9056/11974") -> Image.Image:
        answer = office.client.get(f"/tile/{stamp}/{place}/{kind}.png")
        assert answer.status_code == 200, answer.text
        return Image.open(io.BytesIO(answer.content))

    lines = tile("contours").getchannel("A")
    share = sum(1 for v in lines.tobytes() if v) / 256**2
    assert 0.002 < share < 0.3
    assert tile("contours", "5/8/11").getextrema()[1] == (0, 0), "too far away for lines"
    colours = {p[:3] for _, p in tile("cover").getcolors(100_000) if p[3]}
    assert colours <= set(COVER_COLOURS.values())
    assert len(colours) >= 3
    assert office.client.get(f"/tile/{stamp}/15/9056/11974/secret.png").status_code == 404
    assert office.client.get("/tile/old/15/9056/11974/cover.png").status_code == 410


# --- the whole way ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def scored(office):
    uid = new_signup(office, "Scored farm")
    shapes = [outline("d" * 16), {"uid": "e" * 16, "layer": "feeders", "kind": "point"}]
    shapes[1]["corners"] = [[-80.5065, 43.5321]]
    land = {"rev": 0, "shapes": shapes, "answers": {"livestock": "none", "trails": "unknown"}}
    office.send("PUT", f"/api/land/{uid}", land)
    assert office.send("POST", f"/api/score/{uid}").status_code == 202
    before = None
    for _ in range(6000):
        found = office.get(f"/api/places/{uid}").json()
        if found["run"] and not found["is_writing"]:
            # Of the same run: the list that came before the files, where it was met.
            assert before is None or {**before, "is_writing": False} == {
                **found, "files": [], "files_ready": False
            }  # fmt: skip
            return uid, found
        if found["run"]:
            before = found
            assert found["spots"]
            assert found["files"] == []
            answers = [
                office.get(path) for path in (f"/result/{uid}/map.html", f"/api/hand-over/{uid}")
            ]
            if office.get(f"/api/places/{uid}").json()["is_writing"]:
                assert [answer.status_code for answer in answers] == [404, 409]
        time.sleep(0.025)
    raise AssertionError(office.get("/api/signups").text)


@pytest.mark.slow
def test_a_desk_run_is_the_command_lines_run_byte_for_byte(office, scored, tmp_path):
    from click.testing import CliRunner

    from siting.cli.main import siting

    uid, found = scored
    inputs = parcel_folder(office.folder, uid) / INPUTS_FILE
    words = ["score", inputs, "--protocol", office.folder.parent / "rules.toml"]
    outcome = CliRunner().invoke(siting, [*map(str, words), "-o", str(tmp_path / "out")])
    assert outcome.exit_code == 0, outcome.output
    mine = parcel_folder(office.folder, uid) / "runs" / found["run"]
    for path in sorted((tmp_path / "out").iterdir()):
        if path.name != "run.json" and not path.name.startswith("."):
            assert path.read_bytes() == (mine / path.name).read_bytes(), path.name


def files_ready(office: Office, uid: str) -> None:
    """Wait until the files name the place that was taken."""
    for _ in range(600):
        if office.get(f"/api/places/{uid}").json()["files_ready"]:
            return
        status = office.get(f"/api/hand-over/{uid}").status_code
        # They may have come between the two questions.
        assert status == 409 or office.get(f"/api/places/{uid}").json()["files_ready"]
        time.sleep(0.25)
    raise AssertionError(office.get("/api/signups").text)


def second_taken(office: Office, uid: str) -> None:
    """The second place is taken, and the files name it."""
    run = office.get(f"/api/places/{uid}").json()["run"]
    asked = {"run": run, "rank": 2, "kind": "swapped", "why": "the owner mows at spot 1"}
    answer = office.send("POST", f"/api/decision/{uid}", asked)
    assert answer.status_code == 200, answer.text
    assert office.get(f"/api/places/{uid}").json()["decision"]["rank"] == 2
    files_ready(office, uid)
    waited(office, uid)


def test_a_place_is_taken_and_handed_over_without_anybody_else(office, scored):
    uid, _ = scored
    second_taken(office, uid)
    archive = zipfile.ZipFile(io.BytesIO(office.get(f"/api/hand-over/{uid}").content))
    names = [Path(name).name for name in archive.namelist()]
    assert names == ["map.html", "field_sheet.html", "spots.gpx", "READ-ME.txt", "LETTER.txt"]
    text = b"".join(archive.read(name) for name in archive.namelist()).decode()
    assert "Go to spot 2 first." in text
    assert "the owner mows" not in text
    assert "Orchard" not in text


def test_a_decision_on_a_list_that_is_gone_is_refused(office, scored):
    uid, _ = scored
    asked = {"run": "0" * 16, "rank": 1, "kind": "accepted", "why": ""}
    assert office.send("POST", f"/api/decision/{uid}", asked).status_code == 409


def test_the_result_page_cannot_speak_with_the_desk(office, scored):
    answer = office.get(f"/result/{scored[0]}/map.html")
    assert answer.headers["content-security-policy"].startswith("sandbox allow-scripts")
    assert "allow-same-origin" not in answer.headers["content-security-policy"]


def test_a_sketch_page_is_made_for_the_sign_up(office, scored):
    answer = office.get(f"/api/sketch/{scored[0]}")
    assert answer.status_code == 200
    island = json.loads(re.search(r'id="siting-data">(.*?)</script>', answer.text, re.S).group(1))
    assert island["made_for"] == "Scored farm"


def test_cancelling_keeps_the_earlier_result(office, scored):
    uid, found = scored
    office.send("POST", f"/api/score/{uid}")
    time.sleep(0.4)
    office.send("POST", "/api/cancel")
    for _ in range(100):
        if not office.desk.runner.state()["now"]:
            break
        time.sleep(0.1)
    assert office.get(f"/api/places/{uid}").json()["spots"] == found["spots"]


def test_a_second_edit_does_not_wait_for_the_files_of_the_first(office, scored):
    uid, found = scored
    before = office.get(f"/api/places/{uid}").json()["run"]
    office.send("POST", f"/api/score/{uid}")
    state = office.desk.runner.state
    while state()["now"] != uid:
        time.sleep(0.005)
    # While the first is worked out: its list is shown, its files are never made.
    office.send("POST", f"/api/score/{uid}")
    shown = {}
    while state()["now"] or state()["waiting"]:
        now = office.get(f"/api/places/{uid}").json()
        shown[now["run"]] = now["files"]
        assert now["spots"] == found["spots"]
        time.sleep(0.02)
    last = office.get(f"/api/places/{uid}").json()
    assert len({*shown, last["run"]}) == 3
    assert [run for run, files in shown.items() if files and run != last["run"]] == [before]
    assert "map.html" in last["files"]
    assert [folder.name for folder in office.folder.glob("parcels/*/runs/*")] == [last["run"]]


# --- letters ------------------------------------------------------------------------------------


def test_a_letter_is_made_edited_sent_and_goes_with_the_files(office, scored):
    uid, _ = scored
    private = {"contact_ref": "Zacharias 0171", "note": "difficult neighbour"}
    office.send("PATCH", f"/api/signups/{uid}", private)
    second_taken(office, uid)
    letter = office.get(f"/api/letter/{uid}").json()
    assert letter["kind"] == "camera"
    assert "We propose a camera at spot 2, because" in letter["text"]
    assert "Scored farm" in letter["text"]
    new_text = letter["text"] + "\nSee you on Monday.\n"
    assert office.send("PUT", f"/api/letter/{uid}", {"text": new_text}).status_code == 200
    assert office.get(f"/api/letter/{uid}").json()["is_edited"]
    other = office.get(f"/api/letter/{uid}?kind=not_this_season").json()["text"]
    assert "do not plan a camera" in other
    archive = zipfile.ZipFile(io.BytesIO(office.get(f"/api/hand-over/{uid}").content))
    assert archive.read(archive.namelist()[-1]).decode() == new_text
    everything = b"".join(archive.read(name) for name in archive.namelist()).decode()
    for word in ("Zacharias", "difficult neighbour", "the owner mows", "Orchard", "Statuses"):
        assert word not in everything, word
    sent = office.send("POST", f"/api/letter/{uid}/sent", {"is_sent": True}).json()
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", sent["sent_on"])
    rows = office.get("/api/signups").json()["rows"]
    assert next(row["status"] for row in rows if row["uid"] == uid) == "Letter sent"


def test_a_line_end_in_a_name_begins_no_header_of_a_mail(office, scored):
    uid, _ = scored
    files_ready(office, uid)
    label = "Scored farm\r\nBcc: somebody@desk.example"
    office.send("PATCH", f"/api/signups/{uid}", {"label": label})
    answer = office.get(f"/api/letter/{uid}/mail")
    office.send("PATCH", f"/api/signups/{uid}", {"label": "Scored farm"})
    assert answer.status_code == 200, answer.text
    mail = email.message_from_bytes(answer.content, policy=email.policy.default)
    assert mail["Bcc"] is None
    assert mail["To"] is None
    assert "Bcc: somebody" in mail["Subject"]
    (attached,) = mail.iter_attachments()
    assert attached.get_content().startswith(b"PK")


def test_a_choice_is_taken_back_and_no_run_hears_of_it_again(office, scored):
    uid, _ = scored
    said = office.desk.store.said(uid)
    run = office.get(f"/api/places/{uid}").json()["run"]
    asked = {"run": run, "rank": 1, "kind": "swapped", "why": "nearer"}
    assert office.send("POST", f"/api/decision/{uid}", asked).status_code == 200
    assert office.send("DELETE", f"/api/decision/{uid}").status_code == 200
    assert office.get(f"/api/places/{uid}").json()["decision"] is None
    assert office.get(f"/api/letter/{uid}").json()["kind"] == "camera"
    # Every proposal is gone, also those before; what was ruled out stays so.
    assert not any('"proposed"' in text for _, text in office.desk.store.said(uid))
    assert len(office.desk.store.said(uid)) <= len(said)
    assert office.send("DELETE", "/api/decision/nobody").status_code == 404
    waited(office, uid)


def test_a_letter_that_asks_for_an_outline_leaves_no_hole(office, scored):
    """Land that was scored has no fault of its own to name: the coordinator says what is wrong."""
    text = office.get(f"/api/letter/{scored[0]}?kind=need_an_outline").json()["text"]
    assert "We could not use the outline we have of it: [say here what is wrong with it]" in text


def test_a_letter_of_no_such_kind_and_of_nobody(office, scored):
    assert office.get(f"/api/letter/{scored[0]}?kind=../x").status_code == 400
    assert office.get("/api/letter/nobody").status_code == 404
    assert office.send("PUT", "/api/letter/nobody", {"text": "x"}).status_code == 404
    assert office.send("POST", "/api/letter/nobody/sent", {"is_sent": True}).status_code == 404
    assert office.get("/api/letter/nobody/mail").status_code == 404


def test_a_place_is_ruled_out_only_with_a_reason(office, scored):
    uid, _ = scored
    found = office.get(f"/api/places/{uid}").json()
    asked = {"run": found["run"], "rank": 3, "kind": "refused", "why": ""}
    assert office.send("POST", f"/api/decision/{uid}", asked).status_code == 400
    other = {**asked, "kind": "accepted", "reason": "people"}
    assert office.send("POST", f"/api/decision/{uid}", other).status_code == 400


# --- cameras for the cells ----------------------------------------------------------------------


def test_a_camera_is_proposed_for_each_cell_and_what_was_decided_stands(office, scored):
    uid, _ = scored
    none = office.get("/api/assign")
    assert none.status_code == 400
    assert "names a survey cell" in none.json()["message"]
    office.send("PATCH", f"/api/signups/{uid}", {"cell": "C1"})
    second_taken(office, uid)
    before = (office.folder / "office.gpkg").read_bytes()
    (cell,) = office.get("/api/assign").json()["cells"]
    assert (cell["cell"], cell["signup"], cell["decided"]) == ("C1", uid, "chosen")
    assert cell["reason"].endswith("spot 2 (index " + cell["reason"].split("(index ")[1])
    assert (office.folder / "office.gpkg").read_bytes() == before, "a proposal decides nothing"
    assert office.client.get("/api/assign").status_code == 403


def test_a_camera_at_a_random_place_is_asked_for_named_and_handed_over(office, scored):
    """In place of the decision of the tests before, which is given back."""
    uid, _ = scored
    office.send("PATCH", f"/api/signups/{uid}", {"cell": "C1"})
    found = waited(office, uid)
    lot = found["lot"]
    assert lot["spot_id"].endswith(f"-random-{lot['stratum'].replace(' ', '-')}-1")
    asked = {"run": found["run"], "rank": 0, "kind": "random", "why": ""}
    assert office.send("POST", f"/api/decision/{uid}", asked).status_code == 200
    (cell,) = office.get("/api/assign?random=1").json()["cells"]
    assert cell["decided"] == "chosen"
    assert not cell["random"], "a camera that is settled is not drawn"
    assert office.get("/api/assign?random=2").status_code == 400
    found = waited(office, uid)
    assert found["decision"]["spot_id"] == found["named"] == lot["spot_id"]
    letter = office.get(f"/api/letter/{uid}?kind=camera").json()["text"]
    assert f"a place drawn at random: {lot['stratum']} 1" in letter
    assert "the maps show" not in letter.lower()
    with zipfile.ZipFile(io.BytesIO(office.get(f"/api/hand-over/{uid}").content)) as archive:
        names = {Path(name).name: name for name in archive.namelist()}
        assert "random_places.gpx" in names
        assert b"drawn at random" in archive.read(names["READ-ME.txt"])
        assert b"drawn at random" in archive.read(names["map.html"])


def waited(office: Office, uid: str) -> Any:
    """The places once the files name what was decided."""
    for _ in range(600):
        found = office.get(f"/api/places/{uid}").json()
        queue = office.desk.runner.state()
        is_idle = not queue["now"] and not queue["waiting"]
        if found["run"] and found["files_ready"] and is_idle:
            return found
        time.sleep(0.1)
    raise AssertionError(found)
