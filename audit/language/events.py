"""What several forms have in common: events, seasons, a least and a most."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, Literal, Self

from pydantic import ConfigDict, Field, field_validator, model_validator

from audit.language.condition import Conditions
from audit.language.values import Duration, MonthDay
from audit.yaml.faults import Part


class Event(Part):
    """Something that happens at an instant: an aircraft's takeoff, or the start of a treatment on the position."""

    event: Literal["takeoff", "treatment"]
    where: Conditions | None = None

    @model_validator(mode="after")
    def _only_treatments_have_conditions(self) -> Self:
        if (self.event == "treatment") != (self.where is not None):
            raise ValueError("expected `where` beside `event: treatment`, and only there")
        return self


class Remedy(Part):
    """What puts a finding right once it has happened: later work on the same boot, or the boot's removal.

    `within` is how long after the fault the work has to begin, or the boot to be taken off.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {"properties": {"event": {"const": "work"}}, "required": ["where"]},
                {"properties": {"event": {"const": "removal"}, "where": False}},
            ]
        }
    )

    event: Literal["work", "removal"]
    where: Conditions | None = None
    within: Duration | None = None

    @model_validator(mode="after")
    def _only_work_has_conditions(self) -> Self:
        if (self.event == "work") != (self.where is not None and bool(self.where.names())):
            raise ValueError("expected conditions (`where`) beside `event: work`, and only there")
        return self

    @field_validator("within")
    @classmethod
    def _lasts(cls, value: timedelta | None) -> timedelta | None:
        if value is not None and not value:
            raise ValueError("expected a duration longer than nothing; nothing could put it right")
        return value


class Season(Part):
    """A yearly window of UTC dates, both days included; it may span the turn of the year."""

    from_: MonthDay = Field(alias="from")
    to: MonthDay


class SeasonByBase(Season):
    """A season, and that of the aircraft whose base has another. Settings make it; no rule file holds it."""

    by_aircraft: Mapping[str, Season]


def month_days(season: Season) -> dict[str, str]:
    """A season as rule files write it."""
    first, last = (f"{month:02d}-{day:02d}" for month, day in (season.from_, season.to))
    return {"from": first, "to": last}


def season_text(season: Season) -> str:
    """A season as people read it: `10-01 to 04-30`."""
    return " to ".join(month_days(season).values())


class Bounds(Part):
    """A least and a most of something, both included: there is one of them, and something can meet them."""

    at_least: Any = None
    at_most: Any = None

    @property
    def sides(self) -> tuple[tuple[Literal["least", "most"], Any], ...]:
        """The bounds there are, each with which of the two it is."""
        both: tuple[tuple[Literal["least", "most"], Any], ...] = (("least", self.at_least), ("most", self.at_most))
        return tuple((side, limit) for side, limit in both if limit is not None)

    @model_validator(mode="after")
    def _can_be_met(self) -> Self:
        if not self.sides:
            raise ValueError("expected at_least or at_most")
        if len(self.sides) == 2 and self.at_least > self.at_most:
            raise ValueError("at_least is more than at_most; nothing could comply")
        return self
