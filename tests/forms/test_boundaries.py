"""What must hold to the instant: each of these was once changed by a single token without any test noticing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.findings.collect import collect, outcomes_now
from audit.findings.matters import matter_of
from audit.forms.judging import judge_rule
from audit.intake.reading import read_rows
from audit.language.rule import Example
from audit.timeline.seasons import season_windows
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule, verdict

GLOSS = {"product_class": {"is": "gloss-coating"}}
PREP = {"product_class": {"is": "surface-prep"}}
WORK = {"product": "gloss-coating", "started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
PREPARED = {
    "product": "surface-prep",
    "action": "prepare",
    "started_at": "2025-06-02T06:00:00Z",
    "finished_at": "2025-06-02T07:00:00Z",
}


@pytest.mark.parametrize(
    ("must_be", "at", "expected"),
    [
        ("first", "2025-06-02T09:00:00Z", "1 unjudged"),
        ("first", "2025-06-02T08:59:59Z", "1 finding"),
        ("first", "2025-06-02T09:00:01Z", "1 complies"),
        ("last", "2025-06-02T09:00:00Z", "1 unjudged"),
        ("last", "2025-06-02T08:59:59Z", "1 complies"),
        ("last", "2025-06-02T09:00:01Z", "1 finding"),
    ],
)
def test_order_is_open_only_at_the_same_instant(must_be: str, at: str, expected: str) -> None:
    """What starts together has no order; a second tells."""
    other = PREPARED | {"started_at": at, "finished_at": "2025-06-02T11:00:00Z"}
    asked = rule("order", scope=GLOSS, must_be=must_be, among=PREP)
    assert verdict(asked, tasks=[WORK, other]) == expected


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [
        ("2025-06-02T06:59:59Z", "1 complies"),
        ("2025-06-02T07:00:00Z", "1 finding"),
        ("2025-06-02T08:59:59Z", "1 finding"),
        ("2025-06-02T09:00:00Z", "1 complies"),
    ],
)
def test_what_comes_between_does_so_from_the_end_of_the_one_to_the_start_of_the_other(
    takeoff: str, expected: str
) -> None:
    """In [end of the treatment needed, start of the session): a takeoff at the start itself undoes nothing."""
    asked = rule("precede", scope=GLOSS, needs=PREP, broken_by=[{"event": "takeoff"}])
    assert verdict(asked, tasks=[PREPARED, WORK], flights=[{"takeoff_at": takeoff}]) == expected


@pytest.mark.parametrize(
    ("at", "expected"), [("2025-06-02T10:59:59Z", "1 finding"), ("2025-06-02T11:00:00Z", "1 complies")]
)
def test_a_hold_ends_before_the_work_that_begins_at_its_end(at: str, expected: str) -> None:
    """Another product exactly at the end of the hold complies."""
    asked = rule("hold", scope=GLOSS, forbid={"event": "treatment", "where": PREP}, **{"for": "PT1H"})
    assert verdict(asked, "2025-06-30T00:00:00Z", tasks=[WORK, PREPARED | {"started_at": at}]) == expected


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [("2025-06-30T23:59:59Z", "1 finding"), ("2025-07-01T00:00:00Z", "1 complies")],
)
def test_a_window_ends_with_its_last_day(takeoff: str, expected: str) -> None:
    """A flight that takes off in the season's last second counts in full; one at its end belongs to no season."""
    asked = rule("interval", scope=GLOSS, at_most={"flight_hours": 10}, season={"from": "06-01", "to": "06-30"})
    flights = [{"takeoff_at": "2025-06-10T09:00:00Z", "flight_hours": 8}, {"takeoff_at": takeoff, "flight_hours": 3}]
    look = {"product": None, "action": "inspect", "started_at": "2025-05-30T09:00:00Z"}
    assert verdict(asked, "2025-07-10T00:00:00Z", tasks=[look], flights=flights) == expected


@pytest.mark.parametrize(
    ("start", "expected"),
    [("10:05:00", "1 complies"), ("10:04:59", "1 finding"), ("10:15:00", "1 complies"), ("10:15:01", "1 finding")],
)
def test_both_limits_of_a_pause_are_allowed(start: str, expected: str) -> None:
    """Exactly the shortest and exactly the longest pause comply."""
    asked = rule("spacing", scope=GLOSS, pause={"at_least": "PT5M", "at_most": "PT15M"})
    later = {"coat": 2, "started_at": f"2025-06-02T{start}Z", "finished_at": "2025-06-02T11:00:00Z"}
    assert verdict(asked, tasks=[WORK | {"coat": 1}, WORK | later]) == expected


def test_things_that_touch_don_t_overlap() -> None:
    """The end of the one is the start of the other: no pair, of one kind as of two."""
    two = [
        {"started_at": "2025-06-02T09:00:07Z", "finished_at": "2025-06-02T10:00:07Z"},
        {"started_at": "2025-06-02T10:00:07Z", "finished_at": "2025-06-02T11:00:07Z", "station": "S2"},
    ]
    asked = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"])
    assert verdict(asked, tasks=[one | {"performed_by": "P1"} for one in two]) == "2 complies"
    # A third one that lasts longer makes all three worth a look.
    longer = {"started_at": "2025-06-02T08:30:07Z", "finished_at": "2025-06-02T10:30:07Z"}
    assert verdict(asked, tasks=[one | {"performed_by": "P1"} for one in (*two, longer)]) == "1 finding, 1 complies"


