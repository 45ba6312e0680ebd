"""What is told of a finding, to be drawn: the work, flights and boots of its time, and where it went wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from audit.forms.drawing import Stretch

__all__ = ["Kind", "Lane", "Recorded", "Scene", "Span", "Story", "Stretch", "Usage"]

Kind = Literal["treatment", "work", "flight", "boot"]


@dataclass(frozen=True)
class Span:
    """One thing on a lane, from `start` to `end` in microseconds UTC.

    `name` is what it is (a product, a boot), `record` its number in the export; `later` is the later reading of an end
    in the hour that came twice.
    """

    kind: Kind
    start: int
    end: int
    name: str
    record: str = ""
    later: int | None = None


@dataclass(frozen=True)
class Lane:
    """Things of one kind, in order of time; `left_out` of them are not drawn."""

    name: str
    spans: tuple[Span, ...]
    left_out: int = 0


@dataclass(frozen=True)
class Scene:
    """What happened around one finding, on one scale of time (microseconds UTC).

    `wait` is the time that had to be kept, `fault` the instant that broke the rule, `short` what is missing or too
    much.
    """

    finding_id: str
    start: int
    end: int
    lanes: tuple[Lane, ...]
    wait: Stretch | None
    fault: tuple[int, str] | None
    short: Stretch | None


@dataclass(frozen=True)
class Usage:
    """What passed on a boot since its last treatment, flight by flight.

    `points` are (microseconds UTC, amount in `unit`); treatments bring it back to 0. `counted` are the stretches in
    which it counts, such as seasons; `limit` is what is allowed and `over` the instant when it was passed.
    """

    finding_id: str
    boot: str
    start: int
    end: int
    points: tuple[tuple[int, float], ...]
    treatments: tuple[int, ...]
    swaps: tuple[tuple[int, str], ...]
    counted: tuple[tuple[int, int], ...]
    limit: float
    unit: str
    over: int
    most: float


Story = Scene | Usage


RecordedKind = Literal["work", "flight", "installed", "removed", "correction"]


@dataclass(frozen=True)
class Recorded:
    """Something recorded of an aircraft, from `start` to `end` (microseconds UTC; the same where it lasts no time).

    `what` says it in words, `record` is its number in the export, `hours` what a flight adds; `twice` marks a time in
    the hour that came twice when the clocks went back; `about` is the task record that a correction is of.
    """

    kind: RecordedKind
    start: int
    end: int
    what: str
    record: str
    hours: float = 0.0
    twice: bool = False
    about: str = ""
