"""Ambiguous times: judged in every reading, unjudged only if the verdicts differ."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from audit.authoring.examples import example_export, example_rows
from audit.forms.judging import AMBIGUOUS, every_subject, judge_rule
from audit.forms.naming import common, positions
from audit.intake.reading import read_rows
from audit.language.rule import Example
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
NO_FLIGHT = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
QUICK = rule("record", scope=PRESERVE, require={"work_minutes": {"at_most": 30}})


def coat(started: str, finished: str, **more: Any) -> dict[str, Any]:
    """A coat in the night of 26 October 2025 in Berlin: 02:00 to 03:00 came twice, from 00:00 and from 01:00 UTC."""
    night = "2025-10-26T"
    return {
        "product": "rubber-preservative",
        "station": "S2",
        "started_at": night + started,
        "finished_at": night + finished,
        **more,
    }


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [
        ("2025-10-27T00:29:59Z", "1 finding"),
        ("2025-10-27T00:30:00Z", "1 unjudged"),
        ("2025-10-27T01:29:59Z", "1 unjudged"),
        ("2025-10-27T01:30:00Z", "1 complies"),
    ],
)
def test_the_end_of_a_hold_by_both_readings(takeoff: str, expected: str) -> None:
    """Between 24 hours after the one and 24 hours after the other the verdict depends on which is meant."""
    assert verdict(NO_FLIGHT, tasks=[coat("01:50", "02:30")], flights=[{"takeoff_at": takeoff}]) == expected


@pytest.mark.parametrize(
    ("started", "finished", "expected"),
    [
        pytest.param("02:50", "02:10", "1 complies", id="an-end-on-the-second-pass"),
        pytest.param("02:30", "00:59Z", "1 complies", id="a-start-on-the-first-pass"),
        pytest.param("02:30", "01:30Z", "1 unjudged", id="a-start-on-either-pass"),
        pytest.param("02:10", "02:30", "1 unjudged", id="twenty-minutes-or-eighty"),
        pytest.param("02:10", "02:10", "1 unjudged", id="no-time-or-an-hour"),
        pytest.param("02:50", "03:10", "1 unjudged", id="twenty-minutes-or-eighty-across-the-change"),
        pytest.param("02:10", "03:50", "1 finding", id="too-long-either-way"),
    ],
)
def test_work_does_not_end_before_it_began(started: str, finished: str, expected: str) -> None:
    """A record may resolve by itself which hour was meant; what it leaves open stays open."""
    assert verdict(QUICK, tasks=[coat(started, finished)]) == expected


def test_the_clock_of_one_person_leaves_others_alone() -> None:
    """What another person did is judged once, whichever hour is meant of the one."""
    places = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"])
    twice = coat("02:30", "02:40", performed_by="P1")
    work = {"started_at": "2025-10-20T09:00:00Z", "finished_at": "2025-10-20T10:00:00Z", "performed_by": "P2"}
    assert verdict(places, tasks=[work, work | {"station": "S2"}, twice]) == "1 finding, 1 complies"


def test_one_reading_of_the_clock_in_two_records() -> None:
    """Two records of the same reading may still be an hour apart."""
    last = rule(
        "order",
        scope={"product_class": {"is": "ice-adhesion-treatment"}},
        must_be="last",
        among={"product_class": {"is": "cleaner"}},
    )
    tasks = [
        coat("02:30", "02:40", product="cleaner"),
        coat("02:31", "02:40", product="ice-adhesion-treatment"),
    ]
    assert verdict(last, tasks=tasks) == "1 unjudged"
    assert verdict(last, tasks=[tasks[0] | {"started_at": "2025-10-26T01:59"}, tasks[1]]) == "1 complies"


def test_other_aircraft_are_not_in_doubt() -> None:
    """An ambiguous time leaves what it has no part in as it was."""
    takeoff = "2025-10-27T01:00:00Z"
    tasks = [coat("01:50", "02:30"), coat("03:00", "03:10", aircraft="A2"), coat("00:10", "00:20", aircraft="A3")]
    flights = [{"takeoff_at": takeoff, "aircraft": name} for name in ("A1", "A2", "A3")]
    assert verdict(NO_FLIGHT, tasks=tasks, flights=flights) == "1 finding, 1 unjudged, 1 complies"


def test_which_of_two_came_first_is_not_part_of_the_subject() -> None:
    """A hold that one product or another broke, by the reading of the clock, is one session and one finding."""
    alone = rule(
        "hold", scope=PRESERVE, forbid={"event": "treatment", "where": {"action": {"is": "clean"}}}, **{"for": "PT24H"}
    )
    before = coat("00:00Z", "00:01Z")
    wash = coat("02:10", "03:10", product="cleaner", action="clean", work_order="W2")
    other = coat("00:40Z", "00:50Z", product="cleaner", action="clean", work_order="W3")
    assert verdict(alone, tasks=[before, wash, other]) == "1 finding"


def test_ambiguous_times_of_nobody() -> None:
    """Where the export has no column of who did the work, a rule about people can't be judged, in any reading."""
    tasks = [coat("02:10", "02:30"), coat("02:20", "02:50", station="S3")]
    example = Example.model_validate({"name": "n", "expect": "unjudged", "tasks": tasks})
    rows = example_rows(example)
    rows["tasks"] = [{name: cell for name, cell in row.items() if name != "performed_by"} for row in rows["tasks"]]
    people = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"])
    found = judge_rule(RULES.validate_python(people), build_timeline(read_rows(rows)))
    assert (found.in_scope, found.findings, found.unjudged) == (2, 0, 2)


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param([], "1 complies", id="nobody-else"),
        pytest.param(["00:00Z"], "1 unjudged", id="by-the-earlier-reading"),
        pytest.param(["01:00Z"], "1 unjudged", id="by-the-later-reading"),
        pytest.param(["00:00Z", "01:00Z"], "2 unjudged", id="one-by-each"),
        pytest.param(["01:00Z", "08:00Z"], "1 unjudged, 1 complies", id="and-one-that-meets-nobody"),
    ],
)
def test_two_that_meet_by_one_reading(other: list[str], expected: str) -> None:
    """Neither of two records complies that contradict each other if the later hour is meant, or the earlier."""
    people = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"])
    tasks = [coat("02:10", "02:40"), *(coat(at, at.replace(":00Z", ":50Z"), station="S3") for at in other)]
    assert verdict(people, tasks=tasks) == expected
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": tasks})
    every = every_subject(RULES.validate_python(people), build_timeline(example_export(example)))["outcome"]
    said = {word: int((every == word).sum()) for word in ("unjudged", "complies")}
    assert ", ".join(f"{number} {word}" for word, number in said.items() if number) == expected


