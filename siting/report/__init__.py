"""The door out: everything a result is written to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from pathlib import Path

from siting.files import LAST, staged
from siting.inputs import Inputs
from siting.protocol import Protocol
from siting.types import Result

Content = Callable[[], str | bytes]


def write_report(
    result: Result,
    folder: Path,
    *,
    protocol: Protocol,
    inputs: Inputs,
    time: dt.datetime | None = None,
) -> Mapping[str, str]:
    """Write every output of one parcel into a folder: all of them, or none.

    The files appear together when the last is complete, run.json last of all. The same result
    gives the same bytes in every file but for the time in run.json.

    Parameters
    ----------
    result : Result
    folder : Path
        Made if missing; files of an earlier run in it are replaced.
    protocol : Protocol
        The rules the result was made by.
    inputs : Inputs
        What the result was made from; its planned days and time zone go into the deployments.
    time : datetime with a time zone, or None for now
        When the run was made, for run.json.

    Returns
    -------
    mapping from file name to the SHA-256 of its bytes, in order of writing

    Raises
    ------
    SitingError
        E-OUT-01 when the folder cannot be made.
    ResourceError
        E-DISK-01 when the disk is full or refuses.
    """
    from siting.report.record import run_json

    when = time if time is not None else dt.datetime.now(dt.UTC)
    with staged(folder) as stage:
        for name, content in _contents(result, protocol=protocol, inputs=inputs).items():
            stage.write(name, content())
        outputs = stage.digests()
        record = run_json(result, protocol=protocol, inputs=inputs, outputs=outputs, time=when)
        stage.write(LAST, record)
        return stage.digests()


def _contents(result: Result, *, protocol: Protocol, inputs: Inputs) -> dict[str, Content]:
    """What makes each file but run.json, in order of writing."""
    from siting.report import deployments, exchange
    from siting.report.facts import spot_facts
    from siting.report.geopackage import geopackage
    from siting.report.map import map_page
    from siting.report.raster import suitability_tif
    from siting.report.sheet import field_sheet

    facts = spot_facts(result)
    survey, camera = inputs.survey, protocol.camera
    return {
        "map.html": lambda: map_page(result, protocol=protocol),
        "field_sheet.html": lambda: field_sheet(
            result, facts, protocol=protocol, survey=inputs.survey
        ),
        "spots.geojson": lambda: exchange.geojson(result, facts),
        "spots.csv": lambda: exchange.spots_csv(result, facts),
        "spots.gpx": lambda: exchange.gpx(result, facts),
        "spots.gpkg": lambda: geopackage(result, facts, set_backs=protocol.no_go),
        "deployments.csv": lambda: deployments.deployments_csv(
            result, facts, survey=survey, camera=camera
        ),
        "datapackage.json": lambda: deployments.datapackage_json(result, facts, survey=survey),
        "suitability.tif": lambda: suitability_tif(result),
    }
