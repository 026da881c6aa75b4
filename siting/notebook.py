"""The program from Python: a call or two, and a result that shows itself in a notebook.

Every function takes a file's name, a path, or what an earlier call returned, so that a short
session needs one line and a long one can put its own pieces in between. What comes out is the
same, byte for byte, as from the command line.
"""

from __future__ import annotations

import html
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siting.disk.files import make_folder
from siting.disk.lock import locked
from siting.kernels.bands import one_thread
from siting.lengths import NO_BREAK, index_text, percent
from siting.pipeline import nothing_begun
from siting.pipeline import site_parcel as run_pipeline
from siting.read import land
from siting.read.vector.decision_files import Decisions
from siting.report import go_on, write_report
from siting.report.ahead import ReportAhead
from siting.settings.inputs import Inputs
from siting.settings.load import load_inputs, load_protocol, protocol_with
from siting.settings.protocol import Protocol
from siting.types import Parcel, Result

if TYPE_CHECKING:
    import geopandas as gpd

AnyInputs = Inputs | str | os.PathLike[str] | Mapping[str, Any]
AnyProtocol = Protocol | str | os.PathLike[str] | Mapping[str, Any] | None
# Writing takes seconds; a run that hangs must not hold the notebook for ever.
_WRITING_S = 60.0
_FRAME_HEIGHT_PX = 640


@dataclass(frozen=True, repr=False, kw_only=True)
class SitedParcel(Result):
    """The result of one parcel, with the inputs and the protocol it was made from.

    All that a `Result` holds is here under the same names: `spots`, `layers`, `scores`, `no_go`,
    `land.grid` and so on, as arrays and plain values. At the end of a notebook cell it draws the
    ranked map.
    """

    inputs: Inputs = field(repr=False)
    protocol: Protocol = field(repr=False)

    def spots_frame(self) -> gpd.GeoDataFrame:
        """The spots as a table, best first.

        Returns
        -------
        GeoDataFrame
            One row per spot with the columns of spots.csv (docs/outputs.md; units are in their
            names) and points in EPSG:4326 (lon, lat). None or NaN = not known.
        """
        import geopandas as gpd

        from siting.report.files import columns
        from siting.report.shared.facts import spot_facts

        # The very columns of spots.csv, so that no table of the program tells another story.
        rows = [columns.SpotRow(self.land.parcel, fact) for fact in spot_facts(self)]
        values = {c.name: [c.cell(row) for row in rows] for c in columns.COLUMNS}
        places = gpd.points_from_xy(values["lon_deg"], values["lat_deg"], crs="EPSG:4326")
        return gpd.GeoDataFrame(values, geometry=places, crs="EPSG:4326")

    def write(
        self,
        folder: str | os.PathLike[str],
        *,
        public: bool = False,
        before_each: Callable[[], None] | None = None,
        ahead: ReportAhead | None = None,
    ) -> Path:
        """Write the map, the sheet and the files into a folder: all of them, or none.

        Parameters
        ----------
        folder : str or path
            Made if missing; files of an earlier run in it are replaced.
        public : bool
            Write only what may be passed on: rounded places, no parcel, no layers, no map.
        before_each : function or None
            Called before each file is made; what it raises ends the writing, and nothing is
            written.
        ahead : ReportAhead or None
            The second process that `site_parcel` began the files with.

        Returns
        -------
        Path of the folder

        Raises
        ------
        SitingError
            E-OUT-01 when the folder cannot be made or used, E-LOCK-01 when another run holds it.
        ResourceError
            E-DISK-01 when the disk is full or refuses.
        """
        place = Path(folder)
        make_folder(place)
        # Writing takes a moment; a second run into the same folder waits for its turn.
        with one_thread(), locked(place, wait_s=_WRITING_S):
            write_report(
                self,
                place,
                protocol=self.protocol,
                inputs=self.inputs,
                public=public,
                before_each=before_each or go_on,
                ahead=ahead,
            )
        return place

    def map_html(self) -> str:
        """The ranked map as one HTML page that needs no network."""
        from siting.report.page.map import map_page

        return map_page(self, protocol=self.protocol)

    def __repr__(self) -> str:
        parcel, count = self.land.parcel, len(self.spots)
        best = f", the best {index_text(self.spots[0].score)} times plain ground" if count else ""
        text = (
            f"<SitedParcel {parcel.id[:40]!r}: {count} {'spot' if count == 1 else 'spots'}{best}; "
            f"{percent(self.usable_share)} of the land is open to a camera; "
            f"{sum(note.level == 'warning' for note in self.notes)} warnings. "
            "See .spots_frame(), .layers, .notes, .write(folder)>"
        )
        # A terminal that does not know the space that does not break shows a square for it.
        return text.replace(NO_BREAK, " ")

    def _repr_html_(self) -> str:
        # A sandbox without the notebook's origin: the page's scripts run, and reach nothing else.
        page = html.escape(self.map_html(), quote=True)
        name = html.escape(self.land.parcel.id, quote=True)
        return (
            f'<iframe title="Ranked map of {name}" sandbox="allow-scripts allow-downloads" '
            f'style="width:100%;height:{_FRAME_HEIGHT_PX}px;border:1px solid #999" '
            f'srcdoc="{page}"></iframe>'
        )


