"""Hostile and odd text in names, identifiers, reasons and legends."""

from __future__ import annotations

from tests.bad_inputs.land import Land, builder, geojson, to_lonlat

PAYLOADS: dict[str, str] = {
    "script": "<script>document.title='run'</script>",
    "picture": "<img src=x onerror=\"document.title='run'\">",
    "end of script": "</script><script>document.title='run'</script>",
    "template": "${document.title='run'} {{7*7}} #{7*7} <%= 7*7 %>",
    "backtick": "`+document.title+`",
    "backslash": "C:\\path\\2019\\u0041\\",
    "quotes": "\"'`’“”&quot;&#39;",
    "line separators": "one\u2028two\u2029three\r\nfour",
    "right to left": "\u202egnp.exe\u2066x",
    "control characters": "ab\x1b[31mred\x07\x9b2J\x7f\x00z",
    "emoji": "\U0001f98c\u200d\U0001f332 \u00e9e\u0301\u00df\u0130\u0131",
    "very long": "long " * 20_000,
    "formula": "=cmd|' /C calc'!A0",
    "at sign formula": "@SUM(1+1)*cmd|' /C calc'!A0",
    "markup ends": "]]> --> */ ?> \\0",
}


@builder
def text_in(land: Land, argument: str) -> Land:
    """A payload in one of the places where text comes in: "FIELD: PAYLOAD"."""
    field, _, name = argument.partition(": ")
    text = PAYLOADS[name]
    land.payload = text
    if field in ("label", "id"):
        geojson(land.folder / "t.geojson", to_lonlat(land.outline), properties=[{field: text}])
        return land.set("parcel.file", "t.geojson")
    if field == "reason":
        corner = land.outline.exterior.interpolate(0).buffer(8)
        told = [{"reason": text, "name": text}]
        geojson(land.folder / "t.geojson", to_lonlat(corner), properties=told)
        return land.set("layers.no_go", "t.geojson")
    quoted = text.replace('"', '""')
    (land.folder / "t.csv").write_text(
        f'code,name,role\n41,"{quoted}",tree\n81,hay,pasture\n', encoding="utf-8", newline=""
    )
    return land.set("land_cover.legend", "t.csv")


@builder
def text_ids(land: Land, kind: str) -> Land:
    """Identifiers that cannot be told apart, or are none; or two names for one piece of land."""
    both = [to_lonlat(land.outline)] * 2
    ids = {"twice": ["A7", "A7"], "empty": ["A7", None], "spaces": ["A7", "  "],
           "one outline": ["A7", "A8"]}[kind]  # fmt: skip
    geojson(land.folder / "t.geojson", *both, properties=[{"id": i} for i in ids])
    return land.set("parcel.file", "t.geojson").set("parcel.id", "A7")


@builder
def text_lone_surrogate(land: Land, _: str) -> Land:
    """Half a character, as cut by a program that counts in halves."""
    path = geojson(
        land.folder / "t.geojson", to_lonlat(land.outline), properties=[{"label": "HALF"}]
    )
    path.write_text(path.read_text().replace("HALF", "\\ud83e"))
    return land.set("parcel.file", "t.geojson")


@builder
def text_wrong_encoding(land: Land, _: str) -> Land:
    """Bytes that are no UTF-8 in a file that must be."""
    path = geojson(
        land.folder / "t.geojson", to_lonlat(land.outline), properties=[{"label": "HALF"}]
    )
    path.write_bytes(path.read_bytes().replace(b"HALF", b"h\xe4y \xff"))
    return land.set("parcel.file", "t.geojson")


@builder
def text_number_identifiers(land: Land, asked: str) -> Land:
    """Identifiers stored as numbers, one of them missing from the first row's type."""
    both = [to_lonlat(land.outline)] * 2
    geojson(land.folder / "t.geojson", *both, properties=[{"id": 7}, {"id": 8.0}])
    return land.set("parcel.file", "t.geojson").set("parcel.id", asked)
