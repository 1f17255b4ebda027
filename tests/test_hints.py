"""Hints of refused inputs are instructions, built from type, range and examples."""

from __future__ import annotations

import re
from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, Field

from shelterscape import registry
from shelterscape.errors import InputError
from shelterscape.process.hints import instruction
from shelterscape.process.inputs import input_hint, quantity, validated

VERBS = ("Give ", "Use ", "Choose ", "Name ", "Write ", "Correct ")
CASES = [
    (registry.find(process_id), name)
    for process_id in registry.BUILT_IN
    for name in registry.find(process_id).inputs.model_fields
]


def given(process):
    """Every required input, as text that the description accepts."""
    fields = process.inputs.model_fields.items()
    return {n: 2030 if f.annotation is int else "210" for n, f in fields if f.is_required()}


@pytest.mark.parametrize(("process", "name"), CASES, ids=lambda part: getattr(part, "id", part))
def test_every_input_with_a_wrong_value_gets_an_instruction(process, name):
    field = process.inputs.model_fields[name]
    wrong = [
        value
        for value in (object(), [[1]], -1e30, {"x": object()})
        if _refused(process, name, value)
    ]
    assert wrong, f"{name} takes anything"
    for value in wrong:
        with pytest.raises(InputError) as caught:
            validated(process.inputs, given(process) | {name: value}, process.id)
        hint = caught.value.hint
        assert caught.value.code == "input-refused"
        assert hint.startswith(VERBS) and hint.endswith("."), hint
        assert hint != field.description and "{" not in hint
        assert hint != "Give text.", f"{name} has no example"


def _refused(process, name, value):
    try:
        validated(process.inputs, given(process) | {name: value}, process.id)
    except InputError as error:
        return error.what.startswith(name)
    return False


@pytest.mark.parametrize(("process", "name"), CASES, ids=lambda part: getattr(part, "id", part))
def test_a_range_in_a_hint_is_that_of_the_input(process, name):
    field = process.inputs.model_fields[name]
    span = re.search(r"between (\S+) and (\S+?)[ ,.]*(?: |$)", input_hint(name, field))
    limits = {
        m: getattr(part, m) for part in field.metadata for m in ("ge", "le") if hasattr(part, m)
    }
    if limits:
        assert [float(x) for x in span.groups()] == [limits["ge"], limits["le"]]


class Several(BaseModel):
    limit_m: float = quantity("limit_m")
    season: Literal["in-leaf", "bare"]
    seasons: tuple[Literal["in-leaf", "bare"], ...] | None
    years: tuple[Annotated[int, Field(ge=1900, le=2200)] | Literal["surveyed"], ...] = Field(
        examples=[2045]
    )
    ends: bool
    cost: str
    share: float = Field(gt=0)
    column: str = Field(examples=["HGT"])


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("limit_m", "Give a number between 1 and 20000 (m)."),
        ("season", "Use one of: in-leaf, bare."),
        ("seasons", "Use one or more of: in-leaf, bare."),
        (
            "years",
            "Give whole numbers between 1900 and 2200, such as 2045, or use one of: surveyed.",
        ),
        ("ends", "Give true or false."),
        ("cost", "Give an amount, such as 1500.00."),
        ("share", "Give a number above 0."),
        ("column", "Give text, such as HGT."),
    ],
)
def test_hints_by_type(name, hint):
    assert instruction(name, Several.model_fields[name]) == hint


def test_hints_of_data_sets_name_the_kind_of_file():
    fields = registry.find("shelter").inputs.model_fields
    assert input_hint("dem", fields["dem"]) == "Give the path of a raster file, such as dem.tif."
    assert input_hint("belts", fields["belts"]) == (
        "Give PATH or PATH:LAYER, such as farm.gpkg:belts."
    )
    assert "210,240,270" in input_hint("winds", fields["winds"])
