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
from audit.planting.planting import (
    Cells,
    Edit,
    NotPlantable,
    Planted,
    Side,
    Spot,
    aircraft_at,
    beyond,
    cell,
    event,
    flight_near,
    in_time,
    moved,
    nearest,
    new_flight,
    new_record,
    span,
    takeoff,
)
from audit.timeline.instants import DAY, HOUR, MINUTE, SECOND, micros
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


def at(time: str) -> int:
    """An instant of 2 June 2025."""
    return int(micros(pd.Series(pd.to_datetime([f"2025-06-02T{time}Z"], utc=True)))[0])


LATER = {**FLOWN, "takeoff_at": "2025-06-02T16:00:00Z", "landing_at": "2025-06-02T17:00:00Z"}
ELSEWHERE = {**FLOWN, "aircraft": "A0"}
OF_ANOTHER = {**LATER, "aircraft": "A2", "takeoff_at": "2025-06-02T15:00:00Z"}


@pytest.mark.parametrize(
    ("instant", "expected"),
    [
        pytest.param("07:59:59", 2, id="before-the-first"),
        pytest.param("08:00:00", 2, id="as-it-takes-off"),
        pytest.param("08:00:01", 2, id="after-it"),
        pytest.param("16:00:00", 2, id="as-the-last-takes-off"),
        pytest.param("16:00:01", 1, id="after-the-last"),
    ],
)
def test_the_flight_nearest_before_an_instant(instant: str, expected: int) -> None:
    """That of the aircraft which took off last before it, else its next one; never another aircraft's."""
    timeline = planted_in(flights=[ELSEWHERE, LATER, FLOWN, OF_ANOTHER])
    place = flight_near(timeline, aircraft_at(timeline, spot_of(timeline)), at(instant))
    assert timeline.flights.row[place] == expected


@pytest.mark.parametrize("flights", [[], [ELSEWHERE], [OF_ANOTHER], [ELSEWHERE, OF_ANOTHER]])
def test_an_aircraft_without_flights_can_not_be_flown(flights: list[dict[str, Any]]) -> None:
    """Whichever other aircraft fly before or after."""
    timeline = planted_in(flights=flights)
    with pytest.raises(NotPlantable, match="has no flights"):
        flight_near(timeline, aircraft_at(timeline, spot_of(timeline)), NOON)


@pytest.mark.parametrize(
    ("after", "takes_off", "row", "new"),
    [
        pytest.param("12:00:00", "15:59:59", 2, False, id="the-next-flight-earlier"),
        pytest.param("12:00:00", "16:00:00", 2, False, id="the-next-flight-as-it-is"),
        pytest.param("16:00:00", "16:00:00", 2, False, id="what-takes-off-at-once-is-next"),
        pytest.param("12:00:00", "16:00:01", None, False, id="it-took-off-before"),
        pytest.param("16:00:01", "16:59:59", None, False, id="in-the-air"),
        pytest.param("16:00:01", "17:00:00", 2, True, id="as-it-lands"),
    ],
)
def test_when_an_aircraft_can_take_off(after: str, takes_off: str, row: int | None, new: bool) -> None:
    """Its next flight leaves earlier, never later; a new one not before it has landed. Other aircraft don't matter."""
    timeline = planted_in(flights=[ELSEWHERE, FLOWN, LATER, OF_ANOTHER])
    asked = (timeline, spot_of(timeline), at(after), at(takes_off))
    if row is None:
        with pytest.raises(NotPlantable):
            takeoff(*asked)
        return
    edit = takeoff(*asked)
    assert (edit.row, edit.new, edit.cells["takeoff_at"]) == (row, new, f"2025-06-02T{takes_off}.000000Z")


def test_a_new_record_is_of_the_place_of_the_case() -> None:
    """Not of that of the record that it is a copy of; at the station of the case's record where it has one."""
    there = {**WORK, "work_order": "W2", "aircraft": "A2", "position": "fin", "station": "S2"}
    timeline = planted_in(tasks=[WORK, there])
    for task, station in ((0, "S1"), (-1, "S2")):
        spot = spot_of(timeline)
        edit = new_record(timeline, Spot({**spot.case, "task": task}, "outside", "drill-7"), 1, NOON, work_order="W1")
        assert (edit.table, edit.row, edit.new) == ("tasks", 1, True)
        assert dict(edit.cells) == {
            "task_id": "drill-7",
            "work_order": "W1",
            "aircraft": "A1",
            "position": "left wing",
            "component_serial": "",
            "station": station,
            "started_at": "2025-06-02T12:00:00.000000Z",
            "finished_at": "2025-06-02T12:10:00.000000Z",
            "signed_at": "2025-06-02T12:10:00.000000Z",
            "status": "closed",
        }


def test_no_record_is_planted_where_no_position_is_known() -> None:
    """A record that names no position has no boot on which another could be planted; and none later than the export."""
    timeline = planted_in(tasks=[{**WORK, "position": None}])
    with pytest.raises(NotPlantable, match="position is not known"):
        new_record(timeline, spot_of(timeline), 0, NOON)
    with pytest.raises(NotPlantable, match="position is not known"):
        new_record(timeline, Spot({"place": -1, "task": 0, "component": 0}, "outside", "drill-0"), 0, NOON)
    timeline = planted_in()
    with pytest.raises(NotPlantable, match="later than the as-of time"):
        new_record(timeline, spot_of(timeline), 0, timeline.as_of)


