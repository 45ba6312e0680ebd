"""What makes one session of several records, and where that isn't known."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
import pytest

from audit.evidence.doubt import CERTAIN, JOB_RUNNING, Rank, coverage_doubt, reasons_of
from audit.evidence.sessions import classes, in_sessions, may_go_on, possible_parts, reach
from audit.evidence.treatments import NO_BOOT, NO_POSITION, Treatments
from audit.language.condition import Conditions
from audit.timeline.coverage import ANY_AIRCRAFT, Missing, uncovered
from audit.timeline.instants import DAY, NEVER
from audit.timeline.timeline import Timeline
from tests.evidence.fleets import fleet
from tests.forms.rules import outcomes, rule, verdict

GLOSS = {"product_class": {"is": "gloss-coating"}}
TWO_COATS = rule("count", scope=GLOSS, coats={"at_least": 2})
ELSEWHERE = "work at another station without a flight in between: flights are missing in the log"
UNREADABLE = "a flight in quarantine may fall in this time"


def coat(number: int, time: str, **more: Any) -> dict[str, Any]:
    return {"product": "gloss-coating", "coat": number, "started_at": f"2025-06-{time}:00Z"} | more


def flight(time: str, **more: Any) -> dict[str, Any]:
    return {"takeoff_at": f"2025-06-{time}:00Z", **more}


@pytest.mark.parametrize(
    ("second", "flights", "expected"),
    [
        pytest.param({}, [], "1 complies", id="soon-after"),
        pytest.param({"work_order": "W2"}, [], "2 finding", id="of-another-work-order"),
        pytest.param({"position": "right wing"}, [], "2 finding", id="on-another-boot"),
        pytest.param({"product": "cleaner"}, [], "1 finding", id="of-another-class"),
        pytest.param({"started_at": "2025-06-03T09:10:00Z"}, [], "1 complies", id="24-hours-after"),
        pytest.param({"started_at": "2025-06-03T09:10:01Z"}, [], "2 finding", id="longer-after"),
        pytest.param({}, ["02T09:09"], "1 complies", id="flown-while-it-was-put-on"),
        pytest.param({}, ["02T09:10"], "2 finding", id="flown-as-it-ended"),
        pytest.param({}, ["02T09:59"], "2 finding", id="flown-in-between"),
        pytest.param({}, ["02T10:00"], "1 complies", id="flown-as-the-next-began"),
    ],
)
def test_coats_of_one_session(second: dict[str, Any], flights: list[str], expected: str) -> None:
    """One work order, boot and class, no more than 24 hours apart, and no takeoff from the end to the next start."""
    boots = [{}, {"component_serial": "C2", "position": "right wing"}]
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00") | second]
    takeoffs = [*map(flight, flights), flight("20T09:00")]
    assert verdict(TWO_COATS, tasks=tasks, flights=takeoffs, components=boots) == expected


def test_coats_of_products_without_a_list() -> None:
    """Without a list nobody knows of what class a coat is; records of one job and boot belong together all the same."""
    any_coats = rule("count", scope={"action": {"is": "apply"}}, coats={"at_least": 2})
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00", product="gel")]
    assert verdict(any_coats, tasks=tasks, not_supplied=["products"]) == "1 complies"


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        pytest.param({"status": "open"}, "1 unjudged", id="still-open"),
        pytest.param({}, "1 complies", id="done"),
        pytest.param({"status": "open", "position": "left wing"}, "1 finding", id="on-the-next-boot"),
    ],
)
def test_a_boot_that_is_moved_between_two_coats(more: dict[str, Any], expected: str) -> None:
    """Its session goes on at the other position, and what may have been done to it there may be part of it."""
    moved = "2025-06-02T09:30:00Z"
    boots = [
        {"removed_at": moved},
        {"position": "right wing", "installed_at": moved},
        {"component_serial": "C2", "installed_at": moved},
    ]
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00", position="right wing") | more]
    assert verdict(TWO_COATS, tasks=tasks, components=boots) == expected


def test_the_longest_of_the_records_before_counts() -> None:
    """A short record inside a long one ends nothing: what follows the long one goes on."""
    long = coat(1, "02T09:00", finished_at="2025-06-03T09:00:00Z")
    inside = coat(2, "02T10:00")
    last = coat(3, "04T09:00")
    three = rule("count", scope=GLOSS, coats={"at_least": 3})
    assert verdict(three, tasks=[last, inside, long]) == "1 complies"


@pytest.mark.parametrize(
    ("time", "station", "reason"),
    [
        pytest.param("02T09:30", "S2", ELSEWHERE, id="in-between"),
        pytest.param("02T08:00", "S2", None, id="before"),
        pytest.param("02T12:00", "S2", None, id="after"),
        pytest.param("02T09:30", "S1", None, id="at-the-same-station"),
    ],
)
def test_worked_on_elsewhere_without_a_flight(time: str, station: str, reason: str | None) -> None:
    """Between its coats the aircraft must have flown, though the log lacks it: they may be two sessions.

    What it was worked on elsewhere before the first coat or after the last tells nothing of the session.
    """
    away = {"product": "cleaner", "work_order": "W0", "station": station, "started_at": f"2025-06-{time}:00Z"}
    found = outcomes(TWO_COATS, tasks=[away, coat(2, "02T10:00"), coat(1, "02T09:00")], flights=[flight("20T09:00")])
    assert found.cases["reason"].tolist() == ([] if reason is None else [reason])
    assert found.in_scope == 1


@pytest.mark.parametrize(
    ("unreadable", "reason"),
    [
        pytest.param(flight("02T09:30", landing_at="late"), UNREADABLE, id="took-off-in-between"),
        pytest.param(flight("02T08:30", landing_at="late"), None, id="took-off-before"),
        pytest.param(flight("02T10:00", landing_at="late"), None, id="took-off-as-the-next-began"),
        pytest.param(flight("02T09:30", landing_at="late", aircraft="A2"), None, id="another-aircraft"),
        pytest.param({"takeoff_at": "soon", "landing_at": "late"}, None, id="at-any-time"),
        pytest.param({"takeoff_at": "soon", "landing_at": "2025-06-02T11:00:00Z"}, None, id="landed-after"),
        pytest.param({"takeoff_at": "soon", "landing_at": "2025-06-02T10:00:00Z"}, UNREADABLE, id="landed-in-between"),
        pytest.param({"takeoff_at": "soon", "landing_at": "2025-06-02T09:05:00Z"}, None, id="landed-before"),
    ],
)
def test_a_flight_that_can_not_be_read(unreadable: dict[str, Any], reason: str | None) -> None:
    """One that took off between two coats, or landed there, parts them, perhaps; a pause is no sign of one that may be
    at any time."""
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00"), coat(1, "02T09:00", product="cleaner", aircraft="A2")]
    found = outcomes(TWO_COATS, tasks=tasks, flights=[unreadable, flight("20T09:00")])
    assert found.cases["reason"].tolist() == ([] if reason is None else [reason])
    assert found.in_scope == 1


def test_each_work_order_and_class_has_sessions_of_its_own() -> None:
    """However many there are of both, at one boot and at one time."""
    named = [(f"W{number}", name) for number in range(30) for name in ("gloss-coating", "cleaner", "surface-prep")]
    tasks = [coat(1, "02T09:00", work_order=order, product=name) for order, name in named]
    any_coats = rule("count", scope={"action": {"is": "apply"}}, coats={"at_least": 2})
    assert verdict(any_coats, tasks=tasks) == "90 finding"


def test_a_gap_in_the_flight_log_is_no_sign_that_it_flew_between_two_coats() -> None:
    """An aircraft that stands for its work has a gap there; work elsewhere is a sign, or a flight in quarantine."""
    before = [{"takeoff_at": f"2025-05-{day:02}T{hour:02}:00:00Z"} for day in (28, 29, 30) for hour in (0, 6, 12, 18)]
    takeoffs = [*before, flight("28T09:00")]
    for hour in ("02T10:00", "03T08:00"):
        assert verdict(TWO_COATS, tasks=[coat(1, "02T09:00"), coat(2, hour)], flights=takeoffs) == "1 complies"


APPLIED = Conditions.model_validate({"action": {"is": "apply"}})
Records = list[dict[str, Any]]


def records_of(timeline: Timeline, treated: Treatments) -> Records:
    """The treatments, each with what tells whether it goes on with another one."""
    began, ended = timeline.span(treated.task)
    products = classes(timeline, treated.task).tolist()
    jobs = timeline.work_orders(treated.task).tolist()
    width = timeline.unknown_position + 1
    return [
        {
            "row": row,
            "task": task,
            "name": str(timeline.tasks["task_id"].iloc[task]),
            "start": int(began[row]),
            "end": int(ended[row]),
            "place": int(treated.place[row]),
            "aircraft": int(treated.place[row]) // width,
            "boot": int(treated.boot[row]),
            "doubt": int(treated.doubt[row]),
            "job": jobs[row],
            "class": products[row],
        }
        for row, task in enumerate(treated.task.tolist())
    ]


def flew(timeline: Timeline, aircraft: int, opens: int, closes: int) -> bool:
    flights = timeline.flights
    return bool(((flights.aircraft == aircraft) & (flights.takeoff >= opens) & (flights.takeoff < closes)).any())


def unread_between(timeline: Timeline, aircraft: int, opens: int, closes: int) -> bool:
    """Whether a flight that can't be read may have been in a pause: it took off there, or landed."""
    stretches = uncovered(timeline)
    signs = (stretches.why == Missing.UNREADABLE) & (stretches.start > NEVER)
    signs &= np.isin(stretches.aircraft, (aircraft, ANY_AIRCRAFT))
    return any(end > opens and max(opens, end - 1) < closes for end in stretches.end[signs].tolist())


