"""Published worked examples of interval arithmetic, by the arithmetic alone and through whole rules.

Sources: US Army TM 1-1500-328-23 (tolerance windows; all seen, the dates recomputed), 14 CFR 91.409(b) (seen in the
text of FAA-H-8083-25), an item of the FAA's question bank (memory), Transport Canada's MMEL guide (seen), 14 CFR 1.1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.evidence.meters import Limits, Meter, Tolerance, meters, next_base
from audit.forms.judging import judge_rule
from audit.intake.reading import read_rows
from audit.timeline.instants import HOUR
from audit.timeline.timeline import build_timeline
from tests.external.verdicts import rule

# TM 1-1500-328-23: a tenth of the interval, at most 5 flight hours and 30 days; inside, the next interval counts from
# the scheduled time, outside from the actual.
ARMY = {"percent": 10, "flight_hours": 5, "days": 30}


def meter(limits: Mapping[str, int], tolerance: Mapping[str, int] | None = None) -> Meter:
    """The one meter of a rule with one limit."""
    (only,) = meters(Limits.model_validate(limits), None if tolerance is None else Tolerance.model_validate(tolerance))
    return only


def hours(text: str) -> np.ndarray:
    """A meter's reading, exactly."""
    return np.array([int(Decimal(text) * HOUR)], np.int64)


def days(text: str) -> np.ndarray:
    """A calendar day as the meters count it."""
    return np.array([np.datetime64(text, "D").astype(np.int64)])


# The arithmetic alone


@pytest.mark.parametrize(
    ("interval", "last", "due", "opens", "closes"),
    [
        (25, "1447.7", "1472.7", "1470.2", "1475.2"),
        (75, "1534.4", "1609.4", "1604.4", "1614.4"),
        (50, "1256.4", "1306.4", "1301.4", "1311.4"),
    ],
)
def test_windows_in_flight_hours(interval: int, last: str, due: str, opens: str, closes: str) -> None:
    """TM 1-1500-328-23 (seen): a tenth either way of the due point, at most five hours."""
    found = meter({"flight_hours": interval}, ARMY)
    assert found.due(hours(last)) == hours(due)
    assert found.due(hours(last)) - found.tolerance == hours(opens)
    assert found.due(hours(last)) + found.tolerance == hours(closes)


@pytest.mark.parametrize(
    ("months", "last", "due", "opens", "closes"),
    [
        (6, "1998-07-31", "1999-01-31", "1999-01-13", "1999-02-18"),
        (12, "1998-02-06", "1999-02-06", "1999-01-07", "1999-03-08"),
    ],
)
def test_windows_in_months(months: int, last: str, due: str, opens: str, closes: str) -> None:
    """TM 1-1500-328-23 (seen, recomputed): months are of the calendar, their tolerance a tenth of 30-day months, at
    most 30 days."""
    found = meter({"months": months}, ARMY)
    assert found.due(days(last)) == days(due)
    assert found.due(days(last)) - found.tolerance == days(opens)
    assert found.due(days(last)) + found.tolerance == days(closes)


def test_the_window_of_whichever_comes_first() -> None:
    """TM 1-1500-328-23 (seen): 14 days or 10 hours after 22 May 1997 and 1709 h, due 5 June or 1719 h, within a day
    (the tenth of 14 days is cut to whole days) or an hour."""
    by_hours, by_days = meters(
        Limits.model_validate({"days": 14, "flight_hours": 10}), Tolerance.model_validate({"percent": 10})
    )
    assert by_hours.due(hours("1709")) == hours("1719")
    assert by_hours.tolerance == hours("1")
    assert by_days.due(days("1997-05-22")) == days("1997-06-05")
    assert by_days.tolerance == 1


@pytest.mark.parametrize(
    ("interval", "due", "done", "following"),
    [
        (75, "1609.4", "1604.4", "1684.4"),
        (75, "1609.4", "1614.4", "1684.4"),
        (50, "1306.4", "1299.9", "1349.9"),
        (50, "1306.4", "1311.5", "1361.5"),
    ],
)
def test_next_due_from_the_schedule_or_from_the_fact(interval: int, due: str, done: str, following: str) -> None:
    """TM 1-1500-328-23 (first three seen, the last by its rule): both ends of the window keep the schedule, outside of
    it the actual time counts."""
    found = meter({"flight_hours": interval}, ARMY)
    base = next_base("scheduled", hours(done), hours(due), found.tolerance)
    assert found.due(base) == hours(following)


