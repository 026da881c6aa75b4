"""One story from end to end: propose, go, decide on the page, hand back, and go again.

The batch of the sample valley as it is shipped: parcels in four survey cells, of which all but the
strip by the highway hand something back. Ada gets a letter and a page, which names the spot that
the survey proposes. People use it, so she rules it out, hangs the camera 9 m from the best spot off
that trail, checks it after two weeks and moves it. Eleven others report, too, and the office reads
all twelve files at once.
"""

from __future__ import annotations

import csv
import json
import math
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from click.testing import CliRunner
from playwright.sync_api import expect
from shapely import Point

from siting.batch import fingerprints
from siting.cli.main import siting
from siting.decisions.model import DecisionsFile
from siting.decisions.places import KnownPlace, apart_m
from siting.disk.files import safe_name
from siting.grid import transformer
from siting.read.vector.decision_files import read_decisions
from siting.settings.protocol import Protocol
from tests.browser.conftest import PHONE, opened, words_of
from tests.browser.reports import open_card, report

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("land_once")]

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
CRS = "EPSG:32617"
# The survey's own rules, with fewer trials: how sure a rank is plays no part here.
RULES = "[stability]\ndraws = 20\n"
SILENT = "P06"  # nothing there is open to a camera, and nobody answers
UP, CHECKED, MOVED = "2027-04-03T10:20", "2027-04-17T16:40", "2027-05-02T09:00"
# What the eleven others report of their best spot, in the order of the parcels; on the cow meadow,
# which has none, of a place of their own.
OTHERS = (
    "chosen", "ruled out", "visited", "camera up", "ruled out", "visited", "camera up", "chosen",
    "visited", "ruled out", "taken down",
)  # fmt: skip
REASONS = {1: "no tree", 4: "view blocked", 9: "wet"}
# A sphere of this size: close enough for some hundred metres.
METRES_PER_DEGREE = 111_320.0
AGAIN_M, PEOPLE_M = Protocol().decisions.again_m, Protocol().decisions.people_m


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def batch(rules: Path, out: Path, *more: str) -> None:
    """The command as an office types it."""
    words = ["batch", str(SAMPLE / "batch.toml"), "-o", str(out), "--protocol", str(rules),
             "--assign", "--pages", "1", "--workers", "0", *more]  # fmt: skip
    done = CliRunner().invoke(siting, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output


def beside(lat: float, lon: float, *, north_m: float = 0.0, east_m: float = 0.0) -> list[float]:
    scale = METRES_PER_DEGREE * math.cos(math.radians(lat))
    return [round(lat + north_m / METRES_PER_DEGREE, 6), round(lon + east_m / scale, 6)]


def apart(one: dict[str, str], lat: float, lon: float) -> float:
    return apart_m(lon, lat, KnownPlace("", float(one["lon_deg"]), float(one["lat_deg"]), 0.0))


@dataclass(frozen=True)
class Story:
    """The rules, the office before and after, and what Ada did in between.

    `ruled_out` and `taken` are rows of her first spots.csv; `others` says what the other parcels
    reported, with the place they reported it of.
    """

    rules: Path
    before: Path
    after: Path
    returned: Path
    parcel: str
    ruled_out: dict[str, str]
    taken: dict[str, str]
    hers: DecisionsFile
    others: dict[str, tuple[str, dict[str, str]]]


def spots_of(out: Path, parcel: str) -> list[dict[str, str]]:
    """The spots of a parcel's own table, best first."""
    return table(out / "parcels" / safe_name(parcel) / "spots.csv")


def spots_now(out: Path) -> dict[str, list[dict[str, Any]]]:
    """The spots of every parcel as the batch's journal holds them last."""
    entries = [json.loads(line)["entry"] for line in (out / "journal.jsonl").open()]
    last = {e["name"]: e for e in entries if e.get("kind") == "parcel"}
    return {name: entry["row"]["top"] for name, entry in last.items() if "row" in entry}


def on_grid(spot: dict[str, Any]) -> Point:
    to_grid = transformer("EPSG:4326", CRS)
    return Point(to_grid.transform(float(spot["lon_deg"]), float(spot["lat_deg"])))


def trail_by(spot: dict[str, str]) -> tuple[Any, float]:
    """The trail nearest to a spot and how far off it is, metres."""
    here = Point(
        transformer("EPSG:4326", CRS).transform(float(spot["lon_deg"]), float(spot["lat_deg"]))
    )
    trails = gpd.read_file(SAMPLE / "layers.gpkg", layer="trails")
    away = trails.geometry.distance(here)
    return trails.geometry.iloc[int(away.argmin())], float(away.min())


def adas(out: Path) -> tuple[str, dict[str, str], dict[str, str]]:
    """A parcel that is asked for a spot by a trail, that spot, and the next best one off it."""
    for row in table(out / "assignments.csv"):
        if row["role"] == "camera":
            spots = spots_of(out, row["parcel_id"])
            asked = next(s for s in spots if s["rank"] == row["spot"])
            trail, away_m = trail_by(asked)
            other = [s for s in spots if on_grid(s).distance(trail) > 2 * PEOPLE_M]
            if other and away_m < 20:
                return row["parcel_id"], asked, other[0]
    raise AssertionError("no proposed spot lies by a trail")


def ada_goes(browser: Any, page_file: Path, asked: dict[str, str], taken: dict[str, str]) -> str:
    """What she does on her telephone; the file that she sends."""
    lat, lon = float(taken["lat_deg"]), float(taken["lon_deg"])
    stands, moved = beside(lat, lon, north_m=9.0), beside(lat, lon, east_m=70.0)
    here = {"latitude": stands[0], "longitude": stands[1], "accuracy": 5}
    with opened(browser, page_file, geolocation=here, permissions=["geolocation"],
                timezone_id="Etc/GMT+5", **PHONE) as found:  # fmt: skip
        page = found.page
        page.wait_for_selector("html[data-ready]")
        said = f"The survey proposes spot {asked['rank']} for you, because "
        assert said in words_of(page.locator("#first-words"))
        open_card(page, int(asked["rank"]))
        report(page, f"visit-{asked['rank']}", "ruled out", at=UP, reason="people", note="Riders")
        open_card(page, int(taken["rank"]))
        form = f"visit-{taken['rank']}"
        page.select_option(f"#{form}-state", "camera up")
        page.click(f"#{form}-phone")
        expect(page.locator(f"#{form}-lat")).not_to_have_value("")
        for name, value in {"at": UP, "height_m": "0.6", "heading_magnetic_deg": "54",
                            "camera": "C-017", "card": "S-041"}.items():  # fmt: skip
            page.fill(f"#{form}-{name}", value)
        page.click(f"#{form}-save")
        report(page, form, "checked", at=CHECKED, battery_percent="70", pictures="2310",
               clock_off_min="0", card_out="S-041", card="S-088", done=[1, 3, 7])  # fmt: skip
        report(page, form, "moved", at=MOVED, lat=str(moved[0]), lon=str(moved[1]))
        page.click("#tab-visits")
        with page.expect_download() as caught:
            page.click("#visits-json")
        text = Path(caught.value.path()).read_text(encoding="utf-8")
        assert (found.outside, found.complaints) == ([], [])
    return text


def others_go(out: Path, folder: Path, *, but: str) -> dict[str, tuple[str, dict[str, str]]]:
    """One file from each of the other parcels, as JSON and as tables by turns."""
    decided = {}
    places = table(out / "places.csv")
    parcels = [row["parcel_id"] for row in table(out / "parcels.csv")]
    parcels = [name for name in parcels if name not in (but, SILENT)]
    best = {p["parcel_id"]: p for p in reversed(table(out / "parcels.csv"))}
    states = list(OTHERS)
    hers = [best[name]["survey_cell"] == best[but]["survey_cell"] for name in parcels]
    for n in range(len(parcels)):
        # One camera to a cell, and hers is in hers: those who visit elsewhere put theirs up.
        if hers[n] and states[n] == "camera up":
            other = next(m for m, s in enumerate(states) if s == "visited" and not hers[m])
            states[n], states[other] = states[other], states[n]
    for n, (parcel, state) in enumerate(zip(parcels, states, strict=True)):
        row = best[parcel]
        if row["best_lat_deg"]:
            spot = {"lat_deg": row["best_lat_deg"], "lon_deg": row["best_lon_deg"]}
            mine = [p for p in places if p["parcel_id"] == parcel]
            near = {
                p["spot_id"]: apart(p, float(spot["lat_deg"]), float(spot["lon_deg"])) for p in mine
            }
            place = min(mine, key=lambda p: near[p["spot_id"]])
        else:
            place = {"spot_id": "", "lat_deg": row["lat_deg"], "lon_deg": row["lon_deg"]}
        lat, lon = float(place["lat_deg"]), float(place["lon_deg"])
        common = {"location": place["spot_id"], "planned_lat": lat, "planned_lon": lon,
                  "radius_m": 15, "lat": lat, "lon": lon}  # fmt: skip
        records = [{"state": state, "at": f"2027-04-{n + 4:02d}", **common}]
        if state == "ruled out":
            records[0]["reason"] = REASONS[n]
        if state == "taken down":
            records.insert(0, {"state": "camera up", "at": "2027-04-01", **common})
        written(folder / parcel, records, parcel=parcel, as_table=n % 2 == 1)
        decided[parcel] = state, place
    return decided


def written(stem: Path, records: list[dict[str, Any]], *, parcel: str, as_table: bool) -> None:
    if as_table:
        rows = [{"parcel": parcel, **record} for record in records]
        lines = [",".join(rows[0]), *(",".join(str(v) for v in row.values()) for row in rows)]
        stem.with_suffix(".csv").write_text("\n".join(lines), encoding="utf-8")
        return
    data = {"format": "siting decisions 1", "parcel": parcel, "records": records}
    stem.with_suffix(".json").write_text(json.dumps(data), encoding="utf-8")


@pytest.fixture(scope="module", autouse=True)
def _one_program():
    """The code as it was when the test began: an edit meanwhile would make all to do again."""
    known = fingerprints.program_print()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fingerprints, "program_print", lambda: known)
        yield


