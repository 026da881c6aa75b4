"""A season as it was recorded: deployments, what each recorded, and what had to be left out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from siting.types import Note
from siting.words.office.review_notes import note_text


@dataclass(frozen=True)
class Deployment:
    """One camera at one place from one day to another.

    Parameters
    ----------
    id, place_id, camera_id : str; "" where not given
    lon, lat : degrees, WGS 84
    uncertainty_m : metres the place may be off; None where not stated
    start, end : instants with a zone; None where not given
    height_m, heading_deg : lens above ground and where it looked, true north; None = not noted
    baited : True where bait or a lure was used
    comment : free text of the package
    model, delay_s : of the camera; seconds it sleeps after a picture
    clock_doubtful : True where the package says that its times are wrong
    at_random : True where the place was drawn at random and not picked by the score
    """

    id: str
    lon: float
    lat: float
    start: dt.datetime | None
    end: dt.datetime | None
    place_id: str = ""
    camera_id: str = ""
    uncertainty_m: float | None = None
    height_m: float | None = None
    heading_deg: float | None = None
    baited: bool = False
    comment: str = ""
    model: str = ""
    delay_s: float = 0.0
    clock_doubtful: bool = False
    at_random: bool = False


@dataclass(frozen=True)
class Record:
    """One animal record: species at an instant, at a deployment."""

    deployment: str
    species: str
    time: dt.datetime
    certain: bool = True


@dataclass(frozen=True)
class Season:
    """What one or more packages or a plain table hold.

    Parameters
    ----------
    deployments : by their identifier, in the file's order
    records : animal records that count (one level of observation, no set-up pictures)
    counts : events by deployment and species, where a plain table gives counts and no times
    last_picture : instant of the last picture of any kind at a deployment
    blanks : instants of blank observations by deployment; empty where the package has none
    open_share : share of a deployment's observations that nobody has classified
    notes : assumptions and warnings of the reading
    sources : file name to SHA-256
    """

    deployments: Mapping[str, Deployment]
    records: tuple[Record, ...] = ()
    counts: Mapping[tuple[str, str], float] = field(default_factory=dict)
    last_picture: Mapping[str, dt.datetime] = field(default_factory=dict)
    blanks: Mapping[str, tuple[dt.datetime, ...]] = field(default_factory=dict)
    open_share: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)


def warning(code: str, **blanks: object) -> Note:
    """A warning of the review, its sentence from `siting.words.office.review_notes`."""
    return Note(code, "warning", note_text(code, **blanks))


def some(names: list[str], most: int = 6) -> str:
    """A few names for a sentence, and how many more there are."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
