"""Texts that have broken pages and tables elsewhere, to put wherever a user's text can come in."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from siting.spot_parts import HeadingWords
from siting.types import Result
from tests.fake_result import fake_result, with_details

TEXTS = (
    "<script>window.hit=1</script>",
    "</script><script>window.hit=1</script>",
    "</style><script>window.hit=1</script>",
    "<img src=x onerror=window.hit=1>",
    '"><svg onload=window.hit=1>',
    "' onmouseover=window.hit=1 x='",
    "<iframe srcdoc='<script>parent.hit=1</script>'></iframe>",
    "<a href=javascript:window.hit=1>x</a>",
    "${window.hit=1}",
    "`${window.hit=1}`",
    "{{ 7 * 7 }}{% raw %}",
    "{{config}}{#",
    "<!-- --><math><mi//xlink:href=data:x,<script>window.hit=1</script>>",
    "&lt;script&gt;window.hit=1&lt;/script&gt;",
    "&#60;script&#62;window.hit=1",
    "\\u003cscript\\u003ewindow.hit=1",
    "]]><script>window.hit=1</script>",
    "<meta http-equiv=refresh content=0;url=data:text/html,x>",
    "<base href=//example.org/>",
    "<style>*{display:none}</style>",
    "<link rel=stylesheet href=//example.org/x.css>",
    "=cmd|' /C calc'!A0",
    '"quoted", and; commas\nand a new line',
    "C:\\path\\2019\\u0041",
    "\x00\x01\x0b\x1f bell\x07",
    "\ud800 half a pair \ufffe\uffff",
    "\u202eright to left\u2028line\u2029",
    "Älv & <Ö> 'é' 🦌",
    "x" * 5000,
    "   ",
)


@cache
def _ordinary() -> Result:
    return with_details(fake_result())


def hostile_result(text: str) -> Result:
    """The invented result with this text wherever a user's text can come in."""
    base = _ordinary()
    parcel = replace(base.land.parcel, id=text, label=text)
    land = replace(base.land, parcel=parcel, class_names={41: text, 71: text})
    spots = [
        replace(
            spot,
            name=text,
            # A place whose name is blank is called by its kind, which no user writes.
            kind=text if text.strip() else spot.kind,
            why=(text,),
            pulled_down=(text,),
            check=(text,),
            cautions=(text,),
            heading_words=HeadingWords(reason=text, notes=(text,), lens=text),
        )
        for spot in base.spots
    ]
    notes = tuple(replace(note, text=text) for note in base.notes)
    return replace(base, land=land, spots=tuple(spots), notes=notes)
