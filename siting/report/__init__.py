"""The door out: everything a result is written to."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Mapping
from pathlib import Path

from siting.disk.files import LAST, remove, staged
from siting.kernels.aside import made_aside
from siting.report.ahead import NAMES as AHEAD
from siting.report.ahead import ReportAhead
from siting.report.destination import PUBLIC, SCORE, check_destination
from siting.settings.inputs import Inputs, SurveyInput
from siting.settings.protocol import Protocol
from siting.types import Result

Content = Callable[[], str | bytes]


def go_on() -> None:
    """Files are always wanted where nobody says otherwise."""


def write_report(
    result: Result,
    folder: str | os.PathLike[str],
    *,
    protocol: Protocol,
    inputs: Inputs,
    time: dt.datetime | None = None,
    public: bool = False,
    before_each: Callable[[], None] = go_on,
    ahead: ReportAhead | None = None,
) -> Mapping[str, str]:
    """Write every output of one parcel into a folder: all of them, or none.

    The files appear together when the last is complete, run.json last of all. The same result
    gives the same bytes in every file except for the time in run.json.

    Parameters
    ----------
    result : Result
    folder : str or path
        Made if missing; files of an earlier run in it are replaced.
    protocol : Protocol
        The rules the result was made by.
    inputs : Inputs
        What the result was made from; its planned days and time zone go into the deployments.
    time : datetime with a time zone, or None for now
        When the run was made, for run.json.
    public : bool
        Write only what may be passed on: rounded places, no parcel, no layers, no map.
    before_each : function
        Called before each file is made; what it raises ends the writing, and nothing is written.
    ahead : ReportAhead or None
        The second process that has begun with this result, where there is one.

    Returns
    -------
    mapping from file name to the SHA-256 of its bytes

    Raises
    ------
    SitingError
        E-OUT-01 when the folder cannot be made, E-OUT-02 when a file that is read would be
        overwritten, E-OUT-03 when the folder holds another kind of run.
    ResourceError
        E-DISK-01 when the disk is full or refuses.
    """
    from siting.report.files.public import public_place
    from siting.report.files.record import public_json, run_json

    folder = Path(folder)
    when = time if time is not None else dt.datetime.now(dt.UTC)
    contents = _public_contents if public else _contents
    kind = PUBLIC if public else SCORE
    check_destination(folder, output_names(public=public), kind=kind, inputs=inputs)
    makers = contents(result, protocol=protocol, inputs=inputs)
    begun = ahead is not None and ahead.at_work
    elsewhere = {n: makers[n] for n in (AHEAD if begun else _ASIDE) if n in makers}
    aside = ahead.made(result, elsewhere) if ahead and begun else made_aside(elsewhere)
    with aside as waiting, staged(folder) as stage:
        # Those of the second process last: they are made while this one makes its own.
        for name in sorted(makers, key=lambda name: name in elsewhere):
            before_each()
            stage.write(name, waiting.get(name, makers[name])())
        digests = stage.digests()
        outputs = {name: digests[name] for name in makers}
        if public:
            record = public_json(
                result,
                protocol=protocol,
                outputs=outputs,
                time=when,
                decimals=public_place(result, decimals=protocol.sharing.decimals).decimals,
            )
        else:
            record = run_json(result, protocol=protocol, inputs=inputs, outputs=outputs, time=when)
        # Last of all: a folder holds a finished run exactly when its run.json is there.
        stage.write(LAST, record)
        outputs[LAST] = stage.digests()[LAST]
    # The draw of an earlier run would stand beside results that it does not belong to.
    for name in set(_DRAWN) - set(outputs):
        remove(folder / name)
    return outputs


_EXACT = (
    "map.html", "field_sheet.html", "spots.geojson", "spots.csv", "spots.gpx", "spots.gpkg",
    "deployments.csv", "datapackage.json", "places.csv", "suitability.tif",
)  # fmt: skip
_DRAWN = (
    "random_places.csv", "random_places.gpx", "random_deployments.csv", "random_datapackage.json",
)  # fmt: skip
# About half of the work: made by a second core while the first makes the map.
_ASIDE = ("field_sheet.html", "suitability.tif")
# A list of what may be passed on: a new file is private until somebody adds it here.
_SHARED = ("spots.geojson", "spots.csv", "deployments.csv", "datapackage.json")


def output_names(*, public: bool) -> tuple[str, ...]:
    """Names of the files that a run of one parcel writes, run.json last."""
    return (*(_SHARED if public else (*_EXACT, *_DRAWN)), LAST)


def _contents(result: Result, *, protocol: Protocol, inputs: Inputs) -> dict[str, Content]:
    """What makes each file but run.json, in order of writing."""
    # Loaded with the first run only: `siting --help` takes 0.06 s (docs/method/speed.md).
    from siting.report.files import deployments, gpx, tables
    from siting.report.files.geopackage import geopackage
    from siting.report.files.places import parcel_places_csv
    from siting.report.files.raster import suitability_tif
    from siting.report.page.map import map_page
    from siting.report.paper.sheet import field_sheet
    from siting.report.shared.facts import spot_facts

    facts = spot_facts(result)
    drawn = _random_contents(result, protocol=protocol, survey=inputs.survey)
    survey, camera = inputs.survey, protocol.camera
    return {
        # Each is made when it is written, so that only one of them is held in memory.
        "map.html": lambda: map_page(result, protocol=protocol),
        "field_sheet.html": lambda: field_sheet(
            result, facts, protocol=protocol, survey=inputs.survey
        ),
        "spots.geojson": lambda: tables.geojson(result, facts),
        "spots.csv": lambda: tables.spots_csv(result, facts),
        "spots.gpx": lambda: gpx.gpx(result, facts),
        "spots.gpkg": lambda: geopackage(result, facts, set_backs=protocol.no_go),
        "deployments.csv": lambda: deployments.deployments_csv(
            result, facts, survey=survey, camera=camera
        ),
        "datapackage.json": lambda: deployments.datapackage_json(result, facts, survey=survey),
        "places.csv": lambda: parcel_places_csv(result),
        "suitability.tif": lambda: suitability_tif(result.land, result.scores, result.no_go),
        **(drawn if result.random_places else {}),
    }


def _random_contents(
    result: Result, *, protocol: Protocol, survey: SurveyInput
) -> dict[str, Content]:
    """What makes each file of the places drawn at random."""
    from siting.report.files import random_places as drawn

    makers: tuple[Content, ...] = (
        lambda: drawn.places_csv(result, protocol=protocol),
        lambda: drawn.places_gpx(result),
        lambda: drawn.deployments_csv(result, protocol=protocol, survey=survey),
        lambda: drawn.datapackage_json(result, survey=survey),
    )
    return dict(zip(_DRAWN, makers, strict=True))


def _public_contents(result: Result, *, protocol: Protocol, inputs: Inputs) -> dict[str, Content]:
    """What makes each file that may be passed on, in order of writing."""
    from siting.report.files import deployments, public

    place = public.public_place(result, decimals=protocol.sharing.decimals)
    facts = public.public_facts(result, place)
    # Parcel and layers are taken out before anything is made: what is not there cannot slip in.
    hidden = public.public_result(result)
    survey, camera = inputs.survey, protocol.camera
    return {
        "spots.geojson": lambda: public.public_geojson(hidden, facts),
        "spots.csv": lambda: public.public_csv(hidden, facts),
        "deployments.csv": lambda: deployments.deployments_csv(
            hidden, facts, survey=survey, camera=camera
        ),
        "datapackage.json": lambda: deployments.datapackage_json(
            hidden, facts, survey=survey, outline=False
        ),
    }
