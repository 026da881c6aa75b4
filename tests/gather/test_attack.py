"""A catalogue under attack: nothing is written outside, no local file is read, no other host asked.

Every address is of the loopback; names of other hosts and private machines are only ever refused.
"""

from __future__ import annotations

import json
import socket
import time
from pathlib import Path

import numpy as np
import pytest

from siting.errors import SitingError
from siting.gather.network import net, stac
from siting.gather.network import pages as catalogue_pages
from siting.gather.network.net import Door
from siting.gather.network.pages import Pages
from siting.gather.network.stac import Wanted, search, walk
from tests.gather import land
from tests.gather.server import Site, serving, status

SECRET = "canary-of-this-machine"
HERE = frozenset({"127.0.0.1"})


@pytest.fixture
def site():
    with serving() as here:
        yield here


@pytest.fixture(autouse=True)
def only_loopback(monkeypatch):
    """Every connection is watched: one to any other machine fails the test, whatever is caught."""
    made: list[str] = []
    connect = socket.socket.connect

    def watched(self, address):
        if self.family in (socket.AF_INET, socket.AF_INET6):
            made.append(address[0])
        return connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", watched)
    monkeypatch.setattr(net, "_PAUSES_S", (0.0, 0.0, 0.0))
    yield made
    assert set(made) <= {"127.0.0.1"}


def outcome(site: Site, tmp_path: Path, change) -> tuple[SitingError, Path]:
    """Gather from the usual catalogue after a change to its items; it must be refused whole."""
    items = land.items_of(site, tmp_path)
    change(items)
    land.serve(site, items)
    out = tmp_path / "region"
    before = outside(tmp_path)
    done = land.gather(out, land.rules(site, tmp_path))
    assert isinstance(done.exception, SitingError), done.output
    assert land.files_in(out) == {}
    assert outside(tmp_path) == before | {"own.toml"}
    assert SECRET not in str(done.exception)
    return done.exception, out


def outside(folder: Path) -> set[str]:
    """All files but those of the region's own folder."""
    return {
        str(p.relative_to(folder))
        for p in folder.rglob("*")
        if p.is_file() and p.relative_to(folder).parts[0] != "region"
    }


def hrefs(to: str):
    def change(items):
        for one in items:
            one["assets"]["data"]["href"] = to

    return change


@pytest.mark.parametrize(
    ("to", "code"),
    [
        ("file:///etc/passwd", "E-NET-01"),
        ("/etc/passwd", "E-NET-03"),  # a path of the server, where there is no such file
        ("../../../../../etc/passwd", "E-NET-03"),
        ("/vsicurl/http://127.0.0.1/x.tif", "E-NET-03"),
        ("/vsizip//etc/x.zip/x.tif", "E-NET-03"),
        ("s3://bucket/x.tif", "E-NET-01"),
        ("ftp://127.0.0.1/x.tif", "E-NET-01"),
        ("https://evil.example/x.tif", "E-NET-02"),
        ("https://127.0.0.1.evil.example/x.tif", "E-NET-02"),
        ("http://localhost/x.tif", "E-NET-02"),
        ("http://[::ffff:127.0.0.1]/x.tif", "E-NET-01"),
        ("https://10.0.0.1/x.tif", "E-NET-02"),
        ("https://169.254.169.254/latest/meta-data/", "E-NET-02"),
        ("https://0x7f000001/x.tif", "E-NET-02"),
        ("data:image/tiff;base64,AAAA", "E-NET-01"),
        ("http://[::1/x.tif", "E-NET-01"),
        ("http://127.0.0.1:1/x.tif", "E-NET-05"),
        ("", "E-STAC-04"),  # no address
        ("x" * 100_000, "E-NET-03"),
        ("http://127.0.0.1/\u202egpj.tif", "E-NET-01"),
        ("<script>alert(1)</script>", "E-NET-03"),
    ],
)  # fmt: skip
def test_an_asset_leads_nowhere_it_should_not(site, tmp_path, to, code):
    error, _ = outcome(site, tmp_path, hrefs(to))
    assert error.code in (code, "E-NET-04")
    assert all(len(part) < 1000 for part in (error.what, error.cure))


