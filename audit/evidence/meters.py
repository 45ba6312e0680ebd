"""When the next treatment falls due: the arithmetic of intervals, meter by meter.

A meter is a running total on which a limit is counted: flight time in microseconds, cycles, or calendar days since
1970-01-01. Sources of the three ways of counting: due from the actual time is how a bare interval reads; due from the
scheduled time when done inside the tolerance window, else from the actual, US Army TM 1-1500-328-23; an overrun taken
off the next interval, 14 CFR 91.409(b).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from audit.language.values import Amount, Count
from audit.timeline.instants import HOUR, Bools, Ints
from audit.yaml.faults import Part

MeterName = Literal["flight_hours", "cycles", "days", "months"]
NextDue = Literal["actual", "scheduled", "overrun-deducted"]


class Limits(Part):
    """What may pass between two treatments, whichever comes first. `days` and `months` are of the calendar (UTC)."""

    flight_hours: Amount | None = None
    cycles: Count | None = None
    days: Count | None = None
    months: Count | None = None

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if not self.model_fields_set:
            raise ValueError("expected at least one of flight_hours, cycles, days, months")
        return self


class Tolerance(Part):
    """How far from the due point still counts as on time: `percent` of the interval, capped unit by unit."""

    percent: Annotated[Amount, Field(le=100)]
    flight_hours: Amount | None = None
    cycles: Count | None = None
    days: Count | None = None


@dataclass(frozen=True)
class Meter:
    """One limit on one meter: `interval` and `tolerance` in the meter's units, `scale` of them to one `unit`."""

    name: MeterName
    interval: int
    tolerance: int
    scale: int
    unit: str

    @property
    def by_day(self) -> bool:
        """Whether it counts days of the calendar, not what was flown."""
        return self.name in ("days", "months")

    def due(self, base: Ints) -> Ints:
        """The due point counted from `base`."""
        if self.name == "months":
            return add_months(base, self.interval)
        return base + self.interval


def meters(limits: Limits, tolerance: Tolerance | None) -> tuple[Meter, ...]:
    """The meters that a rule limits.

    The tolerance is a percentage of the interval, cut to its cap; on whole meters (cycles, days) it is cut to whole
    units. A month counts as 30 days for its tolerance (TM 1-1500-328-23: 6 months are 180 days with 18 days).
    """
    found: list[Meter] = []
    names: tuple[tuple[MeterName, int, str, str], ...] = (
        ("flight_hours", HOUR, "flight hours", "flight_hours"),
        ("cycles", 1, "cycles", "cycles"),
        ("days", 1, "days", "days"),
        ("months", 1, "days", "days"),
    )
    for name, scale, unit, capped_by in names:
        interval = getattr(limits, name)
        if interval is None:
            continue
        nominal = interval * 30 if name == "months" else interval
        slack = 0.0 if tolerance is None else nominal * tolerance.percent / 100
        cap = getattr(tolerance, capped_by, None)
        if cap is not None:
            slack = min(slack, float(cap))
        # Floating hundredths of a whole number may fall just short of it.
        whole = int(slack * scale + 1e-6) if scale == 1 else round(slack * scale)
        found.append(Meter(name, round(interval * scale), whole, scale, unit))
    return tuple(found)


def add_months(days: Ints, months: int) -> Ints:
    """Add calendar months to days since 1970-01-01; a day that the month lacks becomes its last."""
    dates = days.astype("M8[D]")
    month = dates.astype("M8[M]")
    offset = (dates - month.astype("M8[D]")).astype(np.int64)
    target = month + np.timedelta64(months, "M")
    # The last day of the month reached, counted from its first.
    last = ((target + np.timedelta64(1, "M")).astype("M8[D]") - target.astype("M8[D]")).astype(np.int64) - 1
    first: Ints = target.astype("M8[D]").astype(np.int64)
    added: Ints = first + np.minimum(offset, last)
    return added


def next_base(way: NextDue, done: Ints, due: Ints, tolerance: int) -> Ints:
    """Where the next interval is counted from, for a treatment done at `done` that was due at `due`."""
    if way == "scheduled":
        return np.where(np.abs(done - due) <= tolerance, due, done)
    if way == "overrun-deducted":
        return np.minimum(done, due)
    return done


def bases(way: NextDue, meter: Meter, start: Ints, continues: Bools) -> Ints:
    """The base of each segment, from the meter's reading at its start.

    Segments of one boot stand together in order of time; `continues` is true where a treatment began the segment, so
    that its base may depend on the one before. All boots advance together, one treatment at a time.
    """
    base = start.copy()
    if way == "actual" or not len(start):
        return base
    first = np.flatnonzero(~continues)
    nth = np.arange(len(start)) - np.repeat(first, np.diff(np.append(first, len(start))))
    for step in range(1, int(nth.max()) + 1):
        here = np.flatnonzero(nth == step)
        base[here] = next_base(way, start[here], meter.due(base[here - 1]), meter.tolerance)
    return base