def test_nothing_is_judged_where_every_record_is_set_aside() -> None:
    """Records of which none can be read are as good as no records: that no flights overlap is no clean result."""
    flight = {"takeoff_at": "2025-10-26T08:00:00Z"}
    flown = rule("overlap", between=["flights", "flights"], same=["aircraft"])
    assert verdict(flown, tasks=[coat("00:10Z", "00:20Z")], flights=[flight]) == "1 complies"
    assert verdict(flown, tasks=[coat("00:10Z", "00:20 UTC")], flights=[flight]) == "idle"


def test_two_boots_at_one_position_are_two_subjects() -> None:
    """A season's subjects are named by no record: where the clock of one record is in doubt, none of the boots that
    are recorded at its position is lost."""
    season = {"from": "10-01", "to": "03-31"}
    treated = rule("count", scope=PRESERVE, sessions={"at_least": 1}, season=season, boots={})
    boots = [{"component_serial": name, "installed_at": "2025-01-01T00:00:00Z"} for name in ("PB-1", "PB-2")]
    for started in ("02:30", "00:30Z"):
        found = outcomes(
            treated, "2025-12-01T00:00:00Z", tasks=[coat(started, "03:30", component_serial="")], components=boots
        )
        assert (found.in_scope, found.unjudged) == (2, 2), found.cases


@pytest.mark.parametrize(
    ("limit", "outcome"),
    [
        pytest.param({"at_least": 90}, "unjudged", id="complies-in-the-earlier-hour"),
        pytest.param({"at_most": 90}, "unjudged", id="complies-in-the-later-hour"),
        pytest.param({"at_least": 60}, "complies", id="complies-in-both"),
        pytest.param({"at_least": 121}, "finding", id="complies-in-neither"),
    ],
)
def test_every_subject_has_one_outcome_though_the_hour_is_not_known(limit: dict[str, int], outcome: str) -> None:
    """What complies in one of the readings only is listed once, as unjudged, beside what complies in any case."""
    night = {"station": "S2", "started_at": "2025-10-26T02:30", "finished_at": "2025-10-26T03:30", "product": "cleaner"}
    day = {"started_at": "2025-10-27T08:00:00Z", "finished_at": "2025-10-27T09:45:00Z", "product": "cleaner"}
    tables = {"tasks": [night, day, {**night, "aircraft": "A2"}]}
    timeline = build_timeline(example_export(Example.model_validate({"name": "n", "expect": "complies", **tables})))
    asked = RULES.validate_python(rule("record", require={"work_minutes": limit}))
    sure = "complies" if limit.get("at_least", 106) <= 105 else "finding"  # the work of the day took so long
    found = every_subject(asked, timeline)
    expected = sorted([(0, outcome), (1, sure), (2, outcome)])
    assert sorted(zip(found["subject"], found["outcome"], strict=True)) == expected
    unjudged = found[found["outcome"] == "unjudged"]
    assert set(unjudged["reason"]) <= {AMBIGUOUS}
    assert unjudged["measured"].isna().all()