def test_a_local_file_by_its_name_is_not_read(site, tmp_path):
    """The library that reads catalogues elsewhere takes such a path for a file (docs/gather.md)."""
    canary = tmp_path / "canary.tif"
    land.write(canary, land.heights())
    for name in (str(canary), f"file://{canary}", canary.name):
        error, _ = outcome(site, tmp_path, hrefs(name))
        assert error.code in ("E-NET-01", "E-NET-03")


@pytest.mark.parametrize("kind", ["VRT", "WMS", "text"])
def test_a_raster_that_only_points_is_not_followed(site, tmp_path, kind):
    canary = land.write(tmp_path / "canary.tif", land.heights())
    text = {
        "VRT": f'<VRTDataset rasterXSize="200" rasterYSize="200"><VRTRasterBand dataType="Float32" '
        f'band="1"><SimpleSource><SourceFilename>{canary}</SourceFilename></SimpleSource>'
        "</VRTRasterBand></VRTDataset>",
        "WMS": "<GDAL_WMS><Service name='TMS'><ServerUrl>http://127.0.0.1:1/</ServerUrl></Service>"
        "</GDAL_WMS>",
        "text": f"GTIFF_DIR:1:{canary}",
    }[kind]
    items = land.items_of(site, tmp_path)
    site.files["/files/west.tif"] = text.encode()
    land.serve(site, items)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert isinstance(done.exception, SitingError)
    assert done.exception.code == "E-NET-07"


def test_files_beside_a_raster_are_not_looked_for(site, tmp_path):
    land.serve(site, land.items_of(site, tmp_path))
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert done.exit_code == 0, done.output
    rasters = {a for a in site.asked if a.startswith("/files")}
    assert rasters == {"/files/west.tif", "/files/east.tif", "/files/cover.tif"}


@pytest.mark.parametrize(
    "name",
    ["../../x.tif", "/etc/x", "a\\..\\b", "con.tif", "%2e%2e/x", "x.tif?sig=1", "\0x", "a" * 3000,
     "<img src=x onerror=alert(1)>", "\x1b[31mred", "line\nline", "dem.tif", "inputs.toml"],
)  # fmt: skip
def test_names_from_outside_are_only_text(site, tmp_path, name):
    items = land.items_of(site, tmp_path)
    items[0]["id"] = name
    land.serve(site, items)
    before = outside(tmp_path) | {"own.toml"}
    out = tmp_path / "region"
    done = land.gather(out, land.rules(site, tmp_path))
    assert done.exit_code == 0, done.output
    assert set(land.files_in(out)) == {"dem.tif", "inputs.toml", "land_cover.tif", "sources.json"}
    assert outside(tmp_path) == before
    record = json.loads((out / "sources.json").read_text(encoding="utf-8"))
    told = record["sources"][0]["items"]
    assert all(len(i["id"]) <= 200 and i["id"].isprintable() for i in told)


def test_no_secret_reaches_a_file_or_a_message(site, tmp_path, monkeypatch):
    """A key in the environment, a signature in an address: neither is in any file or output."""
    monkeypatch.setenv("TEST_MAP_KEY", SECRET)
    items = land.items_of(site, tmp_path)
    for one in items:
        one["assets"]["data"]["href"] += f"?sig={SECRET}"
    land.serve(site, items)
    key = '\n[dem.key]\nenv = "TEST_MAP_KEY"\nheader = "X-Key"\nhost = "127.0.0.1"\n'
    out = tmp_path / "region"
    done = land.gather(out, land.rules(site, tmp_path, dem=key))
    assert done.exit_code == 0, done.output
    assert any(h.get("X-Key") == SECRET for h in site.headers)
    assert SECRET not in done.output
    for path in out.rglob("*"):
        if path.is_file():
            assert SECRET.encode() not in path.read_bytes(), path
    site.replies["/files/west.tif"] = status(403)
    again = land.gather(tmp_path / "other", land.rules(site, tmp_path, dem=key))
    assert SECRET not in str(again.exception) + again.output


