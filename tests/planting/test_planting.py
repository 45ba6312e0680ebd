"""The edits with which forms plant faults: flights, records at other times, and what is said of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.forms import form_of
from audit.forms.judging import every_subject
from audit.language.rule import Example
from audit.planting.planting import Edit, NotPlantable, Planted, Side, Spot, event, in_time, moved, new_flight, takeoff
from audit.timeline.instants import HOUR, MINUTE, micros
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms.rules import RULES, rule

FLOWN = {"takeoff_at": "2025-06-02T08:00:00Z", "landing_at": "2025-06-02T09:30:00Z", "flight_hours": 1.4, "cycles": 2}
FLOWN |= {"origin": "S2", "destination": "S1"}
WORK = {"product": "cleaner", "started_at": "2025-06-02T12:00:00Z", "finished_at": "2025-06-02T12:10:00Z"}
NOON, EVENING = (int(micros(pd.Series(pd.to_datetime([at], utc=True)))[0]) for at in ("2025-06-02T12", "2025-06-02T18"))


def planted_in(**tables: Any) -> Timeline:
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": [WORK], "flights": [FLOWN], **tables})
    return build_timeline(example_export(example), pd.Timestamp("2025-06-03T00:00:00Z"))


def spot_of(timeline: Timeline) -> Spot:
    place = int(timeline.placed(np.array([0]))[1][0])
    return Spot({"place": place, "task": 0, "component": 0}, "outside", "drill-0")


def test_a_planted_flight_has_hours_and_cycles_of_its_own() -> None:
    """It flies as long as its times say, once, from where the aircraft landed last and back to there."""
    timeline = planted_in()
    edit = new_flight(timeline, spot_of(timeline), 0, NOON, 20 * MINUTE)

    assert edit.new
    assert dict(edit.cells) == {
        "flight_id": "drill-0",
        "takeoff_at": "2025-06-02T12:00:00.000000Z",
        "landing_at": "2025-06-02T12:20:00.000000Z",
        "origin": "S1",
        "destination": "S1",
        "flight_hours": "",
        "cycles": "1",
    }


def test_a_takeoff_is_that_of_the_next_flight_else_of_a_new_one() -> None:
    """The next flight leaves earlier and stays as long in the air; an aircraft that never flew can't be flown."""
    later = {"takeoff_at": "2025-06-02T20:00:00Z", "landing_at": "2025-06-02T21:00:00Z"}
    timeline = planted_in(flights=[FLOWN, later])
    times = {"takeoff_at": "2025-06-02T18:00:00.000000Z", "landing_at": "2025-06-02T19:00:00.000000Z"}
    assert event(timeline, spot_of(timeline), None, NOON, EVENING) == ("takeoff", Edit("flights", 1, times))
    timeline = planted_in()
    edit = takeoff(timeline, spot_of(timeline), NOON, EVENING)
    assert (edit.new, edit.cells["takeoff_at"], edit.cells["landing_at"]) == (True, *times.values())
    timeline = planted_in(flights=[])
    with pytest.raises(NotPlantable, match="has no flights"):
        takeoff(timeline, spot_of(timeline), NOON, EVENING)


def test_nothing_is_planted_later_than_the_records_tell_of() -> None:
    """The as-of time itself is later, an instant before it is not."""
    timeline = planted_in()
    in_time(timeline, timeline.as_of - 1)
    with pytest.raises(NotPlantable, match="later than the as-of time"):
        in_time(timeline, timeline.as_of)


def test_another_record_is_a_copy_of_the_nearest_one() -> None:
    timeline = planted_in()
    said, edit = event(timeline, spot_of(timeline), timeline.rows, NOON, EVENING)
    assert (said, edit.row, edit.new) == ("another record of the boot", 0, True)
    assert edit.cells["started_at"] == "2025-06-02T18:00:00.000000Z"


def test_all_times_of_a_record_move_alike() -> None:
    """Each record by its own time, where several are given; a time that is not recorded stays so."""
    signed = {**WORK, "work_order": "W2", "signed_at": "2025-06-02T13:00:00Z"}
    timeline = planted_in(tasks=[WORK, signed])
    one, other = moved(timeline, np.array([0, 1]), np.array([HOUR, -HOUR]))
    assert (one.row, one.cells["started_at"], one.cells["finished_at"]) == (
        0,
        "2025-06-02T13:00:00.000000Z",
        "2025-06-02T13:10:00.000000Z",
    )
    assert dict(other.cells) == {
        "started_at": "2025-06-02T11:00:00.000000Z",
        "finished_at": "2025-06-02T11:10:00.000000Z",
        "signed_at": "2025-06-02T12:00:00.000000Z",
    }
    assert moved(timeline, np.array([1]), HOUR)[0].cells["signed_at"] == "2025-06-02T14:00:00.000000Z"


def planted(data: dict[str, Any], side: Side, **tables: Any) -> Planted:
    """What the form of a rule plants for its only subject, which complies."""
    asked = RULES.validate_python(data)
    timeline = planted_in(**tables)
    [case] = every_subject(asked, timeline).to_dict("records")
    assert case["outcome"] == "complies"
    return form_of(asked).plant(asked, timeline)(Spot(case, side, "drill-0"))  # type: ignore[arg-type]


def test_a_treatment_too_many_is_a_record_like_another() -> None:
    """Where a boot may be treated once in a season, a second treatment is under a work order of its own."""
    clean = {"product": {"is": "cleaner"}}
    data = rule("count", scope=clean, sessions={"at_most": 1}, season={"from": "06-01", "to": "06-30"})
    flights = [{**FLOWN, "takeoff_at": "2025-05-20T08:00:00Z", "landing_at": "2025-05-20T09:30:00Z"}, FLOWN]
    done = planted(data, "outside", flights=flights)
    [edit] = done.edits
    assert (done.what, edit.new, edit.row) == ("2 treatments in the season", True, 0)
    assert edit.cells["work_order"] == edit.cells["task_id"] == "drill-0-0"


def test_work_elsewhere_is_planted_at_another_station() -> None:
    """While the aircraft stands there; inside, as it takes off from there."""
    data = rule("overlap", between=["tasks", "stays"], same=["aircraft"], differing=["station"])
    stations = [{"station": name, "timezone": "UTC"} for name in ("S1", "S2")]
    away = {**WORK, "aircraft": "A2", "station": "S2", "status": "void"}
    flights = [FLOWN, {"takeoff_at": "2025-06-02T20:00:00Z", "landing_at": "2025-06-02T21:00:00Z"}]
    export = {"tasks": [{**WORK, "station": "S1"}, away], "flights": flights, "stations": stations}
    [outside] = planted(data, "outside", **export).edits
    assert dict(outside.cells) == {"station": "S2"}
    [inside] = planted(data, "inside", **export).edits
    assert (inside.cells["station"], inside.cells["started_at"]) == ("S2", "2025-06-02T20:00:00.000000Z")
