"""The hold form at its limits."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from audit.forms.judging import every_subject
from audit.intake.reading import read_rows
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
OTHERS = {
    "event": "treatment",
    "where": {"product": {"present": True}, "product_class": {"not": "rubber-preservative"}},
}
NO_FLIGHT = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
NO_OTHER = rule("hold", scope=PRESERVE, forbid=OTHERS, **{"for": "PT24H"})
LATER = "2025-06-10T00:00:00Z"
"""An as-of time by which every hold here has ended."""
COAT = {
    "product": "rubber-preservative",
    "started_at": "2025-06-02T09:00:00Z",
    "finished_at": "2025-06-02T09:10:00Z",
}
EVENTS = [
    pytest.param("2025-06-02T09:09:59Z", "1 complies", id="before-the-end-of-the-session"),
    pytest.param("2025-06-02T09:10:00Z", "1 finding", id="as-the-session-ends"),
    pytest.param("2025-06-03T09:09:59Z", "1 finding", id="one-second-too-early"),
    pytest.param("2025-06-03T09:10:00Z", "1 complies", id="exactly-24-hours-after"),
]


@pytest.mark.parametrize(("at", "expected"), EVENTS)
def test_takeoff(at: str, expected: str) -> None:
    """No takeoff in [end, end + 24 h): its start counts, its end doesn't."""
    assert verdict(NO_FLIGHT, LATER, tasks=[COAT], flights=[{"takeoff_at": at}]) == expected


BACKWARDS = COAT | {"finished_at": "2025-06-02T08:00:00Z"}


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        ("2025-06-02T08:59:59Z", "1 unjudged"),
        ("2025-06-02T09:00:00Z", "1 finding"),
        ("2025-06-03T07:59:59Z", "1 finding"),
        ("2025-06-03T08:00:00Z", "1 unjudged"),
        ("2025-06-04T08:59:59Z", "1 unjudged"),
        ("2025-06-04T09:00:00Z", "1 complies"),
    ],
)
def test_a_last_coat_that_ends_before_it_starts(at: str, expected: str) -> None:
    """One of its two times is wrong: too early is what is so by both, late enough what is so had it taken a day."""
    assert verdict(NO_FLIGHT, LATER, tasks=[BACKWARDS], flights=[{"takeoff_at": at}]) == expected
    before = BACKWARDS | {"started_at": "2025-06-02T08:50:00Z"}
    told = {"2025-06-02T09:10:00Z": "1 finding", "2025-06-03T09:10:00Z": "1 complies"}
    for takeoff, as_ever in told.items():  # of a coat before the last its end is of no matter
        assert verdict(NO_FLIGHT, LATER, tasks=[before, COAT], flights=[{"takeoff_at": takeoff}]) == as_ever


def test_a_cure_of_unknown_end_may_still_run() -> None:
    """Nothing has flown: that it is over is known a day and the cure after its start."""
    flights = [{"takeoff_at": "2025-06-01T09:00:00Z"}]
    assert verdict(NO_FLIGHT, "2025-06-04T08:59:59Z", tasks=[BACKWARDS], flights=flights) == "1 unjudged"
    assert verdict(NO_FLIGHT, "2025-06-04T09:00:00Z", tasks=[BACKWARDS], flights=flights) == "1 complies"


@pytest.mark.parametrize(("at", "expected"), EVENTS)
def test_treatment(at: str, expected: str) -> None:
    """No other product on the position in [end, end + 24 h)."""
    other = {"product": "cleaner", "started_at": at, "finished_at": "2025-06-04T00:00:00Z"}
    assert verdict(NO_OTHER, LATER, tasks=[COAT, other]) == expected
    assert verdict(NO_OTHER, LATER, tasks=[COAT, other | {"position": "right wing"}]) == "1 complies"


def test_the_figures_of_a_finding() -> None:
    """What passed is measured from the end of the last coat, in hours."""
    later = COAT | {"coat": 2, "started_at": "2025-06-02T12:00:00Z", "finished_at": "2025-06-02T12:30:00Z"}
    case = outcomes(NO_FLIGHT, tasks=[later, COAT], flights=[{"takeoff_at": "2025-06-02T18:00:00Z"}]).cases.iloc[0]
    assert (case["measured"], case["limit"], case["unit"]) == (5.5, 24.0, "h")


