"""What a form has drawn of a finding: which picture, and the stretches of time that mean something in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from audit.figures import time_span
from audit.language.condition import Conditions
from audit.language.events import Season
from audit.timeline.instants import HOUR

Case = Mapping[str, Any]
"""A row of `Outcomes.cases`."""


@dataclass(frozen=True)
class Stretch:
    """A stretch of time that means something: a wait that had to be kept, or what is missing of it."""

    start: int
    end: int
    label: str

    @classmethod
    def between(cls, one: int, other: int, label: str) -> Stretch:
        """The stretch between two instants, whichever is the earlier."""
        return cls(min(one, other), max(one, other), label)


Stretches = tuple[Stretch | None, Stretch | None]
"""The wait that had to be kept, and what is missing or too much."""


@dataclass(frozen=True)
class AroundSession:
    """The work, flights and boots around a session; `marked` where one instant broke the rule."""

    stretches: Callable[[Case], Stretches] = lambda case: (None, None)
    marked: bool = True


@dataclass(frozen=True)
class AroundRecord:
    """One record, and the boots before, then and after it."""


@dataclass(frozen=True)
class TwoThings:
    """Two things that can't both be true: tasks, flights, components or stays."""

    kinds: tuple[str, str]


@dataclass(frozen=True)
class UseOfBoot:
    """What passed on a boot between the treatments selected, in the season or the time recorded."""

    treatments: Conditions
    season: Season | None


Drawing = AroundSession | AroundRecord | TwoThings | UseOfBoot


def until_due(case: Case, said: str) -> Stretches:
    """The time from what a case is measured from to its limit, and how far what happened is from that."""
    at, anchor = int(case["at"]), int(case["anchor"])
    if anchor < 0 or not np.isfinite(case["limit"]):
        return None, None
    due = anchor + round(float(case["limit"]) * HOUR)
    off = f"{time_span(due - at)} {'short' if at < due else 'too late'}"
    return Stretch(anchor, due, f"{time_span(due - anchor)} {said}"), Stretch.between(at, due, off)
