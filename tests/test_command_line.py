"""The command line as a reader meets it: defaults, what to type instead, whole sentences."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from siting import commands
from siting.cli.main import siting
from siting.errors import SitingError


def typed(*words: str) -> str:
    return CliRunner().invoke(siting, words, terminal_width=100).output


@pytest.mark.parametrize(
    ("command", "folder"),
    [
        (["score", "nothing_here.toml"], "out"),
        (["batch", "nothing_here.toml"], "out"),
        (["review", "season", "--inputs", "nothing_here.toml"], "review"),
        (["gather", "--dem", "nothing_here.tif"], "(region; osm where an extract alone is given)"),
    ],
    ids=lambda words: words[0],
)
def test_the_output_folder_has_a_default(command, folder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    words = " ".join(typed(command[0], "--help").split())
    assert f"Output folder. [default: {folder}]" in words
    assert "Missing option" not in typed(*command)


@pytest.mark.parametrize(
    ("land", "folder"), [(["--osm", "x.osm.pbf"], "osm"), (["--bounds", "1,2,1.01,2.01"], "region")]
)
def test_what_is_gathered_goes_to_a_folder_named_for_it(land, folder, monkeypatch):
    made = []
    monkeypatch.setattr(
        commands, "gather_to_folder", lambda ask, out, **_: made.append(str(out)) or "done"
    )
    assert typed("gather", *land) == "done\n"
    assert made == [folder]


@pytest.mark.parametrize("name", ["land.kml", "my land.gpkg", "farm.geojson", "lot.shp"])
def test_an_outline_in_place_of_an_inputs_file_is_answered_with_what_to_type(tmp_path, name):
    (tmp_path / name).write_bytes(b"<kml/>\0")
    done = CliRunner().invoke(siting, ["score", str(tmp_path / name)])
    assert isinstance(done.exception, SitingError)
    assert done.exception.code == "E-SETTINGS-02"
    said = str(done.exception)
    assert "--parcel" in said
    assert name in said.partition("--parcel")[2]
    assert "--dem" in said


@pytest.mark.parametrize(
    ("day", "words"),
    [
        ("1 April 2027", "use 2027-04-01"),
        ("Apr 1, 2027", "use 2027-04-01"),
        ("2027/04/01", "use 2027-04-01"),
        ("1/4/2027", "use YYYY-MM-DD"),  # 1 April or 4 January: not guessed
        ("soon", "use YYYY-MM-DD"),
    ],
)
def test_a_date_in_another_form_is_answered_with_the_form_wanted(day, words, tmp_path):
    said = typed("score", "--first-day", day, "--last-day", "2027-06-01")
    assert f"{day!r} is not a date; {words}" in said
    inputs = tmp_path / "inputs.toml"
    inputs.write_text(f'[survey]\nfirst_day = "{day}"\nlast_day = 2027-06-01\n')
    done = CliRunner().invoke(siting, ["score", str(inputs)])
    assert f"{day!r} is not a date; {words}" in str(done.exception)


def test_help_shows_whole_sentences():
    assert "..." not in typed("--help").replace("[ARGS]...", "")
    for name, command in siting.commands.items():
        for option in command.params:
            if option.param_type_name == "option":
                assert (option.help or "").rstrip().endswith((".", ")")), (name, option.name)
