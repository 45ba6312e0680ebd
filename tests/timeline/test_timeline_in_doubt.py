"""What a timeline makes of rows that can't be read, were set aside, or have names that are nearly equal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pytest

from audit.intake.reading import read_rows
from audit.timeline.components import NONE_KNOWN, NOT_CLEAR, TWO_RECORDED
from audit.timeline.instants import FOREVER, HOUR, NEVER, instant
from audit.timeline.timeline import Timeline, build_timeline, latest_instant, stacked
from tests.timeline.rows import task

Row = Mapping[str, str]


def boot(serial: str = "B1", **cells: str) -> dict[str, str]:
    return {
        "component_serial": serial,
        "aircraft": "A1",
        "position": "left",
        "material": "chloroprene",
        "installed_at": "2025-01-01T00:00:00Z",
        "removed_at": "",
    } | cells


def timeline(*tasks: Row, as_of: str | None = None, **tables: Sequence[Row]) -> Timeline:
    export = read_rows({"tasks": tasks, **tables})
    return build_timeline(export, None if as_of is None else pd.Timestamp(as_of))


def position(line: Timeline, place: int) -> str:
    return [*map(str, line.position_names), "?"][line.position_of(np.array([place]))[0]]


def placed(line: Timeline) -> list[tuple[int, str, str]]:
    """Each record with the aircraft and positions at which it counts."""
    index, place = line.placed(np.arange(len(line.tasks)))
    return [
        (one, ["?", *map(str, line.aircraft_names)][craft + 1], position(line, at))
        for one, craft, at in zip(index.tolist(), line.aircraft_of(place).tolist(), place.tolist(), strict=True)
    ]


# Which records count


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        pytest.param({}, "done", id="closed"),
        pytest.param({"status": ""}, "done", id="blank"),
        pytest.param({"status": "open"}, "perhaps", id="open"),
        pytest.param({"status": "void"}, "no", id="void"),
        pytest.param({"status": "ajar"}, "perhaps", id="status-unreadable"),
        pytest.param({"station": ""}, "perhaps", id="set-aside"),
        pytest.param({"station": "", "status": "open"}, "perhaps", id="set-aside-and-open"),
        pytest.param({"station": "", "status": "void"}, "no", id="set-aside-and-void"),
        pytest.param({"started_at": "?"}, "perhaps", id="begun-nobody-knows-when"),
        pytest.param({"started_at": "2025-06-02T09:30:00Z"}, "done", id="begun-at-the-as-of-time"),
        pytest.param({"started_at": "2025-06-02T09:30:01Z"}, "no", id="begun-later"),
        pytest.param({"started_at": "2025-06-02T09:30:01Z", "station": ""}, "no", id="begun-later-and-set-aside"),
        pytest.param({"started_at": "2025-06-02T09:30:01Z", "status": "open"}, "no", id="begun-later-and-open"),
    ],
)
def test_which_records_are_work_done_and_which_may_be(cells: Row, expected: str) -> None:
    """Of those begun by the as-of time: closed ones are, open ones and those set aside may be, void ones are not."""
    other = task(2, status="closed")
    line = timeline(other, task(1, status="closed") | cells, task(3, status="open"), as_of="2025-06-02T09:30:00Z")
    ids = line.tasks["task_id"].tolist()
    row = ids.index("T1")
    assert {"done": row in line.rows, "perhaps": row in line.perhaps, "no": True}[expected]
    assert (row in line.rows) + (row in line.perhaps) == (expected != "no")
    assert ids.index("T2") in line.rows
    assert ids.index("T3") in line.perhaps
    audited = "T1" in ids[: line.audited]
    assert line.is_open(np.arange(3)).tolist() == [
        one == "T3" or (one == "T1" and audited and cells.get("status") == "open" and expected == "perhaps")
        for one in ids
    ]


def test_from_when_to_when_a_record_may_have_lasted() -> None:
    """One that lacks its end may last on, one that lacks its start may have begun at any time."""
    line = timeline(task(1), task(2, finished_at="?"), task(3, started_at="?"))
    start, end = line.span(np.arange(3))
    nine, ten = (instant(pd.Timestamp(f"2025-06-02T{hour}:00Z")) for hour in ("09", "10"))
    assert list(zip(start.tolist(), end.tolist(), strict=True)) == [(nine, ten), (nine, FOREVER), (NEVER, ten)]


# Names


def test_places_of_records_and_boots_named_otherwise() -> None:
    """Where no position of an aircraft's records is one of its boots, others are meant: none is known. One that the
    boots nearly know may be that one, or another."""
    tasks = [
        task(1, position="left; right"),
        task(2, position="fin", aircraft="A2"),
        task(3, position="RIGHT-1; left"),
        task(4, position="all", aircraft="A2"),
        task(5, position="fin", aircraft="A3"),
    ]
    line = timeline(*tasks, components=[boot(), boot("B2", position="right1"), boot("B3", aircraft="A2")])
    assert line.other_names.tolist() == [False, True, False]
    assert placed(line) == [
        (0, "A1", "left"),
        (0, "A1", "right"),
        (1, "A2", "?"),
        (2, "A1", "left"),
        (2, "A1", "?"),
        (3, "A2", "left"),
        (4, "A3", "fin"),
    ]


def test_without_positions_each_record_counts_once() -> None:
    """At the unknown position of its aircraft, where no component can be known; so it does of another aircraft."""
    line = timeline(task(1), task(2, aircraft="A2"), components=[boot()])
    assert placed(line) == [(0, "A1", "?"), (1, "A2", "?")]
    index, place = line.placed(np.arange(2), np.array([1, 1]))
    assert (index.tolist(), line.aircraft_of(place).tolist()) == ([0, 1], [1, 1])
    assert line.nowhere(place).tolist() == [True, True]
    assert line.component_at(place, np.array([line.as_of] * 2)).tolist() == [NONE_KNOWN] * 2
    assert timeline(task(1)).component_at(np.array([0]), np.array([0])).tolist() == [NONE_KNOWN]


ALL = task(1, position="all", started_at="2025-06-02T09:00:00Z")


@pytest.mark.parametrize(
    ("boots", "expected"),
    [
        pytest.param([boot(), boot("B2", position="right")], ["left", "right"], id="all-of-it"),
        pytest.param([boot(), boot("B2", position="right", aircraft="A2")], ["left"], id="not-of-another"),
        pytest.param([boot(), boot("B2")], ["left"], id="two-at-one-position"),
        pytest.param([boot(removed_at="2025-06-02T09:00:00Z")], ["?"], id="removed-as-it-began"),
        pytest.param([boot(removed_at="2025-06-02T09:00:01Z")], ["left"], id="removed-after"),
        pytest.param([boot(installed_at="2025-06-02T09:00:00Z")], ["left"], id="installed-as-it-began"),
        pytest.param([boot(installed_at="2025-06-02T09:00:01Z")], ["?"], id="installed-after"),
        pytest.param([boot(aircraft="A2")], ["?"], id="only-of-another"),
        pytest.param([boot(aircraft="A0"), boot("B2", position="fin"), boot(aircraft="A2")], ["fin"], id="between"),
        pytest.param(
            [boot("B2", position="right"), boot("B3", position="fin"), boot()], ["fin", "left", "right"], id="3"
        ),
    ],
)
def test_all_are_the_boots_installed_then(boots: list[Row], expected: list[str]) -> None:
    """At the start of the work, each position once; with records before and after it that name one each."""
    others = task(0, position="left"), task(2, position="right; left")
    line = timeline(others[0], ALL, others[1], components=[*boots, boot("B8", position="right", aircraft="A9")])
    assert [at for row, _, at in placed(line) if row == 1] == expected
    index, _ = line.placed(np.arange(3))
    assert index.tolist() == sorted(index.tolist())


@pytest.mark.parametrize(
    ("tasks", "expected"),
    [
        pytest.param([task()], {("A1", "left"): False, ("A1", "fin"): False}, id="none"),
        pytest.param([task(aircraft="A-1")], {("A-1", "left"): True, ("A-1", "fin"): True}, id="nearly-its-name"),
    ],
)
def test_an_aircraft_that_the_boots_nearly_know(tasks: list[Row], expected: dict[tuple[str, str], bool]) -> None:
    """It may have the boots of that one, at each position and time."""
    line = timeline(*tasks, task(9, aircraft="A7"), components=[boot(), boot("B2", position="fin")])
    assert {key: unclear(line, *key, "2000-01-01") for key in expected} == expected
    assert {key: unclear(line, *key, "2040-01-01") for key in expected} == expected
    assert not unclear(line, "A7", "left", "2025-06-01")


def unclear(line: Timeline, aircraft: str, at: str, moment: str) -> bool:
    """Whether it isn't clear which boot is at a position."""
    craft, code = list(line.aircraft_names).index(aircraft), list(line.position_names).index(at)
    when = np.array([instant(pd.Timestamp(moment, tz="UTC"))])
    return int(line.component_at(line.place(np.array([craft]), code), when)[0]) == NOT_CLEAR