def site_parcel(
    inputs: AnyInputs,
    protocol: AnyProtocol = None,
    parcel: Parcel | str | None = None,
    *,
    progress: Callable[[str], None] | None = None,
    decisions: Decisions | None = None,
    ahead: ReportAhead | None = None,
) -> SitedParcel:
    """Find, rank and explain the spots of one parcel.

    Parameters
    ----------
    inputs : str, path, mapping or Inputs
        The inputs file, or its tables as a mapping (docs/inputs.md); relative paths in a mapping
        count from the working folder.
    protocol : str, path, mapping, Protocol or None
        The survey's rules; a mapping holds only what differs from the default, None is the
        default.
    parcel : str, Parcel or None
        Which parcel: its identifier where the file holds several, or one that was read before.
    progress : function of one str, or None
        Called with the name of each stage as it begins.
    decisions : Decisions or None
        What was decided about the parcel; None reads the files that the inputs name.
    ahead : ReportAhead or None
        Begins the files before the places are known, for a result that will be written.

    Returns
    -------
    SitedParcel

    Raises
    ------
    SitingError
        With a stable code; see docs/errors.md.
    """
    given, rules = as_inputs(inputs), as_protocol(protocol)
    outline = parcel if isinstance(parcel, Parcel) else read_parcel(given, parcel or "")
    with one_thread():
        result = run_pipeline(
            given,
            rules,
            outline,
            progress=progress or _silent,
            decisions=decisions,
            begin=nothing_begun if ahead is None else ahead.begin,
        )
    found = {f.name: getattr(result, f.name) for f in fields(Result)}
    return SitedParcel(**found, inputs=given, protocol=rules)


def site_parcels(
    inputs: AnyInputs,
    folder: str | os.PathLike[str],
    protocol: AnyProtocol = None,
    *,
    pages: int | None = 0,
    workers: int | None = None,
    assign: bool = False,
) -> gpd.GeoDataFrame:
    """Score every parcel of a file into a folder, as `siting batch` does; resumes where it stopped.

    Parameters
    ----------
    inputs, protocol
        As `site_parcel` takes them; the inputs name a file of parcels.
    folder : str or path
        Holds the tables, the overview and the journal afterwards; made if missing.
    pages : int or None
        For how many of the best parcels map, sheet and files are written; None is all.
    workers : int or None
        Processes; None is as many as the machine carries, 0 works in this process.
    assign : bool
        Propose a parcel and spot for each survey cell.

    Returns
    -------
    GeoDataFrame
        One row per scored parcel with the columns of parcels.csv (docs/batch.md) and outlines in
        EPSG:4326. Parcels that could not be scored are in failures.csv of the folder.

    Raises
    ------
    SitingError
        For what concerns all parcels: a raster, the parcels file or the folder.
    """
    from siting.batch.output.tables import parcels_frame
    from siting.batch.run import run_batch
    from siting.batch.work import Options

    options = Options(pages=pages, workers=workers, assign=assign)
    outcome = run_batch(
        as_inputs(inputs), as_protocol(protocol), Path(folder), options=options, watcher=_Nobody()
    )
    return parcels_frame(outcome.batch)


def read_parcel(inputs: AnyInputs, parcel: str = "") -> Parcel:
    """The one parcel of the inputs, or the one with this identifier, checked.

    Raises
    ------
    SitingError
        E-GEOM-05 when the file holds several and none is named, or none of this name.
    """
    given = as_inputs(inputs)
    if parcel:
        # A copy: the caller's inputs stay as they are, for the next parcel.
        named = given.parcel.model_copy(update={"id": parcel})
        given = given.model_copy(update={"parcel": named})
    return land.read_parcel(given)


def parcel_ids(inputs: AnyInputs) -> tuple[str, ...]:
    """Identifiers of all parcels of the inputs' file, in the file's order."""
    given = as_inputs(inputs)
    if given.parcel.point is not None:
        return (land.read_parcel(given).id,)
    return tuple(parcel.id for parcel in land.all_parcels(given))


def as_inputs(inputs: AnyInputs) -> Inputs:
    """Inputs from a file's name, a path or the tables of such a file."""
    if isinstance(inputs, Inputs):
        return inputs
    return load_inputs(None, inputs) if isinstance(inputs, Mapping) else load_inputs(inputs)


def as_protocol(protocol: AnyProtocol) -> Protocol:
    """A protocol from a file's name, a path or what differs from the default."""
    if isinstance(protocol, Protocol):
        return protocol
    return protocol_with(protocol) if isinstance(protocol, Mapping) else load_protocol(protocol)


def _silent(stage: str) -> None:
    del stage


class _Nobody:
    """A watcher that shows nothing: a notebook has no line to redraw."""

    def stage(self, words: str) -> None: ...

    def begin(self, total: int, *, done: int) -> None: ...

    def ended(self, *, failed: bool) -> None: ...
