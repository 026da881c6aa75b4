"""A layer that was mapped on part of the land: outside that area, nothing is known of it."""

from __future__ import annotations

import pytest
from shapely.geometry import LineString, Point, box

from siting.errors import SitingError
from siting.ground.quiet import people_are_mapped
from siting.notebook import site_parcel
from siting.notes import severity
from siting.read.inspection import inspect
from siting.settings.load import load_protocol
from siting.types import Candidate
from siting.words.spot.beware import not_mapped_at
from tests.bad_inputs.land import LEFT, PROTOCOL, TOP, Land, clean, frame, to_lonlat
from tests.test_read import inputs_of, read_land_of

# The western and the eastern half of the clean land's parcel, with room around.
WEST = box(LEFT - 50, TOP - 400, LEFT + 150, TOP + 100)
ALL = box(LEFT - 100, TOP - 500, LEFT + 500, TOP + 200)
FAR = box(LEFT + 2000, TOP - 400, LEFT + 2300, TOP)


def mapped(folder, within, **layers) -> Land:
    """The clean land with these layers, each known within the same polygon or box."""
    land = clean(folder)
    for name, shape in layers.items():
        frame(shape).to_file(folder / f"{name}.gpkg")
        land.set(f"layers.{name}", {"file": f"{name}.gpkg"})
        if within is not None:
            frame(within).to_file(folder / "within.gpkg", layer="area")
            land.set(f"layers.{name}.known_within", "within.gpkg::area")
    return land


BROOK = LineString([(LEFT + 100, TOP - 300), (LEFT + 100, TOP)])
HOUSE = Point(LEFT + 60, TOP - 280).buffer(5)


def extents(land) -> list[str]:
    return [note.text for note in land.notes if note.code == "W-EXTENT-01"]


def test_a_layer_known_on_part_of_the_parcel_is_said_and_kept(tmp_path):
    found = read_land_of(mapped(tmp_path, WEST, water=BROOK))
    [said] = extents(found)
    assert said.startswith("The map of water reaches over 50\u00a0% of this parcel only")
    assert len(found.vectors["water"]) == 1
    assert found.known_areas["water"].equals(WEST)
    assert severity(next(n for n in found.notes if n.code == "W-EXTENT-01")) >= 2


def test_a_layer_that_ends_before_the_parcel_is_as_if_not_given(tmp_path):
    """No stream in the file is no statement about land that the file does not reach."""
    far = LineString([(LEFT + 2000, TOP), (LEFT + 2200, TOP)])
    found = read_land_of(mapped(tmp_path, FAR, water=far))
    assert extents(found) == [
        "The map of water ends before this parcel: nothing is known of water on it."
    ]
    assert "water" not in found.vectors
    assert not found.known_areas


def test_what_ends_before_the_parcel_is_not_called_never_given(tmp_path):
    """It got "No water layer was given" besides, which is not so."""
    far = LineString([(LEFT + 2000, TOP), (LEFT + 2200, TOP)])
    land = mapped(tmp_path, FAR, water=far, trails=far, roads=far)
    (tmp_path / "protocol.toml").write_text(PROTOCOL)
    result = site_parcel(inputs_of(land), load_protocol(tmp_path / "protocol.toml"))
    texts = {note.code: note.text for note in result.notes}
    assert sum(note.code == "W-EXTENT-01" for note in result.notes) == 3
    warned = [note.text for note in result.notes if note.code in ("W-ABSENT-01", "W-STREAM-01")]
    assert not [text for text in warned if "given" in text and "crossings" not in text], warned
    assert texts["W-STREAM-01"].startswith("The elevations cover 9 ha: too little")


@pytest.mark.parametrize("within", [None, ALL])
def test_nothing_is_said_where_all_of_the_parcel_is_known(within, tmp_path):
    found = read_land_of(mapped(tmp_path, within, water=BROOK))
    assert not extents(found)
    assert not found.known_areas


def test_a_box_in_degrees_does_as_well(tmp_path):
    land = mapped(tmp_path, None, water=BROOK)
    west, south, east, north = to_lonlat(WEST).bounds
    land.set("layers.water.known_within", [west, south, east, north])
    found = read_land_of(land)
    assert "of this parcel only" in extents(found)[0]
    assert found.known_areas["water"].symmetric_difference(WEST).area < 0.05 * WEST.area


@pytest.mark.parametrize(
    ("given", "code", "said"),
    [
        ([1.0, 2.0, 3.0], "E-SETTINGS-01", "four numbers"),
        ([-79.0, 43.0, -80.0, 44.0], "E-SETTINGS-01", "west below east"),
        ("gone.gpkg", "E-FILE-01", "gone.gpkg"),
        ("water.gpkg", "E-EXTENT-01", "points or lines"),
    ],
)
def test_what_is_no_area_is_refused_by_score_and_by_check(given, code, said, tmp_path):
    land = mapped(tmp_path, None, water=BROOK).set("layers.water.known_within", given)
    with pytest.raises(SitingError, match=said) as caught:
        read_land_of(land)
    assert caught.value.code == code
    if code != "E-SETTINGS-01":
        (tmp_path / "protocol.toml").write_text(PROTOCOL)
        found = inspect(inputs_of(land), load_protocol(tmp_path / "protocol.toml"))
        assert code in {finding.error.code for finding in found if finding.error}


def test_quiet_is_not_taken_from_houses_that_nobody_mapped(tmp_path):
    road = LineString([(LEFT + 55, TOP - 300), (LEFT + 55, TOP)])
    known = read_land_of(mapped(tmp_path, ALL, roads=road, buildings=HOUSE))
    assert people_are_mapped(known)
    part = read_land_of(mapped(tmp_path, WEST, roads=road, buildings=HOUSE))
    # Built-up cover stands in for houses where they are not mapped.
    assert not people_are_mapped(part)


def test_each_spot_says_what_was_not_mapped_there(tmp_path):
    land = read_land_of(mapped(tmp_path, WEST, water=BROOK, buildings=HOUSE))

    def said(east_m: float) -> tuple[str, ...]:
        return not_mapped_at(land, Candidate(0, 0, LEFT + east_m, TOP - 150.0, 1.0, 0))

    assert said(60.0) == ()
    assert said(230.0)[0].startswith("Not mapped here or close by: water and buildings.")
    assert said(130.0)  # 20 m from where the map ends: a house may stand within its set-back


def test_the_whole_way_to_page_letter_and_record(tmp_path):
    """Valley lines stand in where water was not mapped, and nothing promises quiet."""
    land = mapped(tmp_path, WEST, water=BROOK, buildings=HOUSE)
    (tmp_path / "protocol.toml").write_text(PROTOCOL)
    land_inputs = inputs_of(land)
    result = site_parcel(land_inputs, load_protocol(tmp_path / "protocol.toml"))
    texts = [note.text for note in result.notes if note.code == "W-EXTENT-01"]
    assert len(texts) == 2
    unmapped = [s for s in result.spots if s.easting > LEFT + 100]
    assert unmapped
    assert all(s.cautions[0].startswith("Not mapped here") for s in unmapped)
    assert not any(line.intersects(WEST.buffer(-0.1)) for line in result.valley_lines)