def test_a_key_that_is_not_set_is_told(site, tmp_path, monkeypatch):
    monkeypatch.delenv("TEST_MAP_KEY", raising=False)
    land.serve(site, land.items_of(site, tmp_path))
    key = '\n[dem.key]\nenv = "TEST_MAP_KEY"\nhost = "127.0.0.1"\n'
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path, dem=key))
    assert done.exception.code == "E-KEY-01"
    assert site.asked == []


# Catalogue pages


def pages(tmp_path: Path, now: float = 0.0) -> Pages:
    return Pages(Door(HERE, pace=0.02, pause=lambda _: None), tmp_path, now=now)


BOXES = [(-81.0, 43.0, -80.0, 44.0)]


def wanted(site: Site, path: str, **more) -> Wanted:
    return Wanted(site.base + path, more.pop("collection", "dem"), "data", **more)


def test_a_catalogue_in_a_circle_ends(site, tmp_path):
    links = [{"rel": "child", "href": "./a.json"}, {"rel": "child", "href": "./b.json"}]
    for name in "ab":
        site.put_json(f"/{name}.json", {"type": "Catalog", "links": links})
    assert walk(pages(tmp_path), wanted(site, "/a.json"), BOXES) == []
    assert len(site.asked) == 2


def test_a_catalogue_without_end_is_left(site, tmp_path, monkeypatch):
    monkeypatch.setattr(catalogue_pages, "_MOST_PAGES", 40)
    site.replies["/n"] = lambda h: h.send(
        200, json.dumps({"links": [{"rel": "child", "href": f"/n?{len(site.asked)}"}]}).encode()
    )
    with pytest.raises(SitingError, match="E-STAC-02"):
        walk(pages(tmp_path), wanted(site, "/n"), BOXES)
    assert len(site.asked) == 40


def test_paging_that_never_ends_is_left(site, tmp_path, monkeypatch):
    monkeypatch.setattr(catalogue_pages, "_MOST_PAGES", 40)
    site.replies["/stac/search"] = lambda h: h.send(
        200,
        json.dumps(
            {"features": [], "links": [{"rel": "next", "href": f"?{len(site.asked)}"}]}
        ).encode(),
    )
    with pytest.raises(SitingError, match="E-STAC-02"):
        search(pages(tmp_path), wanted(site, "/stac"), BOXES)


def posting(site: Site, link: dict) -> None:
    """A search whose second page is asked for as a link says."""

    def reply(handler):
        again = handler.body is not None
        one = feature(site, id="second" if again else "first")
        page = {"features": [one], "links": [] if again else [{"rel": "next", **link}]}
        handler.send(200, json.dumps(page).encode())

    site.replies["/stac/search"] = reply


@pytest.mark.parametrize("merge", [False, True])
def test_pages_that_are_posted_for_are_all_read(site, tmp_path, merge):
    posting(site, {"method": "POST", "href": "/stac/search", "body": {"token": "t2"},
                   "merge": merge, "headers": {"X-Api-Key": "theirs"}})  # fmt: skip
    found = search(pages(tmp_path), wanted(site, "/stac"), BOXES)
    assert [item.id for item in found] == ["first", "second"]
    asked = {"bbox": list(BOXES[0]), "collections": ["dem"], "limit": 100} if merge else {}
    assert json.loads(site.bodies[0]) == {**asked, "token": "t2"}
    assert "X-Api-Key" not in site.headers[-1]
    # Kept for a day like any other page.
    again = search(pages(tmp_path, now=time.time()), wanted(site, "/stac"), BOXES)
    assert [item.id for item in again] == ["first", "second"]


@pytest.mark.parametrize(
    ("link", "code"),
    [
        ({"method": "POST", "href": "https://other.example/search", "body": {}}, "E-NET-02"),
        ({"method": "POST", "href": "file:///etc/passwd", "body": {}}, "E-NET-01"),
        ({"method": "POST", "href": "?", "body": {"token": "x" * 30_000}}, "E-STAC-01"),
        ({"method": "POST", "href": "?", "body": "text"}, "E-STAC-01"),
        ({"method": "DELETE", "href": "?"}, "E-STAC-01"),
        ({"method": 7, "href": "?"}, "E-STAC-01"),
    ],
    ids=["other host", "local file", "large", "text", "delete", "number"],
)
def test_what_may_not_be_posted_is_refused(site, tmp_path, link, code):
    posting(site, link)
    with pytest.raises(SitingError, match=code):
        search(pages(tmp_path), wanted(site, "/stac"), BOXES)
    assert site.bodies == []


