"""The map page: one file that opens anywhere, with everything inside.

folium makes the map and lays the shaded ground and the score under it. Everything with words in
it (spots, zones, layers, list, cards) is drawn by the page's own script from one island of data,
as text: folium would put names into markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting import __version__
from siting.credits import Credit
from siting.report.page import data as page_data
from siting.report.page.land_drawn import LandDrawn, land_drawn
from siting.report.page.window import ground_window
from siting.report.shared import assets, overlays
from siting.report.shared.credits import full_lines, short_lines
from siting.report.shared.frame import PageProjection
from siting.report.shared.overlays import Picture
from siting.report.shared.text import clean
from siting.settings.protocol import Protocol
from siting.types import Result
from siting.words.cautions import FIRST

_MAP_ID = "siting"
_STYLES = ("shared/base.css", "map/page.css", "map/land.css", "map/print.css")
_MIN_ZOOM, _MAX_ZOOM = 11, 21
_SCORE_OPACITY = 0.7


def map_page(result: Result, *, protocol: Protocol, ready: LandDrawn | None = None) -> str:
    """The whole page as HTML text.

    Parameters
    ----------
    result : Result
    protocol : Protocol
        The rules the result was made by: weights, set-backs and camera numbers are shown.
    ready : LandDrawn or None
        The land of the result as it was drawn before; of another window it is drawn anew.

    Returns
    -------
    str
        UTF-8 text without surrogates; the same for the same result.
    """
    window = ground_window(result)
    if ready is None or ready.frame.grid != window:
        ready = land_drawn(result.land, result.scores, result.no_go, window=window)
    data = page_data.page_data(result, protocol=protocol, drawn=ready)
    data["score_plane"] = _plane_data(ready.colours)
    data["score_opacity"] = _SCORE_OPACITY
    data["level_grey"] = "#" + f"{overlays.level_grey():02x}" * 3
    data["made_by"] = f"siting {__version__}"
    script = folium_script(result, frame=ready.frame, shade=ready.shade, colours=ready.colours)
    return _page(data, script, result.land.credits)


def _plane_data(picture: Picture) -> dict[str, Any]:
    plane = picture.plane
    return {
        "left": plane.left,
        "top": plane.top,
        "pixel_m": plane.pixel_m,
        "width": plane.width,
        "height": plane.height,
    }


def folium_script(
    result: Result, *, frame: PageProjection, shade: Picture, colours: Picture
) -> str:
    """The script that folium writes for the map and its two pictures.

    folium names its objects at random and loads a dozen files from elsewhere; here every name is
    fixed and nothing is loaded.
    """
    import folium

    bounds = _degrees(result.land.parcel_shape, frame)
    page = folium.Map(
        location=[(bounds[0][0] + bounds[1][0]) / 2, (bounds[0][1] + bounds[1][1]) / 2],
        # Tiles come from a server: the shaded ground from the DEM takes their place.
        tiles=None,
        zoom_start=16,
        min_zoom=_MIN_ZOOM,
        max_zoom=_MAX_ZOOM,
        control_scale=False,
        zoom_snap=0.25,
        zoom_delta=0.5,
        # The credit that the licence asks for stands in the page itself (assets.MAP_CREDIT).
        attribution_control=False,
        max_bounds_viscosity=0.8,
    )
    # folium draws a random name; the same result must give the same bytes.
    page._id = _MAP_ID
    for name, picture, opacity in (("ground", shade, 1.0), ("score", colours, _SCORE_OPACITY)):
        layer = folium.raster_layers.ImageOverlay(
            picture.url,
            picture.plane.corners,
            opacity=opacity,
            class_name=f"picture-{name}",
            name=name,
        )
        layer._id = name
        layer.add_to(page)
    figure: Any = page.get_root()
    figure._id = _MAP_ID
    for element in (page, figure):
        # folium would load these from the network.
        element.default_js, element.default_css = [], []
    figure.render()
    return str(figure.script.render())


def _degrees(parcel: Geometry, frame: PageProjection) -> list[list[float]]:
    xy = shapely.get_coordinates(shapely.envelope(parcel))
    lon, lat = frame.lonlat(xy[:, 0], xy[:, 1])
    box = ((lat.min(), lon.min()), (lat.max(), lon.max()))
    # Beyond these the digits differ from one PROJ to the next, and the page with them.
    return [[round(float(degree), 9) for degree in corner] for corner in box]


def _page(data: dict[str, Any], map_script: str, result_credits: Sequence[Credit]) -> str:
    return assets.page_of_scripts(
        "map/map.html",
        entry="map/start.js",
        before=map_script,
        styles=_STYLES,
        data=data,
        title=clean(data["parcel"]["label"]),
        standing=FIRST,
        how_at_random=data["how_at_random"],
        warned=data["warned"],
        credits=short_lines(result_credits),
        credits_full=full_lines(result_credits),
        spots=data["spots"],
        asked=data["proposed"]["words"] if data["proposed"] else "",
    )