@pytest.mark.parametrize(
    ("row", "since", "until", "places"),
    [
        pytest.param(boot(material="?"), "2025-01-01", None, ["A1 left"], id="set-aside"),
        pytest.param(
            boot(material="?", removed_at="2025-03-01T00:00Z"), "2025-01-01", "2025-03-01", ["A1 left"], id="off"
        ),
        pytest.param(boot(installed_at="?", removed_at="2025-03-01T00:00Z"), None, "2025-03-01", ["A1 left"], id="on"),
        pytest.param(boot(installed_at="?"), None, None, ["A1 left"], id="at-any-time"),
        pytest.param(boot(aircraft=""), "2025-01-01", None, ["A1 left", "A2 left"], id="of-any-aircraft"),
        pytest.param(boot(position=""), "2025-01-01", None, ["A1 fin", "A1 left"], id="at-any-position"),
        pytest.param(boot(aircraft="A9", material="?"), "2025-01-01", None, [], id="of-one-that-nobody-names"),
        pytest.param(boot(aircraft="A-1", material="?"), "2025-01-01", None, ["A1 left"], id="of-nearly-its-name"),
        pytest.param(boot(removed_at="?"), "2025-01-01", None, ["A1 left"], id="removal-unreadable"),
        pytest.param(
            boot(installed_at="2025-01-02"), "2025-01-01T10:00", "2025-01-03T12:00", ["A1 left"], id="on-that-day"
        ),
        pytest.param(
            boot(removed_at="2025-01-02"), "2025-01-01T10:00", "2025-01-03T12:00", ["A1 left"], id="off-that-day"
        ),
    ],
)
def test_where_and_when_a_row_leaves_the_boot_unclear(
    row: Row, since: str | None, until: str | None, places: list[str]
) -> None:
    """At the places that it may be about, for the time that it may be about, its first moment included."""
    tasks = [task(1, position="left; fin"), task(2, aircraft="A2", position="left")]
    # Another row, which is clear, stands before and after it.
    others = [boot("B8", position="fin", aircraft="A2"), boot("B9", position="fin", aircraft="A2")]
    others[0] |= {"removed_at": "2025-02-01T00:00:00Z"}
    others[1] |= {"installed_at": "2025-02-01T00:00:00Z"}
    line = timeline(*tasks, components=[others[0], row, others[1]])
    second = pd.Timedelta(1, "s")
    early, late = pd.Timestamp("1990-01-01"), pd.Timestamp("2060-01-01")
    asked = {
        early if since is None else pd.Timestamp(since): True,
        (late if until is None else pd.Timestamp(until)) - second: True,
    }
    asked |= {} if since is None else {pd.Timestamp(since) - second: False}
    asked |= {} if until is None else {pd.Timestamp(until): False}
    for moment, expected in asked.items():
        found = [
            f"{aircraft} {at}"
            for aircraft in ("A1", "A2")
            for at in ("fin", "left")
            if unclear(line, aircraft, at, str(moment))
        ]
        assert found == (places if expected else []), str(moment)


