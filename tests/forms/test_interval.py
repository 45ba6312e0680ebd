"""The interval form at its limits. Worked examples from outside are in tests/external."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from tests.forms.rules import outcomes, rule, verdict

GUARD = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}


def at_most(**parts: Any) -> dict[str, Any]:
    """An interval rule with limits, or with anything else given by name."""
    limits = {name: parts.pop(name) for name in ("flight_hours", "cycles", "days", "months") if name in parts}
    return rule("interval", scope=GUARD, at_most=limits, **parts)


def treated(at: str, **more: Any) -> dict[str, Any]:
    """A treatment that ends at an instant, in a work order of its own."""
    return {
        "product": "ice-adhesion-treatment",
        "work_order": at,
        "started_at": "2025-11-01T00:00:00Z",
        "finished_at": at,
        **more,
    }


def flown(at: str, hours: float | None = None, **more: Any) -> dict[str, Any]:
    """A flight of so many hours."""
    return {"takeoff_at": at, **({} if hours is None else {"flight_hours": hours}), **more}


NOV = "2025-11-{}T00:00:00Z".format
FIRST, SECOND, AS_OF = treated(NOV("03")), treated(NOV("10")), "2025-11-20T00:00:00Z"


def test_tenths_add_up_to_hours() -> None:
    """Five hundred flights of a tenth are exactly fifty hours, and one more is too much."""
    flights = [flown(f"2025-11-14T10:{n // 60:02}:{n % 60:02}Z", 0.1) for n in range(501)]
    assert verdict(at_most(flight_hours=50), AS_OF, tasks=[FIRST], flights=flights[:500]) == "2 complies"
    case = outcomes(at_most(flight_hours=50), AS_OF, tasks=[FIRST], flights=flights).cases.iloc[0]
    assert (case["finding"], case["measured"], case["limit"], case["unit"]) == (True, 50.1, 50.0, "flight hours")


@pytest.mark.parametrize(
    ("takeoff", "began"),
    [
        pytest.param("2025-11-02T23:59:59Z", "01", id="before-the-first"),
        pytest.param(NOV("03"), "03", id="as-the-first-ends"),
        pytest.param("2025-11-09T23:59:59Z", "03", id="before-the-second"),
        pytest.param(NOV("10"), "10", id="as-the-second-ends"),
    ],
)
def test_a_takeoff_belongs_to_one_segment(takeoff: str, began: str) -> None:
    """A flight counts in the segment that began last: a treatment's end is the first instant of the next."""
    found = outcomes(at_most(flight_hours=2), AS_OF, tasks=[FIRST, SECOND], flights=[flown(takeoff, 2.1)])
    assert (found.in_scope, found.findings) == (3, 1)
    assert found.cases["anchor"].astype("datetime64[us]").tolist() == [pd.Timestamp(f"2025-11-{began}")]


def test_the_as_of_time_belongs_to_the_last_segment() -> None:
    """A takeoff at the as-of time counts, one after it doesn't exist."""
    rule_of_hours = at_most(flight_hours=1)
    assert verdict(rule_of_hours, AS_OF, tasks=[FIRST], flights=[flown(AS_OF, 2)]) == "1 finding, 1 complies"
    later = [flown("2025-11-04T00:00:00Z", 0.1), flown("2025-11-20T00:00:01Z", 2)]
    assert verdict(rule_of_hours, AS_OF, tasks=[FIRST], flights=later) == "2 complies"


@pytest.mark.parametrize("last", [14, 40])
@pytest.mark.parametrize("limit", [{"flight_hours": 1}, {"days": 40}], ids=["hours", "days"])
def test_a_treatment_may_lie_behind_the_end_of_the_records(limit: dict[str, float], last: int) -> None:
    """Where no record of anybody comes for unusually long, one that was in time may be missing."""
    others = [
        {"product": "cleaner", "aircraft": "A9", "work_order": f"D{day}"}
        | {"started_at": (pd.Timestamp(NOV("04")) + pd.Timedelta(days=day)).isoformat()}
        for day in range(last)
    ]
    export: dict[str, Any] = {"tasks": [FIRST, *others], "flights": [flown("2025-12-20T00:00:00Z", 2)]}
    found = outcomes(at_most(**limit), "2025-12-20T12:00:00Z", **export).cases
    reason = "no task records at all for an unusually long time before the as-of time"
    assert found["reason"].tolist() == ([reason] if last == 14 else [""])


