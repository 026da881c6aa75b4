"""Every failure a user can cause, with a stable code.

    SitingError                 exit status 3: something given to the program is wrong
    ├── SettingsError           all faults of an inputs or protocol file at once
    └── ResourceError           disk, memory or a lock: the input may be right, the machine is not

A message has three parts: what is wrong (with the value), the rule it breaks, and the cure.
"""

from __future__ import annotations

import errno
from collections.abc import Sequence

CODES: dict[str, str] = {
    "E-CRS-01": "A file has no coordinate system.",
    "E-CRS-02": "A coordinate system cannot be tied to a place on Earth.",
    "E-CRS-03": "A coordinate system you gave is not recognised.",
    "E-CRS-05": "The working grid must be in metres on a local map projection.",
    "E-CRS-06": "Coordinates cannot be converted: they lie outside what the system covers.",
    "E-CRS-07": "Coordinates do not fit the coordinate system that the file declares.",
    "E-DATUM-01": "An exact datum conversion is not possible here.",
    "E-ENV-01": "Tables or settings of the map libraries belong to another program.",
    "E-GEO-01": "A raster has no position on the ground.",
    "E-GEO-02": "A raster is positioned only by control points or a sensor model.",
    "E-GEO-03": "A raster has too few cells.",
    "E-GEO-04": "A raster's cells are too coarse to say anything about one parcel.",
    "E-BAND-01": "A raster has several bands and none was chosen.",
    "E-NODATA-01": "A value that looks like 'no data' is not declared as such.",
    "E-NODATA-02": "A raster holds no usable value over the parcel.",
    "E-VALUE-01": "A raster holds a kind of number that cannot be used.",
    "E-VALUE-02": "Elevations are outside what exists on Earth.",
    "E-UNIT-01": "The unit of the elevations is not known.",
    "E-UNIT-02": "Two statements about the unit of the elevations contradict each other.",
    "E-CODES-01": "The land-cover raster holds codes that the legend does not know.",
    "E-CODES-02": "The land-cover raster does not hold class codes.",
    "E-CODES-03": "Two numberings of one legend are mixed in the raster.",
    "E-LEGEND-01": "A legend is not known or its table is faulty.",
    "E-TILES-01": "Tiles of one raster do not fit together.",
    "E-COVER-01": "A raster does not overlap the parcel.",
    "E-COVER-02": "A raster covers too little of the parcel.",
    "E-GEOM-01": "A parcel has no usable outline.",
    "E-GEOM-02": "Repairing an outline changes its area too much.",
    "E-GEOM-03": "A parcel is too small or too large for the method.",
    "E-GEOM-04": "A parcel is too small or too narrow for the cells.",
    "E-GEOM-05": "A parcel file holds several parcels and none was chosen.",
    "E-GEOM-06": "A point and radius do not describe a parcel.",
    "E-GEOM-07": "Two parcels of one batch cannot be distinguished.",
    "E-FILE-01": "A file is missing.",
    "E-FILE-02": "A file cannot be read as what it should be.",
    "E-FILE-03": "A file cannot be read: permission denied.",
    "E-FILE-04": "A kind of file or path is not accepted.",
    "E-FILE-05": "A layer is missing from a file, or none was named.",
    "E-FILE-06": "A file is too large or too complex to be read.",
    "E-EXTENT-01": "The area within which a layer is known is not an area.",
    "E-FIELD-01": "A layer lacks a column, or a column holds unknown values.",
    "E-CHANGED-01": "A file changed while it was being used.",
    "E-SETTINGS-01": "An inputs or protocol file has faults.",
    "E-SETTINGS-02": "A TOML file cannot be read.",
    "E-SETTINGS-03": "A protocol has the weights of an earlier version.",
    "E-WEIGHTS-01": "A pairwise comparison matrix is faulty.",
    "E-WEIGHTS-02": "A pairwise comparison is too inconsistent.",
    "E-TIME-01": "A time has no time zone, or the time zone is not known.",
    "E-TIME-02": "A range of days is faulty.",
    "E-VISIT-01": "A file of decisions has faults.",
    "E-VISIT-02": "A file of decisions is about another parcel.",
    "E-SKETCH-01": "A sketch file is damaged or not a sketch.",
    "E-SKETCH-02": "A sketch file was made by a newer version.",
    "E-SKETCH-03": "A sketch file is larger than a sketch may be.",
    "E-DESK-01": "An office file is not one, is damaged, or is of a newer version.",
    "E-DESK-02": "A dropped file is not an outline file that can be read.",
    "E-DESK-03": "A dropped file is larger or slower than the desk allows.",
    "E-DESK-04": "A new office has no maps.",
    "E-DESK-05": "The desk cannot listen on the port asked for.",
    "E-DESK-06": "Data cannot be gathered for this sign-up now.",
    "E-LETTER-01": "A letter template cannot be filled in.",
    "E-OUT-01": "The output folder cannot be used.",
    "E-OUT-02": "A run would overwrite a file that it reads.",
    "E-OUT-03": "The output folder holds another kind of run.",
    "E-OUT-04": "The output folder holds results that would be replaced.",
    "E-DISK-01": "Writing failed: the disk is full or refused.",
    "E-LOCK-01": "Another run is writing to this folder.",
    "E-DEPLOY-01": "A deployment stands on two rows, or has no identifier.",
    "E-PACK-01": "Two packages hold unlike deployments of one identifier.",
    "E-PACK-02": "An archive holds two packages.",
    "E-PLACE-01": "All places of a package are rounded.",
    "E-PLACE-02": "Most cameras of a season stood where the maps do not reach.",
    "E-REV-02": "A deployment was used for this protocol before.",
    "E-TABLE-01": "A table of a package, or a plain table, has a fault.",
    "E-ENGINE-01": "The engine that the protocol names is not installed.",
    "E-MEM-01": "The work would need more memory than is allowed or available.",
    "E-CRASH-01": "A worker died while it worked on this parcel.",
    "E-BATCH-01": "A batch cannot be started.",
    "E-NET-01": "An address is not one that may be asked.",
    "E-NET-02": "A host is not allowed, or its name leads into a private network.",
    "E-NET-03": "A server refused a request for good.",
    "E-NET-04": "A server did not answer whole or in time.",
    "E-NET-05": "The network cannot be reached.",
    "E-NET-06": "A server does not send parts of files as it should.",
    "E-NET-07": "A server sent something else than was asked.",
    "E-STAC-01": "A catalogue page is not what it should be, or is too large.",
    "E-STAC-02": "A catalogue is too long to be walked.",
    "E-STAC-03": "A catalogue has nothing for this land.",
    "E-STAC-04": "An item of a catalogue lacks the file that the recipe names.",
    "E-SIZE-01": "More would be downloaded than is allowed.",
    "E-SIZE-02": "A file would unfold to more than this machine can hold.",
    "E-BOX-01": "A region lies where no data can be gathered.",
    "E-BOX-02": "A region is too large, or its numbers are no place.",
    "E-SUM-01": "A file does not have the checksum that its catalogue states.",
    "E-KEY-01": "A key that a recipe needs is not set.",
    "E-RECIPE-01": "There is no such recipe, or it lacks a part.",
    "E-LIDAR-01": "A point cloud has no classes of points.",
    "E-LIDAR-02": "A point cloud holds heights above the ground, not elevations.",
    "E-LIDAR-03": "A point cloud cannot be read or placed.",
    "E-OSM-01": "OpenStreetMap extracts cannot be read here.",
    "E-OSM-02": "An OpenStreetMap extract does not cover the land.",
    "E-ASSIGN-01": "Parcels cannot be assigned to survey cells.",
    "E-INTERNAL": "A fault of the program itself.",
}