def test_each_of_several_rows_leaves_its_own_place_unclear() -> None:
    """So does each of several aircraft whose names are nearly those of aircraft with boots."""
    tasks = [task(1, position="left; fin"), task(2, aircraft="A-1"), task(3, aircraft="A-2"), task(4, aircraft="A2")]
    aside = [boot("B7", material="?"), boot("B8", position="fin", material="?"), boot("B9", position="tail")]
    line = timeline(*tasks, components=[*aside, boot("B6", aircraft="A2", position="fin")])
    asked = [("A1", "left"), ("A1", "fin"), ("A1", "tail"), ("A-1", "tail"), ("A-2", "fin"), ("A2", "fin")]
    found = [unclear(line, *one, "2025-06-01") for one in asked]
    assert found == [True, True, False, True, True, False]


def told(line: Timeline) -> list[tuple[str, str, str]]:
    """Where which boots may have been by rows set aside."""
    possible = line.components.possible
    boots = line.tables["components"]["component_serial"].cat.categories[possible.boot]
    crafts = line.aircraft_names[line.aircraft_of(possible.place)]
    return sorted({*zip(boots, crafts, (position(line, place) for place in possible.place.tolist()), strict=True)})


def test_a_row_of_no_boot_is_about_its_own_place_only() -> None:
    """Gaps in the history of other places are no matter of it."""
    gap = [{"removed_at": "2025-02-01T00:00:00Z"}, {"installed_at": "2025-04-01T00:00:00Z"}]
    elsewhere = [boot(f"B{number}", aircraft="A2", position="fin") | one for number, one in enumerate(gap, start=8)]
    free = boot("B1", removed_at="2025-02-01T00:00:00Z")
    aside = boot("", position="left", installed_at="2025-03-01T00:00:00Z")
    line = timeline(task(position="left"), components=[free, *elsewhere, aside])
    assert {(craft, at) for _, craft, at in told(line)} == {("A1", "left")}


