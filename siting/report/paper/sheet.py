"""The field sheet: a cover with a map, what to bring and mind, and one page to a spot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup
from shapely import Geometry

from siting.ground.distance import cells_covered
from siting.ground.known import FINEST_HEIGHT_M
from siting.lengths import area, height, index_text, length, whole_minutes
from siting.notes import head_and_gaps
from siting.report.paper.cover import cover_map, marks
from siting.report.paper.drawn import drawn_page
from siting.report.paper.ground_window import Window, window_around
from siting.report.paper.plan import plan, shut_areas
from siting.report.paper.rose import by_compass, reading, rose, second_reading
from siting.report.shared.assets import page_without_scripts
from siting.report.shared.credits import full_lines
from siting.report.shared.facts import Facing, SpotFacts, whole_degrees
from siting.report.shared.lonlat import degree_text
from siting.report.shared.text import clean, clean_note, land_name
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import CameraRules, Protocol
from siting.types import Result
from siting.words.cautions import FIRST, parcel_cautions, texts
from siting.words.office.service_interval import visit_plan
from siting.words.sheet import (
    RECORD,
    bring,
    check_visit,
    places_for_posts,
    set_up,
    what_to_clear,
    when_to_come_back,
)
from siting.words.spot.asked import asked_for, proposal_sentence
from siting.words.spot.card import climb_words, minutes_words, span_words
from siting.words.spot.doubt import start_words
from siting.words.spot.extents import extent_words
from siting.words.spot.heading import lens_height

_SPOT_MM = (92.0, 63.0)
_LEAST_AROUND_M = 45.0
# From so much text on a page on, what all pages share moves to "Before you go".
_MOST_CHARACTERS = 1150


@dataclass(frozen=True)
class SpotPage:
    """What the template prints of one spot."""

    facts: SpotFacts
    title: str
    degrees: str
    utm: str
    look: str
    geo: str
    qr: Markup
    map: Markup
    rose: Markup
    face: str
    face_second: str
    why_heading: tuple[str, ...]
    lens: str
    ground: str
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
    asked = next((f for f in facts if asked_for(result.proposal, f.spot)), None)
    others = [fact for fact in facts if fact is not asked]
    # The spot that is asked for comes first, also where it ranks below those with a page.
    shown = ([asked, *others] if asked else others)[: protocol.sheet.spots]
    parcel = result.land.parcel
    general = texts(parcel_cautions(_roles(result)))
    shared = _shared(shown, general=general)
    shut = shut_areas(result)
    posts = places_for_posts(result.spots, result.random_places)
    return page_without_scripts(
        "sheet/sheet.html",
        style="sheet/sheet.css",
        credits=full_lines(result.land.credits),
        label=land_name(parcel),
        parcel_id=clean(parcel.id),
        cell=clean(parcel.cell),
        area=area(float(shapely.area(result.land.parcel_shape))),
        days=_days(survey),
        rules=clean(protocol.name),
        cover=cover_map(result, facts, shut=shut, warnings=_warnings(result)),
        marks=marks(result, facts),
        rows=[_row(fact) for fact in facts],
        pages=[
            _page(
                result,
                fact,
                said_before=(*general, *shared),
                shut=shut,
                camera=protocol.camera,
                number=number,
            )
            for number, fact in enumerate(shown, 1)
        ],
        sure=any(fact.stability for fact in facts),
        first=FIRST,
        general=general,
        shared=shared,
        asked=_asked(result),
        pages_words=_pages_words([fact.spot.rank for fact in shown], len(facts)),
        plain=result.plain,
        start=start_words(result.spots),
        bring=bring(posts),
        setup=set_up(protocol.camera, protocol.visits, frost=result.frost, posts=bool(posts)),
        clear=what_to_clear(protocol.camera),
        record=RECORD,
        check_visit=check_visit(protocol.visits, frost=result.frost),
        plan=visit_plan(protocol.visits),
        plan_words=when_to_come_back(visit_plan(protocol.visits), frost=result.frost),
        drawn=drawn_page(result, shut=shut),
        warnings=_warnings(result),
    )


def _shared(facts: Sequence[SpotFacts], *, general: tuple[str, ...]) -> tuple[str, ...]:
    """Cautions that all pages share, when any page is too full: printed once, before the pages."""
    own = [[line for line in fact.cautions if line not in general] for fact in facts]
    if not any(_full(fact, lines) for fact, lines in zip(facts, own, strict=True)):
        return ()
    return tuple(line for line in own[0] if all(line in lines for lines in own))


def _asked(result: Result) -> str:
    """What is asked for, in a sentence; "" where nothing is."""
    asked = result.proposal
    return clean(proposal_sentence(asked, asked.rank)) if asked else ""


def _pages_words(ranks: Sequence[int], spots: int) -> str:
    if not 0 < len(ranks) < spots:
        return ""
    # The spot that is asked for has a page of its own, whatever its rank.
    best = [n for n in sorted(ranks) if n <= len(ranks)]
    first = f"spots 1 to {len(best)}" if len(best) > 1 else "spot 1" if best else ""
    which = " and ".join(filter(None, (*(f"spot {n}" for n in ranks if n not in best), first)))
    return f"This sheet has pages for {which}; the others are in the table only."


def _roles(result: Result) -> list[int]:
    # Cells that are only touched count: a strip narrower than a cell has ticks, too.
    inside = cells_covered([result.land.parcel_shape], grid=result.land.grid, all_touched=True)
    return [int(role) for role in np.unique(result.land.role[inside])]


def _days(survey: SurveyInput) -> str:
    if survey.first_day is None or survey.last_day is None:
        return "not planned yet"
    return f"{survey.first_day.isoformat()} to {survey.last_day.isoformat()}"


def _row(fact: SpotFacts) -> dict[str, str]:
    """A spot's line in the table of the cover."""
    walk = fact.walk
    return {
        "rank": str(fact.spot.rank),
        "title": fact.title,
        "degrees": degree_text(fact.lon, fact.lat),
        "face": by_compass(fact.facing),
        "walk": ""
        if walk is None
        else f"{length(walk.length_m)}, {whole_minutes(walk.minutes_there)} min",
        "index": index_text(fact.spot.score),
        "stability": fact.stability,
    }


