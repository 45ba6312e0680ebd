"""Numbers and spans of time as people read them."""

from __future__ import annotations


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


def several(number: int, thing: str) -> str:
    """A number of things: `1 coat`, `3 coats`."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"