def test_a_posted_page_that_leads_elsewhere_is_refused(site, tmp_path):
    posting(site, {"method": "POST", "href": "/away", "body": {"token": "t"}})
    site.replies["/away"] = status(307, Location="https://other.example/search")
    with pytest.raises(SitingError, match="E-NET-02"):
        search(pages(tmp_path), wanted(site, "/stac"), BOXES)


def test_posting_that_goes_in_a_circle_ends(site, tmp_path):
    page = {
        "features": [],
        "links": [
            {"rel": "next", "method": "POST", "href": "/stac/search", "body": {"token": "same"}}
        ],
    }
    site.put_json("/stac/search", page)
    assert search(pages(tmp_path), wanted(site, "/stac"), BOXES) == []
    assert len(site.asked) == 2


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 100_000,
        b'{"a":' * 60 + b"1" + b"}" * 60,
        b"not json",
        b"[1, 2]",
        b'{"x": ' + b"1" * 5_100_000 + b"}",
        b"\xff\xfe{",
        b'{"features": [{',
    ],
    ids=["deep", "nested", "text", "list", "large", "other encoding", "torn"],
)
def test_a_page_that_is_none_is_refused(site, tmp_path, body):
    site.files["/stac/search"] = body
    with pytest.raises(SitingError, match=r"E-(STAC|SIZE)-01"):
        search(pages(tmp_path), wanted(site, "/stac"), BOXES)


@pytest.mark.parametrize("body", [b"<html>log in</html>", b"\n <!doctype html>"])
def test_a_web_page_in_place_of_a_catalogue_is_told(site, tmp_path, body):
    site.files["/stac/search"] = body
    with pytest.raises(SitingError, match=r"E-NET-07: .*a web page"):
        search(pages(tmp_path), wanted(site, "/stac"), BOXES)


@pytest.mark.parametrize(
    "page",
    [
        {}, {"features": None}, {"features": 3}, {"features": [1, "a", None]},
        {"features": [], "links": "x"}, {"links": [{"rel": "next"}]},
        {"features": [{"id": 3, "bbox": [1, 2]}]} | {"features": []},
        {"features": [], "links": [{"rel": "next", "href": None, "method": 7}]},
    ],
)  # fmt: skip
def test_odd_pages_give_nothing(site, tmp_path, page):
    site.put_json("/stac/search", page)
    assert search(pages(tmp_path), wanted(site, "/stac"), BOXES) == []


def feature(site: Site, **more) -> dict:
    return {
        "type": "Feature", "id": "a", "collection": "dem", "bbox": [-80.6, 43.2, -80.4, 43.4],
        "properties": {"datetime": "2020-01-01"},
        "assets": {"data": {"href": site.base + "/a.tif"}}, "links": [], **more,
    }  # fmt: skip


@pytest.mark.parametrize("name", ["a", None, 7, "\x00\x1b[31m"])
def test_two_tiles_of_one_name_are_two_tiles(site, tmp_path, name):
    """The second took the place of the first, and half the land was missing."""
    two = [
        feature(site, id=name, assets={"data": {"href": f"{site.base}/{file}.tif?sig={file}"}})
        for file in ("east", "west", "east")
    ]
    site.put_json("/stac/search", {"features": two})
    found = search(pages(tmp_path), wanted(site, "/stac"), BOXES)
    assert [item.address.rpartition("/")[2] for item in found] == [
        "east.tif?sig=east", "west.tif?sig=west",
    ]  # fmt: skip


@pytest.mark.parametrize("box", [[float("nan"), 43, -80, 44], [float("-inf"), 0, 0, 1]])
def test_an_item_whose_box_has_no_ends_is_looked_at(site, tmp_path, box):
    site.put_json("/stac/search", {"features": [feature(site, bbox=box)]})
    assert len(search(pages(tmp_path), wanted(site, "/stac"), BOXES)) == 1


