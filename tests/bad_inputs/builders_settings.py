"""Faults of settings: in the inputs file, in the protocol file, on the command line."""

from __future__ import annotations

import os
from collections.abc import Callable

import pyogrio
from shapely import LineString

from siting.settings.protocol import Attractors
from tests.bad_inputs.land import Land, builder, frame, to_lonlat
from tests.bad_inputs.runner import toml_of


def _set(key: str, value: object) -> Callable[[Land], object]:
    return lambda land: land.set(key, value)


def _rules(text: str) -> Callable[[Land], object]:
    def change(land: Land) -> None:
        land.protocol = f"{land.protocol}\n{text}\n"

    return change


def _text(change: Callable[[str], str | bytes]) -> Callable[[Land], object]:
    def rewrite(land: Land) -> None:
        land.text = change(toml_of(land.inputs))

    return rewrite


def _point(land: Land, **parcel: object) -> None:
    middle = to_lonlat(land.outline.centroid)
    land.inputs["parcel"] = {"point": [middle.x, middle.y], "radius_m": 90.0} | parcel
    land.outline = land.outline.centroid.buffer(90.0)


def _whole_numbers(land: Land) -> None:
    """Whole numbers where decimals are meant."""
    land.protocol = land.protocol.replace("50.0", "50")
    land.set("grid.cell_size_m", 5)


def _roads(land: Land, *, kind: str, column: str = "") -> None:
    line = LineString(land.outline.exterior.coords[:2])
    pyogrio.write_dataframe(frame(line, **{"class": [kind]}), land.folder / "roads.gpkg")
    land.set("layers.roads", {"file": "roads.gpkg"} | ({"column": column} if column else {}))


def _inputs_are(kind: str) -> Callable[[Land], object]:
    def change(land: Land) -> None:
        path = land.folder / "other.toml"
        if kind == "a folder":
            path.mkdir()
        elif kind == "a pipe":
            os.mkfifo(path)
        land.inputs_file = "/dev/zero" if kind == "a device" else str(path)

    return change


IN_FILE: dict[str, Callable[[Land], object]] = {
    "unknown key": _set("dem.colour", "green"),
    "unknown table": _set("deer", {"file": "x"}),
    "misspelt key": _set("dem.no_data", -9999.0),
    "number for text": _set("dem.file", 5),
    "text for a number": _set("grid.cell_size_m", "five"),
    "two layers of one file": _set(
        "layers.water", {"file": "parcel.gpkg::brooks", "layer": "ponds"}
    ),
    "truth for a number": _set("grid.cell_size_m", True),
    "list for a number": _set("grid.cell_size_m", [5.0]),
    "text for a table": _set("dem", "dem.tif"),
    "NaN": _set("grid.cell_size_m", float("nan")),
    "infinite": _set("grid.cell_size_m", float("inf")),
    "negative": _set("grid.cell_size_m", -5.0),
    "zero": _set("grid.cell_size_m", 0.0),
    "out of range": _set("grid.cell_size_m", 500.0),
    "negative band": _set("dem.band", -1),
    "no data in words": _set("dem.nodata", "nothing"),
    "legend missing": _set("land_cover.legend", None),
    "DEM missing": _set("dem", None),
    "empty name": _set("dem.file", ""),
    "file and point": lambda land: _point(land, file="parcel.gpkg"),
    "point without radius": _set("parcel", {"point": [-80.5, 43.0]}),
    "radius without point": _set("parcel.radius_m", 100.0),
    "point of three numbers": _set("parcel", {"point": [-80.5, 43.0, 250.0], "radius_m": 90.0}),
    "unknown layer": _set("layers.deer", "deer.gpkg"),
    "unknown key of a layer": _set("layers.water", {"file": "w.gpkg", "colour": "blue"}),
    "class of a road unknown": lambda land: _roads(land, kind="boulevard"),
    "column missing": lambda land: _roads(land, kind="major", column="highway"),
    "byte order mark": _text(lambda text: b"\xef\xbb\xbf" + text.encode()),
    "tabs and carriage returns": _text(
        lambda text: text.replace(" = ", "\t=\t").replace("\n", "\r\n")
    ),
    "not UTF-8": _text(lambda text: f"# h\xe4y\n{text}".encode("latin-1")),
    "not TOML": _text(lambda text: text.replace('"', "")),
    "key twice": _text(lambda text: text + "[dem]\nfile = 'b.tif'\n"),
    "empty": _text(lambda text: ""),
    "nested deeply": _text(lambda text: "a = " + "[" * 5000 + "]" * 5000),
    "NUL": _text(lambda text: text + "# \0\n"),
    "two megabytes": _text(lambda text: text + "# x\n" * 500_000),
    "folder for a file": _inputs_are("a folder"),
    "pipe for a file": _inputs_are("a pipe"),
    "device for a file": _inputs_are("a device"),
    "nothing there": _inputs_are("missing"),
    "whole numbers": _whole_numbers,
    "lens in centimetres": _rules("[camera]\nlens_height_m = 45.0"),
    "near beyond far": _rules("[camera]\nview_near_m = 20.0\nview_far_m = 15.0"),
    "ratios of nothing": _rules(
        "".join(
            f"[attractors.{name}]\nratio = 1.0\nlow = 1.0\nhigh = 1.0\n"
            for name in Attractors.model_fields
        )
    ),
    "negative ratio": _rules("[attractors.trail]\nratio = -0.5"),
    "weight of an earlier version": _rules("[attractors.trail]\nweight = 0.5"),
    "curve that falls back": _rules("[attractors.trail]\ncurve = [[10, 1], [5, 0.5]]"),
    "curve beyond one": _rules("[attractors.trail]\ncurve = [[0, 1.5], [5, 0.5]]"),
    "curve of one knot": _rules("[attractors.trail]\ncurve = [[0, 1]]"),
    "curve with NaN": _rules("[attractors.trail]\ncurve = [[0, nan], [5, 0.5]]"),
    "unknown rule": _rules("[camera]\nlens_heigth_m = 0.45"),
    "judgements that contradict": _rules(
        '[pairwise.attractors]\ncriteria = ["trail", "water", "edge"]\n'
        'matrix = [[1, 9, "1/9"], ["1/9", 1, 9], [9, "1/9", 1]]'
    ),
    "judgements not square": _rules(
        '[pairwise.attractors]\ncriteria = ["trail", "water"]\nmatrix = [[1, 3]]'
    ),
    "protocol missing": lambda land: land.options.extend(["--protocol", "gone.toml"]),
    "protocol for inputs": lambda land: setattr(land, "text", land.protocol),
    "inputs for protocol": lambda land: setattr(land, "protocol", toml_of(land.inputs)),
}

