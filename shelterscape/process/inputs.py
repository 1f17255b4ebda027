"""What a process asks for: fields whose unit, range and help come from the table of terms."""

from __future__ import annotations

import difflib
import typing
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo

from shelterscape.errors import InputError
from shelterscape.terms import TERMS


class Inputs(BaseModel):
    """Base of all inputs: unknown names are refused and nothing changes once accepted."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True)
class Source:
    """Marks a field that names a data set.

    Parameters
    ----------
    kind : {"raster", "layer", "cover", "winds", "table", "file"}
        A cover is a raster or a layer.
    what : str
        What it is, in words.
    """

    kind: str
    what: str


WITH_LAYERS = ("layer", "cover")
"""Kinds of source in which a layer may be named behind the path."""

Dem = Annotated[
    str,
    Source("raster", "terrain model"),
    Field(description="Terrain model: a raster of bare-ground elevation."),
]
Winds = Annotated[
    str,
    Source("winds", "wind set"),
    Field(
        description="Wind set: a CSV table (direction_deg, frequency, mean_speed_ms), or bare "
        "directions such as 210,240,270, each counting the same."
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
        description="Places to be sheltered: polygons or points with name, purpose, head and need, "
        "as PATH or PATH:LAYER."
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
    """One data set given where several may be is a list of one."""
    several = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(one if isinstance(one, str) else str(one) for one in several)


Several = Annotated[tuple[str, ...], BeforeValidator(_as_several)]
"""Data sets of one kind, any number of them."""


def named_in(value: str | tuple[str, ...] | None) -> tuple[str, ...]:
    """The data sets an input names: none, one or several."""
    if not value:
        return ()
    return value if isinstance(value, tuple) else (value,)


def each_changed(
    value: str | tuple[str, ...], change: Callable[[str], str]
) -> str | tuple[str, ...]:
    """An input that names one or several data sets, each changed; one stays one."""
    return tuple(change(text) for text in value) if isinstance(value, tuple) else change(value)


def quantity(term: str, default: Any = ..., note: str = "") -> Any:
    """A number field with the unit, range and meaning of a term."""
    t = TERMS[term]
    return Field(
        default,
        ge=t.low,
        le=t.high,
        description=f"{t.meaning} {note}".strip(),
        json_schema_extra={"unit": t.unit, "term": t.name},
    )


class TerrainInputs(Inputs):
    """Inputs of every process that needs a terrain model."""

    dem: Dem
    crs: str | None = Field(
        None, description="Coordinate system of the terrain model, when its file does not say."
    )
    to_crs: str | None = Field(
        None, description="Coordinate system in metres to work in, such as EPSG:25832."
    )
    z_unit: Literal["m", "ft", "us-ft", "cm"] | None = Field(
        None, description="Unit of the terrain model's heights, when it is not metres."
    )


class RoughGround(Inputs):
    """How rough the ground is that open wind blows over."""

    roughness_m: float = quantity(
        "roughness", 0.03, "Of the open plain, and where no map says otherwise."
    )
    roughness: Annotated[str | None, Source("cover", "map of roughness")] = Field(
        None,
        description="Map of roughness: a raster of roughness lengths (m) or of land-cover codes, "
        "or areas with roughness_m or land_cover; the latter in words of Davenport and Wieringa "
        "(sea, smooth, open, roughly open, rough, very rough, closed, chaotic) or of your table. "
        "Hills are worked out over a few roughnesses and blended, an approximation. Mapped belts "
        "are taken out of it. As PATH or PATH:LAYER.",
    )
    roughness_table: Annotated[str | None, Source("table", "table of roughness")] = Field(
        None,
        description="PATH of a CSV table from land cover to roughness: land_cover, roughness_m.",
    )


FieldNames = Annotated[
    dict[str, str],
    Field(
        description="Column to read instead of the usual one, as LAYER.NAME=COLUMN, "
        "for example belts.height_m=HGT."
    ),
]

Asked = TypeVar("Asked", bound=BaseModel)


def ask(model: type[Asked], raw: dict[str, Any], where: str) -> Asked:
    """Check raw inputs against their description.

    Raises
    ------
    InputError
        ``name-unknown`` for a name that is not described, else ``input-refused``; the first
        fault is reported.
    """
    try:
        return model(**raw)
    except ValidationError as error:
        faults = error.errors()
        # A key misspelt is two faults, one unknown and one missing; the first helps to correct it.
        first = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
        within, name = _faulty(model, first["loc"])
        known = within.model_fields
        last = str(first["loc"][-1]) if first["loc"] else ""
        if first["type"] == "extra_forbidden":
            raise InputError(
                "name-unknown",
                "There is no such input.",
                where=where,
                value=name,
                mend=nearest(last, list(known)),
            ) from None
        told = first["msg"].removeprefix("Value error, ")
        field = next((str(part) for part in reversed(first["loc"]) if part in known), "")
        raise InputError(
            "input-refused",
            f"{name}: {told}." if name else f"{told[:1].upper()}{told[1:]}.",
            where=where,
            value=None if isinstance(first["input"], dict) else first["input"],
            mend=(known[field].description or "") if field else "",
        ) from None


def _faulty(model: type[BaseModel], place: tuple[int | str, ...]) -> tuple[type[BaseModel], str]:
    """The part of a model in which a fault is, and where in words: ``pay 2, percent``."""
    within: type[BaseModel] = model
    words: list[str] = []
    for i, part in enumerate(place):
        if isinstance(part, int):
            words[-1] += f" {part + 1}"
            continue
        words.append(part)
        if part in within.model_fields and i < len(place) - 1:
            within = _model_in(within.model_fields[part].annotation) or within
    # Of an input that takes several kinds, the last words name the kind: of no help to anybody.
    while len(words) > 1 and words[-1] not in within.model_fields and within is model:
        words.pop()
    return within, ", ".join(words)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model that an annotation holds, however deep."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_in(part) for part in typing.get_args(annotation))
    return next((model for model in found if model), None)


def nearest(name: str, known: list[str]) -> str:
    """A hint that names the nearest right word, or all of them."""
    near = difflib.get_close_matches(name, known, n=1)
    return f"Did you mean {near[0]}?" if near else f"Use one of: {', '.join(sorted(known))}."


def source_of(field: FieldInfo) -> Source | None:
    """The mark of a field that names a data set; None for other fields."""
    return next((m for m in field.metadata if isinstance(m, Source)), None)


def sources(model: type[Inputs]) -> dict[str, Source]:
    """Fields of a model that name data sets."""
    found = {name: source_of(field) for name, field in model.model_fields.items()}
    return {name: source for name, source in found.items() if source is not None}


def columns_by_layer(
    fields: dict[str, str], known: dict[str, tuple[str, ...]]
) -> dict[str, dict[str, str]]:
    """A ``LAYER.NAME=COLUMN`` mapping sorted by layer.

    Parameters
    ----------
    fields : dict of str
        Columns by the names wanted, as ``belts.height_m``.
    known : dict
        For each layer a process reads, the columns it makes use of.

    Returns
    -------
    dict
        For each of those layers, columns by the names wanted.

    Raises
    ------
    InputError
        ``name-unknown`` for a layer or column that nothing reads: it would do nothing.
    """
    names = [f"{layer}.{column}" for layer, columns in known.items() for column in columns]
    found: dict[str, dict[str, str]] = {layer: {} for layer in known}
    for name, column in fields.items():
        if name not in names:
            raise InputError(
                "name-unknown",
                "No such column of a layer is read.",
                where="fields",
                value=name,
                mend=nearest(name, names),
            )
        layer, _, wanted = name.partition(".")
        found[layer][wanted] = column
    return found