@pytest.mark.parametrize(("at", "expected"), [("left", "left"), ("", "fin")])
def test_a_row_that_names_boot_and_place_counts_though_another_boot_is_recorded_there(at: str, expected: str) -> None:
    """One of the two is wrong; one that names no position can't be about a place that another boot has."""
    stays = [boot("B1", removed_at="2025-03-01T00:00:00Z"), boot("B2", aircraft="A2")]
    aside = boot("B1", aircraft="A2", position=at, material="?", installed_at="2025-03-01T00:00:00Z")
    assert told(timeline(task(1, aircraft="A2", position="left; fin"), components=[*stays, aside])) == [
        ("B1", "A2", expected)
    ]


def test_a_row_set_aside_says_where_its_boot_was_whatever_else_is_recorded_of_it_elsewhere() -> None:
    """One of the two is wrong, and nobody knows which."""
    stays = [boot("B1"), boot("B2", aircraft="A2", position="fin")]
    line = timeline(task(position="left"), components=[*stays, boot("B1", aircraft="A2", material="?")])
    assert told(line) == [("B1", "A2", "left")]


def test_a_row_set_aside_in_a_history_without_removals() -> None:
    """Nobody knows when that boot came off: it is unclear from its installation on."""
    boots = [boot("B1"), boot("B2", material="?", installed_at="2025-02-01T00:00:00Z")]
    less = [{name: cell for name, cell in row.items() if name != "removed_at"} for row in boots]
    line = timeline(task(position="left"), components=less)
    days = ("2025-01-31", "2025-02-01", "2060-01-01")
    assert [unclear(line, "A1", "left", day) for day in days] == [False, True, True]


@pytest.mark.parametrize("others", [[], [boot("B2", aircraft="A2")]], ids=["all-set-aside", "others-read"])
def test_a_boot_is_unclear_where_its_row_was_set_aside_though_it_is_the_only_one(others: list[Row]) -> None:
    """Not as if none were recorded; and the same whether another boot's row can be read, as in parts of an export."""
    line = timeline(task(position="left"), components=[boot(material="?"), *others])
    _, place = line.placed(np.array([0]))
    assert line.component_at(place, np.array([instant(pd.Timestamp("2025-06-01", tz="UTC"))])).tolist() == [NOT_CLEAR]


def test_a_boot_whose_removal_can_not_be_read() -> None:
    """It may have come off at any time: which boot was there is unclear until the next one was surely installed."""
    boots = [boot("B1", removed_at="?"), boot("B2", installed_at="2025-03-01T00:00:00Z")]
    days = [("2024-12-31", NONE_KNOWN), ("2025-01-01", NOT_CLEAR), ("2025-02-28", NOT_CLEAR), ("2025-03-01", 1)]
    line = timeline(task(position="left"), components=boots)
    [left] = [place for _, craft, at in placed(line) for place in range(2) if position(line, place) == at]
    for day, row in days:
        at = np.array([instant(pd.Timestamp(day, tz="UTC"))])
        assert line.components.at(np.array([left]), at).tolist() == [row], day


