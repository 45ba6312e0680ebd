"""The arithmetic of intervals against plain arithmetic."""

from __future__ import annotations

import calendar
from datetime import date, timedelta
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.evidence.meters import Limits, Meter, NextDue, Tolerance, add_months, bases, meters, next_base
from audit.timeline.instants import HOUR

EPOCH = date(1970, 1, 1)


def in_months(day: date, months: int) -> date:
    """The same day of a later month, or its last day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


@given(st.lists(st.dates(date(1950, 1, 1), date(2099, 12, 31))), st.integers(1, 240))
def test_months_are_those_of_the_calendar(days: list[date], months: int) -> None:
    """Every day lands on the same day of the later month, or on its last."""
    counted = np.array([(day - EPOCH).days for day in days], np.int64)
    assert [EPOCH + timedelta(int(day)) for day in add_months(counted, months)] == [
        in_months(day, months) for day in days
    ]


@given(st.integers(1, 5000), st.integers(1, 1000), st.one_of(st.none(), st.integers(1, 500)))
def test_tolerances_are_exact(tenths: int, per_mille: int, cap: int | None) -> None:
    """A percentage of the interval, at most its cap: to the microsecond in hours, in whole units elsewhere."""
    share = Fraction(per_mille, 1000)
    tolerance = Tolerance.model_validate(
        {"percent": per_mille / 10} | ({} if cap is None else {"flight_hours": cap / 10, "cycles": cap, "days": cap})
    )
    limits = Limits.model_validate({"flight_hours": tenths / 10, "cycles": tenths, "days": tenths})
    hours, cycles, days = meters(limits, tolerance)
    slack = Fraction(tenths, 10) * share
    slack = slack if cap is None else min(slack, Fraction(cap, 10))
    whole = int(tenths * share)
    assert hours.interval == Fraction(tenths, 10) * HOUR
    assert abs(hours.tolerance - slack * HOUR) <= Fraction(1, 2)
    assert cycles.tolerance == days.tolerance == (whole if cap is None else min(whole, cap))


@pytest.mark.parametrize("way", ["actual", "scheduled", "overrun-deducted"])
@given(data=st.data())
def test_due_points_of_all_boots_at_once(way: NextDue, data: st.DataObject) -> None:
    """Segments of several boots run on together as each would by itself, treatment by treatment."""
    boots = data.draw(st.lists(st.lists(st.integers(0, 40), min_size=1, max_size=6).map(sorted), max_size=4))
    interval, tolerance = data.draw(st.integers(1, 12)), data.draw(st.integers(0, 4))
    expected = []
    for starts in boots:
        base = starts[0]
        expected.append(base)
        for done in starts[1:]:
            due = base + interval
            if way == "actual":
                base = done
            elif way == "scheduled":
                base = due if due - tolerance <= done <= due + tolerance else done
            else:
                base = done - (done - due) if done > due else done
            expected.append(base)
    start = np.array([one for starts in boots for one in starts], np.int64)
    continues = np.array([place > 0 for starts in boots for place in range(len(starts))], bool)
    meter = Meter("cycles", interval, tolerance, 1, "cycles")
    assert bases(way, meter, start, continues).tolist() == expected


@pytest.mark.parametrize(
    ("way", "done", "expected"),
    [
        ("actual", 112, 112),
        ("scheduled", 90, 100),
        ("scheduled", 110, 100),
        ("scheduled", 89, 89),
        ("scheduled", 111, 111),
        ("overrun-deducted", 112, 100),
        ("overrun-deducted", 88, 88),
    ],
)
def test_where_the_next_interval_starts(way: NextDue, done: int, expected: int) -> None:
    """Due at 100, with ten either way: both edges of the window are inside."""
    assert next_base(way, np.array([done]), np.array([100]), 10).tolist() == [expected]