def test_next_due_with_the_overrun_taken_off() -> None:
    """FAA question bank (memory), on 14 CFR 91.409(b): due at 3302.5, done at 3309.5, next due at 3402.5."""
    found = meter({"flight_hours": 100})
    base = next_base("overrun-deducted", hours("3309.5"), hours("3302.5"), 0)
    assert found.due(base) == hours("3402.5")


# Through whole rules: treatments and flights go in as rows, and the verdict comes out


def flown_and_treated(
    done: Sequence[tuple[str, datetime]], until: tuple[str, datetime]
) -> dict[str, list[dict[str, str]]]:
    """The rows of an export: a boot installed at the first of its treatments, and the hours flown between them.

    `done` and `until` are readings of the aircraft's hour meter with their instants (UTC). Hours are flown in one
    flight each, the evening after a treatment.
    """
    tasks, flights = [], []
    for number, (_, at) in enumerate(done):
        tasks.append(
            {
                "task_id": f"T{number}",
                "work_order": f"W{number}",
                "aircraft": "A",
                "action": "apply",
                "station": "S",
                "started_at": f"{at.isoformat()}Z",
                "finished_at": f"{at.isoformat()}Z",
                "position": "left wing",
                "product": "treatment",
            }
        )
    first = done[0][1]
    takeoffs = [first - timedelta(days=1), *(at + timedelta(hours=1) for _, at in done)]
    readings = [Decimal(0), *(Decimal(reading) for reading, _ in done), Decimal(until[0])]
    for number, takeoff in enumerate(takeoffs):
        flown = readings[number + 1] - readings[number]
        flights.append(
            {
                "flight_id": f"F{number}",
                "aircraft": "A",
                "takeoff_at": f"{takeoff.isoformat()}Z",
                "landing_at": f"{(takeoff + timedelta(seconds=round(float(flown) * 3600))).isoformat()}Z",
                "flight_hours": str(flown),
            }
        )
    boot = {
        "component_serial": "C",
        "aircraft": "A",
        "position": "left wing",
        "material": "chloroprene",
        "installed_at": f"{first.isoformat()}Z",
    }
    return {
        "tasks": tasks,
        "flights": flights,
        "components": [boot],
        "products": [{"product": "treatment", "product_class": "ice-adhesion-treatment", "approval": "yes"}],
        "stations": [{"station": "S", "timezone": "UTC"}],
    }


def judged(parts: dict[str, Any], done: Sequence[tuple[str, datetime]], until: tuple[str, datetime]) -> list[Any]:
    """The findings, as (passed, allowed, unit), of a boot so treated and flown, as of the end."""
    export = read_rows(flown_and_treated(done, until))
    assert export.rejects.empty
    timeline = build_timeline(export, pd.Timestamp(until[1], tz="UTC"))
    outcomes = judge_rule(rule("interval", scope={"action": {"is": "apply"}}, **parts), timeline)
    # The moment between installation and first treatment is a segment too.
    assert (outcomes.in_scope, outcomes.unjudged) == (len(done) + 1, 0)
    cases = outcomes.cases.sort_values("anchor")
    return [
        (round(one, 4), round(other, 4), unit)
        for one, other, unit in zip(cases["measured"], cases["limit"], cases["unit"], strict=True)
    ]


def by_hours(parts: dict[str, Any], done: Sequence[str], until: str) -> list[Any]:
    """Findings by the hour meter alone, a treatment each week."""
    start = datetime(2024, 1, 1, 8)
    weeks = [start + timedelta(weeks=number) for number in range(len(done) + 1)]
    return judged(parts, list(zip(done, weeks, strict=False)), (until, weeks[-1]))


def by_days(parts: dict[str, Any], done: Sequence[str], until: str) -> list[Any]:
    """Findings by the calendar alone, without an hour flown."""
    return judged(parts, [("100", datetime.fromisoformat(f"{day}T12:00")) for day in done], ("100", day_end(until)))


def day_end(day: str) -> datetime:
    return datetime.combine(date.fromisoformat(day), datetime.max.time()).replace(microsecond=0)