@pytest.fixture(scope="module")
def story(browser, tmp_path_factory):
    home = tmp_path_factory.mktemp("story")
    out, before, returned, rules = (
        home / n for n in ("office", "before", "returned", "rules.toml")
    )
    rules.write_text(RULES, encoding="utf-8")
    batch(rules, out)
    shutil.copytree(out, before)
    parcel, asked, taken = adas(out)
    returned.mkdir()
    text = ada_goes(browser, out / "parcels" / safe_name(parcel) / "map.html", asked, taken)
    (returned / f"decisions_{parcel}.json").write_text(text, encoding="utf-8")
    others = others_go(out, returned, but=parcel)
    batch(rules, out, "--visited", str(returned))
    hers = read_decisions(returned / f"decisions_{parcel}.json")
    return Story(rules, before, out, returned, parcel, asked, taken, hers, others)


def test_the_letter_names_the_spot_of_the_page(story):
    text = (story.before / "letters" / f"{safe_name(story.parcel)}.txt").read_text()
    assert f"We propose a camera at spot {story.ruled_out['rank']}, because" in text


def test_her_file_says_what_she_did(story):
    out, up, checked, moved = story.hers.records
    assert [r.state for r in story.hers.records] == ["ruled out", "camera up", "checked", "moved"]
    assert (out.location, out.reason) == (story.ruled_out["spot_id"], "people")
    assert {r.location for r in (up, checked, moved)} == {story.taken["spot_id"]}
    assert (up.position_from, up.accuracy_m) == ("phone", 5)
    assert apart(story.taken, up.lat, up.lon) == pytest.approx(9.0, abs=0.2)
    assert (checked.at - up.at).days == 14
    assert len(list(story.returned.iterdir())) == 12


