"""The field sheet: a cover with a map, what to bring and mind, and one page to a spot."""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import shapely
from markupsafe import Markup

from siting import __version__
from siting.aim_words import point_of
from siting.cautions import FIRST, parcel_cautions, texts
from siting.distance import burn
from siting.inputs import SurveyInput
from siting.protocol import CameraRules, Protocol, VisitRules
from siting.report.facts import Facing, SpotFacts, whole_degrees
from siting.report.plan import Window, plan, window_around
from siting.report.text import clean
from siting.types import Result
from siting.visits import VisitPlan, visit_plan
from siting.words import length

_TEMPLATES = Path(__file__).parent / "templates"
_COVER_MM = (186.0, 128.0)
_SPOT_MM = (92.0, 68.0)
_LEAST_AROUND_M = 45.0
_LENS_SPAN_M = 0.15
_MOST_CHARACTERS = 1700
_FEET = 1 / 0.3048


@dataclass(frozen=True)
class SpotPage:
    """What the template prints of one spot."""

    facts: SpotFacts
    title: str
    degrees: str
    utm: str
    radius: str
    geo: str
    qr: Markup
    map: Markup
    rose: Markup
    face: str
    face_second: str
    why_heading: tuple[str, ...]
    tilt: str
    needle: str
    walk: str
    cautions: tuple[str, ...]
    dense: bool


def field_sheet(
    result: Result, facts: Sequence[SpotFacts], *, protocol: Protocol, survey: SurveyInput
) -> str:
    """The sheet as one HTML page: no script, nothing fetched, fit for A4 and Letter.

    Parameters
    ----------
    result : Result
    facts : all spots, best first; the first `protocol.sheet.spots` get a page of their own
    protocol : Protocol
    survey : SurveyInput
        Planned days, for the head of the sheet.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    css = (_TEMPLATES / "sheet.css").read_text(encoding="utf-8")
    shown = facts[: protocol.sheet.spots]
    parcel = result.land.parcel
    general = texts(parcel_cautions(_roles(result)))
    return environment.get_template("sheet.html").render(
        css=Markup(css),
        css_hash=_csp_hash(css),
        version=__version__,
        label=clean(parcel.label or parcel.id),
        parcel_id=clean(parcel.id),
        cell=clean(parcel.cell),
        area=f"{shapely.area(result.land.parcel_shape) / 1e4:.1f} ha",
        days=_days(survey),
        rules=clean(protocol.name),
        cover=_cover(result, facts),
        marks=_marks(result, facts),
        rows=[_row(fact) for fact in facts],
        pages=[
            _page(result, fact, general=general, camera=protocol.camera, number=number)
            for number, fact in enumerate(shown, 1)
        ],
        first=FIRST,
        general=general,
        bring=_BRING,
        setup=_setup(protocol.camera, protocol.visits),
        clear=_clear(protocol.camera),
        lens=_lens(protocol.camera),
        record=_RECORD,
        plan=visit_plan(protocol.visits),
        plan_words=_plan_words(visit_plan(protocol.visits)),
        warnings=_warnings(result),
    )


_BRING = (
    "This sheet, a pen, and the phone with map.html and spots.gpx on it, charged",
    "Camera, strap, lock if you use one; fresh batteries and a spare set",
    "Empty memory card and a spare; the camera's own short guide",
    "Compass (keep it a step away from the camera, car and iron)",
    "Hand pruners, work gloves; a post and something to fix it with, where no tree is named",
    "Tape, or a stick marked at 0.5 m (1.6 ft); a card with the spot's number to photograph",
    "Water, first-aid kit, clothes for the weather, bright orange in hunting season",
    "The owner's phone number and your check-in person's",
)

_RECORD = (
    "Date, time put up",
    "Set up by",
    "Camera no.",
    "Card no.",
    "Position (degrees)",
    "GPS error, m",
    "Lens height, m",
    "Heading: true / compass",
    "What animals pass (trail, bank ...)",
    "Distance to it, m",
    "What was cleared",
    "Pictures at leaving",
)


def _roles(result: Result) -> list[int]:
    inside = burn([result.land.parcel_shape], grid=result.land.grid, all_touched=True)
    return [int(role) for role in np.unique(result.land.role[inside])]


def _csp_hash(text: str) -> str:
    """The fingerprint by which the page's policy knows its one style sheet."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _days(survey: SurveyInput) -> str:
    if survey.first_day is None or survey.last_day is None:
        return "not planned yet"
    return f"{survey.first_day.isoformat()} to {survey.last_day.isoformat()}"


