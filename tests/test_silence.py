"""Nothing asks the network and nothing outside the given file is read, whatever a file holds.

A server on the loopback address listens while every format is checked, scored and run in a batch;
it must hear nothing. That the files would make the map library call is shown for one of them.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio
from shapely.geometry import mapping

from tests.bad_inputs.land import CRS, LEFT, TOP, Land, clean, frame, raster, relief, to_lonlat
from tests.bad_inputs.runner import run

VRT = """<VRTDataset rasterXSize="30" rasterYSize="30"><VRTRasterBand dataType="Float32" band="1">
<SimpleSource><SourceFilename relativeToVRT="0">{source}</SourceFilename><SourceBand>1</SourceBand>
</SimpleSource></VRTRasterBand></VRTDataset>"""


LISTENER = """
import socket, sys
server = socket.create_server(("127.0.0.1", 0))
print(server.getsockname()[1], flush=True)
while True:
    asked, _ = server.accept()
    with open(sys.argv[1], "ab") as out:
        out.write(asked.recv(200) + b"\\n")
    asked.close()
"""


class Ear:
    """A server that answers nothing and remembers that it was asked.

    It is a process of its own: the map library holds Python's lock while it waits for an answer.
    """

    def __init__(self, folder: Path) -> None:
        self._kept = folder / "heard"
        command = [sys.executable, "-c", LISTENER, str(self._kept)]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        self.url = f"http://127.0.0.1:{int(self._process.stdout.readline())}"

    @property
    def heard(self) -> bytes:
        return self._kept.read_bytes() if self._kept.exists() else b""

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def ear(tmp_path_factory) -> Iterator[Ear]:
    server = Ear(tmp_path_factory.mktemp("ear"))
    yield server
    server.close()


def overview_vrt(land: Land, url: str) -> None:
    (land.folder / "dem.tif.ovr").write_text(VRT.format(source=f"/vsicurl/{url}/o.tif"))


def mask_vrt(land: Land, url: str) -> None:
    (land.folder / "dem.tif.msk").write_text(VRT.format(source=f"/vsicurl/{url}/m.tif"))


def overview_named_beside(land: Land, url: str) -> None:
    (land.folder / "dem.tif.aux.xml").write_text(
        f'<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">/vsicurl/{url}/o.tif'
        "</MDI></Metadata></PAMDataset>"
    )


def overview_named_inside(land: Land, url: str) -> None:
    with rasterio.open(land.folder / "dem.tif", "r+") as out:
        out.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/{url}/o.tif")


def system_by_address(land: Land, url: str) -> None:
    (land.folder / "dem.tif.aux.xml").write_text(f"<PAMDataset><SRS>{url}/crs</SRS></PAMDataset>")


def virtual_raster(land: Land, url: str) -> None:
    (land.folder / "dem.tif").write_text(VRT.format(source=f"/vsicurl/{url}/d.tif"))


def map_service(land: Land, url: str) -> None:
    text = f'<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/t</ServerUrl></Service></GDAL_WMS>'
    (land.folder / "dem.tif").write_text(text)


def address_as_path(land: Land, url: str) -> None:
    land.set("dem.file", f"/vsicurl/{url}/d.tif")


def address_among_tiles(land: Land, url: str) -> None:
    land.set("dem.file", ["dem.tif", f"{url}/d.tif"])


def tile_with_overview(land: Land, url: str) -> None:
    (land.folder / "t").mkdir()
    raster(land.folder / "t" / "a.tif", relief())
    (land.folder / "t" / "a.tif.ovr").write_text(VRT.format(source=f"/vsicurl/{url}/o.tif"))
    raster(land.folder / "t" / "b.tif", relief(), left=LEFT + 300)
    land.set("dem.file", "t")


def system_beside_text_grid(land: Land, url: str) -> None:
    rows = "\n".join(" ".join(f"{v:.2f}" for v in row) for row in relief())
    head = f"ncols 60\nnrows 60\nxllcorner {LEFT}\nyllcorner {TOP - 300}\ncellsize 5\n"
    (land.folder / "dem.asc").write_text(head + rows + "\n")
    (land.folder / "dem.prj").write_text(f"{url}/crs")
    land.set("dem.file", "dem.asc").set("dem.z_unit", "m")


def geojson_of(land: Land, crs: object, *, in_feature: bool = False) -> dict[str, object]:
    shape = dict(mapping(to_lonlat(land.outline)))
    feature = {"type": "Feature", "properties": {"id": "a"}, "geometry": shape}
    whole: dict[str, object] = {"type": "FeatureCollection", "features": [feature]}
    (shape if in_feature else whole)["crs"] = crs
    return whole


def linked(url: str, kind: str = "link") -> dict[str, object]:
    return {
        "type": kind,
        "properties": {"href": f"{url}/crs", "url": f"{url}/crs", "type": "proj4"},
    }


def parcel_text(land: Land, text: str) -> None:
    (land.folder / "p.geojson").write_text(text)
    land.set("parcel.file", "p.geojson")


def geojson_link(land: Land, url: str) -> None:
    parcel_text(land, json.dumps(geojson_of(land, linked(url))))


def geojson_url(land: Land, url: str) -> None:
    parcel_text(land, json.dumps(geojson_of(land, linked(url, "URL"))))


def geojson_link_in_a_feature(land: Land, url: str) -> None:
    parcel_text(land, json.dumps(geojson_of(land, linked(url), in_feature=True)))


def geojson_link_escaped(land: Land, url: str) -> None:
    text = json.dumps(geojson_of(land, linked(url))).replace('"crs"', '"\\u0063rs"')
    parcel_text(land, text.replace('"link"', '"\\u006cink"'))


def geojson_name(land: Land, url: str) -> None:
    crs = {"type": "name", "properties": {"name": f"{url}/crs"}}
    parcel_text(land, json.dumps(geojson_of(land, crs)))


def geojson_layer(land: Land, url: str) -> None:
    (land.folder / "w.geojson").write_text(json.dumps(geojson_of(land, linked(url))))
    land.set("layers.water", "w.geojson")


def kml(land: Land, url: str, inner: str) -> None:
    ring = " ".join(f"{x},{y}" for x, y in to_lonlat(land.outline).exterior.coords)
    (land.folder / "p.kml").write_text(
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2">'
        f"<Document>{inner.format(url=url)}<Placemark><name>a</name><styleUrl>{url}/s.kml#s"
        f"</styleUrl><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates>"
        "</LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"
    )
    land.set("parcel.file", "p.kml")


def kml_link(land: Land, url: str) -> None:
    kml(land, url, "<NetworkLink><Link><href>{url}/more.kml</href></Link></NetworkLink>")


def kml_picture(land: Land, url: str) -> None:
    kml(land, url, "<GroundOverlay><Icon><href>{url}/p.png</href></Icon></GroundOverlay>")


def shapefile_system(land: Land, url: str) -> None:
    frame(land.outline).to_file(land.folder / "p.shp")
    (land.folder / "p.prj").write_text(f"{url}/crs")
    land.set("parcel.file", "p.shp")


def geopackage_system(land: Land, url: str) -> None:
    pyogrio.write_dataframe(frame(land.outline, id=["a"]), land.folder / "p.gpkg")
    with sqlite3.connect(land.folder / "p.gpkg") as base:
        base.execute(
            "update gpkg_spatial_ref_sys set definition = ? where srs_id > 0", [f"{url}/c"]
        )
        base.execute("update gpkg_spatial_ref_sys set organization = 'NONE' where srs_id > 0")
    land.set("parcel.file", "p.gpkg")


ATTACKS: tuple[Callable[[Land, str], None], ...] = (
    overview_vrt, mask_vrt, overview_named_beside, overview_named_inside, system_by_address,
    virtual_raster, map_service, address_as_path, address_among_tiles, tile_with_overview,
    system_beside_text_grid, geojson_link, geojson_url, geojson_link_in_a_feature,
    geojson_link_escaped, geojson_name, geojson_layer, kml_link, kml_picture, shapefile_system,
    geopackage_system,
)  # fmt: skip


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda a: a.__name__)
def test_no_file_makes_the_program_ask_the_network(attack, ear, tmp_path):
    land = clean(tmp_path)
    attack(land, ear.url)
    for command in ("check", "score"):
        found = run(land, command)
        assert found.status in (0, 3), found.err
        assert not ear.heard, (command, ear.heard)


def test_a_batch_asks_nobody(ear, tmp_path):
    land = clean(tmp_path)
    overview_vrt(land, ear.url)
    kml_link(land, ear.url)
    land.options = ["-o", str(tmp_path / "out"), "--workers", "0", "--pages", "none"]
    found = run(land, "batch")
    assert found.status == 0, found.err
    assert not ear.heard


def test_the_ear_hears_what_the_library_would_ask(ear, tmp_path):
    """Without this program's care a decimated read opens the sidecar, and that the address."""
    land = clean(tmp_path)
    overview_vrt(land, ear.url)
    with rasterio.open(land.folder / "dem.tif") as dataset:
        assert dataset.overviews(1)
        with contextlib.suppress(rasterio.errors.RasterioIOError):
            dataset.read(1, out_shape=(30, 30))
    assert ear.heard