@pytest.mark.parametrize(
    ("removed", "expected"),
    [("2025-06-02T12:00:00Z", "1 complies"), ("2025-06-02T12:00:01Z", "1 finding")],
)
def test_a_removed_boot_takes_its_hold_along(removed: str, expected: str) -> None:
    """What happens from the removal of the treated boot on happens without it."""
    boots = [{"removed_at": removed}, {"component_serial": "C2", "installed_at": removed}]
    at = "2025-06-02T12:00:00Z"
    assert verdict(NO_FLIGHT, LATER, tasks=[COAT], flights=[{"takeoff_at": at}], components=boots) == expected
    other = {"product": "cleaner", "started_at": at}
    assert verdict(NO_OTHER, LATER, tasks=[COAT, other], components=boots) == expected


@pytest.mark.parametrize(
    ("aircraft", "removed", "expected"),
    [
        pytest.param("A1", "2025-06-02T11:00:00Z", "1 unjudged", id="off-before-the-takeoff"),
        pytest.param("A1", "2025-06-02T12:00:01Z", "1 finding", id="still-on"),
        pytest.param("A2", "2025-06-02T11:00:00Z", "1 finding", id="off-another-aircraft"),
    ],
)
def test_a_boot_at_a_position_that_is_not_known_may_be_any_that_came_off(
    aircraft: str, removed: str, expected: str
) -> None:
    """One of two boots was coated, the record doesn't say which: the one that came off, or the one that flew."""
    off = {"component_serial": "C2", "aircraft": aircraft, "position": "right wing", "removed_at": removed}
    flights = [{"takeoff_at": "2025-06-02T12:00:00Z"}]
    coat = COAT | {"position": None}
    assert verdict(NO_FLIGHT, LATER, tasks=[coat], flights=flights, components=[{}, off]) == expected


def test_a_boot_swapped_between_two_coats() -> None:
    """Each boot has its own hold: the one that was swapped flew too early, the other one did not fly."""
    swap = "2025-06-02T10:00:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    last = COAT | {"started_at": "2025-06-02T11:00:00Z", "finished_at": "2025-06-02T11:10:00Z"}
    flights = [{"takeoff_at": "2025-06-02T12:00:00Z"}]
    assert verdict(NO_FLIGHT, LATER, tasks=[COAT, last], flights=flights, components=boots) == "1 finding, 1 complies"


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"product": "unheard-of"}, "1 unjudged", id="unknown-product"),
        pytest.param({"product": "cleaner", "position": None}, "1 unjudged", id="no-position"),
        pytest.param({"product": "cleaner", "status": "open"}, "1 complies", id="unfinished"),
        pytest.param({"product": "cleaner", "status": "void"}, "1 complies", id="void"),
    ],
)
def test_what_may_have_been_another_product(other: dict[str, Any], expected: str) -> None:
    """A record that may break the hold leaves it unjudged; work that isn't done breaks nothing."""
    away = {"work_order": "W2", "action": "clean", "started_at": "2025-06-02T12:00:00Z"}
    assert verdict(NO_OTHER, LATER, tasks=[COAT, away | other]) == expected


def test_a_session_does_not_break_its_own_hold() -> None:
    """A record of no duration that ends its session isn't another product."""
    anything = rule(
        "hold",
        scope=PRESERVE,
        forbid={"event": "treatment", "where": {"product": {"present": True}}},
        **{"for": "PT24H"},
    )
    instant = COAT | {"started_at": "2025-06-02T09:10:00Z"}
    assert verdict(anything, LATER, tasks=[instant]) == "1 complies"
    assert verdict(anything, tasks=[instant, instant | {"product": "cleaner"}]) == "1 finding"


def test_without_flight_logs_nobody_knows() -> None:
    """A table that was not supplied makes a subject unjudged, never a pass."""
    assert verdict(NO_FLIGHT, tasks=[COAT], not_supplied=["flights"]) == "1 unjudged"
    assert verdict(NO_FLIGHT, LATER, tasks=[COAT], flights=[]) == "1 unjudged"
    assert verdict(NO_FLIGHT, LATER, tasks=[COAT], flights=[{"takeoff_at": "2025-06-05T00:00:00Z"}]) == "1 complies"


