"""Every trap of docs/gather.md has its row: what goes wrong, the code that says so, and a cure.

Rows whose trap needs more than a catalogue name the test that holds it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner

from siting.cli.main import siting
from siting.errors import SitingError
from siting.gather.network import net
from tests.gather import land
from tests.gather.catalogue import item
from tests.gather.server import Site, serving, status

ROOT = Path(__file__).parents[2]


@pytest.fixture
def site(monkeypatch):
    monkeypatch.setattr(net, "_PAUSES_S", (0.0, 0.0, 0.0))
    with serving() as here:
        yield here


def changed(change: Callable[[list[dict]], None]):
    def build(site: Site, folder: Path) -> list[dict]:
        items = land.items_of(site, folder)
        change(items)
        return items

    return build


def usual(site: Site, folder: Path) -> list[dict]:
    return land.items_of(site, folder)


def east(**more):
    """The eastern tile in another way."""

    def build(site: Site, folder: Path) -> list[dict]:
        own = {k: v for k, v in more.items() if k not in ("when",)}
        tiles = land.halves(folder, **own)
        when = more.get("when", "2021-01-01T00:00:00Z")
        return [
            item(site, tiles[0], "dem"),
            item(site, tiles[1], "dem", when=when),
            item(site, land.cover(folder), "cover"),
        ]

    return build


def missing_tile(site: Site, folder: Path) -> list[dict]:
    return [i for i in usual(site, folder) if i["id"] != "east"]


def undeclared(site: Site, folder: Path) -> list[dict]:
    """-9999 beyond the border, not declared."""
    values = land.heights()
    values[:, 150:] = -9999.0
    path = land.write(folder / "west.tif", values)
    return [item(site, path, "dem"), item(site, land.cover(folder), "cover")]


def strange_codes(site: Site, folder: Path) -> list[dict]:
    values = land.classes()
    values[90:110, 90:110] = 77
    path = land.write(folder / "codes.tif", values, unit="")
    return [*usual(site, folder)[:2], item(site, path, "cover")]


def averaged(site: Site, folder: Path) -> list[dict]:
    values = land.classes().astype("float32")
    values[95:105, 95:105] = 56.3
    path = land.write(folder / "codes.tif", values, unit="")
    return [*usual(site, folder)[:2], item(site, path, "cover")]


def wrong_sum(site: Site, folder: Path) -> list[dict]:
    items = usual(site, folder)
    items[0]["assets"]["data"]["file:checksum"] = "1220" + "0" * 64
    data = site.files["/files/west.tif"]
    site.replies["/files/west.tif"] = lambda h: h.send(200, data)
    return items


def changing(site: Site, folder: Path) -> list[dict]:
    """Another file at each request."""
    items = usual(site, folder)
    data = {n: site.files[f"/files/{n}.tif"] for n in ("west", "east")}
    count = iter(range(1000))
    for name, body in data.items():
        # Large enough to need more than one request.
        whole = body + b"\0" * 400_000
        site.replies[f"/files/{name}.tif"] = lambda h, w=whole: h.send_part(w, f'"{next(count)}"')
    return items


def far_blocks(site: Site, folder: Path) -> list[dict]:
    """Tiles whose blocks lie behind the first piece, so that several requests are needed."""
    noise = np.random.default_rng(1).normal(0, 3, (land.SIDE, land.SIDE)).astype("float32")
    path = land.write(folder / "west.tif", land.heights() + noise)
    items = [item(site, path, "dem"), item(site, land.cover(folder), "cover")]
    body, count = site.files["/files/west.tif"], iter(range(1000))
    assert len(body) > 2 * 65_536
    site.replies["/files/west.tif"] = lambda h: h.send_part(body, f'"{next(count)}"')
    return items


def reply_to(path: str, reply) -> Callable:
    def build(site: Site, folder: Path) -> list[dict]:
        site.replies[path] = reply
        return usual(site, folder)

    return build


def href(text: str):
    return changed(lambda items: items[0]["assets"]["data"].update(href=text))


# trap: (catalogue, what must be said, more of the command line)
ROWS: dict[str, tuple[Callable, str, tuple]] = {
    "G1 local path": (href("file:///etc/passwd"), "E-NET-01", ()),
    "G2 other host": (href("https://tiles.example/x.tif"), "E-NET-02", ()),
    "G3 private machine": (href("https://192.168.0.1/x.tif"), "E-NET-02", ()),
    "G4 refused": (reply_to("/files/west.tif", status(401)), "E-NET-03", ()),
    "G5 busy": (reply_to("/files/west.tif", status(503)), "E-NET-04", ()),
    "G7 no network": (href("http://127.0.0.1:1/x.tif"), "E-NET-05", ()),
    "G9 login page": (
        reply_to("/files/west.tif", status(200, b"<html>log in</html>")), "E-NET-07", (),
    ),
    "G10 no JSON": (reply_to("/stac/search", status(200, b"[" * 5000)), "E-STAC-01", ()),
    "G12 nothing here": (changed(lambda items: items.__delitem__(slice(0, 2))), "E-STAC-03", ()),
    "G13 no such file": (
        changed(lambda items: items[0].update(assets={"dsm": {"href": "/x"}})), "E-STAC-04", (),
    ),
    "G16 editions": (east(when="2019-01-01T00:00:00Z"), "A-EDITION-01", ()),
    "G17 part covered": (east(when="2019-01-01T00:00:00Z"), "W-COVER-01", ()),
    "G18 other unit": (east(unit="ft"), "E-UNIT-02", ()),
    "G19 half a cell": (east(left=land.LEFT + 103.5 * land.CELL), "E-TILES-01", ()),
    "G20 tile missing": (missing_tile, "W-COVER-01", ()),
    "G21 no data undeclared": (undeclared, "E-NODATA-01", ()),
    "G22 pole": (usual, "E-BOX-01", ("10,86",)),
    "G23 swapped": (usual, "E-BOX-02", ("43.041,-95.466",)),
    "G24 averaged classes": (averaged, "E-CODES-02", ()),
    "G25 codes of another legend": (strange_codes, "E-CODES-01", ()),
    "G26 too large": (usual, "E-SIZE-01", ("--most-mb",)),
    "G31 file changes": (far_blocks, "E-CHANGED-01", ()),
    "G32 checksum": (wrong_sum, "E-SUM-01", ()),
}  # fmt: skip

ELSEWHERE = {
    "G3": "tests/gather/test_net.py::test_a_public_name_that_leads_to_a_private_machine_is_refused",
    "G6": "tests/gather/test_net.py::test_a_request_that_never_ends_is_cut",
    "G8": "tests/gather/test_net.py::test_a_wrong_part_is_refused",
    "G11": "tests/gather/test_attack.py::test_a_catalogue_in_a_circle_ends",
    "G14": "tests/gather/test_traps.py::test_a_surface_model_is_told_wherever_heights_are_used",
    "G15": "tests/gather/test_traps.py::test_heights_by_hand_are_asked_about",
    "G27": "tests/gather/test_attack.py::"
    "test_a_small_file_that_declares_the_earth_is_refused_or_cut",
    "G28": "tests/gather/test_attack.py::test_names_from_outside_are_only_text",
    "G29": "tests/gather/test_attack.py::test_no_secret_reaches_a_file_or_a_message",
    "G30": "tests/gather/test_resume.py::"
    "test_a_region_killed_at_random_moments_resumes_to_the_same_bytes",
    "G33": "tests/gather/test_net.py::test_the_program_names_itself_and_sends_nothing_else",
    "G34": "tests/gather/test_osm.py::test_an_extract_that_does_not_reach_over_the_land_is_refused",
    "G35": "tests/gather/test_osm.py::test_half_an_extract_writes_nothing",
    "G36": "tests/gather/test_traps.py::test_waters_cut_at_the_border_of_an_extract_are_told",
    "G37": "tests/gather/test_osm.py::test_case_lists_and_unknown_ways_are_read_with_care",
    "G38": "tests/gather/test_osm.py::test_a_path_without_tags_of_use_stays_not_known_and_is_told",
    "G39": "tests/gather/test_osm.py::test_one_thing_mapped_twice_is_told",
    "G40": "tests/gather/test_lidar.py::test_a_cloud_that_cannot_serve_is_refused",
    "G41": "tests/gather/test_lidar.py::test_water_without_points_stays_unknown",
    "G42": "tests/gather/test_osm.py::test_land_cover_of_areas_with_wide_gaps_is_refused",
    "G43": "tests/gather/test_attribution.py::test_a_raster_whose_line_was_lost_is_told",
    "G44": "tests/gather/test_attribution.py::test_a_line_with_markup_is_only_text",
    "G45": "tests/gather/test_traps.py::test_newer_items_change_nothing_until_asked_for",
}


def test_every_trap_has_a_row():
    mine = {name.split()[0] for name in ROWS}
    assert mine | set(ELSEWHERE) == {f"G{n}" for n in range(1, 46)}


@pytest.mark.parametrize("trap", sorted(ELSEWHERE))
def test_the_tests_named_are_there(trap):
    file, _, name = ELSEWHERE[trap].partition("::")
    assert f"def {name}(" in (ROOT / file).read_text(encoding="utf-8")


@pytest.mark.parametrize("trap", list(ROWS))
def test_a_trap_is_told_with_its_code_and_a_cure(trap, site, tmp_path):
    build, code, more = ROWS[trap]
    items = build(site, tmp_path)
    land.serve(site, items, keep=True)
    options = {"point": more[0]} if more and more[0][0] in "0123456789-" and "," in more[0] else {}
    if trap.startswith("G26"):
        huge = np.random.default_rng(0).normal(300, 50, (900, 900)).astype("float32")
        path = land.write(tmp_path / "huge.tif", huge, cell=7.0)
        items = [item(site, path, "dem"), items[2]]
        land.serve(site, items)
        done = land.gather(tmp_path / "region", land.rules(site, tmp_path), "--most-mb", 1)
    else:
        done = land.gather(tmp_path / "region", land.rules(site, tmp_path), **options)
    if code.startswith("E-"):
        error = done.exception
        assert isinstance(error, SitingError), done.output
        assert error.code == code, str(error)
        assert error.rule
        assert error.cure
        assert land.files_in(tmp_path / "region") == {}
    else:
        assert done.exit_code == 0, done.output
        record = json.loads((tmp_path / "region" / "sources.json").read_text(encoding="utf-8"))
        assert code in {note[0] for source in record["sources"] for note in source["notes"]}


# Joining


def joined(site: Site, tmp_path: Path, build, *more: object) -> Path:
    land.serve(site, build(site, tmp_path))
    out = tmp_path / "region"
    done = land.gather(out, land.rules(site, tmp_path), *more)
    assert done.exit_code == 0, done.output
    return out


def notes_of(out: Path) -> dict[str, str]:
    record = json.loads((out / "sources.json").read_text(encoding="utf-8"))
    return {n[0]: n[2] for source in record["sources"] for n in source["notes"]}


def test_joined_tiles_are_the_whole_cell_for_cell(site, tmp_path):
    out = joined(site, tmp_path, usual)
    with rasterio.open(out / "dem.tif") as dem:
        col = round((dem.transform.c - land.LEFT) / land.CELL)
        row = round((land.TOP - dem.transform.f) / land.CELL)
        whole = land.heights()[row : row + dem.height, col : col + dem.width]
        assert np.array_equal(dem.read(1), whole)
        assert dem.units == ("m",)
        assert dem.tags()["SITING_ATTRIBUTION"].startswith("\u00a9 Example survey")


def test_a_shared_row_of_cells_is_cut(site, tmp_path):
    """Tiles of 3601 cells overlap by one, tiles of 3600 do not: both join to the same raster."""

    def overlapping(site: Site, folder: Path) -> list[dict]:
        whole, cut = land.heights(), 103
        one = land.write(folder / "west.tif", whole[:, : cut + 1])
        two = land.write(folder / "east.tif", whole[:, cut:], left=land.LEFT + cut * land.CELL)
        return [item(site, one, "dem"), item(site, two, "dem"),
                item(site, land.cover(folder), "cover")]  # fmt: skip

    out = joined(site, tmp_path, overlapping)
    with rasterio.open(out / "dem.tif") as dem:
        col = round((dem.transform.c - land.LEFT) / land.CELL)
        row = round((land.TOP - dem.transform.f) / land.CELL)
        assert np.array_equal(
            dem.read(1), land.heights()[row : row + dem.height, col : col + dem.width]
        )
    assert "W-SEAM-01" not in notes_of(out)


def test_overlapping_tiles_that_differ_are_told(site, tmp_path):
    def differing(site: Site, folder: Path) -> list[dict]:
        whole, cut = land.heights(), 103
        one = land.write(folder / "west.tif", whole[:, : cut + 1])
        two = land.write(
            folder / "east.tif", whole[:, cut:] + 0.7, left=land.LEFT + cut * land.CELL
        )
        return [item(site, one, "dem"), item(site, two, "dem"),
                item(site, land.cover(folder), "cover")]  # fmt: skip

    assert "W-SEAM-01" in notes_of(joined(site, tmp_path, differing))


def test_an_older_edition_fills_only_when_asked_and_its_step_is_told(site, tmp_path):
    def old_east(site: Site, folder: Path) -> list[dict]:
        whole, cut = land.heights(), 103
        one = land.write(folder / "west.tif", whole[:, : cut + 20])
        two = land.write(folder / "all-of-2019.tif", whole + 0.7)
        two_items = item(site, two, "dem", when="2019-05-01T00:00:00Z")
        two_items["bbox"][0] += 0.0001
        return [item(site, one, "dem"), two_items, item(site, land.cover(folder), "cover")]

    # The whole edition is older; the newer covers a part: the whole is taken, and the rest told.
    out = joined(site, tmp_path, old_east)
    with rasterio.open(out / "dem.tif") as dem:
        assert dem.read(1).min() > 0
    assert "2019" in notes_of(out)["A-EDITION-01"]

    def two_parts(site: Site, folder: Path) -> list[dict]:
        whole, cut = land.heights(), 103
        one = land.write(folder / "west.tif", whole[:, : cut + 20])
        two = land.write(folder / "old.tif", whole[:, cut:] + 0.7, left=land.LEFT + cut * land.CELL)
        return [item(site, one, "dem"), item(site, two, "dem", when="2019-05-01T00:00:00Z"),
                item(site, land.cover(folder), "cover")]  # fmt: skip

    second = tmp_path / "second"
    second.mkdir()
    out = joined(site, second, two_parts, "--fill")
    told = notes_of(out)["W-SEAM-01"]
    assert float(re.search(r"([+-][\d.]+) m off there", told)[1]) == pytest.approx(0.70, abs=0.02)
    with rasterio.open(out / "dem.tif") as dem:
        assert np.isfinite(dem.read(1)).all()


def test_missing_ground_is_told_in_square_kilometres_and_never_sea_unless_said(site, tmp_path):
    def hole(site: Site, folder: Path) -> list[dict]:
        values = land.heights()
        values[0:40, 0:40] = -9999.0
        path = land.write(folder / "west.tif", values, nodata=-9999.0)
        return [item(site, path, "dem"), item(site, land.cover(folder), "cover")]

    out = joined(site, tmp_path, hole)
    assert "1.44 km2" in notes_of(out)["W-HOLE-01"]


def test_land_across_180_degrees_is_gathered_from_both_sides(site, tmp_path):
    """Two searches, one raster whose longitudes go on past 180."""
    deg = 0.0005
    y, x = np.mgrid[0:240, 0:240]
    whole = (200 + 20 * np.sin(x / 9.0) + 15 * np.cos(y / 7.0)).astype("float32")
    kind = np.where((x // 12 + y // 9) % 2 == 0, 41, 81).astype("uint8")
    tiles = []
    for name, west, cols in (("w", 179.94, slice(0, 120)), ("e", -180.0, slice(120, 240))):
        for collection, values in (("dem", whole), ("cover", kind)):
            path = land.write(
                tmp_path / f"{collection}-{name}.tif", values[:, cols], left=west, top=-16.94,
                cell=deg, crs="EPSG:4326", unit="m" if collection == "dem" else "",
            )  # fmt: skip
            tiles.append(item(site, path, collection))
    land.serve(site, tiles)
    out = tmp_path / "region"
    more = ("--margin", 800)
    done = land.gather(
        out, land.rules(site, tmp_path, dem="cell_m = 5\n"), *more, point="179.9995,-17.0"
    )
    assert done.exit_code == 0, done.output
    assert sum("bbox=179" in a for a in site.asked) >= 1
    assert sum("bbox=-180" in a for a in site.asked) >= 1
    with rasterio.open(out / "dem.tif") as dem:
        col = round((dem.transform.c - 179.94) / deg)
        row = round((-16.94 - dem.transform.f) / deg)
        assert np.array_equal(dem.read(1), whole[row : row + dem.height, col : col + dem.width])
    scored = CliRunner().invoke(
        siting, ["score", str(out / "inputs.toml"), "-o", str(tmp_path / "out")]
    )
    assert scored.exit_code == 0, scored.output


def test_a_surface_model_is_told_wherever_heights_are_used(site, tmp_path):
    land.serve(site, usual(site, tmp_path))
    out = tmp_path / "region"
    rules = land.rules(site, tmp_path)
    rules.write_text(rules.read_text().replace('surface = "no"', 'surface = "yes"'))
    done = land.gather(out, rules)
    assert "tree tops" in done.output
    for command in (["check", str(out / "inputs.toml")],
                    ["score", str(out / "inputs.toml"), "-o", str(out / "out")]):  # fmt: skip
        ran = CliRunner().invoke(siting, command)
        assert ran.exit_code == 0, ran.output
        assert "tree tops" in ran.output, command
    record = json.loads((out / "out" / "run.json").read_text(encoding="utf-8"))
    assert "W-SURFACE-01" in {w["code"] for w in record["warnings"]}
    assert "tree tops" in (out / "out" / "map.html").read_text(encoding="utf-8")
    assert "tree tops" in (out / "out" / "field_sheet.html").read_text(encoding="utf-8")


def test_heights_by_hand_are_asked_about(site, tmp_path):
    land.serve(site, usual(site, tmp_path))
    dsm = land.write(tmp_path / "county_dsm.tif", land.heights())
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path), "--dem", dsm)
    assert done.exit_code == 0, done.output
    told = notes_of(tmp_path / "region")["A-SURFACE-01"]
    assert "'dsm'" in told
    sure = land.gather(tmp_path / "sure", land.rules(site, tmp_path), "--dem", dsm,
                       "--surface", "no")  # fmt: skip
    assert "A-SURFACE-01" not in notes_of(tmp_path / "sure"), sure.output


def test_newer_items_change_nothing_until_asked_for(site, tmp_path):
    items = usual(site, tmp_path)
    land.serve(site, items)
    out, rules = tmp_path / "region", land.rules(site, tmp_path)
    assert land.gather(out, rules).exit_code == 0
    before = land.files_in(out)
    newer = item(site, land.write(tmp_path / "all-2023.tif", land.heights() + 1), "dem",
                 when="2023-01-01T00:00:00Z")  # fmt: skip
    land.serve(site, [*items, newer])
    land.gather(out, rules)
    assert land.files_in(out) == before
    (out / "dem.tif").unlink()
    land.gather(out, rules)
    assert land.files_in(out)["dem.tif"] == before["dem.tif"]
    told = land.gather(out, rules, "--update").output
    assert "the catalogue has changed since the last run" in told
    assert land.files_in(out)["dem.tif"] != before["dem.tif"]


def test_waters_cut_at_the_border_of_an_extract_are_told(monkeypatch, tmp_path):
    import geopandas as gpd
    import shapely

    from siting.gather.vector import osm, pbf

    lake = {"type": "multipolygon", "natural": "water"}
    route = {"type": "route", "route": "hiking"}
    monkeypatch.setattr(pbf, "relations", lambda path: [(lake, [7])] * 3 + [(route, [8])])
    built = gpd.GeoDataFrame(
        {"osm_id": ["1"], "natural": ["water"], "landuse": [None]},
        geometry=[shapely.box(0, 0, 1, 1)], crs=4326,
    )  # fmt: skip
    asked, walked = osm._relations(tmp_path / "x.osm.pbf")
    assert walked == {8}
    notes = osm._left_out(asked, built)
    assert [n.code for n in notes] == ["W-OSM-01"]
    assert "2 of 3" in notes[0].text


def test_lines_of_the_users_own_are_never_overwritten(site, tmp_path):
    land.serve(site, usual(site, tmp_path))
    out, rules = tmp_path / "region", land.rules(site, tmp_path)
    land.gather(out, rules)
    mine = (out / "inputs.toml").read_text(encoding="utf-8") + "# my own line\n"
    (out / "inputs.toml").write_text(mine, encoding="utf-8")
    text = rules.read_text(encoding="utf-8")
    rules.write_text(text.replace("Test land cover", "Other cover"), encoding="utf-8")
    told = land.gather(out, rules)
    assert told.exit_code == 0, told.output
    assert (out / "inputs.toml").read_text(encoding="utf-8") == mine
    assert "Other cover" in (out / "inputs.new.toml").read_text(encoding="utf-8")


def test_a_folder_with_files_of_others_is_refused(site, tmp_path):
    land.serve(site, usual(site, tmp_path))
    out = tmp_path / "region"
    out.mkdir()
    (out / "dem.tif").write_bytes(b"mine")
    done = land.gather(out, land.rules(site, tmp_path))
    assert done.exception.code == "E-OUT-01"
    assert (out / "dem.tif").read_bytes() == b"mine"
    assert site.asked == []


@pytest.mark.parametrize("kind", ["cut short", "noise"])
def test_a_file_that_was_damaged_is_asked_for_again(site, tmp_path, kind):
    """Its pieces were kept, and every later run failed on them though the file was whole again."""
    land.serve(site, land.items_of(site, tmp_path))
    rules = land.rules(site, tmp_path)
    sound = site.files["/files/west.tif"]
    short, noise = sound[:3000], sound[:200] + b"\xff" * (len(sound) - 200)
    site.files["/files/west.tif"] = short if kind == "cut short" else noise
    out = tmp_path / "region"
    assert "E-FILE-02" in str(land.gather(out, rules).exception)
    assert not (out / "dem.tif").exists()
    site.files["/files/west.tif"] = sound
    assert land.gather(out, rules).exit_code == 0


@pytest.mark.parametrize(
    "damage",
    [
        {"sources": None}, {"sources": 3}, {"sources": [None, 3]}, {"notes": 3},
        {"notes": [1, 2]}, {"notes": [["a", "b", 3]]}, {"items": 3}, {"items": [1, None]},
        {"items": None}, {"layers": 3}, {"inputs": 3}, {"vectors": 3}, {"key": 3},
    ],
    ids=str,
)  # fmt: skip
def test_a_damaged_record_of_sources_is_no_record(site, tmp_path, damage):
    """It ended in a fault of the program; the files it cannot vouch for are fetched again."""
    land.serve(site, land.items_of(site, tmp_path))
    out, rules = tmp_path / "region", land.rules(site, tmp_path)
    assert land.gather(out, rules).exit_code == 0
    before = land.files_in(out)
    path = out / "sources.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    if "sources" in damage:
        record |= damage
    else:
        record["sources"] = [one | damage for one in record["sources"]]
    path.write_text(json.dumps(record), encoding="utf-8")
    (out / "dem.tif").unlink()
    done = land.gather(out, rules)
    assert done.exit_code == 0, done.output
    assert land.files_in(out)["dem.tif"] == before["dem.tif"]
    assert land.files_in(out)["inputs.toml"] == before["inputs.toml"]


def test_a_legend_that_is_not_there_is_told_before_anything_is_asked(site, tmp_path):
    rules = land.rules(site, tmp_path)
    site.asked.clear()
    done = land.gather(tmp_path / "region", rules, "--land-cover", land.cover(tmp_path),
                       "--legend", "nlccd")  # fmt: skip
    assert "E-LEGEND-01: There is no legend 'nlccd'" in str(done.exception)
    assert site.asked == []


@pytest.mark.parametrize("href", [None, "", 7, ["a"]])
def test_an_item_whose_file_has_no_address_is_told(site, tmp_path, href):
    items = land.items_of(site, tmp_path)
    items[0]["assets"] = {"data": {"href": href}}
    land.serve(site, items)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert "E-STAC-04" in str(done.exception)


@pytest.mark.parametrize("name", ["dem.tif", "sources.json", "inputs.toml", "dem_far.tif"])
def test_a_folder_where_a_file_shall_stand_is_told_at_once(site, tmp_path, name):
    """A folder named sources.json was met at the end, with two of the files in place."""
    land.serve(site, land.items_of(site, tmp_path))
    (tmp_path / "region" / name).mkdir(parents=True)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert "E-OUT-01" in str(done.exception)
    assert land.files_in(tmp_path / "region") == {}
    assert site.asked == []
