"""One letter for each parcel, as plain text and HTML, from templates that the survey may edit."""

from __future__ import annotations

import html
import string
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path

from siting.batch.output.tables import CAMERA, Batch, roles
from siting.batch.rows import FailedParcel, ScoredParcel
from siting.decisions.proposal import CAMERA_UP
from siting.disk.files import safe_name
from siting.errors import SitingError
from siting.read.file_kinds import read_text
from siting.report.shared.credits import short_lines
from siting.report.shared.text import clean
from siting.words.office.letters import asked_at_random, credit_line

KINDS = ("camera", "reserve", "not_this_season", "need_an_outline")
_BLANKS = ("land", "because", "sentence", "role", "problem", "sources")
_PAGE = (
    '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<meta name="color-scheme" content="light dark"><meta name="referrer" content="no-referrer">'
    "<style>body {{ font: 12pt/1.5 sans-serif; max-width: 40em; margin: 2em auto; "
    "padding: 0 1em; overflow-wrap: anywhere; }} h1 {{ font-size: 1.1em; }}</style></head>\n"
    "<body><main>\n<h1>{title}</h1>\n{body}\n</main></body></html>\n"
)


def templates(folder: Path | None) -> dict[str, str]:
    """The text of each kind of letter: the survey's own where its folder has one.

    Raises
    ------
    SitingError
        E-LETTER-01 when a template names a blank that is not known, or the folder holds none.
    """
    if folder is not None and not any((folder / f"{kind}.txt").is_file() for kind in KINDS):
        raise SitingError(
            "E-LETTER-01",
            f"{folder} holds no letter template.",
            rule=f"Templates are called {', '.join(f'{kind}.txt' for kind in KINDS)}.",
            cure="Check the key letters, or leave it out for the letters of the program.",
        )
    shipped = resources.files("siting") / "data" / "letters"
    out = {}
    for kind in KINDS:
        own = folder / f"{kind}.txt" if folder is not None else None
        if own is not None and own.is_file():
            out[kind] = read_text(own, key="survey.letters")
        else:
            out[kind] = (shipped / f"{kind}.txt").read_text(encoding="utf-8")
        _check(out[kind], kind)
    return out


def _check(text: str, kind: str) -> None:
    try:
        blanks = [(n, s, c) for _, n, s, c in string.Formatter().parse(text) if n is not None]
    except ValueError as error:
        raise _faulty(kind, str(error)) from error
    if unknown := {name for name, _, _ in blanks} - set(_BLANKS):
        raise _faulty(kind, f"it names {', '.join(sorted(unknown))}")
    # A width such as {land:>999999999} would fill the memory with spaces.
    if dressed := [name for name, spec, conversion in blanks if spec or conversion]:
        raise _faulty(kind, f"{dressed[0]} has a format of its own")


def _faulty(kind: str, why: str) -> SitingError:
    return SitingError(
        "E-LETTER-01",
        f"The letter template {kind}.txt cannot be filled in: {why}.",
        rule=f"Text in braces must be one of {', '.join(_BLANKS)}; write a plain brace twice.",
        cure="Correct the template.",
    )


def letters(batch: Batch, texts: Mapping[str, str]) -> dict[str, str]:
    """The two files of each parcel's letter, by file name."""
    role = roles(batch.assignment)
    said = {
        choice.chosen.parcel: asked_at_random(choice.lot["stratum"], choice.because)
        if choice.lot is not None
        else asked_words(choice.chosen.spot, choice.chosen.decided, choice.because)
        for choice in (batch.assignment.cells if batch.assignment else ())
        if choice.chosen is not None
    }
    drawn = _drawn(batch)
    sources = credit_line(short_lines(batch.credits))
    out: dict[str, str] = {}
    for row in batch.rows:
        name = row["parcel_id"]
        kind = _kind(role.get(name, ""))
        parts = letter_parts(
            texts[kind],
            row,
            because=said.get(name, ""),
            role=role.get(name, ""),
            sources=sources,
            drawn=name in drawn,
        )
        out |= _written(row, parts)
    for failed in batch.failures:
        # Only what the owner can put right: a fault of our maps is no reason for a letter.
        if failed["code"].startswith(("E-GEOM", "E-CRS")):
            problem = clean(failed["message"])
            out |= _written(failed, letter_parts(texts["need_an_outline"], failed, problem=problem))
    return out


def _drawn(batch: Batch) -> set[str]:
    """Parcels whose camera stands at a place drawn at random."""
    cells = batch.assignment.cells if batch.assignment else ()
    return {c.chosen.parcel for c in cells if c.chosen is not None and c.lot is not None}


def asked_words(spot: int | None, decided: str, because: str) -> str:
    """What a letter says of the place: where the camera stands, or where we would like it.

    `spot` is its rank, None where it is on no list; `decided` "camera up", "chosen" or "".
    """
    place = "your land" if spot is None else f"spot {spot}"
    if decided == CAMERA_UP:
        return f"A camera stands {'on' if spot is None else 'at'} {place} already."
    if decided:
        return f"You chose {'a place of your own' if spot is None else place}. Thank you!"
    return f"We propose a camera at {place}{f', because {because}' if because else ''}."


def _kind(role: str) -> str:
    if role == CAMERA:
        return "camera"
    return "reserve" if role else "not_this_season"


def _written(row: ScoredParcel | FailedParcel, parts: Sequence[str]) -> dict[str, str]:
    """A letter as text and as a page, by file name."""
    body = "\n".join(f"<p>{html.escape(part)}</p>" for part in parts)
    name = safe_name(row["parcel_id"])
    title = html.escape(clean(row["parcel_label"] or row["parcel_id"]))
    return {
        f"{name}.txt": "\n\n".join(parts) + "\n",
        f"{name}.html": _PAGE.format(title=title, body=body),
    }


def letter_parts(
    template: str,
    row: ScoredParcel | FailedParcel,
    *,
    because: str = "",
    role: str = "",
    problem: str = "",
    sources: str = "",
    drawn: bool = False,
) -> list[str]:
    """The paragraphs of a letter; what is empty leaves no empty paragraph.

    Where the place was `drawn` at random no other is praised: it would be the better one to go to.
    """
    filled = template.format(
        land=clean(row["parcel_label"] or row["parcel_id"]),
        because=because,
        sentence="" if drawn else _without_thanks(clean(row.get("sentence") or "")),
        role=role,
        problem=problem,
        sources=sources,
    )
    # A blank that is empty leaves its paragraph empty: out it goes, with its space.
    return [part.strip() for part in filled.split("\n\n") if part.strip()]


def _without_thanks(sentence: str) -> str:
    """The sentence of parcels.csv thanks by itself; the letter has done so already."""
    # The letter template has its own thanks, with the name of the land.
    _, mark, rest = sentence.partition("): ")
    return f"{rest[:1].upper()}{rest[1:]}" if mark else sentence
