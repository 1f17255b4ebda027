"""Files of planting tasks and restricted months, checked key by key."""

from __future__ import annotations

from datetime import date
from typing import Any, Literal

from pydantic import Field, model_validator

from shelterscape import data
from shelterscape.process.inputs import FileSection, validated
from shelterscape.science.planting.task_calendar import TaskRule

PACKAGED = "planting_calendar.toml"


class TaskSection(FileSection):
    """One task."""

    name: str = Field(min_length=1, description="What is done, or not done.")
    kind: Literal["work", "survey", "avoid"] = Field(
        description="work, survey (required before work) or avoid (no such work)."
    )
    first_month: int = Field(
        ge=1, le=12, description="First month, in the northern hemisphere; 1 is January."
    )
    last_month: int = Field(ge=1, le=12, description="Last month, in the northern hemisphere.")
    first_year: int = Field(ge=-5, le=50, description="First year, counted from planting.")
    last_year: int = Field(ge=-5, le=50, description="Last year, counted from planting.")
    source: str = Field(description="Origin of the rule.")
    status: str = Field(description="Whether it was verified: seen, not verified, invented.")

    @model_validator(mode="after")
    def _consistent(self) -> TaskSection:
        if self.first_year > self.last_year:
            raise ValueError("first_year comes after last_year; exchange them")
        return self


class CalendarFile(FileSection):
    """A file of tasks."""

    rules_date: date = Field(description="Date on which the file was written, such as 2026-04-01.")
    task: tuple[TaskSection, ...] = Field(min_length=1, description="The tasks.")


def calendar_rules(
    content: dict[str, Any] | None = None, where: str = PACKAGED
) -> tuple[list[TaskRule], date]:
    """Tasks and the date of their file.

    Parameters
    ----------
    content : dict, optional
        As read from TOML; by default the packaged file.
    where : str
        Name of the file in errors.

    Returns
    -------
    rules : list of TaskRule
    rules_date : date

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown key, with the nearest known one; ``input-refused`` for an
        invalid value.
    """
    file = validated(CalendarFile, data.toml(PACKAGED) if content is None else content, where)
    return [TaskRule(**part.model_dump()) for part in file.task], file.rules_date