def test_cycles_that_can_not_be_read_are_of_no_matter_to_hours() -> None:
    """Only a limit of cycles leaves them in doubt."""
    flights = [flown("2025-11-04T00:00:00Z", 1, cycles="?")]
    assert verdict(at_most(flight_hours=50), AS_OF, tasks=[FIRST], flights=flights) == "2 complies"
    assert verdict(at_most(cycles=50), AS_OF, tasks=[FIRST], flights=flights) == "1 unjudged, 1 complies"


FLOWN_NEXT = {"takeoff_at": "2025-11-05T10:00:00Z", "landing_at": "2025-11-05T11:30:00Z", "cycles": 3}


def test_hours_derived_and_cycles_counted() -> None:
    """Blank hours are wheels-off to wheels-on, blank cycles are one."""
    flight = {"takeoff_at": "2025-11-04T10:00:00Z", "landing_at": "2025-11-04T11:30:00Z"}
    export: dict[str, Any] = {"tasks": [FIRST], "flights": [flight, FLOWN_NEXT]}
    assert verdict(at_most(flight_hours=3), AS_OF, **export) == "2 complies"
    assert verdict(at_most(flight_hours=2.9), AS_OF, **export) == "1 finding, 1 complies"
    assert verdict(at_most(cycles=4), AS_OF, **export) == "2 complies"
    assert verdict(at_most(cycles=3), AS_OF, **export) == "1 finding, 1 complies"


@pytest.mark.parametrize(
    ("end", "expected"),
    [
        pytest.param("2025-11-09T23:59:59Z", "3 complies", id="the-last-day"),
        pytest.param("2025-11-10T00:00:00Z", "1 finding, 2 complies", id="midnight-is-the-next-day"),
    ],
)
def test_days_are_of_the_calendar(end: str, expected: str) -> None:
    """Days are the difference of two UTC dates, whatever the hours."""
    tasks = [treated("2025-11-03T23:59:59Z"), treated(end)]
    assert verdict(at_most(days=6), "2025-11-12T00:00:00Z", tasks=tasks) == expected


@pytest.mark.parametrize(
    ("as_of", "expected"),
    [("2025-02-28T23:59:59Z", "1 complies"), ("2025-03-01T00:00:00Z", "1 finding")],
)
def test_a_month_ends_with_its_last_day(as_of: str, expected: str) -> None:
    """A month from 31 January is due on 28 February."""
    export: dict[str, Any] = {
        "tasks": [{"product": "cleaner", "started_at": "2025-01-01T00:00:00Z"}],
        "components": [{"installed_at": "2025-01-31T12:00:00Z"}],
    }
    assert verdict(at_most(months=1), as_of, **export) == expected


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [
        ("2025-11-04T23:59:59Z", "1 complies"),
        ("2025-11-05T00:00:00Z", "1 finding"),
        ("2025-11-07T23:59:59Z", "1 finding"),
        ("2025-11-08T00:00:00Z", "1 complies"),
    ],
)
def test_both_days_of_a_season_belong_to_it(takeoff: str, expected: str) -> None:
    """Hours count from the start of the first day to the end of the last."""
    season = at_most(flight_hours=1, season={"from": "11-05", "to": "11-07"})
    flights = [flown(takeoff, 2)]
    assert verdict(season, AS_OF, tasks=[FIRST], flights=flights) == expected


def test_a_season_that_ends_at_midnight_has_no_day_more() -> None:
    """The day after the season isn't one of its days."""
    season = at_most(days=2, season={"from": "11-05", "to": "11-07"})
    assert verdict(season, AS_OF, tasks=[FIRST]) == "1 complies"
    assert verdict(at_most(days=1, season={"from": "11-05", "to": "11-07"}), AS_OF, tasks=[FIRST]) == "1 finding"


def test_each_boot_has_its_own_time() -> None:
    """What the old boot flew is none of the new one's, and its treatment neither."""
    boots = [{"removed_at": NOV("05")}, {"component_serial": "C2", "installed_at": NOV("05")}]
    flights = [flown("2025-11-04T10:00:00Z", 2), flown(NOV("05"), 2)]
    export: dict[str, Any] = {"tasks": [FIRST], "flights": flights, "components": boots}
    assert verdict(at_most(flight_hours=2), AS_OF, **export) == "3 complies"
    assert verdict(at_most(flight_hours=1.9), AS_OF, **export) == "2 finding, 1 complies"


