"""Putting a page together so that it needs nothing but itself.

Scripts and styles are written into the page and named by their hash in its Content-Security-
Policy, so a browser runs these and nothing else. A page that would load anything is refused.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import re
from collections.abc import Mapping, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from siting import __version__
from siting.report.shared.text import json_for_script
from siting.web.bundle import bundle

if TYPE_CHECKING:
    from jinja2 import Environment

WEB = Path(__file__).parents[2] / "web"
LEAFLET_VERSION = "1.9.3"
MAP_CREDIT = (
    f"Map drawn with Leaflet {LEAFLET_VERSION}, © 2010-2022 Vladimir Agafonkin, "
    "© 2010-2011 CloudMade (BSD 2-clause licence)."
)
PACKING = 7
"""Level of zlib for cells and pictures: 9 takes five times as long to save another 3 %."""
# Strings that look like addresses and load nothing: the names of the SVG and XHTML vocabularies.
_NAMES = ("http://www.w3.org/2000/svg", "http://www.w3.org/1999/xhtml")
_LOADING = ("src", "href", "srcset", "action", "formaction", "poster", "data", "background", "ping")
# A geo link opens a map app when somebody taps it; the page itself loads nothing.
_HARMLESS = ("data:", "#", "geo:")
_INERT = ("application/json",)
_ADDRESS = re.compile(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]{2,}", re.IGNORECASE)
_CSS_LOAD = re.compile(r"@import|url\(\s*['\"]?(?!data:|#)", re.IGNORECASE)


def leaflet_folder() -> Path:
    """Where the Leaflet that XStatic-Leaflet carries lies, as it was published."""
    from xstatic.pkg import leaflet

    return Path(leaflet.BASE_DIR)


def leaflet_file(name: str) -> bytes:
    """A file of that Leaflet."""
    return (leaflet_folder() / name).read_bytes()


def leaflet_script() -> str:
    """Leaflet's program, without the links that its attribution and its source map would show."""
    text = leaflet_file("leaflet.js").decode("utf-8").replace("\r\n", "\n")
    text = re.sub(r"\n//# sourceMappingURL=\S+\s*$", "\n", text)
    # An address in a script reads like a request to whoever checks that the page makes none.
    return text.replace("https://leafletjs.com", "")


def leaflet_style() -> str:
    """Leaflet's style sheet without the rules that load pictures (the page uses none of them)."""
    text = leaflet_file("leaflet.css").decode("utf-8").replace("\r\n", "\n")
    text = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    # Pictures of the style sheet would be loaded from beside the page, where there are none.
    kept = [rule for rule in re.findall(r"[^{}]+\{[^{}]*\}", text) if "url(" not in rule]
    return "".join(kept)


def template_text(name: str) -> str:
    """A file of siting/web."""
    return (WEB / name).read_text(encoding="utf-8")


def page_script(entry: str, *, before: str = "") -> str:
    """The modules that `entry` needs as one script that leaves no name behind in the page.

    Parameters
    ----------
    entry : str
        Path of a module below siting/web.
    before : str
        A script to run first, whose names the modules may use.
    """
    own = bundle(entry, read=template_text)
    return f"(function () {{\n{before}\n{own}\n}})();\n"


def source_hash(text: str) -> str:
    """A script or style as a Content-Security-Policy names it."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return "'sha256-" + base64.b64encode(digest).decode("ascii") + "'"


def security_policy(*, scripts: Sequence[str], styles: Sequence[str]) -> str:
    """The policy under which only these scripts and styles run and nothing is loaded.

    Pictures may be made by the page's own scripts; a page without scripts has none.
    """
    run = ["script-src " + " ".join(map(source_hash, scripts))] if scripts else []
    return "; ".join(
        [
            "default-src 'none'",
            *run,
            "style-src " + (" ".join(map(source_hash, styles)) or "'none'"),
            *(["img-src data: blob:"] if scripts else []),
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )


def page_of_scripts(
    template: str,
    *,
    entry: str,
    styles: Sequence[str],
    data: Mapping[str, Any],
    before: str = "",
    **values: object,
) -> str:
    """A page that draws itself from its data, whole in one file, as HTML text.

    Parameters
    ----------
    template : str
        Path of a template below siting/web that extends shared/page.html.
    entry : str
        Path of its first module below siting/web.
    styles : paths of its style sheets below siting/web; Leaflet's own comes before them
    data : what the scripts read, as JSON
    before : str
        A script to run before the modules.
    **values
        Further values of the template.

    Raises
    ------
    RuntimeError
        When the page would load anything from elsewhere.
    """
    scripts = [leaflet_script(), page_script(entry, before=before)]
    first = template_text("shared/first.js")
    sheets = [leaflet_style(), *map(template_text, styles)]
    html = render(
        template,
        policy=security_policy(scripts=[first, *scripts], styles=sheets),
        first_script=Markup(first),
        scripts=[Markup(text) for text in scripts],
        styles=[Markup(text) for text in sheets],
        island=Markup(json_for_script(data)),
        **values,
    )
    # In every run and not in the tests alone: the names and layers of users are in this page.
    check_page(html)
    return html


def page_without_scripts(template: str, *, style: str, **values: object) -> str:
    """A page to read and print, as HTML text: one style sheet, no script, nothing loaded.

    Raises
    ------
    RuntimeError
        When the page would load anything from elsewhere.
    """
    sheet = template_text(style)
    html = render(
        template,
        policy=security_policy(scripts=[], styles=[sheet]),
        styles=[Markup(sheet)],
        **values,
    )
    check_page(html)
    return html


def render(template: str, **values: object) -> str:
    """A template of this package filled in; every value is escaped unless it is Markup."""
    return str(_templates().get_template(template).render(**values))


@functools.cache
def _templates() -> Environment:
    """The templates, each compiled once in a process: a batch fills in thousands."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(WEB),
        autoescape=True,
        # A name misspelt in a template stops the run; without this it would print as nothing.
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        auto_reload=False,
    )
    # For every template: who made the page, and the credit that the map library's licence asks for.
    environment.globals |= {"version": __version__, "map_credit": MAP_CREDIT}
    return environment


def check_page(html: str) -> None:
    """Refuse a page that would load anything, or that has a script or style the policy forbids.

    Raises
    ------
    RuntimeError
        With what was found; no input of a user can cause it.
    """
    reader = _Reader()
    reader.feed(html)
    reader.close()
    if reader.faults:
        raise RuntimeError(f"the page would reach outside itself: {reader.faults[0]}")


class _Reader(HTMLParser):
    """Looks at every element of a page for something that loads."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {name: value or "" for name, value in attrs}
        # Data in a script element does not run: an address in somebody's note is only words.
        inert = tag == "script" and values.get("type") in _INERT
        self._inside = "" if inert else tag
        if tag in ("base", "iframe", "object", "embed", "link"):
            self.faults.append(f"<{tag}>")
        for name, value in values.items():
            if name in _LOADING and not value.startswith(_HARMLESS):
                self.faults.append(f'{name}="{value[:60]}" in <{tag}>')
            if name == "style" or name.startswith("on"):
                self.faults.append(f"an inline {name} in <{tag}>")

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "style" and (hit := _CSS_LOAD.search(data)):
            self.faults.append(f"{data[hit.start() : hit.start() + 60]!r} in a style")
        if self._inside == "script":
            for name in _NAMES:
                data = data.replace(name, "")
            if hit := _ADDRESS.search(data):
                self.faults.append(f"{hit.group()!r} in a script")
