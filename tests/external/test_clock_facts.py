"""Facts about clocks that go forward and back, through the real intake and whole rules.

Sources: 15 USC 260a (US), Directive 2000/84/EC (EU), values recomputed from them; IANA time zone database for Lord Howe
Island, whose clocks move by half an hour (recomputed).
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from audit.forms.judging import judge_rule
from audit.intake.export import Export
from audit.intake.reading import read_rows
from audit.language.rule import Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline
from tests.external.verdicts import rule

NEW_YORK, BERLIN, LORD_HOWE = "America/New_York", "Europe/Berlin", "Australia/Lord_Howe"


def export(zone: str, spans: Iterable[tuple[str, str]], takeoffs: Iterable[str] = ()) -> Export:
    """Coats of preservative at a station of that zone, each of a work order of its own, and flights of an hour."""
    tasks = [
        {
            "task_id": f"T{number}",
            "work_order": f"W{number}",
            "aircraft": "A",
            "action": "apply",
            "station": "S",
            "started_at": start,
            "finished_at": end,
            "position": "left wing",
            "product": "preservative",
        }
        for number, (start, end) in enumerate(spans)
    ]
    flights = [
        {
            "flight_id": f"F{number}",
            "aircraft": "A",
            "takeoff_at": takeoff,
            "landing_at": str(pd.Timestamp(takeoff) + pd.Timedelta(hours=1)),
        }
        for number, takeoff in enumerate(takeoffs)
    ]
    boot = {"component_serial": "C", "aircraft": "A", "position": "left wing", "material": "chloroprene"}
    return read_rows(
        {
            "tasks": tasks,
            "flights": flights,
            "components": [{**boot, "installed_at": "2000-01-01"}],
            "products": [{"product": "preservative", "product_class": "rubber-preservative"}],
            "stations": [{"station": "S", "timezone": zone}],
        }
    )


def placed(zone: str, readings: Iterable[str]) -> list[list[str]]:
    """The instants that each reading may stand for (none, one or two), in UTC."""
    wanted = list(readings)
    came_in = export(zone, [(reading, "2040-01-01T00:00Z") for reading in wanted])
    frame = came_in.tables["tasks"]
    instants: dict[str, list[str]] = {f"T{number}": [] for number in range(len(wanted))}
    for row, (name, instant) in enumerate(zip(frame["task_id"], frame["started_at"], strict=True)):
        instants[name].append(stamp(instant))
        instants[name] += [stamp(later) for later in came_in.later.loc[came_in.later["row"] == row, "later"]]
    never = [f"T{line - 1}" for line in came_in.rejects["line"]]
    assert [name for name, found in instants.items() if not found] == never
    assert all(reason.startswith("never occurred") for reason in came_in.rejects["reason"])
    return list(instants.values())


def stamp(instant: pd.Timestamp) -> str:
    return f"{instant:%Y-%m-%dT%H:%M:%SZ}"


def test_new_york_2024() -> None:
    """15 USC 260a (recomputed): 10 March 07:00Z is 03:00 local, 02:30 doesn't exist; 3 November 05:30Z and 06:30Z are
    both 01:30 local."""
    assert placed(NEW_YORK, ["2024-03-10T03:00", "2024-03-10T02:30", "2024-11-03T01:30"]) == [
        ["2024-03-10T07:00:00Z"],
        [],
        ["2024-11-03T05:30:00Z", "2024-11-03T06:30:00Z"],
    ]


def test_berlin_2024() -> None:
    """Directive 2000/84/EC (recomputed): 31 March and 27 October, both at 01:00Z."""
    assert placed(
        BERLIN,
        [
            "2024-03-31T01:59:59",
            "2024-03-31T02:00",
            "2024-03-31T02:59:59",
            "2024-03-31T03:00",
            "2024-10-27T01:59:59",
            "2024-10-27T02:00",
            "2024-10-27T02:59:59",
            "2024-10-27T03:00",
        ],
    ) == [
        ["2024-03-31T00:59:59Z"],
        [],
        [],
        ["2024-03-31T01:00:00Z"],
        ["2024-10-26T23:59:59Z"],
        ["2024-10-27T00:00:00Z", "2024-10-27T01:00:00Z"],
        ["2024-10-27T00:59:59Z", "2024-10-27T01:59:59Z"],
        ["2024-10-27T02:00:00Z"],
    ]


def test_lord_howe_2024() -> None:
    """IANA time zone database (recomputed): back by half an hour on 7 April, 02:00 to 01:30; forward on 6 October,
    02:00 to 02:30."""
    assert placed(
        LORD_HOWE,
        [
            "2024-04-07T01:29:59",
            "2024-04-07T01:30",
            "2024-04-07T02:00",
            "2024-10-06T01:59:59",
            "2024-10-06T02:29:59",
            "2024-10-06T02:30",
        ],
    ) == [
        ["2024-04-06T14:29:59Z"],
        ["2024-04-06T14:30:00Z", "2024-04-06T15:00:00Z"],
        ["2024-04-06T15:30:00Z"],
        ["2024-10-05T15:29:59Z"],
        [],
        ["2024-10-05T15:30:00Z"],
    ]


def nth_sunday(year: int, month: int, which: int) -> date:
    """The first (0), second (1) or last (-1) Sunday of a month, by plain calendar arithmetic."""
    days = range(1, calendar.monthrange(year, month)[1] + 1)
    return [day for day in (date(year, month, number) for number in days) if day.weekday() == calendar.SUNDAY][which]


def test_us_clocks_change_as_the_law_says() -> None:
    """15 USC 260a, in force since 2007 (recomputed): second Sunday of March to first Sunday of November, each at 02:00
    local; only in that night readings are missing or come twice."""
    readings, instants = [], []
    for year in range(2007, 2026):
        spring, autumn = nth_sunday(year, 3, 1), nth_sunday(year, 11, 0)
        for day, offset in ((spring - timedelta(days=1), 5), (spring + timedelta(days=1), 4)):
            readings.append(f"{day}T02:30")
            instants.append([f"{day}T{2 + offset:02}:30:00Z"])
        for day, offset in ((autumn - timedelta(days=1), 4), (autumn + timedelta(days=1), 5)):
            readings.append(f"{day}T01:30")
            instants.append([f"{day}T{1 + offset:02}:30:00Z"])
        readings += [f"{spring}T01:59:59", f"{spring}T02:00", f"{spring}T02:59:59", f"{spring}T03:00"]
        instants += [[f"{spring}T06:59:59Z"], [], [], [f"{spring}T07:00:00Z"]]
        readings += [f"{autumn}T00:59:59", f"{autumn}T01:00", f"{autumn}T01:59:59", f"{autumn}T02:00"]
        instants += [[f"{autumn}T04:59:59Z"], [f"{autumn}T05:00:00Z", f"{autumn}T06:00:00Z"]]
        instants += [[f"{autumn}T05:59:59Z", f"{autumn}T06:59:59Z"], [f"{autumn}T07:00:00Z"]]
    assert placed(NEW_YORK, readings) == instants


@pytest.mark.parametrize(("zone", "winter"), [("Europe/Lisbon", 0), (BERLIN, 1), ("Europe/Helsinki", 2)])
def test_eu_clocks_change_at_one_instant(zone: str, winter: int) -> None:
    """Directive 2000/84/EC, in force since 2002 (recomputed): last Sunday of March to last Sunday of October at 01:00
    UTC in every zone."""
    readings, instants = [], []
    for year in range(2002, 2026):
        spring, autumn = nth_sunday(year, 3, -1), nth_sunday(year, 10, -1)
        hour = 1 + winter
        readings += [f"{spring}T{hour - 1:02}:59:59", f"{spring}T{hour:02}:00", f"{spring}T{hour:02}:59:59"]
        readings.append(f"{spring}T{hour + 1:02}:00")
        instants += [[f"{spring}T00:59:59Z"], [], [], [f"{spring}T01:00:00Z"]]
        readings += [f"{autumn}T{hour:02}:00", f"{autumn}T{hour:02}:59:59", f"{autumn}T{hour + 1:02}:00"]
        instants.append([f"{autumn}T00:00:00Z", f"{autumn}T01:00:00Z"])
        instants += [[f"{autumn}T00:59:59Z", f"{autumn}T01:59:59Z"], [f"{autumn}T02:00:00Z"]]
    assert placed(zone, readings) == instants


@pytest.mark.parametrize(
    ("zone", "start", "end", "minutes"),
    [
        (NEW_YORK, "2024-03-10T00:30", "2024-03-10T03:30", 120),
        (NEW_YORK, "2024-11-03T00:30", "2024-11-03T03:30", 240),
        (NEW_YORK, "2024-03-17T00:30", "2024-03-17T03:30", 180),
        (BERLIN, "2024-03-31T00:30", "2024-03-31T03:30", 120),
        (BERLIN, "2024-10-27T00:30", "2024-10-27T03:30", 240),
        (LORD_HOWE, "2024-04-07T00:30", "2024-04-07T03:30", 210),
        (LORD_HOWE, "2024-10-06T00:30", "2024-10-06T03:30", 150),
    ],
)
def test_the_same_span_on_the_clock_lasts_longer_or_less(zone: str, start: str, end: str, minutes: int) -> None:
    """15 USC 260a, 2000/84/EC, IANA (recomputed): 00:30 to 03:30 is 2 h on 10 March and 4 h on 3 November 2024 in New
    York; subtracting the readings would always give 3 h."""
    clock = ZoneInfo(zone)
    first, last = (datetime.fromisoformat(text).replace(tzinfo=clock) for text in (start, end))
    assert last - first == timedelta(hours=3)
    assert last.astimezone(UTC) - first.astimezone(UTC) == timedelta(minutes=minutes)
    timeline = build_timeline(export(zone, [(start, end)]))
    for most, broken in ((minutes, 0), (minutes - 1, 1)):
        outcomes = judge_rule(rule("record", require={"work_minutes": {"at_most": most}}), timeline)
        assert (outcomes.in_scope, outcomes.findings, outcomes.unjudged) == (1, broken, 0)


@pytest.fixture(scope="module")
def before_cure() -> Rule:
    """The rule that ships: no takeoff within PT24H."""
    (found,) = (rule for rule in load_rules(rules_folder()).rules if rule.id == "flight-before-cure")
    return found


def verdict(law: Rule, zone: str, coat: tuple[str, str], takeoff: str) -> str:
    """What the rule says of a coat (by the clock) and a takeoff (in the zone's wall-clock time)."""
    instant = datetime.fromisoformat(takeoff).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    outcomes = judge_rule(law, build_timeline(export(zone, [coat], [instant.isoformat()])))
    assert outcomes.in_scope == 1
    return "finding" if outcomes.findings else "unjudged" if outcomes.unjudged else "complies"


@pytest.mark.parametrize(
    ("zone", "day", "hours", "enough"),
    [
        # The wall clock that is 24 hours after noon of the day before.
        (NEW_YORK, "2024-03-10", 23, "13:00"),
        (NEW_YORK, "2024-11-03", 25, "11:00"),
        (NEW_YORK, "2024-03-17", 24, "12:00"),
        (BERLIN, "2024-03-31", 23, "13:00"),
        (BERLIN, "2024-10-27", 25, "11:00"),
        (LORD_HOWE, "2024-10-06", 23.5, "12:30"),
        (LORD_HOWE, "2024-04-07", 24.5, "11:30"),
    ],
)
def test_24_hours_are_not_a_day(before_cure: Rule, zone: str, day: str, hours: float, enough: str) -> None:
    """ISO 8601 (PT24H is not P1D), dates by 15 USC 260a, 2000/84/EC, IANA (recomputed): from noon to noon takes 23 to
    25 hours, and the cure is over 24 hours after the last coat, to the second."""
    eve = date.fromisoformat(day) - timedelta(days=1)
    coat = (f"{eve}T11:00", f"{eve}T12:00")
    assert verdict(before_cure, zone, coat, f"{day}T12:00") == ("finding" if hours < 24 else "complies")
    assert verdict(before_cure, zone, coat, f"{day}T{enough}") == "complies"
    second_less = datetime.fromisoformat(f"{day}T{enough}") - timedelta(seconds=1)
    assert verdict(before_cure, zone, coat, second_less.isoformat()) == "finding"


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [
        # 24 h after 05:30Z and after 06:30Z are 00:30 and 01:30 local, a day later.
        ("2024-11-04T00:29:59", "finding"),
        ("2024-11-04T00:30", "unjudged"),
        ("2024-11-04T01:29:59", "unjudged"),
        ("2024-11-04T01:30", "complies"),
    ],
)
def test_an_hour_that_cannot_be_judged(before_cure: Rule, takeoff: str, expected: str) -> None:
    """15 USC 260a (recomputed): a coat that ended at 01:30 on 3 November 2024 in New York ended at 05:30Z or 06:30Z;
    only where the verdict depends on which it was, there is none."""
    assert verdict(before_cure, NEW_YORK, ("2024-11-03T00:45", "2024-11-03T01:30"), takeoff) == expected


def test_a_coat_in_an_hour_that_never_was(before_cure: Rule) -> None:
    """15 USC 260a (recomputed): 02:30 on 10 March 2024 doesn't exist in New York; the record is quarantined with its
    value and place, and nothing is judged by it."""
    came_in = export(NEW_YORK, [("2024-03-10T01:30", "2024-03-10T02:30"), ("2024-03-11T01:30", "2024-03-11T02:30")])
    assert came_in.rejects[["table", "line", "column", "value"]].to_dict("records") == [
        {"table": "tasks", "line": 1, "column": "finished_at", "value": "2024-03-10T02:30"}
    ]
    assert (came_in.counts["tasks"].read, came_in.counts["tasks"].audited) == (2, 1)
    assert judge_rule(before_cure, build_timeline(came_in)).in_scope == 1