def test_what_comes_after_the_as_of_time_does_not_exist() -> None:
    """A takeoff at the as-of time is known, one after it isn't."""
    export = {"tasks": [COAT], "flights": [{"takeoff_at": "2025-06-02T12:00:00Z"}]}
    assert verdict(NO_FLIGHT, "2025-06-02T12:00:00Z", **export) == "1 finding"
    assert verdict(NO_FLIGHT, "2025-06-02T11:59:59Z", **export) == "1 unjudged"


@pytest.mark.parametrize(
    ("started", "finished", "expected"),
    [
        pytest.param("03T12:00", "03T09:00", "1 unjudged", id="only-its-end-is-in-time"),
        pytest.param("02T14:00", "02T13:00", "1 finding", id="both-are"),
        pytest.param("03T13:00", "03T12:30", "1 complies", id="neither-is"),
    ],
)
def test_other_work_that_ends_before_it_starts(started: str, finished: str, expected: str) -> None:
    """Its two times may have been swapped: then it began when it says that it ended."""
    wash = COAT | {"product": "cleaner", "started_at": f"2025-06-{started}Z", "finished_at": f"2025-06-{finished}Z"}
    assert verdict(NO_OTHER, LATER, tasks=[COAT, wash | {"task_id": "T2"}]) == expected


@pytest.mark.parametrize(
    ("removed", "expected"),
    [
        pytest.param("09:00:01", "1 complies", id="while-it-was-coated"),
        pytest.param("09:00:00", "1 unjudged", id="as-the-coat-began"),
        pytest.param("08:59:59", "1 finding", id="before-the-coat"),
    ],
)
def test_a_boot_that_came_off(removed: str, expected: str) -> None:
    """Which came first is not known of what was at the same time: it may have come off with its coat on. A boot of
    which nothing is recorded stays on."""
    boots = [{"removed_at": f"2025-06-02T{removed}Z"}]
    flights = [{"takeoff_at": "2025-06-02T15:00:00Z"}]
    assert verdict(NO_FLIGHT, LATER, tasks=[COAT], components=boots, flights=flights) == expected