@pytest.mark.parametrize(("as_of", "expected"), [("2025-11-15", "1 unjudged"), ("2025-11-16", "1 finding")])
def test_too_long_since_what_may_have_been_a_treatment(as_of: str, expected: str) -> None:
    """By a rule that counts from the time it was done, the tolerance is given once."""
    perhaps = treated("2025-11-04T08:00:00Z", product="unheard-of", work_order="W2")
    tolerant = at_most(days=10, tolerance={"percent": 10})
    tasks = [treated("2025-11-01T08:00:00Z"), perhaps]
    assert verdict(tolerant, f"{as_of}T12:00:00Z", tasks=tasks).startswith(expected)


@pytest.mark.parametrize(
    ("started", "limit", "expected"),
    [
        pytest.param("2025-11-10T08:00:00Z", 9, "1 finding, 2 complies", id="in-order"),
        pytest.param("2025-11-10T12:00:00Z", 9, "1 finding, 2 complies", id="ends-hours-before-it-starts"),
        pytest.param("2025-11-14T12:00:00Z", 9, "1 unjudged, 2 complies", id="ends-days-before-it-starts"),
        pytest.param("2025-11-14T12:00:00Z", 5, "1 finding, 2 complies", id="too-much-flown-either-way"),
    ],
)
def test_a_treatment_that_ends_before_it_starts(started: str, limit: int, expected: str) -> None:
    """It may have been done when it says that it started: too much was flown only if it was so by both."""
    second = treated("2025-11-10T10:00:00Z", started_at=started)
    flights = [flown(NOV(day), 2) for day in ("05", "12", "13", "15", "17", "18")]
    assert verdict(at_most(flight_hours=limit), AS_OF, tasks=[FIRST, second], flights=flights) == expected


def test_a_treatment_without_a_known_boot() -> None:
    """It is unjudged itself, and so is what it may have put right."""
    flights = [flown("2025-11-04T10:00:00Z", 1.5), flown("2025-11-12T10:00:00Z", 1.5)]
    unplaced = treated(NOV("10"), position=None)
    assert verdict(at_most(flight_hours=2), AS_OF, tasks=[unplaced], flights=flights) == "2 unjudged"
    assert verdict(at_most(flight_hours=4), AS_OF, tasks=[unplaced], flights=flights) == "1 unjudged, 1 complies"


@pytest.mark.parametrize(
    ("where", "tables", "reason"),
    [
        ({"position": None}, {}, "position not recorded, or not one of the boots' positions"),
        ({"position": "fin"}, {}, "position not recorded, or not one of the boots' positions"),
        (
            {},
            {"components": [{"installed_at": NOV("04")}]},
            "which boot was at that position and time is not known",
        ),
        ({}, {"not_supplied": ["components"]}, "table not supplied: components"),
        ({"position": None}, {"not_supplied": ["components"]}, "table not supplied: components"),
    ],
)
def test_why_a_treatment_of_no_known_boot_is_not_judged(
    where: dict[str, Any], tables: dict[str, Any], reason: str
) -> None:
    """Its position is not recorded, no boot is known there, or the export has no boots at all."""
    found = outcomes(at_most(days=90), AS_OF, tasks=[FIRST | where], **tables).cases
    assert found.loc[found["subject"] == 0, "reason"].tolist() == [reason]