@pytest.mark.parametrize(
    ("interval", "last", "done", "closes"),
    [
        # Inside the window: the next closes an interval and a tolerance after the scheduled time.
        (25, "1447.7", "1470.2", "1500.2"),
        (25, "1447.7", "1472.7", "1500.2"),
        (25, "1447.7", "1475.2", "1500.2"),
        (75, "1534.4", "1604.4", "1689.4"),
        (75, "1534.4", "1614.4", "1689.4"),
        (50, "1256.4", "1301.4", "1361.4"),
        # Outside: after the actual time.
        (50, "1256.4", "1299.9", "1354.9"),
        (75, "1534.4", "1604.3", "1684.3"),
        (25, "1447.7", "1470.1", "1497.6"),
    ],
)
def test_rules_with_a_window_in_flight_hours(interval: int, last: str, done: str, closes: str) -> None:
    """TM 1-1500-328-23 (seen; ends of the next windows recomputed): flown to the end of the next window complies, and
    six minutes more is a finding."""
    parts = {"at_most": {"flight_hours": interval}, "tolerance": ARMY, "next_due": "scheduled"}
    assert by_hours(parts, [last, done], closes) == []
    ((passed, allowed, unit),) = by_hours(parts, [last, done], str(Decimal(closes) + Decimal("0.1")))
    assert (round(passed - allowed, 4), unit) == (0.1, "flight hours")


@pytest.mark.parametrize(
    ("interval", "last", "closes", "allowed"), [(25, "1447.7", "1475.2", 27.5), (75, "1534.4", "1614.4", 80)]
)
def test_rules_with_a_treatment_after_its_window(interval: int, last: str, closes: str, allowed: float) -> None:
    """TM 1-1500-328-23 (seen): done as the window closes complies; six minutes later is a finding, and the next
    interval then counts from the actual time."""
    parts = {"at_most": {"flight_hours": interval}, "tolerance": ARMY, "next_due": "scheduled"}
    late = Decimal(closes) + Decimal("0.1")
    missed = (pytest.approx(allowed + 0.1), allowed, "flight hours")
    assert by_hours(parts, [last, closes], closes) == []
    assert by_hours(parts, [last, str(late)], str(late + Decimal(allowed))) == [missed]
    assert by_hours(parts, [last, str(late)], str(late + Decimal(allowed) + Decimal("0.1"))) == [missed, missed]


@pytest.mark.parametrize(
    ("done", "closes"),
    [
        # Inside 13 January to 18 February: the next is due on 31 July, the window closes 18 days later.
        ("1999-01-13", "1999-08-18"),
        ("1999-01-31", "1999-08-18"),
        ("1999-02-18", "1999-08-18"),
        # Before it: six months from the day it was done.
        ("1999-01-12", "1999-07-30"),
    ],
)
def test_rules_with_a_window_in_months(done: str, closes: str) -> None:
    """TM 1-1500-328-23 (seen, recomputed): six months, due 31 January 1999, next 31 July 1999."""
    parts = {"at_most": {"months": 6}, "tolerance": ARMY, "next_due": "scheduled"}
    assert by_days(parts, ["1998-07-31", done], closes) == []
    after = str(date.fromisoformat(closes) + timedelta(days=1))
    ((passed, allowed, unit),) = by_days(parts, ["1998-07-31", done], after)
    assert (passed - allowed, unit) == (1, "days")


def test_rules_with_a_year_and_its_window() -> None:
    """TM 1-1500-328-23 (seen, recomputed): twelve months, due 6 February 1999, in time until 8 March."""
    parts = {"at_most": {"months": 12}, "tolerance": ARMY, "next_due": "scheduled"}
    assert by_days(parts, ["1998-02-06"], "1999-03-08") == []
    assert by_days(parts, ["1998-02-06"], "1999-03-09") == [(396, 395, "days")]


@pytest.mark.parametrize(
    ("reading", "day", "missed"),
    [
        ("1718", "1997-06-04", []),
        ("1720", "1997-06-06", []),
        ("1720.1", "1997-06-04", [(11.1, 11, "flight hours")]),
        ("1715", "1997-06-07", [(16, 15, "days")]),
        # Both: the hours ran out first, in the flight of the first evening.
        ("1720.1", "1997-06-07", [(11.1, 11, "flight hours")]),
    ],
)
def test_rules_with_whichever_comes_first(reading: str, day: str, missed: list[Any]) -> None:
    """TM 1-1500-328-23 (seen): 14 days or 10 hours after 22 May 1997 and 1709 h, window to 6 June and 1720 h."""
    parts = {"at_most": {"days": 14, "flight_hours": 10}, "tolerance": {"percent": 10}, "next_due": "scheduled"}
    assert judged(parts, [("1709", datetime(1997, 5, 22, 12))], (reading, day_end(day))) == missed


