"""Numbers, instants, spans of time and long texts as people read them."""

from __future__ import annotations

import re
import unicodedata
from itertools import accumulate

_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(?::00)?(:\d\d(?:\.\d+)?)?(?:Z|\+00:00)")


def moment(instant: str) -> str:
    """Write an instant (ISO 8601, UTC) to be read: `2026-05-31 22:10 UTC`; any other text stays as it is."""
    found = _INSTANT.fullmatch(instant)
    return f"{found[1]} {found[2]}{found[3] or ''} UTC" if found else instant


def time_span(micros: float) -> str:
    """Write a span of time in hours, minutes and seconds: `5 h 12 min`."""
    seconds = round(abs(micros) / 1_000_000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{hours:,} h" if hours else "", f"{minutes} min" if minutes else ""]
    parts.append(f"{seconds} s" if seconds else "")
    return " ".join(part for part in parts if part) or "0 min"


def figure(value: float) -> str:
    """Write a number without noise: at most two decimals."""
    return f"{round(value, 2):,.2f}".rstrip("0").rstrip(".")


def quantity(number: float, unit: str) -> str:
    """A number of things or units: `1 coat`, `3 coats`, `2.5 hours`."""
    return f"{number:,.12g} {unit}{'' if number == 1 else 's'}"


def abridged(text: str, longest: int) -> str:
    """Return text cut where nobody would read on, and say how long it was."""
    return text if len(text) <= longest else f"{text[:longest]}… ({len(text):,} characters)"


def letters(text: str) -> int:
    """How many letters' room a text takes in a picture: a wide one, as of Chinese or Japanese, takes that of two."""
    return sum(2 if unicodedata.east_asian_width(sign) in "WF" else 1 for sign in text)


def cut(text: str, room: int) -> str:
    """Return text cut to the room of so many letters."""
    if letters(text) <= room:
        return text
    ends = accumulate(letters(sign) for sign in text)
    return text[: sum(end < room for end in ends)] + "…"