@pytest.mark.parametrize(
    ("as_of", "expected"), [("2025-06-02T12:00:00Z", "1 finding"), ("2025-06-02T11:59:59Z", "1 unjudged")]
)
def test_what_happens_at_the_as_of_time_has_happened(as_of: str, expected: str) -> None:
    """A flight that takes off at the as-of time itself is one; a second earlier it is not there yet."""
    asked = rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    assert verdict(asked, as_of, tasks=[WORK], flights=[{"takeoff_at": "2025-06-02T12:00:00Z"}]) == expected


@pytest.mark.parametrize(
    ("year", "day"),
    [(2000, "2000-02-29"), (2023, "2023-02-28"), (2024, "2024-02-29"), (2100, "2100-02-28")],
)
def test_the_29th_of_february(year: int, day: str) -> None:
    """It is the 28th in other years, a century of which is one only every fourth time."""
    since, until = (int(np.datetime64(f"{year}-{part}", "us").astype(np.int64)) for part in ("02-01", "03-15"))
    _, end = season_windows((2, 1), (2, 29), since, until)
    last = np.datetime64(day) + 1
    assert [str(one) for one in end.view("M8[us]").astype("M8[D]")] == [str(last)]


@pytest.mark.parametrize(("hours", "sessions"), [("09:00:00", "1 complies"), ("09:00:01", "2 finding")])
def test_a_session_goes_on_for_a_day(hours: str, sessions: str) -> None:
    """A pause of exactly 24 hours is within one session, one a second longer between two."""
    second = {"coat": 2, "started_at": f"2025-06-03T{hours}Z", "finished_at": "2025-06-03T10:00:00Z"}
    first = WORK | {"coat": 1, "finished_at": "2025-06-02T09:00:00Z", "started_at": "2025-06-02T08:30:00Z"}
    assert verdict(rule("count", scope=GLOSS, coats={"at_least": 2}), tasks=[first, WORK | second]) == sessions


@pytest.mark.parametrize(
    ("removed", "expected"), [("2025-06-02T09:00:00Z", "1 unjudged"), ("2025-06-02T09:00:01Z", "1 complies")]
)
def test_a_boot_is_gone_at_the_instant_of_its_removal(removed: str, expected: str) -> None:
    """Installed from the one instant, included, to the other, excluded."""
    asked = rule("record", scope=GLOSS, require={"component.finish": {"is": "black"}})
    boot = {"finish": "black", "installed_at": "2025-06-01T09:00:00Z", "removed_at": removed}
    assert verdict(asked, tasks=[WORK], components=[boot]) == expected
    boot = {"finish": "black", "installed_at": "2025-06-02T09:00:00Z"}
    assert verdict(asked, tasks=[WORK], components=[boot]) == "1 complies"


def test_two_stretches_of_one_boot_have_two_names() -> None:
    """A stretch that no treatment began is named by when it began: each season has its own finding."""
    asked = RULES.validate_python(
        rule("interval", scope=GLOSS, at_most={"flight_hours": 1}, season={"from": "06-01", "to": "06-30"})
    )
    flights = [{"takeoff_at": f"{year}-06-10T09:00:00Z", "flight_hours": 3} for year in (2024, 2025)]
    look = {"product": None, "action": "inspect", "started_at": "2024-05-30T09:00:00Z"}
    example = Example.model_validate({"name": "n", "expect": "finding", "tasks": [look], "flights": flights})
    timeline = build_timeline(example_export(example), pd.Timestamp("2025-07-10T00:00:00Z"))
    assert list(outcomes_now(asked, timeline).values()) == ["finding", "finding"]


def _cited(form: dict[str, Any], **tables: Any) -> list[str]:
    bases = [
        {"source": "old 1", "to": "2025-06-02"},
        {"source": "new 1", "from": "2025-06-03"},
    ]
    one = RULES.validate_python(form | {"basis": bases})
    example = Example.model_validate({"name": "n", "expect": "finding", **tables})
    timeline = build_timeline(example_export(example), None)
    found: list[str] = collect([(one, judge_rule(one, timeline))], timeline).findings["basis"].tolist()
    return found


def test_a_source_is_cited_by_the_day_of_the_work_at_its_station() -> None:
    """S2 is two hours ahead: at 22:00 UTC on the 2nd it is the 3rd there; the day of the work, not of the event."""
    asked = rule("record", require={"lot": {"present": True}})
    assert _cited(asked, tasks=[{"station": "S2", "started_at": "2025-06-02T22:30:00Z"}]) == ["new 1"]
    assert _cited(asked, tasks=[{"started_at": "2025-06-02T22:30:00Z"}]) == ["old 1"]
    cure = rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    assert _cited(cure, tasks=[WORK], flights=[{"takeoff_at": "2025-06-03T08:00:00Z"}]) == ["old 1"]


def test_a_matter_is_of_one_work_order() -> None:
    """Two work orders are two matters, whatever moment they share; without one the moment tells."""
    at = pd.to_datetime(["2025-06-02T09:00Z", "2025-06-02T10:00Z", "2025-06-02T09:00Z", "2025-06-02T09:00Z"], utc=True)
    findings = pd.DataFrame(
        {"rule": "r", "aircraft": "A1", "work_order": ["W1", "W1", "W2", ""], "at": at.as_unit("us")}
    )
    assert matter_of(findings).tolist() == [0, 0, 1, 2]


@pytest.mark.parametrize(("time", "accepted"), [("2099-12-31T23:59:59Z", 1), ("2100-01-01T00:00:00Z", 0)])
def test_the_last_year_that_is_accepted(time: str, accepted: int) -> None:
    """Up to the last second of 2099 a time is one; later it is a misprint."""
    task = {"task_id": "T1", "work_order": "W1", "aircraft": "A1", "action": "inspect", "station": "S1"}
    times = {"started_at": "2025-06-02T09:00:00Z", "finished_at": time}
    assert len(read_rows({"tasks": [task | times]}).tables["tasks"]) == accepted
