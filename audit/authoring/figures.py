"""Figures as words write them: by what patterns a text is found to say the value of a setting."""

from __future__ import annotations

import re
from collections.abc import Iterator

from audit.language.durations import parse_duration, parse_month_day
from audit.language.in_words import MONTHS

_NUMBERS = (
    *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"),
)
_UNITS = {3600 * 24: r"d(?:ays?)?", 3600: r"h(?:ours?|rs?)?", 60: r"min(?:utes?|s)?", 1: r"s(?:ec(?:onds?|s)?)?"}
"""By its seconds, how a unit of time is written."""


def figures_of(key: str, value: str) -> Iterator[re.Pattern[str]]:
    """The patterns of a settable value, as `settable_values` writes it, in words: `24 hours`, `24 h`, `three`.

    A level is none: there are other things of which there are two. Nor is a number below 2 without a unit.
    """
    if key == "level":
        return
    if key == "season":
        for day in value.split(" to "):
            month, number = parse_month_day(day)
            yield re.compile(rf"\b{number}(?:st|nd|rd|th)? {MONTHS[month - 1][:3]}(?:{MONTHS[month - 1][3:]})?\b", re.I)
        return
    if value.startswith("PT"):
        yield from _spans(parse_duration(value).total_seconds())
        return
    try:
        amount = float(value)
    except ValueError:
        return
    if key.rpartition(".")[0].endswith("_minutes"):
        yield from _spans(amount * 60)
    elif amount >= 2:
        yield re.compile(rf"(?<![\w.,-]){_number(amount)}(?![\w,]|\.\d)", re.I)


def _spans(seconds: float) -> Iterator[re.Pattern[str]]:
    """A span of time in any unit in which it is a number without a fraction, alone or as an end of a range."""
    for size, unit in _UNITS.items():
        number = seconds / size
        if number >= 1 and number == int(number):
            to = r"(?:\s+(?:to|or|and)\s+[\w.]+)?"
            yield re.compile(rf"(?<![\w.,]){_number(number)}{to}(?:(?<=\d)|[\s-]+){unit}\b", re.I)


def _number(number: float) -> str:
    """A number in digits, with or without a separator of thousands, or as a word."""
    ways = {f"{number:g}", f"{number:,g}"}
    if number == int(number) < len(_NUMBERS):
        ways.add(_NUMBERS[int(number)])
    if number == 1:
        ways.add("an?")
    return f"(?:{'|'.join(sorted(ways))})"
