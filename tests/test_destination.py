"""Never over what is read, never mixed, never unasked; closed streams do no harm."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import rasterio

from siting.disk.files import append_line, staged, write_atomic
from siting.errors import SitingError
from siting.report.destination import BATCH, PUBLIC, SCORE, check_destination, kind_of
from siting.settings.load import load_inputs
from tests.batch_tools import small_land

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]
POINT = ("--parcel", "", "--id-column", "")


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    """Inputs of one small parcel, quick to score."""
    path = small_land(tmp_path_factory.mktemp("land"))
    text = path.read_text(encoding="utf-8")
    one = path.with_name("one.toml")
    one.write_text(text.replace("[parcel]\n", '[parcel]\nid = "L0001"\n', 1), encoding="utf-8")
    (path.parent / "rules.toml").write_text(
        "[grid]\ncontext_m = 60.0\n[candidates]\nplaces = 20\nspots = 3\n[stability]\ndraws = 12\n"
    )
    return path


@pytest.fixture(scope="module")
def siting(nursery):
    """The command line."""
    return nursery.command


def score_words(land, out, *more):
    rules = land.parent / "rules.toml"
    return "score", land.with_name("one.toml"), "--protocol", rules, "-o", out, *more


@pytest.fixture(scope="module")
def score(siting):
    return lambda *asked: siting(*score_words(*asked))


def piped(*words, shell):
    """The command line in a process of its own, with this of a shell behind it."""
    line = [sys.executable, "-m", "siting", *map(str, words)]
    quoted = " ".join(f"'{word}'" for word in line)
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {quoted} {shell}"], cwd=ROOT, check=False,
        capture_output=True, text=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def finished(land, score, tmp_path_factory):
    folder = tmp_path_factory.mktemp("finished") / "out"
    done = score(land, folder)
    assert done.returncode == 0, done.stderr
    return folder


def bytes_of(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*")
            if p.is_file() and not p.name.startswith(".lock")}  # fmt: skip


# --- F3: never over what is read ------------------------------------------------------


@pytest.mark.parametrize(("key", "name"), [("dem", "suitability.tif"), ("layer", "spots.gpkg")])
def test_an_input_called_like_an_output_is_not_overwritten(score, land, key, name, tmp_path):
    here = Path(shutil.copytree(land.parent, tmp_path / "land"))
    old = "dem.tif" if key == "dem" else "layers.gpkg"
    (here / old).rename(here / name)
    text = (here / "one.toml").read_text(encoding="utf-8").replace(old, name)
    (here / "one.toml").write_text(text, encoding="utf-8")
    before = bytes_of(here)
    done = score(here / "batch.toml", here)
    assert done.returncode == 3
    assert done.stderr.startswith("E-OUT-02")
    assert name in done.stderr
    assert bytes_of(here) == before


def test_a_link_to_an_input_is_known_for_it(land, tmp_path):
    here = Path(shutil.copytree(land.parent, tmp_path / "land"))
    (here / "dem.tif").rename(here / "suitability.tif")
    (here / "dem.tif").symlink_to("suitability.tif")
    inputs = load_inputs(here / "batch.toml")
    with pytest.raises(SitingError, match="E-OUT-02"):
        check_destination(here, ["suitability.tif"], kind=SCORE, inputs=inputs)


def test_a_batch_does_not_overwrite_its_list(siting, land, tmp_path):
    here = Path(shutil.copytree(land.parent, tmp_path / "land"))
    before = (here / "parcels.gpkg").read_bytes()
    done = siting("batch", here / "batch.toml", "-o", here, "--workers", "0", "--pages", "none")
    assert done.returncode == 3
    assert done.stderr.startswith("E-OUT-02")
    assert (here / "parcels.gpkg").read_bytes() == before
    assert not (here / "journal.jsonl").exists()


# --- F8: never mixed, never unasked ---------------------------------------------------


@pytest.mark.parametrize("more", [(), ("--public",), ("--overwrite",)])
def test_a_batchs_folder_is_refused(score, land, tmp_path, more):
    out = tmp_path / "out"
    out.mkdir()
    (out / "journal.jsonl").write_text("")
    (out / "run.json").write_text('{"kind": "batch"}')
    done = score(land, out, *more)
    assert done.returncode == 3
    assert done.stderr.startswith("E-OUT-03")
    assert "a batch" in done.stderr
    assert "--out" in done.stderr
    assert sorted(p.name for p in out.iterdir()) == ["journal.jsonl", "run.json"]


def test_public_files_never_lie_beside_exact_ones(score, land, finished, tmp_path):
    before = bytes_of(finished)
    done = score(land, finished, "--public")
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-03")
    assert bytes_of(finished) == before
    assert score(land, tmp_path / "public", "--public").returncode == 0
    done = score(land, tmp_path / "public")
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-03")
    assert kind_of(tmp_path / "public") == PUBLIC


def test_a_batch_is_refused_in_the_folder_of_one_parcel(siting, land, finished):
    done = siting("batch", land, "-o", finished, "--workers", "0", "--pages", "none")
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-03")


def test_an_unfinished_run_is_replaced_only_when_asked(score, land, finished, tmp_path):
    out = shutil.copytree(finished, tmp_path / "out")
    (out / "run.json").unlink()
    before = bytes_of(out)
    done = score(land, out)
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-04")
    assert "--overwrite" in done.stderr
    assert bytes_of(out) == before
    assert score(land, out, "--overwrite").returncode == 0
    assert (out / "run.json").exists()


def test_the_same_inputs_may_be_run_again(score, land, finished, tmp_path):
    out = shutil.copytree(finished, tmp_path / "out")
    done = score(land, out)
    assert done.returncode == 0, done.stderr


def test_other_rules_or_other_bytes_need_overwrite(score, land, finished, tmp_path):
    out = shutil.copytree(finished, tmp_path / "out")
    here = Path(shutil.copytree(land.parent, tmp_path / "land"))
    (here / "rules.toml").write_text("[candidates]\nspots = 2\nplaces = 20\n")
    done = score(here / "batch.toml", out)
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-04")
    shutil.copy(land.parent / "rules.toml", here)
    with rasterio.open(here / "dem.tif", "r+") as dataset:
        dataset.write(dataset.read(1) + 1, 1)
    done = score(here / "batch.toml", out)
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-04")
    done = score(here / "batch.toml", out, "--overwrite")
    assert done.returncode == 0, done.stderr


def test_another_list_needs_overwrite(siting, land, tmp_path):
    out = tmp_path / "out"
    words = ("--workers", "0", "--pages", "none", "--protocol", land.parent / "rules.toml")
    assert siting("batch", land, "-o", out, *words).returncode == 4
    here = Path(shutil.copytree(land.parent, tmp_path / "land"))
    shutil.copy(here / "parcels.gpkg", here / "others.gpkg")
    text = (here / "batch.toml").read_text().replace("parcels.gpkg", "others.gpkg")
    (here / "batch.toml").write_text(text)
    done = siting("batch", here / "batch.toml", "-o", out, *words)
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-04")
    assert siting("batch", here / "batch.toml", "-o", out, *words, "--overwrite").returncode == 4


# --- F12: links in the output folder --------------------------------------------------


@pytest.mark.parametrize("name", ["map.html", "run.json", ".lock"])
def test_a_link_in_the_folder_is_not_followed(score, land, name, tmp_path):
    out, victim = tmp_path / "out", tmp_path / "victim"
    out.mkdir()
    victim.write_text("mine")
    (out / name).symlink_to(victim)
    done = score(land, out, "--overwrite")
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-01")
    assert victim.read_text() == "mine"


@pytest.mark.parametrize("name", ["parcels", "journal.jsonl"])
def test_a_link_in_a_batchs_folder_is_not_followed(siting, land, name, tmp_path):
    out, victim = tmp_path / "out", tmp_path / "victim"
    out.mkdir()
    victim.mkdir()
    (out / name).symlink_to(victim if name == "parcels" else victim / "log")
    done = siting("batch", land, "-o", out, "--workers", "0", "--pages", "all")
    assert (done.returncode, done.stderr[:8]) == (3, "E-OUT-01")
    assert list(victim.iterdir()) == []


def test_no_part_and_no_line_goes_through_a_link(tmp_path):
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / ".a.siting-part").symlink_to(victim)
    with pytest.raises(SitingError, match="E-DISK-01"):
        write_atomic(tmp_path / "out" / "a", "new")
    write_atomic(tmp_path / "out" / "a", "new")  # what stood in the way is gone
    assert (tmp_path / "out" / "a").read_text() == "new"
    with staged(tmp_path / "out") as stage:
        (tmp_path / "out" / ".b.siting-part").symlink_to(victim)
        with pytest.raises(SitingError, match="E-DISK-01"):
            stage.write("b", "new")
        stage.discard()
    (tmp_path / "log").symlink_to(victim)
    with pytest.raises(SitingError, match="E-DISK-01"):
        append_line(tmp_path / "log", "line")
    assert victim.read_text() == "mine"


# --- F7: closed streams ---------------------------------------------------------------


@pytest.mark.parametrize("shell", [">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_closed_streams_lose_no_file(land, finished, shell, tmp_path):
    out = tmp_path / "out"
    done = piped(*score_words(land, out), shell=shell)
    assert done.returncode == 0, done.stderr
    written = bytes_of(out)
    assert written.keys() == bytes_of(finished).keys()
    assert json.loads(written["run.json"])["outputs"]["map.html"]


@pytest.mark.parametrize("shell", ["| true", "| head -1", "2>&1 | true"])
def test_a_reader_that_goes_away_does_not_change_how_it_ends(land, shell):
    done = piped("check", land.with_name("one.toml"), shell=shell)
    assert done.returncode == 0, done.stderr
    assert "rror" not in done.stderr


def test_a_batch_goes_on_when_nobody_listens(land, tmp_path):
    out = tmp_path / "out"
    words = ("batch", land, "-o", out, "--workers", "0", "--pages", "none")
    done = piped(*words, shell="2>&1 | true")
    assert done.returncode == 4, done.stderr  # one parcel of this land is faulty
    assert kind_of(out) == BATCH
    assert (out / "run.json").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_terminal_log_loses_no_file(land, tmp_path):
    out = tmp_path / "out"
    assert piped(*score_words(land, out), shell="> /dev/full 2> /dev/full").returncode == 0
    assert (out / "run.json").exists()
    assert (out / "map.html").stat().st_size > 10_000