def test_places_keep_their_names(story):
    old, new = table(story.before / "places.csv"), table(story.after / "places.csv")
    names = [p["spot_id"] for p in new]
    assert len(set(names)) == len(names)
    assert [p for p in new if p["spot_id"] in {q["spot_id"] for q in old}] == old
    kept = 0
    for parcel, spots in spots_now(story.after).items():
        mine = [p for p in old if p["parcel_id"] == parcel]
        used = {spot["place_id"] for spot in spots}
        kept += len(used & {p["spot_id"] for p in mine})
        for spot in spots:
            near = [p for p in mine if apart(p, spot["lat_deg"], spot["lon_deg"]) <
                    float(p["search_radius_m"])]  # fmt: skip
            # A spot has a new name only where no old one is free.
            assert spot["place_id"] in {p["spot_id"] for p in mine} or \
                {p["spot_id"] for p in near} <= used  # fmt: skip
    assert kept >= 15


def test_nothing_is_offered_again_that_was_ruled_out(story):
    spots = spots_of(story.after, story.parcel)
    lat, lon = float(story.ruled_out["lat_deg"]), float(story.ruled_out["lon_deg"])
    assert all(apart(spot, lat, lon) >= AGAIN_M - 7 for spot in spots)
    # The path the riders use is closed as far as it goes; half the diagonal of a cell is let go.
    trail, _ = trail_by(story.ruled_out)
    assert spots
    assert min(on_grid(spot).distance(trail) for spot in spots) >= PEOPLE_M - 7
    best = {row["parcel_id"]: row for row in table(story.after / "parcels.csv")}
    for parcel, (state, place) in story.others.items():
        row = best[parcel]
        if state == "ruled out" and row["best_lat_deg"]:
            far = apart(place, float(row["best_lat_deg"]), float(row["best_lon_deg"]))
            assert far >= AGAIN_M - 7