def plain_sessions(timeline: Timeline, records: Records) -> list[Records]:
    """The records of each session, in order of their starts."""
    found: dict[Any, list[Records]] = {}
    for record in sorted(records, key=lambda one: (one["start"], one["task"])):
        boot = record["boot"] if record["boot"] >= 0 else (record["boot"], record["place"])
        runs = found.setdefault((record["job"], record["class"], boot), [])
        reached = max((one["end"] for one in runs[-1]), default=NEVER) if runs else NEVER
        goes_on = bool(runs) and record["start"] - reached <= DAY
        if goes_on and not flew(timeline, record["aircraft"], reached, record["start"]):
            unread = unread_between(timeline, record["aircraft"], reached, record["start"])
            reason = coverage_doubt(reasons_of(timeline), Missing.UNREADABLE) if unread else CERTAIN
            runs[-1].append(record | {"doubt": record["doubt"] or reason})
        else:
            runs.append([record])
    return [session for runs in found.values() for session in runs]


@pytest.mark.parametrize("seed", range(6))
def test_sessions_are_those_that_are_put_together_one_record_after_the_other(seed: int) -> None:
    """Whatever stands between, each is named by its first record, ends with its last, and has the doubt of its own."""
    timeline = fleet(seed)
    found = in_sessions(timeline, APPLIED)
    sessions, records = found.sessions, records_of(timeline, found.treated)
    expected = plain_sessions(timeline, records)
    assert len(sessions) == len(expected)
    numbers = set()
    for session in expected:
        [number] = {int(found.session_of[one["row"]]) for one in session}
        numbers.add(number)
        first = min(session, key=lambda one: (one["start"], one["name"]))
        last = max(session, key=lambda one: (one["end"], one["start"], one["task"]))
        doubtful = [one for one in sorted(session, key=lambda one: one["task"]) if one["doubt"] != CERTAIN]
        assert {name: int(getattr(sessions, name)[number]) for name in vars(sessions)} == {
            "number": number,
            "task": min(one["task"] for one in session),
            "first": first["task"],
            "last": last["task"],
            "named_at": first["place"],
            "place": last["place"],
            "component": int(found.treated.component[last["row"]]),
            "boot": last["boot"],
            "start": first["start"],
            "end": last["end"],
            "latest": max(one["start"] for one in session),
            "doubt": doubtful[0]["doubt"] if doubtful else CERTAIN,
        }
        assert sorted(found.records(np.array([number])).tolist()) == sorted(one["task"] for one in session)
    assert numbers == set(range(len(sessions)))
    order = list(zip(sessions.place.tolist(), sessions.start.tolist(), strict=True))
    assert order == sorted(order)


