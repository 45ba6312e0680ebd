"""ISO 8601 durations of fixed length, and season days, as rule files write them."""

from __future__ import annotations

import re
from datetime import timedelta

_DURATION = re.compile(r"PT(?=\d)(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?")
_LONGEST_HOURS = 876_000
_MONTH_DAY = re.compile(r"(\d{2})-(\d{2})")
_LONGEST_MONTHS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def parse_duration(text: str) -> timedelta:
    """Read `PT24H`, `PT5M`, `PT1H30M`.

    Days, weeks, months and years are refused: across a clock change a day isn't 24 hours, so a rule says which it
    means. ValueError says what was expected.
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        raise ValueError("expected an ISO 8601 duration in hours, minutes or seconds, such as PT24H or PT5M")
    hours, minutes, seconds = (float(part or 0) for part in match.groups())
    if hours + minutes / 60 + seconds / 3600 > _LONGEST_HOURS:
        raise ValueError(f"expected a duration of at most {_LONGEST_HOURS} hours (a hundred years)")
    return timedelta(hours=hours, minutes=minutes, seconds=seconds)


def parse_month_day(text: str) -> tuple[int, int]:
    """Read a day of the year without its year, `10-01` for 1 October. ValueError says what was expected."""
    match = _MONTH_DAY.fullmatch(text)
    if match is None:
        raise ValueError("expected a month and a day, such as 10-01 for 1 October")
    month, day = int(match[1]), int(match[2])
    if not 1 <= month <= 12 or not 1 <= day <= _LONGEST_MONTHS[month - 1]:
        raise ValueError(f"{text} is not a day of the year")
    return month, day