def _cover(result: Result, facts: Sequence[SpotFacts]) -> Markup:
    shapes = [result.land.parcel_shape, *(f.walk.line for f in facts if f.walk is not None)]
    bounds = shapely.buffer(shapely.box(*shapely.total_bounds(shapes)), 25.0).bounds
    width, height = _COVER_MM
    window = window_around(bounds, width_mm=width, height_mm=height, key="cover")
    label = clean(result.land.parcel.label or result.land.parcel.id)
    return Markup(plan(result, window, facts=facts, title=f"Map of {label} with the spots"))


def _marks(result: Result, facts: Sequence[SpotFacts]) -> list[tuple[str, str]]:
    """The key of the maps: only what is there, by (class of the sample, words)."""
    vectors = result.land.vectors
    there = {
        "parcel": True,
        "no-go": True,
        "walk": any(fact.walk for fact in facts),
        "stream": "water" in vectors or bool(result.streams),
        "trail": "trails" in vectors,
        "road": "roads" in vectors,
        "building": "buildings" in vectors,
        "crossing": "crossings" in vectors,
        "contour": True,
        "search": True,
        "view": any(fact.facing.heading_deg is not None for fact in facts),
    }
    return [(name, words) for name, words in _KEY.items() if there[name]]


_KEY = {
    "parcel": "parcel",
    "no-go": "no camera here",
    "walk": "walk",
    "stream": "water, stream",
    "trail": "trail",
    "road": "road, track",
    "building": "building",
    "crossing": "known crossing",
    "contour": "height line",
    "search": "look within this circle",
    "view": "view and heading",
}


def _row(fact: SpotFacts) -> dict[str, str]:
    """A spot's line in the table of the cover."""
    walk = fact.walk
    return {
        "rank": str(fact.spot.rank),
        "title": fact.title,
        "degrees": _degrees(fact),
        "face": _face(fact.facing.heading_deg),
        "walk": "" if walk is None else f"{length(walk.length_m)}, {_minutes(walk.minutes_there)}",
        "score": f"{fact.spot.score:.2f}",
        "stability": fact.stability,
    }


def _page(
    result: Result, fact: SpotFacts, *, general: tuple[str, ...], camera: CameraRules, number: int
) -> SpotPage:
    own = tuple(clean(line) for line in fact.spot.cautions if line not in general)
    geo = f"geo:{fact.lat:.5f},{fact.lon:.5f}"
    facing = fact.facing
    return SpotPage(
        facts=fact,
        title=fact.title,
        degrees=_degrees(fact),
        utm=f"{fact.utm_name}: {fact.utm_easting_m} E, {fact.utm_northing_m} N",
        radius=length(fact.search_radius_m),
        geo=geo,
        qr=_qr(geo, fact),
        map=_spot_map(result, fact, camera=camera, number=number),
        rose=rose(facing),
        face=_face(facing.heading_deg),
        face_second=_face(facing.second_deg),
        why_heading=tuple(_sentence(line) for line in facing.why[:2]),
        tilt=facing.lens.partition("; ")[2],
        needle=_needle(facing),
        walk=_walk(fact),
        cautions=own,
        dense=_characters(fact, own) > _MOST_CHARACTERS,
    )