@pytest.mark.parametrize(
    "doubtful",
    [
        pytest.param({"position": None}, id="without-a-position"),
        pytest.param({"product": "unheard-of"}, id="of-a-product-unknown"),
    ],
)
@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        pytest.param(51, 9, True, id="too-much-before"),
        pytest.param(9, 51, True, id="too-much-after"),
        pytest.param(49, 49, False, id="too-much-only-together"),
        pytest.param(0, 51, True, id="a-doubt-as-it-begins"),
    ],
)
def test_too_much_whatever_a_doubtful_record_was(
    doubtful: dict[str, Any], before: float, after: float, expected: bool
) -> None:
    """A record that may be a treatment leaves a segment unjudged only if it could have put it right."""
    flights = [flown(NOV("05"), before), flown(NOV("12"), after)]
    tasks = [FIRST, treated(NOV("10"), **doubtful)]
    found = outcomes(at_most(flight_hours=50), AS_OF, tasks=tasks, flights=flights).cases
    assert found[found["anchor"] == pd.Timestamp(NOV("03")).value // 1000]["finding"].tolist() == [expected]


@pytest.mark.parametrize(("limit", "expected"), [(10, True), (11, False)])
@pytest.mark.parametrize("until", [NOV("17"), None], ids=["to-the-next-treatment", "to-the-as-of-time"])
def test_midnight_whatever_a_doubtful_record_was(limit: int, expected: bool, until: str | None) -> None:
    """What ends at midnight is of the new day, be it a treatment, what may be one, or the time that is looked at."""
    tasks = [FIRST, treated(NOV("06"), product="unheard-of"), *([treated(until)] if until else [])]
    found = outcomes(at_most(days=limit), "2025-11-17T00:00:00Z", tasks=tasks).cases
    assert found[found["anchor"] == pd.Timestamp(NOV("03")).value // 1000]["finding"].tolist() == [expected]
    of_both = at_most(days=2 if expected else 3)
    early = outcomes(of_both, "2025-11-07T00:00:00Z", tasks=tasks[:2]).cases
    assert early[early["anchor"] == pd.Timestamp(NOV("03")).value // 1000]["finding"].tolist() == [expected]


@pytest.mark.parametrize(("limit", "expected"), [(4, []), (3.9, ["can't be read: components.removed_at"])])
def test_a_boot_that_may_have_been_taken_off_meanwhile(limit: float, expected: list[str]) -> None:
    """Where its removal can't be read, too much may have been flown without it; what is not too much complies. It came
    off when the next boot was put there, at the latest."""
    boots = [{"removed_at": "soon"}, {"component_serial": "C2", "installed_at": NOV("15")}]
    flights = [flown(NOV("05"), 2), flown(NOV("12"), 2), flown(NOV("17"), 1)]
    cleaned = {"product": "cleaner", "started_at": NOV("03")}
    found = outcomes(at_most(flight_hours=limit), AS_OF, tasks=[cleaned], flights=flights, components=boots)
    assert (found.in_scope, found.findings, found.cases["reason"].tolist()) == (2, 0, expected)


@pytest.mark.parametrize(
    ("next_due", "expected"), [("actual", True), ("scheduled", False), ("overrun-deducted", False)]
)
def test_a_swap_on_a_day_without_a_time(next_due: str, expected: bool) -> None:
    """What was flown with the boot that day, before its last treatment, is of consequence only where a due point is
    counted from the one before."""
    boots = [{"removed_at": "2025-11-05"}, {"component_serial": "C2", "installed_at": "2025-11-05"}]
    flights = [flown("2025-11-05T12:00:00Z", 2), flown(NOV("12"), 3)]
    counted, done = at_most(flight_hours=2.9, next_due=next_due), treated(NOV("10"), started_at=NOV("09"))
    found = outcomes(counted, AS_OF, tasks=[done], flights=flights, components=boots)
    last = found.cases[found.cases["anchor"] == pd.Timestamp(NOV("10")).value // 1000]
    assert last["finding"].tolist() == [expected]


def test_late_inside_the_window_is_later_still_overdue() -> None:
    """Counted from the scheduled time, a doubtful record may move the next due point on by the window."""
    counted = at_most(flight_hours=100, next_due="scheduled", tolerance={"percent": 10})
    for hours, expected in ((120.1, True), (120.0, False)):
        flights = [flown(NOV("05"), 1), flown(NOV("12"), hours)]
        tasks = [FIRST, treated(NOV("10"), product="unheard-of")]
        found = outcomes(counted, AS_OF, tasks=tasks, flights=flights).cases
        assert found[found["anchor"] == pd.Timestamp(NOV("03")).value // 1000]["finding"].tolist() == [expected]


@pytest.mark.parametrize(
    ("position", "day", "expected"),
    [
        pytest.param("right wing", "05", True, id="of-another-boot"),
        pytest.param("left wing", "12", True, id="after-it"),
        pytest.param("left wing", "08", True, id="in-it-when-it-was-overdue"),
        pytest.param("left wing", "05", False, id="in-it-before"),
        pytest.param("left wing", "02", False, id="before-it"),
    ],
)
def test_an_overrun_is_in_doubt_only_after_a_record_in_doubt(position: str, day: str, expected: bool) -> None:
    """What an earlier overrun makes overdue stays a finding, unless a record before it may have been a treatment."""
    counted = at_most(flight_hours=100, next_due="overrun-deducted")
    flights = [flown("2025-11-01T12:00:00Z", 60), flown("2025-11-02T12:00:00Z", 45), flown(NOV("06"), 98)]
    tasks = [FIRST, SECOND, treated(NOV(day), product="unheard-of", position=position)]
    boots = [{}, {"component_serial": "C2", "position": "right wing"}]
    found = outcomes(counted, AS_OF, tasks=tasks, flights=flights, components=boots).cases
    [case] = found[(found["anchor"] == pd.Timestamp(NOV("03")).value // 1000)].to_dict("records")
    assert case["finding"] == expected


@pytest.mark.parametrize(
    ("next_due", "done_after", "carried"),
    [("actual", 105, 0.0), ("scheduled", 105, 5.0), ("scheduled", 95, -5.0), ("overrun-deducted", 105, 5.0)],
)
def test_what_is_carried_over_is_told_apart(next_due: str, done_after: float, carried: float) -> None:
    """Of what was counted, what was flown before the treatment, or was not counted after it, stands by itself."""
    counted = at_most(flight_hours=100, next_due=next_due, tolerance={"percent": 10})
    flights = [flown("2025-11-02T00:00:00Z", done_after), flown(NOV("04"), 116)]
    case = outcomes(counted, AS_OF, tasks=[FIRST], flights=flights).cases.iloc[-1]
    assert (case["finding"], case["measured"], case["limit"]) == (True, 116 + carried, 110.0)
    assert case["carried"] == carried


@pytest.mark.parametrize(("limit", "unjudged"), [(12, 2), (13, 2), (17, 1)])
def test_a_boot_that_a_row_set_aside_may_have_had_on_earlier(limit: int, unjudged: int) -> None:
    """The first stretch of its time may be as much longer; what is not too much even then complies."""
    boots = [{"installed_at": NOV("05")}, {"installed_at": NOV("01"), "removed_at": NOV("05"), "position": None}]
    found = outcomes(at_most(days=limit), NOV("18"), tasks=[treated(NOV("17"))], components=boots)
    # The treatment began before any boot was surely there: of which boot it was isn't known either way.
    assert (found.in_scope, found.findings, found.unjudged) == (2, 0, unjudged)


def test_only_the_boots_asked_for() -> None:
    """Boots that may be meant are unjudged, the others have no segments; wherever in the history they stand."""
    black = at_most(flight_hours=2, boots={"component.finish": {"is": "black"}})
    right = {"component_serial": "C2", "position": "right wing"}
    boots = [{"finish": "silver"}, right | {"finish": None}]
    assert verdict(black, AS_OF, tasks=[{"product": "cleaner", "started_at": NOV("03")}], components=boots) == (
        "1 unjudged"
    )


@pytest.mark.parametrize(
    ("next_due", "done_after", "allowed"),
    [
        # 100 hours due; a window of 10 either way.
        pytest.param("actual", 105, 110, id="from-the-fact"),
        pytest.param("scheduled", 105, 105, id="late-inside-the-window"),
        pytest.param("scheduled", 95, 115, id="early-inside-the-window"),
        pytest.param("scheduled", 90, 120, id="at-the-edge-of-the-window"),
        pytest.param("scheduled", 89.9, 110, id="before-the-window"),
        pytest.param("overrun-deducted", 105, 105, id="an-overrun-taken-off"),
        pytest.param("overrun-deducted", 95, 110, id="no-credit-for-being-early"),
    ],
)
def test_the_next_due_point(next_due: str, done_after: float, allowed: float) -> None:
    """The second interval ends where the way of counting says, and the tolerance ends ten hours after it."""
    counted = at_most(flight_hours=100, next_due=next_due, tolerance={"percent": 10})
    for more, found in ((0.0, 0), (0.1, 1)):
        flights = [flown("2025-11-02T00:00:00Z", done_after), flown(NOV("04"), allowed + more)]
        assert outcomes(counted, AS_OF, tasks=[FIRST], flights=flights).findings == found


def test_whichever_comes_first() -> None:
    """One limit passed is a finding, and the one that was passed first is named."""
    both = at_most(flight_hours=10, days=5)
    case = outcomes(both, AS_OF, tasks=[FIRST], flights=[flown(NOV("12"), 11)]).cases.iloc[-1]
    assert (case["finding"], case["unit"], case["limit"]) == (True, "days", 5.0)
    case = outcomes(both, AS_OF, tasks=[FIRST], flights=[flown(NOV("05"), 11)]).cases.iloc[-1]
    assert (case["finding"], case["unit"], case["limit"]) == (True, "flight hours", 10.0)