@pytest.mark.parametrize(("instant", "row"), [("11:00:00", 1), ("12:59:00", 1), ("13:01:00", 0), ("23:00:00", 0)])
def test_the_nearest_record_is_copied(instant: str, row: int) -> None:
    """Of some records, before or after the instant; where there is none, nothing can be copied."""
    morning = {**WORK, "started_at": "2025-06-02T14:00:00Z", "finished_at": "2025-06-02T14:10:00Z"}
    timeline = planted_in(tasks=[morning, WORK, {**WORK, "started_at": "2025-06-02T12:30:00Z"}])
    assert nearest(timeline, np.array([0, 1]), at(instant)) == row
    with pytest.raises(NotPlantable, match="no record of the kind"):
        nearest(timeline, np.array([], np.int64), NOON)


@pytest.mark.parametrize(
    ("micros", "said"),
    [
        (0, "0 min"),
        (SECOND, "1 s"),
        (59 * SECOND, "59 s"),
        (60 * SECOND, "1 min"),
        (61 * SECOND, "1 min 1 s"),
        (-61 * SECOND, "1 min 1 s"),
        (-2 * HOUR, "2 h"),
        (2 * HOUR - SECOND, "1 h 59 min 59 s"),
    ],
)
def test_a_time_is_told_to_the_second(micros: int, said: str) -> None:
    """Whether it is before or after something."""
    assert span(micros) == said


@pytest.mark.parametrize(
    ("side", "later", "expected"), [("inside", True, 0), ("outside", True, 1), ("outside", False, -1)]
)
def test_a_limit_itself_complies_and_a_step_beyond_it_does_not(side: Side, later: bool, expected: int) -> None:
    """A second, unless another step is asked for."""
    spot = Spot({}, side, "drill-0")
    assert beyond(spot, NOON, later=later) == NOON + expected * SECOND
    assert beyond(spot, 10, later=later, step=3) == 10 + expected * 3


def test_nothing_is_said_of_what_a_table_lacks() -> None:
    """No table, no column and no value are a blank cell."""
    timeline = planted_in()
    assert cell(timeline, "tasks", "product", 0) == "cleaner"
    assert [cell(timeline, *where, 0) for where in (("lots", "lot"), ("tasks", "humour"), ("tasks", "lot"))] == [""] * 3


def test_cells_of_one_row_make_one_edit() -> None:
    """A row and its copies are told apart, in the order in which they were written first."""
    cells = Cells()
    cells.write("lots", 2, {"lot": "L1"}, copy=1)
    cells.write("lots", 2, {"lot": "L2"})
    cells.write("lots", 2, {"product": "P", "lot": "L3"}, copy=1)
    cells.write("lots", 2, {"lot": "L4"}, copy=0)
    assert cells.edits == (
        Edit("lots", 2, {"lot": "L3", "product": "P"}, new=True),
        Edit("lots", 2, {"lot": "L2"}),
        Edit("lots", 2, {"lot": "L4"}, new=True),
    )


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


@pytest.mark.parametrize("next_due", ["actual", "scheduled"])
def test_what_moves_a_due_point_has_nothing_else_planted_among_it(next_due: str) -> None:
    """A due point that is counted from earlier ones is decided by all that was done before, too."""
    clean = {"product": {"is": "cleaner"}}
    tolerance = {"tolerance": {"percent": 1}} if next_due == "scheduled" else {}
    asked = RULES.validate_python(rule("interval", scope=clean, at_most={"days": 1}, next_due=next_due, **tolerance))
    timeline = planted_in()
    [case] = [case for case in every_subject(asked, timeline).to_dict("records") if case["subject"] == 0]
    done = form_of(asked).plant(asked, timeline)(Spot(case, "outside", "drill-0"))
    assert done.span == ((at("08:00:00") if next_due == "scheduled" else NOON + 10 * MINUTE - DAY), timeline.as_of + 1)


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


@pytest.mark.parametrize(("next_one", "lands"), [("12:26:00", "12:22:59"), ("13:00:00", "12:29:59")])
def test_a_flight_in_the_midst_of_work_lands_before_the_next(next_one: str, lands: str) -> None:
    """After ten minutes, or half the time until the aircraft took off indeed."""
    work = WORK | {"finished_at": "2025-06-02T12:20:00Z"}
    taken_off = FLOWN | {"takeoff_at": f"2025-06-02T{next_one}Z", "landing_at": "2025-06-02T15:00:00Z"}
    timeline = planted_in(tasks=[work], flights=[FLOWN, taken_off])
    asked = RULES.validate_python(rule("overlap", between=["tasks", "flights"], same=["aircraft"]))
    [case] = every_subject(asked, timeline).to_dict("records")
    [flight] = form_of(asked).plant(asked, timeline)(Spot(case, "outside", "new")).edits  # type: ignore[arg-type]
    assert flight.cells["takeoff_at"] == "2025-06-02T12:19:59.000000Z"
    assert flight.cells["landing_at"][11:19] == lands