@pytest.mark.parametrize("seed", range(6))
def test_what_may_be_part_of_a_session(seed: int) -> None:
    """Of one job, boot and class, as far as is known, and at one go; the reason is what isn't known."""
    timeline = fleet(seed)
    found = in_sessions(timeline, APPLIED)
    every = found.evidence
    reasons, kind = reasons_of(timeline), classes(timeline, every.task)
    nowhere, job = timeline.nowhere(every.place), timeline.work_orders(every.task)
    aircraft = timeline.aircraft_of(every.place)
    expected = set()
    for of, part in permutations(range(len(every)), 2):
        unclear = [bool(nowhere[one] or kind[one] < 0 or every.boot[one] < 0 or every.doubt[one]) for one in (of, part)]
        one_job = job[of] == job[part] or (unclear[1] and job[part] < 0)
        if every.doubt[of] or not any(unclear) or not one_job or aircraft[of] != aircraft[part]:
            continue
        lost, unlisted = nowhere[of] or nowhere[part], kind[of] < 0 or kind[part] < 0
        same_place = every.place[of] == every.place[part]
        one_boot = every.boot[of] == every.boot[part] and (every.boot[of] >= 0 or same_place)
        bootless = min(every.boot[of], every.boot[part]) < 0 and same_place
        if not (lost or one_boot or bootless) or not (unlisted or kind[of] == kind[part]):
            continue
        closes = max(int(every.start[of]), int(every.start[part]))
        opens = min(int(every.end[of]), int(every.end[part]), closes)
        if closes - opens > DAY or flew(timeline, int(aircraft[of]), opens, closes):
            continue
        why = NO_POSITION if lost else (Rank.RECORD, "value missing: product") if unlisted else NO_BOOT
        expected.add((of, part, int(every.doubt[part]) or reasons.number(*why)))
    parts = possible_parts(timeline, every)
    columns = (parts.of.tolist(), parts.part.tolist(), parts.doubt.tolist())
    assert set(zip(*columns, strict=True)) == expected
    for counted in (frozenset[int](), frozenset(columns[2]), *(frozenset({why}) for why in set(columns[2]))):
        start, end = reach(timeline, found)(lambda doubt, counted=counted: np.isin(doubt, list(counted)))
        for number in range(len(found.sessions)):
            together = [number, *(part for of, part, why in expected if of == number and why in counted)]
            assert start[number] == min(every.start[together])
            assert end[number] == max(every.end[together])


