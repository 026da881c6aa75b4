"""Last season at the desk: reviewed in a worker of its own, the answer beside the sign-ups."""

from __future__ import annotations

import time

import numpy as np
import pytest

from tests.desk.test_routes import HERE, Office, new_signup, outline
from tests.review.valley import table_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    made = Office(tmp_path_factory.mktemp("office"))
    uid = new_signup(made, "Beside")
    made.send("PUT", f"/api/land/{uid}", {"rev": 0, "shapes": [outline()], "answers": {}})
    yield made
    made.close()


def given(office: Office, content: bytes, name: str = "season.csv"):
    return office.client.post(f"/api/season?name={name}", content=content, headers=office.headers)


def ended(office: Office):
    for _ in range(1200):
        said = office.get("/api/season").json()
        if said["state"] != "working":
            return said
        time.sleep(0.2)
    raise AssertionError("still working")


def test_a_package_is_answered_beside_the_sign_ups(office):
    at = [(-80.5068, 43.5319), (-80.5051, 43.5324)]
    assert given(office, table_of(at, np.array([4, 7])).encode()).status_code == 202
    assert given(office, b"x").status_code == 422, "one at a time"
    said = ended(office)
    assert said["state"] == "done", said
    assert "too few" in said["headline"].lower()
    (row,) = said["rows"]
    assert (row["parcel_id"], row["cameras"], row["events"]) == ("Beside", 2, 11)
    assert row["signup"]
    page = office.client.get("/result/season/review.html")
    assert page.status_code == 200
    assert page.headers["content-security-policy"].startswith("sandbox allow-scripts")


def test_what_is_no_package_is_said_and_the_earlier_answer_stays(office):
    before = office.get("/api/season").json()
    given(office, b"place,count\nx,3\n", "odd.csv")
    said = ended(office)
    assert said["state"] == "failed"
    assert said["words"].startswith("E-TABLE-01")
    assert said["headline"] == before["headline"]


def test_a_review_is_cancelled(office):
    given(office, table_of([(-80.5068, 43.5319)], np.array([4])).encode())
    office.send("POST", "/api/season/cancel")
    assert office.get("/api/season").json()["state"] == "cancelled"


@pytest.mark.parametrize("path", ["/api/season", "/api/season/cancel"])
def test_another_page_begins_and_ends_nothing(office, path):
    for headers in ({"Origin": HERE}, {**office.headers, "Origin": "http://desk.example"}):
        assert office.client.post(path, content=b"x", headers=headers).status_code == 403
    assert office.client.get("/api/season").status_code == 403