def test_rules_that_take_an_overrun_off() -> None:
    """14 CFR 91.409(b) (seen), figures of the FAA question bank (memory): 100 hours may be overrun by 10, which the
    next 100 hours lose; done early, they count from the fact."""
    parts = {"at_most": {"flight_hours": 100}, "tolerance": {"percent": 10}, "next_due": "overrun-deducted"}
    bare = {"at_most": {"flight_hours": 100}, "next_due": "overrun-deducted"}
    # Due at 3302.5, done at 3309.5: next due at 3402.5, and with the overrun again allowed to reach the place, 3412.5.
    assert by_hours(parts, ["3202.5", "3309.5"], "3412.5") == []
    assert by_hours(parts, ["3202.5", "3309.5"], "3412.6") == [(110.1, 110, "flight hours")]
    assert by_hours(parts, ["3202.5", "3312.5"], "3402.5") == []
    assert by_hours(parts, ["3202.5", "3312.6"], "3402.5") == [(110.1, 110, "flight hours")]
    assert by_hours(bare, ["3202.5", "3302.5", "3402.5"], "3502.5") == []
    assert by_hours(bare, ["3202.5", "3309.5"], "3402.5") == [(107, 100, "flight hours")]
    assert by_hours(bare, ["3202.5", "3309.5"], "3402.6") == [(107, 100, "flight hours"), (100.1, 100, "flight hours")]
    # Overruns don't add up: each is taken off the interval that follows it.
    assert by_hours(parts, ["3202.5", "3309.5", "3409.5"], "3512.5") == []
    assert by_hours(parts, ["3202.5", "3300"], "3410") == []
    assert by_hours(parts, ["3202.5", "3300"], "3410.1") == [(110.1, 110, "flight hours")]


def test_a_bare_interval_counts_from_the_fact() -> None:
    """14 CFR 91.409(b) read without its allowance (common practice, no source): late or early, the next counts from
    when it was done."""
    parts = {"at_most": {"flight_hours": 100}}
    assert by_hours(parts, ["3202.5", "3309.5"], "3409.5") == [(107, 100, "flight hours")]
    assert by_hours(parts, ["3202.5", "3300"], "3400.1") == [(100.1, 100, "flight hours")]


@pytest.mark.parametrize(("category", "allowed", "last"), [("B", 3, "13"), ("C", 10, "20"), ("D", 120, None)])
def test_consecutive_days_leave_out_the_day_of_discovery(category: str, allowed: int, last: str | None) -> None:
    """Transport Canada MMEL guide, repair categories B, C and D (seen): 3, 10 and 120 consecutive calendar days, not
    counting the day of discovery."""
    discovered = date(2024, 6, 10)
    last_day = date(2024, 10, 8) if last is None else date(2024, 6, int(last))
    parts = {"at_most": {"days": allowed}}
    assert by_days(parts, [str(discovered)], str(last_day)) == []
    assert by_days(parts, [str(discovered)], str(last_day + timedelta(days=1))) == [(allowed + 1, allowed, "days")]


def test_hours_are_those_in_the_air() -> None:
    """14 CFR 1.1, time in service (seen / second-hand): from leaving the surface to touching it, so that hours that are
    not given are landing minus takeoff."""
    flight = {"aircraft": "A", "takeoff_at": "2024-01-01T08:00Z", "landing_at": "2024-01-01T09:36Z"}
    later = {"aircraft": "A", "takeoff_at": "2024-01-02T08:00Z", "landing_at": "2024-01-02T09:36Z"}
    task = {"work_order": "W", "aircraft": "A", "action": "other", "station": "S"}
    export = read_rows(
        {
            "tasks": [{**task, "task_id": "T", "started_at": "2024-01-01T07:00Z", "finished_at": "2024-01-01T07:00Z"}],
            "flights": [{**flight, "flight_id": "F1"}, {**later, "flight_id": "F2", "flight_hours": "1.5"}],
            "stations": [{"station": "S", "timezone": "UTC"}],
        }
    )
    assert build_timeline(export).flights.flown[-1] == hours("3.1")[0]