def test_a_row_of_no_boot_may_be_of_each() -> None:
    """Where a row set aside names no boot, every boot that was not surely elsewhere may have been there."""
    stays = [
        boot("B1", removed_at="2025-03-01T00:00:00Z"),
        boot("B2", position="fin"),
        boot("B3", aircraft="A2", position="fin"),
    ]
    boots = [*stays, boot("", aircraft="A2")]
    line = timeline(task(position="left"), components=boots)
    possible = line.components.possible
    [craft] = set(line.aircraft_of(possible.place).tolist())
    assert (line.aircraft_names[craft], position(line, int(possible.place[0]))) == ("A2", "left")
    serials = line.tables["components"]["component_serial"].cat.categories
    assert set(serials[possible.boot]) == {"B1"}


def test_stays_with_a_day_alone() -> None:
    """What each surely and perhaps lasted differs by its own day, and by nothing else that was written as a day."""
    at, day = "2025-02-01T00:00:00Z", "2025-02-01"
    boots = [
        boot("B1", removed_at=at),
        boot("B2", removed_at=day),
        boot("B3", installed_at=day),
        boot("B4", installed_at=at),
    ]
    people = [{"person": "Ann Lee", "authorisation": "boots", "valid_from": day}]
    found = timeline(
        task(), components=boots, people=people, stations=[{"station": "S1", "timezone": "UTC"}]
    ).components
    midnight = instant(pd.Timestamp(at))
    begin, end = midnight - 14 * HOUR, midnight + 36 * HOUR
    january = instant(pd.Timestamp("2025-01-01T00:00:00Z"))
    assert found.installed.tolist() == [january, january, midnight, midnight]
    assert found.removed.tolist() == [midnight, midnight, FOREVER, FOREVER]
    assert [side.tolist() for side in found.surely] == [
        [january, january, end, midnight],
        [midnight, begin, FOREVER, FOREVER],
    ]
    assert [side.tolist() for side in found.perhaps] == [
        [january, january, begin, midnight],
        [midnight, end, FOREVER, FOREVER],
    ]
    assert found.open_ended.tolist() == [False] * 4


def test_names_that_are_nearly_equal() -> None:
    """Each with all the others that it nearly equals, by kind; and those that a table nearly knows."""
    people = [
        {"person": name, "authorisation": "boots", "valid_from": "2025-01-01"} for name in ("Ann-Lee", "AnnLee", "Cy")
    ]
    line = timeline(
        task(1, performed_by="Ann Lee", product="gel"),
        task(2, performed_by="Bo", aircraft="A-1", product="Gel"),
        people=people,
        components=[boot()],
        products=[{"product": "g-el", "product_class": "cleaner"}],
    )
    assert line.near_names[("person", "people")] == {"Ann Lee"}
    assert line.near_names[("aircraft", "components")] == {"A-1"}
    assert line.near_names[("product", "products")] == {"gel", "Gel"}
    assert line.alike["person"]["Ann Lee"] == {"Ann-Lee", "AnnLee"}
    assert line.alike["person"]["AnnLee"] == {"Ann Lee"}
    assert line.alike["aircraft"] == {"A1": {"A-1"}, "A-1": {"A1"}}
    assert "Bo" not in line.alike["person"]


# The as-of time


FLIGHT = {"flight_id": "F1", "aircraft": "A1", "takeoff_at": "2025-06-02T07:00Z", "landing_at": "2025-06-02T08:00Z"}
CORRECTION = {"correction_id": "K1", "task_id": "T1", "column": "lot", "was": "L1", "now": "L2", "made_by": "P1"}
CORRECTION |= {"made_at": "2025-09-01T00:00Z"}
NIGHT = {"station": "S1", "started_at": "2025-10-26T01:30", "finished_at": "2025-10-26T02:30"}


@pytest.mark.parametrize(
    ("tables", "expected"),
    [
        pytest.param({"tasks": [task()]}, "2025-06-02T10:00", id="the-end-of-work"),
        pytest.param({"tasks": [task(signed_at="2025-06-03T10:00Z")]}, "2025-06-03T10:00", id="a-signature"),
        pytest.param({"tasks": [task(finished_at="?")]}, "2025-06-02T09:00", id="a-record-set-aside"),
        pytest.param({"flights": [FLIGHT | {"landing_at": "2025-06-02T11:00Z"}]}, "2025-06-02T11:00", id="a-landing"),
        pytest.param(
            {"components": [boot(installed_at="2025-07-01T00:00Z")]}, "2025-07-01T00:00", id="an-installation"
        ),
        pytest.param({"components": [boot(removed_at="2025-08-01T00:00Z")]}, "2025-08-01T00:00", id="a-removal"),
        pytest.param({"tasks": [task(lot="L2")], "corrections": [CORRECTION]}, "2025-09-01T00:00", id="corrected"),
        pytest.param({"tasks": [task(**NIGHT)]}, "2025-10-26T01:30", id="the-later-of-two-readings"),
        pytest.param({"tasks": [], "flights": [FLIGHT]}, "2025-06-02T08:00", id="no-records"),
    ],
)
def test_the_latest_instant_of_which_an_export_tells(tables: Mapping[str, Sequence[Row]], expected: str) -> None:
    """That of the as-of time, where none is given: in whatever table, and of rows set aside too."""
    stations = [{"station": "S1", "timezone": "Europe/Berlin"}]
    export = read_rows({"tasks": [task()], "stations": stations, **tables})
    assert latest_instant(export) == instant(pd.Timestamp(expected, tz="UTC"))
    assert build_timeline(export).as_of == latest_instant(export)


