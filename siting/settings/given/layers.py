"""The vector layers of the inputs file: one file or several to each, and what their values mean."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from siting.disk.paths import file_and_layer
from siting.settings.given.tables import LAYER_NAMES, LEFT_OUT, Table, number


def _area(value: Any) -> Any:
    """Four numbers as a tuple; the name of a file of polygons as it is."""
    if not isinstance(value, list):
        return value
    if len(value) != 4 or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value):
        raise ValueError("needs four numbers: [west, south, east, north] in degrees, WGS 84")
    west, south, east, north = (number(v) for v in value)
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise ValueError(
            f"{value} is no box of degrees; the order is [west, south, east, north], with west "
            "below east and south below north"
        )
    return (west, south, east, north)


KnownWithin = Annotated[str | tuple[float, float, float, float], BeforeValidator(_area)]
"""Where a layer was mapped: polygons ("FILE" or "FILE::LAYER"), or a box in degrees; "" = all."""


class LayerInput(Table):
    """A vector layer: `"FILE"`, `"FILE::LAYER"`, or a table with file, layer and crs.

    `error_m` is in metres, None where nobody said.
    """

    file: str = Field(
        min_length=1, description='GeoPackage, GeoJSON, shapefile or KML: "FILE" or "FILE::LAYER".'
    )
    layer: str = Field("", description="Layer inside the file, when it has several.")
    crs: str = Field("", description="Coordinate system to assert when the file has none.")
    column: str = Field("", description="Column with the class of a road or the use of a trail.")
    values: dict[str, str] = Field(
        default_factory=dict,
        description='What the column\'s values mean: { residential = "minor", path = '
        '"trails.quiet", steps = "leave out" }.',
    )
    other: str = Field(
        "", description='What every value not listed means; "leave out" drops it. Else an error.'
    )
    error_m: float | None = Field(
        None, gt=0, le=1000, description="How far the shapes may be off, metres, when it is known."
    )
    known_within: KnownWithin = Field(
        "",
        description="Where the layer was mapped: polygons, or [west, south, east, north] in "
        "degrees. Outside it nothing is known of it.",
    )
    attribution: str = Field(
        "", max_length=300, description="Line that the data's licence asks to be shown."
    )

    @property
    def paths(self) -> tuple[str, ...]:
        """The files it is read from: its own, and that of the area it is known within."""
        area = self.known_within
        return (
            (self.file, file_and_layer(area)[0]) if area and isinstance(area, str) else (self.file,)
        )

    def part_for(self, layer: str, *, home: str) -> LayerInput:
        """The input as one of its layers reads it: what is for another layer is left out.

        Parameters
        ----------
        layer : the layer that reads
        home : the layer under which the input stands; its values need no layer's name
        """

        def meaning(text: str) -> str:
            named, dot, inner = text.partition(".")
            at = named if named in LAYER_NAMES else home
            if text in LEFT_OUT or at != layer:
                return LEFT_OUT[-1]
            return (inner if dot else "*") if named in LAYER_NAMES else text

        values = {value: meaning(text) for value, text in self.values.items()}
        if layer == home:
            other = meaning(self.other) if self.other else ""
        else:
            other = meaning(self.other) if self.other else LEFT_OUT[-1]
        return self.model_copy(update={"values": values, "other": other})


# The short form "FILE::LAYER" is what people type, also as the `file` of a table.
def _layer(value: Any) -> Any:
    table = {"file": value} if isinstance(value, str) else value
    if not isinstance(table, dict) or not isinstance(table.get("file"), str):
        return value
    file, layer = file_and_layer(table["file"])
    named = table.get("layer", "")
    if layer and named and named != layer:
        raise ValueError(
            f"{table['file']} names the layer {layer!r}, and layer = {named!r} another; keep one"
        )
    return {**table, "file": file, "layer": layer or named}


# Layers come in several files: a county's streams, and the pond that the farmer drew.
def _layers(value: Any) -> Any:
    """One layer or a list of them, as a tuple."""
    return tuple(_layer(one) for one in (value if isinstance(value, list) else [value]))


SomeLayers = Annotated[tuple[LayerInput, ...], BeforeValidator(_layers)]


class Layers(Table):
    """What is known of the land; each may be left out, and each may be a list of files."""

    water: SomeLayers = ()
    trails: SomeLayers = ()
    crossings: SomeLayers = ()
    roads: SomeLayers = ()
    buildings: SomeLayers = ()
    feeders: SomeLayers = ()
    livestock: SomeLayers = ()
    no_go: SomeLayers = ()
    way_in: SomeLayers = ()
    fences: SomeLayers = ()
    trees: SomeLayers = ()

    @model_validator(mode="after")
    def _known_targets(self) -> Layers:
        for name, spec in self._named():
            for text in (*spec.values.values(), spec.other):
                layer, dot, _ = text.partition(".")
                if dot and layer not in LAYER_NAMES:
                    raise ValueError(
                        f"{name}.values: {text!r} names no layer; write LAYER.CLASS, as in "
                        f'"trails.quiet"; the layers are {", ".join(LAYER_NAMES)}'
                    )
        return self

    def _named(self) -> list[tuple[str, LayerInput]]:
        """Every file as it was given, with the layer it stands under."""
        return [(name, spec) for name in LAYER_NAMES for spec in getattr(self, name)]

    def given(self) -> dict[str, tuple[LayerInput, ...]]:
        """The layers that are given, each with its files, in a fixed order.

        A file whose values name a second layer ("trails.quiet" under roads) stands under both,
        each time with the values that are for the other left out. What is named twice alike is
        there once.
        """
        every: dict[str, dict[str, LayerInput]] = {name: {} for name in LAYER_NAMES}
        for name, spec in self._named():
            for layer in (name, *_other_layers(name, spec)):
                part = spec.part_for(layer, home=name)
                # By its text: a file named twice alike must not be drawn twice.
                every[layer].setdefault(part.model_dump_json(), part)
        return {name: tuple(files.values()) for name, files in every.items() if files}

    def files(self) -> list[tuple[str, LayerInput]]:
        """Every file of every layer with the layer's name, in a fixed order."""
        return [(name, file) for name, files in self.given().items() for file in files]


def _other_layers(home: str, spec: LayerInput) -> tuple[str, ...]:
    """Layers besides its own that a file's values name, in the order of the names."""
    named = {text.partition(".")[0] for text in (*spec.values.values(), spec.other)}
    return tuple(name for name in LAYER_NAMES if name in named and name != home)