def _page(
    result: Result,
    fact: SpotFacts,
    *,
    said_before: tuple[str, ...],
    shut: Sequence[Geometry],
    camera: CameraRules,
    number: int,
) -> SpotPage:
    own = tuple(line for line in fact.cautions if line not in said_before)
    geo = f"geo:{fact.lat:.5f},{fact.lon:.5f}"
    facing = fact.facing
    return SpotPage(
        facts=fact,
        title=fact.title,
        degrees=degree_text(fact.lon, fact.lat),
        utm=f"{fact.utm_name}: {fact.utm_easting_m} E, {fact.utm_northing_m} N",
        look=_look(fact),
        ground=""
        if fact.elevation_m is None
        else height(fact.elevation_m, exact=result.land.dem_cell_m <= FINEST_HEIGHT_M),
        geo=geo,
        # A geo link opens whatever map app a phone has; no address of any company is in it.
        qr=_qr(geo, fact),
        map=_spot_map(result, fact, shut=shut, camera=camera, number=number),
        rose=rose(facing),
        face=reading(facing),
        face_second=second_reading(facing),
        why_heading=tuple(_sentence(line) for line in facing.why[:2]),
        lens=facing.lens.removeprefix("Lens ") or f"{lens_height(camera.lens_height_m)}.",
        needle=_needle(facing),
        walk=_walk(fact),
        cautions=own,
        dense=_full(fact, own),
    )


def _look(fact: SpotFacts) -> str:
    """What is drawn dashed on a spot's map: the circle, or the stretch or area that is as good."""
    if fact.spot.extent is None:
        return f"Look within {length(fact.search_radius_m)} of the middle (dashed circle)."
    words = extent_words(fact.spot.extent, radius_m=fact.search_radius_m)
    return f"{words} It is drawn with a dashed line."


def _sentence(words: str) -> str:
    """With a capital and a full stop."""
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _full(fact: SpotFacts, cautions: Sequence[str]) -> bool:
    """Whether there is so much to read on a page that it must be set closer."""
    lines = (*fact.why, *fact.pulled_down, *fact.check, *cautions, *fact.facing.why)
    return sum(len(line) for line in lines) > _MOST_CHARACTERS


def _needle(facing: Facing) -> str:
    """What a compass shows for the heading, and why it differs."""
    magnetic, declination = whole_degrees(facing.magnetic_deg), facing.declination_deg
    if magnetic is None or declination is None:
        return ""
    side = "east" if declination >= 0 else "west"
    points = f"the needle points {abs(declination):.0f}° {side} of true north"
    if facing.span_deg:
        return f"{span_words(magnetic, facing.span_deg)}; {points}"
    return f"{magnetic}°; {points}"


def _walk(fact: SpotFacts) -> str:
    walk = fact.walk
    if walk is None:
        return ""
    begin = (
        "the way in" if walk.start_kind == "given" else "the nearest point on a road (ask first)"
    )
    up = climb_words(walk.climb_m, walk.height_error_m)
    climb = f". On the way there you climb {up}" if up else ""
    along = f" along {' and '.join(fact.walk_along)}" if fact.walk_along else ""
    wet = ". It crosses a stream where no crossing is known" if walk.unknown_crossings else ""
    return (
        f"{length(walk.length_m)} from {begin}{along}: "
        f"{minutes_words(walk.minutes_there, walk.minutes_back)}{climb}{wet}"
    )


def _qr(geo: str, fact: SpotFacts) -> Markup:
    import segno

    title = f"Position of spot {fact.spot.rank} as a geo link"
    # Level M reads with 15 % of the code dirty or creased, in a code that is still small.
    code = segno.make(geo, error="m", micro=False)
    return Markup(code.svg_inline(scale=1, border=4, omitsize=True, svgclass="qr", title=title))


def _spot_map(
    result: Result,
    fact: SpotFacts,
    *,
    shut: Sequence[Geometry],
    camera: CameraRules,
    number: int,
) -> Markup:
    # The whole search circle, and about as much again to find one's way into it by.
    around = max(_LEAST_AROUND_M, 2.2 * fact.search_radius_m)
    place = shapely.buffer(shapely.Point(fact.spot.easting, fact.spot.northing), around)
    # All of the area that the words speak of; the page would show a corner of it otherwise.
    shown = place if fact.spot.extent is None else place.union(fact.spot.extent.ground)
    width, height = _SPOT_MM
    window: Window = window_around(shown.bounds, width_mm=width, height_mm=height, key=f"s{number}")
    svg = plan(
        result,
        window,
        facts=[fact],
        shut=shut,
        title=f"Map around spot {fact.spot.rank}",
        close=True,
        field_of_view_deg=camera.field_of_view_deg,
        view_m=camera.view_far_m,
    )
    return Markup(svg)


def _warnings(result: Result) -> list[str]:
    """The warnings that change what a reader does, the worst first; the map page has the rest."""
    head, _ = head_and_gaps(result.notes)
    return [clean_note(note.text) for note in head]