class SitingError(Exception):
    """A failure with a stable code, in three parts: what, rule and cure.

    Parameters
    ----------
    code : str
        One of `CODES`.
    what : str
        What is wrong, with the value found.
    rule : str
        The rule that is broken, one sentence.
    cure : str
        What the user can do, one sentence.
    """

    # Tests and scripts of offices ask for this number: 3 is "the input is wrong", whatever the
    # code.
    exit_status = 3

    def __init__(self, code: str, what: str, *, rule: str = "", cure: str = "") -> None:
        self.code = code
        self.what = what
        self.rule = rule
        self.cure = cure
        super().__init__(code, what, rule, cure)

    def __str__(self) -> str:
        parts = [part for part in (self.what, self.rule, self.cure) if part]
        return f"{self.code}: {' '.join(parts)}"

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions with keyword-only arguments do not survive a process pool unless told how.
        return (_rebuild, (type(self), self.code, self.what, self.rule, self.cure))


def _rebuild(kind: type[SitingError], code: str, what: str, rule: str, cure: str) -> SitingError:
    # Past the subclass's own __init__, which takes other arguments than the parts kept here.
    error = kind.__new__(kind)
    SitingError.__init__(error, code, what, rule=rule, cure=cure)
    return error


class SettingsError(SitingError):
    """All faults of one settings file in one message.

    Parameters
    ----------
    source : str
        The file (or "the command line") the faults are in.
    faults : sequence of str
        One line per fault: key, value, rule, cure.
    """

    # One fault a line: people go through them one by one in an editor.
    def __init__(self, source: str, faults: Sequence[str]) -> None:
        lines = "".join(f"\n  - {fault}" for fault in faults)
        count = "one fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__("E-SETTINGS-01", f"{source} has {count}:{lines}")


class ResourceError(SitingError):
    """The machine could not do it: disk, memory, lock."""


# How libraries that are not Python call a lack of memory: GEOS and GDAL hand on C++'s name for it,
# SuperLU tells which of its own calls failed.
_NO_MEMORY = ("bad_alloc", "out of memory", "allocate memory", "memory allocation", "malloc fail")


def out_of_memory(error: BaseException | None) -> bool:
    """Whether a failure, or one that it came from, is a lack of memory under whatever name.

    Examples
    --------
    >>> out_of_memory(RuntimeError("std::bad_alloc")), out_of_memory(ValueError("no number"))
    (True, False)
    """
    while error is not None:
        # By their words: GEOS and GDAL raise a plain RuntimeError, SuperLU prints and raises its
        # own.
        text = str(error).lower()
        if (
            isinstance(error, MemoryError)
            or getattr(error, "errno", None) == errno.ENOMEM
            or (not isinstance(error, SitingError) and any(words in text for words in _NO_MEMORY))
        ):
            return True
        # A library's error is often wrapped in ours by the time it comes here.
        error = error.__cause__ or error.__context__
    return False


def memory_error(what: str = "The machine has run out of memory.") -> ResourceError:
    """E-MEM-01 for work that began and could not go on."""
    return ResourceError(
        "E-MEM-01",
        what,
        rule="The parcel with its surroundings must fit in memory.",
        cure="Close other programs, use fewer workers, set a larger grid.cell_size_m, or split "
        "the parcel.",
    )