def _sentence(words: str) -> str:
    """With a capital and a full stop."""
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _characters(fact: SpotFacts, cautions: tuple[str, ...]) -> int:
    """How much there is to read on a page; a full one is set in smaller print."""
    spot = fact.spot
    lines = (*spot.why, *spot.pulled_down, *spot.check, *cautions, *fact.facing.why)
    return sum(len(line) for line in lines)


def _degrees(fact: SpotFacts) -> str:
    """Latitude and longitude to five decimals, about a metre, with their halves named."""
    north, east = ("N" if fact.lat >= 0 else "S"), ("E" if fact.lon >= 0 else "W")
    return f"{abs(fact.lat):.5f}° {north}, {abs(fact.lon):.5f}° {east}"


def _face(heading_deg: float | None) -> str:
    degrees = whole_degrees(heading_deg)
    return "" if degrees is None else f"{degrees}° {point_of(degrees)}"


def _needle(facing: Facing) -> str:
    """What a compass shows for the heading, and why it differs."""
    magnetic, declination = whole_degrees(facing.magnetic_deg), facing.declination_deg
    if magnetic is None or declination is None:
        return ""
    side = "east" if declination >= 0 else "west"
    second = whole_degrees(facing.second_magnetic_deg)
    other = "" if second is None else f" (second heading {second}°)"
    return f"{magnetic}°{other}; the needle points {abs(declination):.0f}° {side} of true north"


def _walk(fact: SpotFacts) -> str:
    walk = fact.walk
    if walk is None:
        return ""
    begin = "the way in" if walk.start_kind == "given" else "the nearest road point (ask first)"
    climb = (
        f", {walk.climb_m:.0f} m ({walk.climb_m * _FEET:.0f} ft) up" if walk.climb_m >= 5 else ""
    )
    wet = ". It crosses a stream where no crossing is known" if walk.unknown_crossings else ""
    return (
        f"{length(walk.length_m)} from {begin}{climb}: {_minutes(walk.minutes_there)} there, "
        f"{_minutes(walk.minutes_back)} back{wet}"
    )


def _minutes(minutes: float) -> str:
    return f"about {max(math.ceil(minutes), 1)} min"


def _qr(geo: str, fact: SpotFacts) -> Markup:
    import segno

    title = f"Position of spot {fact.spot.rank} as a geo link"
    code = segno.make(geo, error="m", micro=False)
    return Markup(code.svg_inline(scale=1, border=4, omitsize=True, svgclass="qr", title=title))


def _spot_map(result: Result, fact: SpotFacts, *, camera: CameraRules, number: int) -> Markup:
    around = max(_LEAST_AROUND_M, 2.2 * fact.search_radius_m)
    place = shapely.Point(fact.spot.easting, fact.spot.northing)
    width, height = _SPOT_MM
    window: Window = window_around(
        shapely.buffer(place, around).bounds, width_mm=width, height_mm=height, key=f"s{number}"
    )
    svg = plan(
        result,
        window,
        facts=[fact],
        title=f"Map around spot {fact.spot.rank}",
        close=True,
        field_of_view_deg=camera.field_of_view_deg,
        view_m=camera.view_far_m,
    )
    return Markup(svg)


def rose(facing: Facing) -> Markup:
    """A compass card with the heading (solid arrow) and the second heading (dashed)."""
    if facing.heading_deg is None:
        return Markup("")
    words = f"Heading {_face(facing.heading_deg)}"
    svg = ElementTree.Element(
        "svg", {"class": "rose", "viewBox": "-17 -17 34 34", "role": "img", "aria-label": words}
    )
    ElementTree.SubElement(svg, "circle", {"class": "card", "r": "12"})
    ticks = "".join(_tick(bearing) for bearing in range(0, 360, 30))
    ElementTree.SubElement(svg, "path", {"class": "tick", "d": ticks})
    for bearing, letter in ((0, "N"), (90, "E"), (180, "S"), (270, "W")):
        x, y = _on_card(14.6, bearing)
        at = {"class": "number", "x": f"{x:.2f}", "y": f"{y + 1.1:.2f}"}
        ElementTree.SubElement(svg, "text", at).text = letter
    if facing.second_deg is not None:
        _arrow(svg, facing.second_deg, "second")
    _arrow(svg, facing.heading_deg, "first")
    return Markup(ElementTree.tostring(svg, encoding="unicode"))