@pytest.mark.parametrize(
    "assets",
    [None, [], {}, {"dtm": {"href": "/x"}}, {"data": "text"}, {"data": None},
     {"dsm": {}, "dtm": {}}],
)  # fmt: skip
def test_an_item_without_the_file_asked_for_is_told_with_what_it_has(site, tmp_path, assets):
    site.put_json("/stac/search", {"features": [feature(site, assets=assets)]})
    with pytest.raises(SitingError, match="E-STAC-04"):
        search(pages(tmp_path), wanted(site, "/stac"), BOXES)


def test_items_of_other_collections_places_and_versions_are_left(site, tmp_path):
    features = [
        feature(site),
        feature(site, id="b", collection="other"),
        feature(site, id="c", bbox=[10, 10, 11, 11]),
        feature(site, id="d", properties={"version": "1"}),
    ]
    site.put_json("/stac/search", {"features": features})
    asked = wanted(site, "/stac", where={"datetime": "2020-01-01"})
    assert [i.id for i in search(pages(tmp_path), asked, BOXES)] == ["a"]


def test_addresses_are_made_whole_and_rewritten(site, tmp_path):
    relative = feature(site, assets={"data": {"href": "./tiles/a.tif"}})
    bucket = feature(site, id="b", assets={"data": {"href": "s3://bucket/k/b.tif"}})
    site.put_json("/stac/search", {"features": [relative, bucket]})
    asked = wanted(site, "/stac", rewrite={"s3://bucket/": "https://bucket.example/"})
    found = search(pages(tmp_path), asked, BOXES)
    assert [i.address for i in found] == [
        f"{site.base}/stac/tiles/a.tif", "https://bucket.example/k/b.tif",
    ]  # fmt: skip


def test_boxes_across_180_degrees_meet_items_on_both_sides():
    both = (179.5, -17.0, -179.5, -16.0)
    assert stac._touch((179.0, -18.0, 180.0, -16.5), both)
    assert stac._touch((-180.0, -18.0, -179.8, -16.5), both)
    assert not stac._touch((178.0, -18.0, 179.0, -16.5), both)
    assert stac._touch(both, (-180.0, -18.0, -179.8, -16.5))


def test_pages_are_asked_for_once_a_day(site, tmp_path):
    site.put_json("/stac/search", {"features": [feature(site)]})
    now = tmp_path.stat().st_mtime
    for later in (0.0, 3600.0):
        search(pages(tmp_path, now + later), wanted(site, "/stac"), BOXES)
    assert len(site.asked) == 1
    search(pages(tmp_path, now + 90_000.0), wanted(site, "/stac"), BOXES)
    assert len(site.asked) == 2


def test_a_small_file_that_declares_the_earth_is_refused_or_cut(site, tmp_path):
    """A sparse TIFF of some kilobytes declares gigabytes: only the window under the land counts."""
    import rasterio

    huge = tmp_path / "west.tif"
    with rasterio.open(
        huge, "w", driver="GTiff", height=120_000, width=120_000, count=1, dtype="float32",
        crs=land.CRS, transform=rasterio.Affine(0.05, 0, land.LEFT, 0, -0.05, land.TOP),
        tiled=True, blockxsize=512, blockysize=512, sparse_ok=True, compress="deflate",
    ):  # fmt: skip
        pass
    assert huge.stat().st_size < 2_000_000
    items = [land.item(site, huge, "dem"), land.item(site, land.cover(tmp_path), "cover")]
    land.serve(site, items)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert isinstance(done.exception, SitingError)
    assert done.exception.code == "E-SIZE-02"


def test_zeros_in_place_of_data_are_told(site, tmp_path):
    items = land.items_of(site, tmp_path)
    data = site.files["/files/west.tif"]
    # The head stays, so that it looks like a raster; the blocks are gone.
    site.files["/files/west.tif"] = data[:1500] + b"\0" * (len(data) - 1500)
    land.serve(site, items)
    done = land.gather(tmp_path / "region", land.rules(site, tmp_path))
    assert isinstance(done.exception, SitingError)
    assert done.exception.code == "E-FILE-02"
    assert land.files_in(tmp_path / "region") == {}
    assert np.frombuffer(data[:4], "S4")[0].startswith(b"II")