@pytest.mark.parametrize(
    ("tables", "expected"),
    [
        pytest.param({"tasks": [task(2), task(1, started_at="2025-06-01T09:00Z")]}, "2025-06-01T09:00", id="a-record"),
        pytest.param({"tasks": [task()], "flights": [FLIGHT]}, "2025-06-02T07:00", id="a-takeoff"),
        pytest.param({"tasks": [task()], "components": [boot()]}, "2025-06-02T09:00", id="not-a-boot"),
        pytest.param({"tasks": [task(), task(2, started_at="?")]}, "2025-06-02T09:00", id="not-one-set-aside"),
        pytest.param({"tasks": [], "components": [boot()]}, "2025-01-01T00:00", id="nothing-was-done"),
    ],
)
def test_since_when_an_export_tells(tables: Mapping[str, Sequence[Row]], expected: str) -> None:
    """The first audited record or takeoff; where there is none, the as-of time."""
    assert build_timeline(read_rows(tables)).since == instant(pd.Timestamp(expected, tz="UTC"))


# Rows below rows


def test_rows_below_rows_keep_what_they_say() -> None:
    """Texts, choices, numbers and times; a column that the rows below lack is missing in them, and one that only they
    have is left out."""
    times = pd.to_datetime(pd.Series(["2025-01-01", None])).dt.as_unit("us")
    frame = pd.DataFrame(
        {
            "name": pd.Categorical(["b", None], ["b"]),
            "number": [1.5, np.nan],
            "at": times,
            "lot": pd.Categorical(["x", "y"]),
        }
    )
    below = pd.DataFrame({"name": ["a"], "number": [2], "at": times.array[:1], "other": [1]}, index=[7])
    found = stacked(frame, below)
    assert found.dtypes.astype(str).to_dict() == frame.dtypes.astype(str).to_dict()
    assert found.astype(object).where(found.notna(), "").to_numpy().tolist() == [
        ["b", 1.5, times[0], "x"],
        ["", "", "", "y"],
        ["a", 2.0, times[0], ""],
    ]
    assert found.index.tolist() == [0, 1, 2]
    assert stacked(frame, None) is frame
    assert stacked(frame, below[:0]) is frame


# One number for boots and places


def test_what_is_surely_the_same_boot_has_one_number() -> None:
    """A boot has one; where none is known each place has one, and another where there are two."""
    line = timeline(
        task(position="left; right"), task(2, aircraft="A2"), components=[boot(), boot("B2", position="fin")]
    )
    places = np.arange(line.places)
    kinds = [line.boot_or_place(np.full(len(places), kind), places).tolist() for kind in (NONE_KNOWN, TWO_RECORDED)]
    boots = line.boot_or_place(np.array([0, 1]), np.array([3, 3])).tolist()
    assert boots == [0, 1]
    assert sorted([*boots, *kinds[0], *kinds[1]]) == list(range(line.boots_and_places))
    assert line.places == 2 * 4
    assert line.position_of(places).tolist() == [0, 1, 2, 3] * 2
    assert line.aircraft_of(places).tolist() == [0] * 4 + [1] * 4
    assert line.nowhere(places).tolist() == [False, False, False, True] * 2


def test_work_orders_by_number() -> None:
    """The same for records of one work order; none where it isn't known."""
    line = timeline(task(1, work_order="W2"), task(2), task(3, work_order="W2"), task(4, work_order=""))
    first, second, third, none = line.work_orders(np.arange(4)).tolist()
    assert (first == third, first == second, none) == (True, False, -1)
