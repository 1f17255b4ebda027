"""Inputs of processes: fields whose unit, range and help come from the table of terms."""

from __future__ import annotations

import difflib
import os
import typing
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator
from pydantic.fields import FieldInfo

from shelterscape.errors import InputError
from shelterscape.process.hints import instruction
from shelterscape.terms import DAVENPORT_WIERINGA, TERMS


class Inputs(BaseModel):
    """Base of all inputs: refuses unknown names, and cannot be changed after the check."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True)
class Source:
    """Marks a field that names a data set.

    Parameters
    ----------
    kind : {"raster", "layer", "cover", "winds", "table", "photograph", "file"}
        Kind of data set; a cover is a raster or a layer.
    what : str
        Name of the data set in errors.
    """

    kind: str
    what: str


WITH_LAYERS = ("layer", "cover")
"""Kinds of source that may be given as PATH:LAYER."""

Dem = Annotated[
    str,
    Source("raster", "terrain model"),
    Field(description="Terrain model: a raster of bare-ground elevation."),
]
Winds = Annotated[
    str,
    Source("winds", "wind set"),
    Field(
        description="Wind set: a CSV table (direction_deg, frequency, mean_speed_ms), or wind "
        "directions of equal weight, such as 210,240,270."
    ),
]
Belts = Annotated[
    str,
    Source("layer", "belt layer"),
    Field(description="Belts: lines or polygons with height_m, as PATH or PATH:LAYER."),
]
Places = Annotated[
    str | None,
    Source("layer", "place layer"),
    Field(
        description="Places to be sheltered: polygons or points with name, purpose, head and "
        "priority, as PATH or PATH:LAYER."
    ),
]

Holdings = Annotated[
    str | None,
    Source("layer", "holding layer"),
    Field(
        description="Holdings: polygons with holding_id and name, as PATH or PATH:LAYER.",
    ),
]


def _as_several(value: Any) -> Any:
    """Data sets as a tuple; a single one becomes a tuple of one."""
    several = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(str(one) if isinstance(one, os.PathLike) else one for one in several)


Several = Annotated[tuple[str, ...], BeforeValidator(_as_several)]
"""Any number of data sets of one kind."""


def named_in(value: str | tuple[str, ...] | None) -> tuple[str, ...]:
    """Data sets that an input names: none, one or several."""
    if not value:
        return ()
    return value if isinstance(value, tuple) else (value,)


def each_changed(
    value: str | tuple[str, ...], change: Callable[[str], str]
) -> str | tuple[str, ...]:
    """An input that names one or several data sets, with `change` applied to each."""
    return tuple(change(text) for text in value) if isinstance(value, tuple) else change(value)


def quantity(term: str, default: Any = ..., note: str = "") -> Any:
    """A number input with the unit, range and meaning of a term."""
    t = TERMS[term]
    return Field(
        default,
        ge=t.low,
        le=t.high,
        description=f"{t.meaning} {note}".strip(),
        json_schema_extra={"unit": t.unit, "term": t.name},
    )


def length_of_class(value: Any) -> Any:
    """Roughness length of a class of terrain, m; other values as they are, to be checked later."""
    if not isinstance(value, str):
        return value
    word = " ".join(value.split()).casefold()
    if word in DAVENPORT_WIERINGA:
        return DAVENPORT_WIERINGA[word]
    try:
        return float(word)
    except ValueError:
        known = ", ".join(DAVENPORT_WIERINGA)
        raise ValueError(f"must be a number of metres or one of the classes {known}") from None


ROUGHNESS_CLASSES = "In m, or a class by Davenport and Wieringa: " + ", ".join(
    f"{name} ({length_m:g})" for name, length_m in DAVENPORT_WIERINGA.items()
)


ElevationUnit = Annotated[
    Literal["m", "ft", "us-ft", "cm"] | None,
    Field(description="Unit of elevation in the terrain model, if it is not metres."),
]


class TerrainInputs(Inputs):
    """Inputs of every process that needs a terrain model."""

    dem: Dem
    crs: str | None = Field(
        None,
        description="Coordinate system of the terrain model, if its file does not state one.",
        examples=["EPSG:25832"],
    )
    to_crs: str | None = Field(
        None,
        description="Coordinate system, in metres, of the calculation, such as EPSG:25832.",
        examples=["EPSG:25832"],
    )
    z_unit: ElevationUnit = None

    @property
    def map_raster(self) -> str:
        """The raster that sets the grid of the results; empty where none is given."""
        return self.dem


class RoughGround(Inputs):
    """Roughness of the ground, for the calculation of terrain wind."""

    roughness_m: float = quantity(
        "roughness_m",
        0.03,
        f"Used everywhere, or where a map of roughness has no value. {ROUGHNESS_CLASSES}.",
    )
    roughness: Annotated[str | None, Source("cover", "map of roughness")] = Field(
        None,
        description="Map of roughness, as PATH or PATH:LAYER: a raster of roughness lengths (m) or "
        "of land-cover codes, or polygons with roughness_m or land_cover. Land cover is named as "
        "by Davenport and Wieringa (sea, smooth, open, roughly open, rough, very rough, closed, "
        "chaotic) or as in your own table. Terrain wind is calculated for a few roughness lengths "
        "and interpolated, an approximation. Mapped belts are removed from the map of roughness.",
    )
    roughness_table: Annotated[str | None, Source("table", "table of roughness")] = Field(
        None,
        description="PATH of a CSV table with the roughness length of each land cover: land_cover, "
        "roughness_m.",
    )

    _by_class = field_validator("roughness_m", mode="before")(length_of_class)


FieldNames = Annotated[
    dict[str, str],
    Field(
        description="Column to read instead of the usual one, as LAYER.NAME=COLUMN, "
        "such as belts.height_m=HGT.",
        examples=["belts.height_m=HGT"],
    ),
]


class FileSection(BaseModel):
    """A section of a file; unknown keys raise an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