ON_THE_LINE: dict[str, list[str]] = {
    "unknown option": ["--deer", "5"],
    "option without value": ["--dem"],
    "word too many": ["surplus.toml"],
    "radius in words": ["--radius", "wide"],
    "cell in words": ["--cell-size", "five"],
    "cell NaN": ["--cell-size", "nan"],
    "cell infinite": ["--cell-size", "inf"],
    "cell negative": ["--cell-size", "-5"],
    "cell zero": ["--cell-size", "0"],
    "cell out of range": ["--cell-size", "500"],
    "point in words": ["--point", "here,there", "--radius", "90"],
    "point of one number": ["--point", "-80.5", "--radius", "90"],
    "point of three numbers": ["--point", "-80.5,43,250", "--radius", "90"],
    "point swapped": ["--point", "43.04,-180.5", "--radius", "90"],
    "point NaN": ["--point", "nan,nan", "--radius", "90"],
    "point without radius": ["--point", "-80.5,43.0"],
    "radius without point": ["--radius", "90"],
    "radius negative": ["--point", "-80.5,43.0", "--radius", "-90"],
    "no data in words": ["--dem-nodata", "nothing"],
    "unit unknown": ["--dem-z-unit", "furlong"],
    "system unknown": ["--dem-crs", "EPSG:999999"],
    "grid unknown": ["--grid-crs", "nowhere"],
    "legend unknown": ["--legend", "nlc"],
    "parcel unknown": ["--parcel-id", "B7"],
    "column unknown": ["--id-column", "owner"],
    "DEM missing": ["--dem", "gone.tif"],
    "empty name": ["--dem", ""],
    "layer of a file missing": ["--water", "parcel.gpkg::brooks"],
    "day in words": ["--first-day", "May Day", "--last-day", "2027-06-01"],
    "day that is none": ["--first-day", "2027-02-29", "--last-day", "2027-06-01"],
    "days swapped": ["--first-day", "2027-06-01", "--last-day", "2027-05-01"],
    "zone unknown": ["--time-zone", "Nowhere/City"],
    "protocol missing": ["--protocol", "gone.toml"],
    "protocol a folder": ["--protocol", "."],
}


@builder
def settings_in_file(land: Land, kind: str) -> Land:
    """One of IN_FILE."""
    IN_FILE[kind](land)
    return land


@builder
def settings_on_the_line(land: Land, kind: str) -> Land:
    """One of ON_THE_LINE, given in the land's folder."""
    land.options += ON_THE_LINE[kind]
    land.working_folder = land.folder
    return land
