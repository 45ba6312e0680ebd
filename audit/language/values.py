"""Single values as rule files write them: texts, numbers, durations, days."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, Strict, StringConstraints

from audit.language.durations import parse_duration, parse_month_day
from audit.yaml.faults import quoted


def _parsed(parse: Callable[[str], Any]) -> Callable[[Any], Any]:
    """`parse` for a value of any type, which its ValueError then shows."""

    def read(value: Any) -> Any:
        try:
            return parse(str(value))
        except ValueError as error:
            raise ValueError(f"{error}, got {quoted(value)}") from None

    return read


def _parse_day(text: str) -> date:
    if not is_iso(text) or len(text) != len("2025-11-03"):
        raise ValueError("expected a date, such as 2025-11-03")
    return date.fromisoformat(text)


_ISO = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}([T ][0-9:]+([.,][0-9]{1,6})?(Z|[+-][0-9]{2}(:?[0-9]{2})?)?)?")


def is_iso(value: Any) -> bool:
    """Whether a value is a date or time as ISO 8601 writes it in full: `2025-11-03T10:00:00Z`."""
    text = str(value)
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    # Python also reads 20240131, week dates and any sign before the time, which other tools do not.
    return _ISO.fullmatch(text) is not None


Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Scalar = str | int | float | bool
# Strict, or `true` would count as 1 and `'3'` as 3, which editors mark as wrong.
Count = Annotated[int, Strict(), Field(gt=0, le=1_000_000)]
Amount = Annotated[float, Strict(), Field(gt=0, le=1_000_000, allow_inf_nan=False)]
Duration = Annotated[timedelta, BeforeValidator(_parsed(parse_duration))]
MonthDay = Annotated[tuple[int, int], BeforeValidator(_parsed(parse_month_day))]
Day = Annotated[date, BeforeValidator(_parsed(_parse_day))]