@pytest.mark.parametrize(
    ("aircraft", "expected"),
    [
        pytest.param("A1", "1 finding", id="flown-in-between"),
        pytest.param("A-1", "1 unjudged", id="perhaps-flown-in-between"),
        pytest.param("B7", "idle", id="not-flown-in-between"),
    ],
)
def test_over_another_of_its_own_kind(aircraft: str, expected: str) -> None:
    """Coated twice under one work order: the second came over the first if the boot had flown with that."""
    twice = rule("hold", scope=PRESERVE, over=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    again = COAT | {"started_at": "2025-06-02T15:00:00Z", "finished_at": "2025-06-02T15:10:00Z"}
    between = {"aircraft": aircraft, "takeoff_at": "2025-06-02T11:00:00Z"}
    flights = [between, {"takeoff_at": "2025-06-02T20:00:00Z"}]
    assert verdict(twice, LATER, tasks=[COAT, again], flights=flights) == expected


TREAT = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
COVERED = rule(
    "hold",
    scope={"action": {"in": ["apply", "clean"]}, "product_class": {"not": "ice-adhesion-treatment"}},
    over=TREAT,
    forbid={"event": "takeoff"},
    until=TREAT,
    season={"from": "10-01", "to": "04-30"},
)
TREATMENT = {"product": "ice-adhesion-treatment", "started_at": "2025-11-03T10:00:00Z"}
WASH = {"product": "cleaner", "action": "clean", "work_order": "W2", "started_at": "2025-11-10T10:00:00Z"}
ANEW = TREATMENT | {"work_order": "W2", "started_at": "2025-11-10T10:20:00Z"}
FLIGHT = {"takeoff_at": "2025-11-20T10:00:00Z"}


@pytest.mark.parametrize(
    ("tasks", "flight", "expected"),
    [
        pytest.param([TREATMENT, WASH], FLIGHT, "1 finding", id="no-new-one"),
        pytest.param([TREATMENT, WASH, ANEW], FLIGHT, "1 complies", id="a-new-one"),
        pytest.param([WASH], FLIGHT, "idle", id="over-nothing"),
        pytest.param([WASH | {"started_at": "2025-11-03T09:00:00Z"}, TREATMENT], FLIGHT, "idle", id="the-other-way"),
        pytest.param([TREATMENT, WASH], {"takeoff_at": "2025-11-10T10:10:00Z"}, "1 finding", id="as-it-ended"),
        pytest.param([TREATMENT, WASH], {"takeoff_at": "2025-11-10T10:09:59Z"}, "1 unjudged", id="before-it-ended"),
        pytest.param(
            [TREATMENT, WASH, ANEW], {"takeoff_at": "2025-11-10T10:19:59Z"}, "1 finding", id="just-before-the-new-one"
        ),
        pytest.param([TREATMENT, WASH, ANEW], {"takeoff_at": "2025-11-10T10:20:00Z"}, "1 complies", id="as-it-began"),
        pytest.param(
            [TREATMENT, WASH, ANEW | {"started_at": "2025-11-10T10:00:01Z"}], FLIGHT, "1 complies", id="begun-later"
        ),
        pytest.param(
            [TREATMENT, WASH, ANEW | {"started_at": "2025-11-10T10:00:00Z"}], FLIGHT, "1 unjudged", id="begun-together"
        ),
        pytest.param([TREATMENT, WASH, ANEW | {"position": "right wing"}], FLIGHT, "1 finding", id="of-another-boot"),
        pytest.param([TREATMENT, WASH, ANEW | {"position": None}], FLIGHT, "1 unjudged", id="of-who-knows-which-boot"),
        pytest.param(
            [TREATMENT, WASH, ANEW | {"product": "unheard-of", "work_order": "W3", "action": "prepare"}],
            FLIGHT,
            "1 finding",
            id="surely-none",
        ),
        pytest.param([TREATMENT | {"position": "right wing"}, WASH], FLIGHT, "idle", id="over-another-boot"),
        pytest.param([TREATMENT | {"position": None}, WASH], FLIGHT, "1 unjudged", id="over-who-knows-what"),
        pytest.param(
            [TREATMENT | {"started_at": WASH["started_at"]}, WASH], FLIGHT, "1 unjudged", id="put-on-together"
        ),
        pytest.param([TREATMENT | {"status": "void"}, WASH], FLIGHT, "idle", id="over-a-void-one"),
    ],
)
def test_until_a_treatment(tasks: list[dict[str, Any]], flight: dict[str, Any], expected: str) -> None:
    """From the end of what was put over a treatment to the start of a new one on the same boot nothing takes off."""
    assert verdict(COVERED, tasks=tasks, flights=[flight]) == expected


def during(start: str, end: str) -> dict[str, str]:
    """The times of work."""
    return {"started_at": start, "finished_at": end}


@pytest.mark.parametrize(
    ("ended", "expected"),
    [
        pytest.param("2025-11-10T10:15:00Z", "unjudged", id="after-it"),
        pytest.param("2025-11-10T09:55:00Z", "finding", id="before-it"),
    ],
)
def test_until_a_treatment_of_which_the_start_can_not_be_read(ended: str, expected: str) -> None:
    """A new treatment that ended after the wash may have begun right after it: the flight may have been allowed."""
    task = {"aircraft": "A1", "position": "left wing", "station": "S1"}
    apply = task | {"action": "apply", "product": "P"}
    tasks = [
        apply | {"task_id": "T1", "work_order": "W1"} | during("2025-11-03T10:00:00Z", "2025-11-03T10:10:00Z"),
        task
        | {"task_id": "T2", "work_order": "W2", "action": "clean", "product": "C"}
        | during("2025-11-10T10:00:00Z", "2025-11-10T10:10:00Z"),
        apply | {"task_id": "T3", "work_order": "W3"} | during("?", ended),
    ]
    boot = {"component_serial": "B1", "aircraft": "A1", "position": "left wing", "material": "chloroprene"}
    export = read_rows(
        {
            "tasks": tasks,
            "components": [boot | {"finish": "black", "installed_at": "2025-01-01T00:00:00Z", "removed_at": ""}],
            "products": [
                {"product": "P", "product_class": "ice-adhesion-treatment"},
                {"product": "C", "product_class": "cleaner"},
            ],
            "flights": [
                {"flight_id": "F1", "aircraft": "A1"}
                | {"takeoff_at": "2025-11-20T10:00:00Z", "landing_at": "2025-11-20T11:00:00Z"}
            ],
        }
    )
    assert set(every_subject(RULES.validate_python(COVERED), build_timeline(export))["outcome"]) == {expected}


@pytest.mark.parametrize(
    ("treated", "washed", "flown", "expected"),
    [
        ("2025-09-30T23:59:59Z", "2025-11-10T10:00:00Z", "2025-11-20T10:00:00Z", "idle"),
        ("2025-10-01T00:00:00Z", "2025-11-10T10:00:00Z", "2025-11-20T10:00:00Z", "1 finding"),
        ("2025-09-01T10:00:00Z", "2025-09-30T23:59:59Z", "2025-11-20T10:00:00Z", "idle"),
        ("2025-11-03T10:00:00Z", "2026-04-30T10:00:00Z", "2026-04-30T23:59:59Z", "1 finding"),
        ("2025-11-03T10:00:00Z", "2026-04-30T10:00:00Z", "2026-05-01T00:00:00Z", "1 complies"),
        ("2025-11-03T10:00:00Z", "2026-05-01T00:00:00Z", "2026-05-01T10:00:00Z", "idle"),
        ("2025-11-03T10:00:00Z", "2026-11-03T10:00:00Z", "2026-11-04T10:00:00Z", "idle"),
    ],
)
def test_inside_one_season(treated: str, washed: str, flown: str, expected: str) -> None:
    """The treatment, what was put over it, and the takeoff are of one season; both its days are included."""
    tasks = [TREATMENT | {"started_at": treated}, WASH | {"started_at": washed}]
    assert verdict(COVERED, tasks=tasks, flights=[{"takeoff_at": flown}]) == expected


def test_a_product_that_is_not_listed_in_a_season() -> None:
    """Whether it is in scope is not known in its season either; outside of it, it does not matter."""
    winter = NO_FLIGHT | {"season": {"from": "10-01", "to": "04-30"}}
    for month, expected in (("11", "1 unjudged"), ("06", "idle")):
        coat = {"product": "unheard-of", "started_at": f"2025-{month}-02T09:00:00Z"}
        flights = [{"takeoff_at": f"2025-{month}-02T12:00:00Z"}]
        assert verdict(winter, tasks=[coat], flights=flights) == expected


@pytest.mark.parametrize(("last", "expected"), [(14, "1 unjudged"), (40, "1 finding")])
def test_the_treatment_that_ends_a_hold_may_lie_behind_the_end_of_the_records(last: int, expected: str) -> None:
    """Where no record of anybody comes for unusually long, one that allowed the flight may be missing."""
    begin = pd.Timestamp("2025-11-11T10:00:00Z")
    others = [
        {"product": "cleaner", "action": "inspect", "aircraft": "A9", "work_order": f"D{day}"}
        | {"started_at": (begin + pd.Timedelta(days=day)).isoformat()}
        for day in range(last)
    ]
    flights = [{"takeoff_at": "2025-12-20T10:00:00Z"}]
    assert verdict(COVERED, tasks=[TREATMENT, WASH, *others], flights=flights) == expected


def test_a_removed_boot_takes_what_was_put_over_it_along() -> None:
    """Its successor was not treated, and what was done to the old boot releases nothing on the new one."""
    swap = "2025-11-15T00:00:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    assert verdict(COVERED, tasks=[TREATMENT, WASH], flights=[FLIGHT], components=boots) == "1 complies"
    later = WASH | {"started_at": "2025-11-16T10:00:00Z"}
    assert verdict(COVERED, tasks=[TREATMENT, later], flights=[FLIGHT], components=boots) == "idle"


def test_the_figures_of_a_hold_without_a_time() -> None:
    """What passed is measured; there is no limit to set against it."""
    case = outcomes(COVERED, tasks=[TREATMENT, WASH], flights=[FLIGHT]).cases.iloc[0]
    assert (case["measured"], case["unit"]) == (pytest.approx(239 + 50 / 60), "h")
    assert case["limit"] != case["limit"]


def test_for_a_time_or_until_a_treatment() -> None:
    """With both, whichever comes first ends the hold; a treatment that may release it leaves it open."""
    either = rule("hold", scope=PRESERVE, forbid=OTHERS, until=TREAT, **{"for": "PT24H"})
    gloss = {"product": "gloss-coating", "work_order": "W2"}
    treated = TREATMENT | {"started_at": "2025-06-02T12:00:00Z", "work_order": "W3"}
    for at, tasks, expected in (
        ("2025-06-03T09:09:59Z", [], "1 finding"),
        ("2025-06-03T09:10:00Z", [], "1 complies"),
        ("2025-06-02T11:00:00Z", [treated], "1 finding"),
        ("2025-06-02T12:00:00Z", [treated], "1 complies"),
        ("2025-06-02T13:00:00Z", [treated], "1 complies"),
        ("2025-06-02T13:00:00Z", [treated | {"position": None}], "1 unjudged"),
    ):
        assert verdict(either, tasks=[COAT, gloss | {"started_at": at}, *tasks]) == expected


ON_A_DAY = [{"removed_at": "2025-06-03"}, {"component_serial": "C2", "installed_at": "2025-06-03"}]
TWO_DAYS = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT96H"})


@pytest.mark.parametrize(
    ("coat", "takeoff", "expected"),
    [
        pytest.param("2025-06-01T09:00:00Z", "2025-06-02T09:59:59Z", "1 finding", id="before-the-day-began-anywhere"),
        pytest.param("2025-06-01T09:00:00Z", "2025-06-02T10:00:00Z", "1 unjudged", id="as-it-began-somewhere"),
        pytest.param("2025-06-01T09:00:00Z", "2025-06-03T06:00:00Z", "1 unjudged", id="in-the-day"),
        pytest.param("2025-06-01T09:00:00Z", "2025-06-04T11:59:59Z", "1 unjudged", id="as-it-ended-somewhere"),
        pytest.param("2025-06-01T09:00:00Z", "2025-06-04T12:00:00Z", "1 complies", id="after-it-ended-everywhere"),
        pytest.param("2025-06-03T09:00:00Z", "2025-06-03T10:00:00Z", "1 unjudged", id="coated-that-day-as-well"),
        pytest.param("2025-06-05T09:00:00Z", "2025-06-05T10:00:00Z", "1 finding", id="the-next-boot"),
    ],
)
def test_a_boot_swapped_on_a_day_without_a_time(coat: str, takeoff: str, expected: str) -> None:
    """Which boot flew on that day, by whatever clock it is one, is in doubt: neither a pass nor a finding."""
    done = COAT | {"started_at": coat, "finished_at": coat.replace(":00Z", ":10Z")}
    flights = [{"takeoff_at": takeoff}]
    assert verdict(TWO_DAYS, LATER, tasks=[done], flights=flights, components=ON_A_DAY) == expected


NEARLY_THIS = "a record of an aircraft of nearly the same name may change the result"


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"aircraft": "A1"}, (False, NEARLY_THIS), id="written-otherwise"),
        pytest.param({"aircraft": "A1", "position": None}, (False, NEARLY_THIS), id="at-any-position"),
        pytest.param({"aircraft": "A1", "position": "right wing"}, None, id="at-another-position"),
        pytest.param({"aircraft": "B7"}, None, id="another-aircraft"),
        pytest.param({"aircraft": "A-1"}, (True, ""), id="the-same"),
    ],
)
def test_work_on_an_aircraft_of_nearly_the_same_name(other: dict[str, Any], expected: tuple[bool, str] | None) -> None:
    """It may have been done to this one, at the position that it names."""
    here = {"aircraft": "A-1"}
    wash = {"product": "cleaner", "work_order": "W2", "started_at": "2025-06-02T12:00:00Z"}
    found = outcomes(
        NO_OTHER,
        LATER,
        tasks=[COAT | here, wash | other],
        components=[here, here | {"component_serial": "C2", "position": "right wing"}],
        flights=[here | {"takeoff_at": "2025-06-08T12:00:00Z"}],
    )
    assert found.in_scope == 1
    assert [*found.cases[["finding", "reason"]].itertuples(index=False, name=None)] == ([expected] if expected else [])
