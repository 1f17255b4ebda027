"""Instructions for inputs: what to give, built from the type, range and example of a field."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Literal

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from shelterscape.terms import SYMBOLS, TERMS

_SOURCES = {
    "raster": "Give the path of a raster file, such as dem.tif.",
    "layer": "Give PATH or PATH:LAYER, such as farm.gpkg:{name}.",
    "cover": "Give the path of a raster, such as cover.tif, or of a layer: PATH:LAYER.",
    "winds": "Give the path of a CSV table, or wind directions such as 210,240,270.",
    "table": "Give the path of a CSV table, such as {name}.csv.",
    "photograph": "Give the path of a JPEG, PNG or TIFF picture, such as hedge.jpg.",
    "file": "Give the path of a TOML file, such as {name}.toml.",
}
_NUMBERS = (int, float, Decimal)


def instruction(name: str, field: FieldInfo, source_kind: str = "") -> str:
    """What to give for an input, as an instruction.

    Parameters
    ----------
    name : str
        Name of the input.
    field : FieldInfo
        Its type, range, unit and examples.
    source_kind : str
        Kind of data set it names; empty for none.

    Returns
    -------
    str

    Examples
    --------
    >>> from pydantic import Field
    >>> instruction("limit_m", FieldInfo(annotation=float, ge=1, le=20000))
    'Give a number between 1 and 20000.'
    >>> instruction("season", FieldInfo(annotation=Literal["in-leaf", "bare"]))
    'Use one of: in-leaf, bare.'
    """
    if source_kind:
        return _SOURCES[source_kind].format(name=name)
    leaves = list(_leaves(field.annotation, field.metadata))
    words = [
        str(v) for leaf, _ in leaves if typing.get_origin(leaf) is Literal for v in _args(leaf)
    ]
    choice = f"one of: {', '.join(words)}"
    number = next(((leaf, limits) for leaf, limits in leaves if leaf in _NUMBERS), None)
    example = f", such as {field.examples[0]}" if field.examples else ""
    if number:
        text = f"Give {'whole numbers' if number[0] is int else 'numbers'}"
        if not _is_several(field.annotation):
            text = f"Give a {'whole number' if number[0] is int else 'number'}"
        text += f"{_range(number[1])}{_unit(field)}{example}"
        return f"{text}, or use {choice}." if words else f"{text}."
    if words:
        return f"Use {'one or more of' + choice[6:] if _is_several(field.annotation) else choice}."
    return f"Give {_kind(name, [leaf for leaf, _ in leaves], example)}."


def _kind(name: str, leaves: list[Any], example: str) -> str:
    """What an input other than a number or one of several words is."""
    models = [leaf for leaf in leaves if isinstance(leaf, type) and issubclass(leaf, BaseModel)]
    if models:
        return f"a table with: {', '.join(models[0].model_fields)}"
    if bool in leaves:
        return "true or false"
    if date in leaves:
        return "a date, such as 2026-04-01"
    if not example and name in TERMS and TERMS[name].unit == "money":
        return "an amount, such as 1500.00"
    return f"{'a mapping' if dict in leaves else 'text'}{example}"


def _leaves(annotation: Any, metadata: list[Any]) -> Iterator[tuple[Any, list[Any]]]:
    """Types within an annotation, each with the limits that apply to it."""
    origin = typing.get_origin(annotation)
    if origin is Annotated:
        inner, *own = _args(annotation)
        yield from _leaves(inner, [*metadata, *_limits(own)])
    elif origin in (typing.Union, types.UnionType, tuple, list):
        for part in _args(annotation):
            yield from _leaves(part, metadata)
    elif annotation not in (type(None), Ellipsis):
        yield (dict if origin is dict else annotation), metadata


def _args(annotation: Any) -> tuple[Any, ...]:
    return typing.get_args(annotation)


def _limits(metadata: list[Any]) -> list[Any]:
    """Limits in the metadata of an annotation, also those inside a `Field`."""
    nested = (m.metadata if isinstance(m, FieldInfo) else [m] for m in metadata)
    return [limit for several in nested for limit in several]


def _is_several(annotation: Any) -> bool:
    if typing.get_origin(annotation) in (tuple, list):
        return True
    return any(typing.get_origin(part) in (tuple, list) for part in _args(annotation))


def _range(limits: list[Any]) -> str:
    low = next((_digits(m.ge) for m in limits if isinstance(m, Ge)), "")
    above = next((_digits(m.gt) for m in limits if isinstance(m, Gt)), "")
    high = next((_digits(m.le) for m in limits if isinstance(m, Le)), "")
    below = next((_digits(m.lt) for m in limits if isinstance(m, Lt)), "")
    if low and high:
        return f" between {low} and {high}"
    parts = (("of at least", low), ("above", above), ("of at most", high), ("below", below))
    found = " and ".join(f"{words} {limit}" for words, limit in parts if limit)
    return f" {found}" if found else ""


def _digits(limit: Any) -> str:
    """A limit without exponent and without trailing zeros."""
    return f"{float(limit):f}".rstrip("0").rstrip(".")


def _unit(field: FieldInfo) -> str:
    extra = field.json_schema_extra
    symbol = SYMBOLS[str(extra["unit"])] if isinstance(extra, dict) and "unit" in extra else ""
    return f" ({symbol})" if symbol else ""
