"""Settings: read, print and read again; every change is taken over or told with its key."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from siting.errors import SettingsError, SitingError
from siting.settings.given.tables import LAYER_NAMES
from siting.settings.inputs import Inputs
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import Protocol
from siting.settings.text.faults import validate
from siting.settings.text.toml import facts, protocol_text, read_toml, rows, toml_key, toml_value
from tests.bad_inputs.runner import toml_of

DEFAULT = Protocol()
ROWS = [(key, value) for key, value, _ in rows(DEFAULT)]
WRONG: list[Any] = ["text", "", True, [], [1.0], {"a": 1}, math.nan, math.inf, -1e12, 1e12]
MINIMAL = {
    "parcel": {"file": "p.gpkg"},
    "dem": {"file": "d.tif"},
    "land_cover": {"file": "c.tif", "legend": "nlcd"},
}


def nested(key: str, value: Any) -> dict[str, Any]:
    *path, last = key.split(".")
    out: dict[str, Any] = {last: value}
    for part in reversed(path):
        out = {part: out}
    return out


def at(model: Any, key: str) -> Any:
    for part in key.split("."):
        model = getattr(model, part)
    return model


# --- the protocol ---


def test_the_printed_protocol_is_read_back_as_it_is(tmp_path):
    path = tmp_path / "p.toml"
    path.write_text(protocol_text(DEFAULT), encoding="utf-8")
    once = load_protocol(path)
    assert once == DEFAULT
    assert protocol_text(once) == protocol_text(DEFAULT)


def test_no_protocol_is_the_default():
    assert load_protocol(None) == DEFAULT


def test_the_protocol_has_its_keys_once_and_all_of_them_told():
    keys = [key for key, _ in ROWS]
    assert len(set(keys)) == len(keys) > 100
    for _, _, info in rows(DEFAULT):
        assert info.description
        assert facts(info)["source"]


@pytest.mark.parametrize("key", [key for key, _ in ROWS])
def test_a_change_of_one_key_is_taken_over_or_told_with_its_key(key):
    """Property 38: no change is swallowed."""
    default = at(DEFAULT, key)
    tried = 0
    for value in [*WRONG, *_near(default)]:
        try:
            found = at(validate(Protocol, nested(key, value), source="p.toml"), key)
        except SettingsError as error:
            told = str(error)
            # A rule between two keys is told with the table that both stand in.
            assert key in told or f"{key.rpartition('.')[0]}:" in told, (value, told)
        else:
            tried += 1
            assert found == value or _as_list(found) == value, (key, value, found)
            assert type(found) is type(default) or value == default, (key, value, found)
    assert tried or isinstance(default, bool)


def _near(default: Any) -> list[Any]:
    if isinstance(default, bool):
        return [not default]
    if isinstance(default, int):
        return [default + 1, max(default - 1, 0)]
    if isinstance(default, float):
        return [default * 1.01, default * 0.99, default]
    if isinstance(default, str):
        return [default, default + "x"]
    if default and isinstance(default[0], tuple):
        moved = [list(pair) for pair in default]
        moved[-1][0] += 1.0
        return [moved, [list(pair) for pair in default]]
    return [list(default)]


def _as_list(value: Any) -> Any:
    return [_as_list(item) for item in value] if isinstance(value, tuple) else value


numbers = [(key, value) for key, value in ROWS if type(value) is float]


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.sampled_from(numbers), st.floats(0.5, 1.5)), min_size=1, max_size=6))
def test_any_protocol_is_printed_and_read_back(changes):
    """Property 37: load, print, load is the same."""
    data: dict[str, Any] = {}
    for (key, value), factor in changes:
        table = data
        *path, last = key.split(".")
        for part in path:
            table = table.setdefault(part, {})
        table[last] = value * factor
    try:
        first = validate(Protocol, data, source="p.toml")
    except SettingsError:
        assume(False)
    text = protocol_text(first)
    assert validate(Protocol, tomllib.loads(text), source="p.toml") == first


def test_all_faults_are_told_at_once(tmp_path):
    path = tmp_path / "p.toml"
    path.write_text("[camera]\nlens_height_m = 45\nview_far = 15\n[no_go]\nsteep_deg = 'steep'\n")
    with pytest.raises(SettingsError) as caught:
        load_protocol(path)
    told = str(caught.value).splitlines()
    assert "3 faults" in told[0]
    assert len(told) == 4
    assert "Did you mean view_far_m?" in str(caught.value)


def test_a_table_of_comparisons_gives_the_weights(tmp_path):
    """Saaty 1980: two criteria, one three times the other: weights 3/4 and 1/4."""
    path = tmp_path / "p.toml"
    path.write_text(
        '[pairwise.attractors]\ncriteria = ["trail", "water"]\nmatrix = [[1, 3], ["1/3", 1]]\n'
    )
    found = load_protocol(path).attractors
    assert found.water.weight / found.trail.weight == pytest.approx(1 / 3)


@pytest.mark.parametrize(
    ("criteria", "matrix", "code"),
    [
        ('["trail", "deer"]', '[[1, 3], ["1/3", 1]]', "E-WEIGHTS-01"),
        ('["trail", "water"]', "[[1, 3], [3, 1]]", "E-WEIGHTS-01"),
        ('["trail", "water", "edge"]', '[[1,9,"1/9"],["1/9",1,9],[9,"1/9",1]]', "E-WEIGHTS-02"),
    ],
)
def test_faulty_comparisons(criteria, matrix, code, tmp_path):
    path = tmp_path / "p.toml"
    path.write_text(f"[pairwise.attractors]\ncriteria = {criteria}\nmatrix = {matrix}\n")
    with pytest.raises(SitingError) as caught:
        load_protocol(path)
    assert caught.value.code == code


# --- the inputs ---


def test_paths_count_from_the_inputs_file(tmp_path, monkeypatch):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "i.toml").write_text(toml_of(MINIMAL))
    monkeypatch.chdir(tmp_path)
    assert load_inputs(Path("a/i.toml")).folder == (tmp_path / "a").resolve()
    assert load_inputs(None, MINIMAL).folder == tmp_path


def test_the_command_line_lies_over_the_file(tmp_path):
    path = tmp_path / "i.toml"
    path.write_text(toml_of({**MINIMAL, "grid": {"cell_size_m": 5.0}}))
    found = load_inputs(path, {"dem": {"file": "/other.tif"}})
    assert (found.dem.file, found.grid.cell_size_m) == ("/other.tif", 5.0)
    assert found.land_cover.legend == "nlcd"


def test_a_layer_is_told_in_one_word_or_in_a_table():
    short = load_inputs(None, {**MINIMAL, "layers": {"water": "l.gpkg::brooks"}})
    long = load_inputs(
        None, {**MINIMAL, "layers": {"water": {"file": "l.gpkg", "layer": "brooks"}}}
    )
    both = load_inputs(None, {**MINIMAL, "layers": {"water": {"file": "l.gpkg::brooks"}}})
    assert short.layers == long.layers == both.layers
    assert list(short.layers.given()) == ["water"]


def test_the_order_of_layers_is_fixed():
    backwards = {name: f"{name}.gpkg" for name in reversed(LAYER_NAMES)}
    found = load_inputs(None, {**MINIMAL, "layers": backwards})
    assert tuple(found.layers.given()) == LAYER_NAMES


names = st.text(
    st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), min_size=1, max_size=12
).filter(lambda name: "::" not in name)


@settings(deadline=None, max_examples=150)
@given(names, names, st.dictionaries(names, st.sampled_from(["major", "minor"]), max_size=3),
       st.one_of(st.just("none"), st.floats(-1e6, 1e6)))  # fmt: skip
def test_any_inputs_are_written_and_read_back(file, layer, values, nodata):
    data = {
        **MINIMAL,
        "dem": {"file": file, "nodata": nodata},
        "layers": {"roads": {"file": file, "layer": layer, "values": values}},
    }
    first = validate(Inputs, data, source="i.toml")
    assert validate(Inputs, tomllib.loads(toml_of(data)), source="i.toml") == first
    assert first.dem.file == file
    assert first.dem.nodata == nodata


INPUT_KEYS = ["dem.file", "dem.crs", "dem.nodata", "dem.band", "dem.z_unit", "land_cover.legend",
              "parcel.file", "parcel.radius_m", "parcel.point", "survey.time_zone",
              "survey.first_day", "grid.cell_size_m", "grid.crs", "allow_remote",
              "layers.water", "canopy"]  # fmt: skip


@pytest.mark.parametrize("key", INPUT_KEYS)
def test_a_change_of_one_input_is_taken_over_or_told_with_its_key(key):
    for value in WRONG:
        data = {name: dict(table) for name, table in MINIMAL.items()}
        *path, last = key.split(".")
        table: dict[str, Any] = data
        for part in path:
            table = table.setdefault(part, {})
        table[last] = value
        found, fault = tried(data, key)
        if fault:
            assert key in fault or f"{key.split('.')[0]}:" in fault, (value, fault)
        else:
            told = found[0].file if isinstance(found, tuple) and found else found
            assert told == value or (value == [] and not found), (key, value, found)


def tried(data: dict[str, Any], key: str) -> tuple[Any, str]:
    """The value of a key after reading, or what was told of it."""
    try:
        return at(validate(Inputs, data, source="i.toml"), key), ""
    except SettingsError as error:
        return None, str(error)


@settings(deadline=None)
@given(
    st.recursive(
        st.one_of(
            st.booleans(), st.integers(-(2**60), 2**60), names,
            st.floats(allow_nan=False, allow_infinity=False),
        ),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3),
        max_leaves=6,
    )
)  # fmt: skip
def test_values_are_written_as_toml_reads_them(value):
    assert tomllib.loads(f"a = {toml_value(value)}")["a"] == value


@given(st.text(max_size=20))
def test_keys_are_written_as_toml_reads_them(key):
    assume(not any("\ud800" <= c <= "\udfff" for c in key))
    assert tomllib.loads(f"{toml_key(key)} = 1") == {key: 1}


# --- files ---


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"a = [", "E-SETTINGS-02"),
        (b"a = 1\na = 2", "E-SETTINGS-02"),
        (b"\xff\xfe", "E-SETTINGS-02"),
        (b'a = "\x00"', "E-SETTINGS-02"),
        (b"a = " + b"[" * 9000, "E-SETTINGS-02"),
        (b"# " + b"x" * 1_000_001, "E-FILE-06"),
    ],
)
def test_files_that_are_no_toml(data, code, tmp_path):
    (tmp_path / "a.toml").write_bytes(data)
    with pytest.raises(SitingError) as caught:
        read_toml(tmp_path / "a.toml")
    assert caught.value.code == code


def test_a_byte_order_mark_is_no_fault(tmp_path):
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbfa = 1\r\n")
    assert read_toml(tmp_path / "a.toml") == {"a": 1}


def test_the_last_day_is_not_before_the_first():
    days = {"first_day": "2027-05-02", "last_day": "2027-05-01", "time_zone": "Etc/GMT"}
    with pytest.raises(SettingsError, match="before first_day"):
        load_inputs(None, {"survey": days})