def test_cameras_that_stand_and_choices_hold_their_cell(story):
    cells = {row["parcel_id"]: row["survey_cell"] for row in table(story.after / "parcels.csv")}
    states = {story.parcel: "camera up"} | {p: state for p, (state, _) in story.others.items()}
    for row in table(story.after / "assignments.csv"):
        if row["role"] != "camera":
            continue
        mine = {states.get(p, "") for p, cell in cells.items() if cell == row["survey_cell"]}
        for strongest in ("camera up", "chosen"):
            if strongest in mine:
                assert states[row["parcel_id"]] == strongest
                break
    rows = {row["parcel_id"]: row for row in table(story.after / "parcels.csv")}
    mine = rows[story.parcel]
    assert (mine["state"], mine["state_since"]) == ("moved", MOVED[:10])
    for parcel, (state, _) in story.others.items():
        assert rows[parcel]["state"] == state
    page = (story.after / "overview.html").read_text(encoding="utf-8")
    assert '"camera up"' in page
    assert MOVED[:10] in page


def test_her_next_page_and_letter_say_where_the_camera_stands(story):
    text = (story.after / "letters" / f"{safe_name(story.parcel)}.txt").read_text()
    folder = story.after / "parcels" / safe_name(story.parcel)
    assert "We propose" not in text
    assert "A camera stands" in text
    for name in ("map.html", "field_sheet.html"):
        page = (folder / name).read_text(encoding="utf-8")
        assert "A camera stands" in page
        assert "The survey proposes" not in page


def test_the_office_has_one_valid_table_of_deployments(story):
    frictionless = pytest.importorskip("frictionless")
    found = frictionless.Package(str(story.after / "datapackage.json")).validate()
    assert found.valid, found.flatten(["message"])
    rows = table(story.after / "deployments.csv")
    one, two = [r for r in rows if f"parcel:{story.parcel}" in r["deploymentGroups"].split(" | ")]
    assert one["locationID"] == story.taken["spot_id"]
    assert two["locationID"] not in ("", one["locationID"], story.ruled_out["spot_id"])
    assert one["deploymentStart"] == "2027-04-03T10:20:00-05:00"
    assert one["deploymentEnd"] == two["deploymentStart"] == "2027-05-02T09:00:00-05:00"
    assert (one["cameraID"], one["cameraHeight"]) == ("C-017", "0.6")
    assert float(one["latitude"]) == pytest.approx(story.hers.records[1].lat, abs=1e-6)
    stood = [p for p, (state, _) in story.others.items() if state in ("camera up", "taken down")]
    assert len(rows) == 2 + len(stood)
    assert len({row["deploymentID"] for row in rows}) == len(rows)
    visits = table(story.after / "check_visits.csv")
    visit = next(v for v in visits if v["deploymentID"] == one["deploymentID"])
    assert (visit["what"], visit["battery_percent"], visit["card_in"]) == ("checked", "70", "S-088")
    due = {row["deploymentID"]: row for row in table(story.after / "due.csv")}
    assert due[two["deploymentID"]]["due"] == "2027-05-15"
    assert one["deploymentID"] not in due


def test_read_once_more_nothing_changes(story, tmp_path):
    """The same files again: no parcel is scored again, and the office's tables keep every byte."""
    names = ("deployments.csv", "places.csv", "parcels.csv", "assignments.csv", "due.csv")
    before = {name: (story.after / name).read_bytes() for name in names}
    journal = (story.after / "journal.jsonl").read_bytes()
    batch(story.rules, story.after, "--visited", str(story.returned))
    assert {name: (story.after / name).read_bytes() for name in names} == before
    scored = [line for line in (story.after / "journal.jsonl").read_bytes()[len(journal):]
              .splitlines() if b'"parcel"' in line]  # fmt: skip
    assert scored == []