def _on_card(radius: float, bearing_deg: float) -> tuple[float, float]:
    bearing = math.radians(bearing_deg)
    return radius * math.sin(bearing), -radius * math.cos(bearing)


def _tick(bearing_deg: float) -> str:
    (x0, y0), (x1, y1) = _on_card(12.0, bearing_deg), _on_card(10.6, bearing_deg)
    return f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}"


def _arrow(svg: ElementTree.Element, bearing_deg: float, kind: str) -> None:
    x, y = _on_card(10.2, bearing_deg)
    turn = f"rotate({bearing_deg:.1f})"
    ElementTree.SubElement(svg, "path", {"class": kind, "d": f"M0 0L{x:.2f} {y:.2f}"})
    head = {"class": f"{kind} head", "d": "M0 -10.6l1.6 3.4h-3.2Z", "transform": turn}
    ElementTree.SubElement(svg, "path", head)


def _span(low_m: float, high_m: float, *, round_feet: int) -> str:
    """Two lengths with feet, such as "9-15 m (30-50 ft)"."""
    feet = [round(metres * _FEET / round_feet) * round_feet for metres in (low_m, high_m)]
    return f"{low_m:g}-{high_m:g} m ({feet[0]}-{feet[1]} ft)"


def _lens(camera: CameraRules) -> str:
    low, high = (camera.lens_height_m + side * _LENS_SPAN_M for side in (-1, 1))
    return _span(round(max(low, 0.1), 2), round(high, 2), round_feet=1)


def _clear(camera: CameraRules) -> str:
    """What to clear in front of the lens."""
    span = _span(camera.view_near_m, camera.view_far_m, round_feet=5)
    return (
        f"Clear what moves in the wind (grass, twigs, ferns) {span} in front of the lens, as wide "
        "as the picture. Hand pruners only, with the owner's consent."
    )


def _setup(camera: CameraRules, visits: VisitRules) -> tuple[tuple[str, str], ...]:
    """The steps of setting up, by (word, sentence)."""
    burst = f"{visits.pictures_per_trigger:g}"
    return (
        ("Power", "fresh batteries of one kind, all the right way round; the level shows full."),
        ("Card", "empty, not write-locked, formatted in this camera."),
        ("Date and time", "right to the minute, with the right time zone; write it down."),
        (
            "Burst",
            f"{burst} pictures a trigger, shortest pause, if your survey asks no other.",
        ),
        ("Sensitivity", "high, if your survey asks no other."),
        ("Height", f"lens {_lens(camera)} above the ground, or above the snow: knee height."),
        ("Heading", "by compass, a step away from the camera; sun and sky out of the picture."),
        ("Strap", "tight on a sound, living tree; camera level, a touch down, never up."),
        ("View", _clear(camera)),
        ("Walk test", _walk_test(camera)),
        ("Number", "hold the spot's number and the date in front of the lens for one picture."),
        ("Armed", "switched on, lamp off, cover closed; then leave by the way you came."),
    )


def _walk_test(camera: CameraRules) -> str:
    near = length(5.0)
    far = length(camera.view_far_m)
    return f"cross the view bent low at {near} and at {far}: the test lamp must answer."


def _plan_words(visits: VisitPlan) -> str:
    full, flat = visits.days_to_full_card, visits.days_to_flat_battery
    return (
        f"Come back after about {visits.check_after_days} days. By the survey's numbers the card "
        f"is full after about {full:.0f} days and the batteries are flat after about {flat:.0f}."
    )


def _warnings(result: Result) -> list[str]:
    """Warnings of the run, each once."""
    kept = dict.fromkeys(clean(n.text) for n in result.notes if n.level == "warning")
    return list(kept)