def test_a_finding_shows_its_flight_beside_one_that_is_not_judged() -> None:
    """Only what is not judged shows no flight: which of them it would be is what isn't known."""
    coated = {"product": "rubber-preservative", "started_at": "2025-06-02T09:00:00Z"}
    other = {"aircraft": "A2", "work_order": "W2", "product": "unheard-of"}
    takeoff = {"takeoff_at": "2025-06-02T12:00:00Z"}
    boots = [{}, {"component_serial": "C2", "aircraft": "A2"}]
    flights = [takeoff, takeoff | {"aircraft": "A2"}]
    cases = outcomes(NO_FLIGHT, tasks=[coated, coated | other], flights=flights, components=boots).cases
    assert sorted(zip(cases["finding"], cases["flight"], strict=True)) == [(False, -1), (True, 0)]


MOVED = [
    {"removed_at": "2025-11-01T00:00:00Z"},
    {"aircraft": "A2", "position": "right wing", "installed_at": "2025-11-01T00:00:00Z"},
]
"""A boot that is moved from A1 to A2."""


@pytest.mark.parametrize("aircraft", ["A1", "A2"])
def test_an_ambiguous_time_on_one_of_the_aircraft_that_a_boot_was_on(aircraft: str) -> None:
    """Of a record that has nothing to do with the boot: that the other aircraft isn't in doubt changes nothing."""
    treated = {"product": "gloss-coating", "started_at": "2025-10-10T08:00:00Z"}
    often = rule("interval", scope={"product_class": {"is": "gloss-coating"}}, at_most={"days": 30})
    other = coat("02:10", "02:30", aircraft=aircraft)
    tables: dict[str, Any] = {"components": MOVED, "as_of": "2026-01-01T00:00:00Z"}
    assert verdict(often, tasks=[treated, other], **tables) == verdict(often, tasks=[treated], **tables)
    assert verdict(often, tasks=[treated], **tables) == "1 finding, 1 complies"


def test_an_ambiguous_time_leaves_the_doubt_of_a_name_as_it_is() -> None:
    """Work on an aircraft of nearly the same name may be of this one, whichever hour is meant on this one."""
    last = rule(
        "order",
        scope={"product_class": {"is": "ice-adhesion-treatment"}},
        must_be="last",
        among={"product_class": {"is": "cleaner"}},
    )
    times = {"started_at": "2025-10-25T08:00:00Z", "finished_at": "2025-10-25T08:10:00Z"}
    tasks = [
        {**times, "product": "ice-adhesion-treatment"},
        {**times, "product": "cleaner", "aircraft": "A-1", "started_at": "2025-10-25T08:05:00Z"},
        coat("02:10", "02:30", work_order="W2"),
    ]
    assert {*outcomes(last, tasks=tasks).cases["reason"]} == {*outcomes(last, tasks=tasks[:2]).cases["reason"]}


def test_a_message_may_name_the_record_and_the_flight() -> None:
    """What any message may use is what the rows are called, blank where there is none."""
    work = {"task_id": "T-7", "work_order": "W-7", "performed_by": "Ann Lee", "product": "rubber-preservative"}
    work |= {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
    flight = {"flight_id": "F-9", "takeoff_at": "2025-06-02T20:00:00Z"}
    tables = {"tasks": [work], "flights": [flight | {"flight_id": "F-8", "aircraft": "A2"}, flight]}
    example = Example.model_validate({"name": "n", "expect": "finding", **tables})
    timeline = build_timeline(example_export(example))
    told = {"task": ["T-7"], "work_order": ["W-7"], "aircraft": ["A1"], "station": ["S1"], "person": ["Ann Lee"]}
    short = RULES.validate_python(rule("record", scope=PRESERVE, require={"work_minutes": {"at_most": 30}}))
    for asked, number in ((RULES.validate_python(NO_FLIGHT), "F-9"), (short, "")):
        cases = judge_rule(asked, timeline).cases
        assert common(cases, timeline) == told | {"flight": [number]}


def test_a_place_without_a_position_is_called_nothing() -> None:
    """Nor is no place at all."""
    work = {"started_at": "2025-06-02T09:00:00Z", "position": "left wing"}
    timeline = build_timeline(
        example_export(Example.model_validate({"name": "n", "expect": "complies", "tasks": [work]}))
    )
    [place] = timeline.placed(np.array([0]))[1].tolist()
    unknown = timeline.place(np.array([0]), timeline.unknown_position)[0]
    assert positions(timeline, np.array([place, unknown, -1])).tolist() == ["left wing", "", ""]