# --- overviews ---


def with_overviews(path: Path, wrong_m: float = 0.0) -> None:
    """An .ovr beside a raster; its heights are off by `wrong_m`."""
    keep = path.read_bytes()
    with rasterio.open(path, "r+") as out:
        out.write(out.read(1) + np.float32(wrong_m), 1)
    with rasterio.Env(TIFF_USE_OVR=True), rasterio.open(path, "r+") as out:
        out.build_overviews([2, 4], rasterio.enums.Resampling.average)
    path.write_bytes(keep)
    assert path.with_name(path.name + ".ovr").exists()


@pytest.mark.parametrize("wrong_m", [0.0, 40.0])
def test_overviews_of_another_raster_change_nothing_and_are_told(wrong_m, tmp_path):
    plain = tmp_path / "plain"
    other = tmp_path / "other"
    results = []
    for folder in (plain, other):
        folder.mkdir()
        land = clean(folder)
        n = 700
        east, south = np.meshgrid(*2 * [(np.arange(n) + 0.5) * 5.0])
        heights = 250 + 30 * np.sin(east / 300) + 20 * np.cos(south / 250)
        land.dem(heights.astype(np.float32), left=LEFT - 1500, top=TOP + 1500)
        if folder is other:
            with_overviews(folder / "dem.tif", wrong_m)
        results.append(run(land, "score"))
    first, second = results
    assert first.status == second.status == 0
    far = [found.result.land.far_dem for found in results]
    # Means of 4 and of 6 cells of a hill differ by a metre; the other raster by 40.
    assert np.nanmax(np.abs(far[0] - far[1])) < 2.0
    told = [note.code for note in second.result.notes]
    assert ("W-OVERVIEW-01" in told) == bool(wrong_m)


def test_heights_of_the_land_are_those_of_the_file(tmp_path):
    """The control of the control: the reader used above gives the heights that were written."""
    land = clean(tmp_path)
    assert np.array_equal(run(land, "score").result.land.dem, relief())
    assert CRS in run(land, "score").result.land.grid.crs