@pytest.mark.parametrize("seed", range(6))
def test_a_job_may_go_on_until_its_aircraft_flies_or_a_day_is_over(seed: int) -> None:
    """Of each job whose last record ended within a day of the as-of time, without a takeoff since."""
    timeline = fleet(seed)
    every = in_sessions(timeline, APPLIED).sessions
    for shift in (-DAY, -DAY + 1, -DAY // 2, 0):
        ends = np.full(len(every), timeline.as_of + 1 + shift)
        expected = [
            CERTAIN
            if flew(timeline, one, timeline.as_of + 1 + shift, timeline.as_of + 1)
            else reasons_of(timeline).number(*JOB_RUNNING)
            for one in timeline.aircraft_of(every.place).tolist()
        ]
        assert may_go_on(timeline, every.place, ends).tolist() == expected
        assert not may_go_on(timeline, every.place, ends - DAY - 1).any() or shift > -DAY


@pytest.mark.parametrize("seed", range(4))
def test_what_is_not_surely_done_is_evidence_behind_the_sessions(seed: int) -> None:
    """All of it for its own job; for others what can't be read, but not what is still open."""
    timeline = fleet(seed)
    found = in_sessions(timeline, APPLIED)
    assert found.perhaps is not None
    undone = found.perhaps.sessions.task
    unreadable = undone[undone >= timeline.audited]
    assert 0 < len(unreadable) < len(undone)
    for sessions, behind in ((found.evidence, undone), (found.elsewhere(timeline), unreadable)):
        assert sessions.task.tolist() == [*found.sessions.task, *behind]
        assert sessions.number.tolist() == list(range(len(sessions)))
    done = in_sessions(timeline, Conditions.model_validate({"task_id": {"is": "T2"}}))
    if done.perhaps is None:
        assert done.evidence is done.elsewhere(timeline) is done.sessions