Model = TypeVar("Model", bound=BaseModel)


def validated(model: type[Model], raw: dict[str, Any], where: str) -> Model:
    """Raw inputs, checked against the description of a process or file.

    Parameters
    ----------
    model : type of BaseModel
        The description.
    raw : dict
        Values by the names of inputs.
    where : str
        Name of the process or file in errors.

    Returns
    -------
    BaseModel

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown name, else ``input-refused``. Only the first error is
        reported.
    """
    try:
        return model(**raw)
    except ValidationError as error:
        faults = error.errors()
        # A misspelt name gives two errors, unknown and missing; the first helps to correct it.
        first = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
        within, name = _faulty(model, first["loc"])
        known = within.model_fields
        last = str(first["loc"][-1]) if first["loc"] else ""
        # A file without any known name may be a private one, named by mistake.
        is_ours = bool(raw.keys() & model.model_fields.keys())
        if first["type"] == "extra_forbidden":
            raise InputError(
                "name-unknown",
                "Unknown input.",
                where=where,
                value=name if is_ours else None,
                hint=nearest(last, list(known)),
            ) from None
        what = first["msg"].removeprefix("Value error, ")
        field = next((str(part) for part in reversed(first["loc"]) if part in known), "")
        raise InputError(
            "input-refused",
            f"{name}: {what}." if name else f"{what[:1].upper()}{what[1:]}.",
            where=where,
            value=None if isinstance(first["input"], dict) else first["input"],
            hint=input_hint(field, known[field]) if field else "Correct these inputs.",
        ) from None


def input_hint(name: str, field: FieldInfo) -> str:
    """What to give for an input, as an instruction."""
    source = source_of(field)
    return instruction(name, field, source.kind if source else "")


def _faulty(model: type[BaseModel], place: tuple[int | str, ...]) -> tuple[type[BaseModel], str]:
    """The part of a model that has an error, and its place in words: ``pay 2, percent``."""
    within: type[BaseModel] = model
    words: list[str] = []
    for i, part in enumerate(place):
        if isinstance(part, int):
            words[-1] += f" {part + 1}"
            continue
        words.append(part)
        if part in within.model_fields and i < len(place) - 1:
            within = _model_in(within.model_fields[part].annotation) or within
    # For a union of types pydantic appends the name of the type, which does not help a user.
    while len(words) > 1 and words[-1] not in within.model_fields and within is model:
        words.pop()
    return within, ", ".join(words)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The first model inside an annotation, at any depth."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_in(part) for part in typing.get_args(annotation))
    return next((model for model in found if model), None)


def nearest(name: str, known: list[str]) -> str:
    """A hint that names the most similar known name, or all of them."""
    near = difflib.get_close_matches(name, known, n=1)
    return f"Did you mean {near[0]}?" if near else f"Use one of: {', '.join(sorted(known))}."


def source_of(field: FieldInfo) -> Source | None:
    """The data set that a field names; None for other fields."""
    return next((m for m in field.metadata if isinstance(m, Source)), None)


def sources(model: type[Inputs]) -> dict[str, Source]:
    """Fields of a model that name data sets."""
    found = {name: source_of(field) for name, field in model.model_fields.items()}
    return {name: source for name, source in found.items() if source is not None}


def columns_by_layer(
    fields: dict[str, str], known: dict[str, tuple[str, ...]]
) -> dict[str, dict[str, str]]:
    """A ``LAYER.NAME=COLUMN`` mapping, divided by layer.

    Parameters
    ----------
    fields : dict of str
        Columns in the file by usual names, such as ``belts.height_m``.
    known : dict
        Usual names of the columns that are read, by layer.

    Returns
    -------
    dict
        For each layer, columns in the file by usual names.

    Raises
    ------
    InputError
        ``name-unknown`` for a layer or column that is not read.
    """
    names = [f"{layer}.{column}" for layer, columns in known.items() for column in columns]
    found: dict[str, dict[str, str]] = {layer: {} for layer in known}
    for name, column in fields.items():
        if name not in names:
            raise InputError(
                "name-unknown",
                "This column is not read.",
                where="fields",
                value=name,
                hint=nearest(name, names),
            )
        layer, _, wanted = name.partition(".")
        found[layer][wanted] = column
    return found
