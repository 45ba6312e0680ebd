"""Which boot, which position, which season, which day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pytest

from audit.intake.reading import read_rows
from audit.timeline.codes import MISSING
from audit.timeline.components import NONE_KNOWN, TWO_RECORDED
from audit.timeline.instants import FOREVER, instant, stamp
from audit.timeline.records import values
from audit.timeline.seasons import season_windows
from audit.timeline.timeline import Timeline, build_timeline
from tests.timeline.rows import task

Rows = Sequence[Mapping[str, str]]


def boot(serial: str, position: str, installed: str, removed: str = "", aircraft: str = "A1") -> dict[str, str]:
    return {
        "component_serial": serial,
        "aircraft": aircraft,
        "position": position,
        "material": "chloroprene",
        "installed_at": installed,
        "removed_at": removed,
    }


def timeline(tasks: Rows, **tables: Rows) -> Timeline:
    stations = [{"station": "S1", "timezone": "UTC"}, {"station": "S2", "timezone": "Asia/Tokyo"}]
    return build_timeline(read_rows({"tasks": tasks, "stations": stations, **tables}))


def installed(line: Timeline, position: str, at: str) -> str:
    place = line.place(np.array([0]), line.position_names.get_indexer(pd.Index([position])))
    row = int(line.component_at(place, np.array([instant(pd.Timestamp(at))]))[0])
    if row < 0:
        return {NONE_KNOWN: "none", TWO_RECORDED: "two"}[row]
    return str(line.tables["components"]["component_serial"][row])


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        ("2025-01-01T00:00:00Z", "none"),
        ("2025-01-02T00:00:00Z", "B1"),
        ("2025-01-04T23:59:59Z", "B1"),
        ("2025-01-05T00:00:00Z", "none"),
        ("2025-01-06T00:00:00Z", "B2"),
        ("2025-01-07T00:00:00Z", "two"),
        ("2025-01-08T00:00:00Z", "B2"),
        ("2035-01-08T00:00:00Z", "B2"),
    ],
)
def test_the_boot_installed_at_that_time(at: str, expected: str) -> None:
    """Half-open intervals, gaps, a boot within another boot's time, and a boot that was never removed."""
    line = timeline(
        [task()],
        components=[
            boot("B2", "left", "2025-01-06T00:00:00Z"),
            boot("B1", "left", "2025-01-02T00:00:00Z", "2025-01-05T00:00:00Z"),
            boot("B3", "left", "2025-01-07T00:00:00Z", "2025-01-08T00:00:00Z"),
            boot("B4", "right", "2025-01-01T00:00:00Z"),
            boot("B5", "left", "2025-01-01T00:00:00Z", aircraft="A2"),
        ],
    )
    assert installed(line, "left", at) == expected


def places(line: Timeline) -> list[tuple[str, str]]:
    index, place = line.placed(line.rows)
    names = [*line.position_names, "unknown"]
    positions = [names[code] for code in line.position_of(place).tolist()]
    ids = line.tasks["task_id"].to_numpy()[line.rows[index]]
    return list(zip(ids, positions, strict=True))


def test_a_history_without_removals() -> None:
    """A boot was there at the latest until another was put on there, or it was put on elsewhere; until then it isn't
    known whether it still was."""
    stays = [
        boot("B1", "left", "2025-01-01T00:00:00Z"),
        boot("B2", "left", "2025-03-01T00:00:00Z"),
        boot("B3", "right", "2025-02-01T00:00:00Z"),
        boot("B1", "right", "2025-04-01T00:00:00Z"),
        boot("B3", "fin", "2025-03-15T00:00:00Z", aircraft="A2"),
        boot("B4", "right", "2025-01-15T00:00:00Z", aircraft="A2"),
    ]
    line = timeline([task()], components=[{name: row[name] for name in row if name != "removed_at"} for row in stays])
    removed = [f"{stamp(at):%F %T}" if at < FOREVER else "" for at in line.components.removed.tolist()]
    days = ("2025-03-01", "", "2025-03-15", "", "", "")
    assert removed == [day and f"{day} 00:00:00" for day in days]
    assert line.components.open_ended.tolist() == [bool(day) for day in days]


def test_a_removal_that_can_not_be_read() -> None:
    """The boot may have been there until now: it isn't known when it came off."""
    stays = [boot("B1", "left", "2025-01-01T00:00:00Z"), boot("B2", "right", "2025-01-01T00:00:00Z", "some day")]
    assert timeline([task()], components=stays).components.open_ended.tolist() == [False, True]


def test_a_record_counts_for_each_position_it_names() -> None:
    """A list, the same position twice, `all` at that time, no position, and `all` where no boot is known; a position
    again with other case or spaces is the same, and one that differs in more may be another."""
    line = timeline(
        [
            task(1, position="right; left"),
            task(2, position="left;left ; "),
            task(3, position="all"),
            task(4),
            task(5, position="all", aircraft="A2"),
            task(6, position="LEFT; left; Left "),
            task(7, position="Nose  Cone; nose cone"),
            task(8, position="left; le-ft"),
        ],
        components=[
            boot("B1", "left", "2025-01-01T00:00:00Z"),
            boot("B2", "right", "2025-01-01T00:00:00Z", "2025-06-02T09:00:00Z"),
            boot("B3", "fin", "2025-06-02T09:00:00Z"),
        ],
    )
    assert places(line) == [
        ("T1", "left"),
        ("T1", "right"),
        ("T2", "left"),
        ("T3", "fin"),
        ("T3", "left"),
        ("T4", "unknown"),
        ("T5", "unknown"),
        ("T6", "left"),
        ("T7", "nose cone"),
        ("T8", "left"),
        ("T8", "unknown"),
    ]


def test_only_closed_records_up_to_the_as_of_time_count() -> None:
    """A blank status is closed; open, void and later records are not work done."""
    rows = [task(1), task(2, status="closed"), task(3, status="open"), task(4, status="void")]
    line = build_timeline(
        read_rows({"tasks": [*rows, task(5, started_at="2025-06-03T00:00:01Z", finished_at="2025-06-03T01:00:00Z")]}),
        pd.Timestamp("2025-06-03T00:00:00Z"),
    )
    assert line.rows.tolist() == [0, 1]


def test_as_of_defaults_to_the_latest_instant() -> None:
    """Whichever table it stands in."""
    flight = {
        "flight_id": "F1",
        "aircraft": "A1",
        "takeoff_at": "2025-07-01T00:00:00Z",
        "landing_at": "2025-07-01T02:00:00Z",
    }
    assert stamp(timeline([task()], flights=[flight]).as_of) == pd.Timestamp("2025-07-01T02:00:00Z")
    removed = boot("B1", "left", "2025-01-01T00:00:00Z", "2025-08-01T00:00:00Z")
    assert stamp(timeline([task()], components=[removed]).as_of) == pd.Timestamp("2025-08-01T00:00:00Z")


def test_hours_are_those_given_or_those_between_takeoff_and_landing() -> None:
    """Tenths of hours are summed without loss, blank hours are derived, blank cycles are one."""
    flights = [
        {
            "flight_id": f"F{number}",
            "aircraft": "A1",
            "takeoff_at": f"2025-07-{number:02d}T00:00:00Z",
            "landing_at": f"2025-07-{number:02d}T01:30:00Z",
            "flight_hours": hours,
            "cycles": cycles,
        }
        for number, (hours, cycles) in enumerate([("0.1", "3"), ("0.2", ""), ("", "2")], 1)
    ]
    found = timeline([task()], flights=flights).flights
    assert (found.flown / 3_600_000_000).tolist() == [0, 0.1, 0.3, 1.8]
    assert found.cycles.tolist() == [0, 3, 4, 6]


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        ((10, 1), (4, 30), [("2024-10-01", "2025-05-01"), ("2025-10-01", "2026-05-01")]),
        ((5, 1), (9, 30), [("2025-05-01", "2025-10-01")]),
        ((1, 1), (12, 31), [("2024-01-01", "2025-01-01"), ("2025-01-01", "2026-01-01")]),
        ((12, 1), (2, 29), [("2024-12-01", "2025-03-01"), ("2025-12-01", "2026-03-01")]),
    ],
)
def test_seasons_include_both_their_days(
    first: tuple[int, int], last: tuple[int, int], expected: list[tuple[str, str]]
) -> None:
    """Within a year, over the turn of the year, the whole year, and to the last day of February."""
    since, until = (instant(pd.Timestamp(f"{day}T12:00:00Z")) for day in ("2024-12-31", "2025-12-01"))
    opens, closes = season_windows(first, last, since, until)
    assert [(f"{stamp(a):%Y-%m-%d}", f"{stamp(b):%Y-%m-%d}") for a, b in zip(opens, closes, strict=True)] == expected


@pytest.mark.parametrize(
    ("since", "until", "years"),
    [
        pytest.param("2024-10-01T00:00:00Z", "2024-10-01T00:00:00Z", [2024], id="as-one-begins"),
        pytest.param("2024-09-30T23:59:59Z", "2024-09-30T23:59:59Z", [], id="before"),
        pytest.param("2025-04-30T23:59:59Z", "2025-06-01T00:00:00Z", [2024], id="in-its-last-moment"),
        pytest.param("2025-05-01T00:00:00Z", "2025-06-01T00:00:00Z", [], id="as-one-ended"),
        pytest.param("2023-01-01T00:00:00Z", "2025-10-01T00:00:00Z", [2022, 2023, 2024, 2025], id="several"),
        pytest.param("1969-12-01T00:00:00Z", "1970-01-02T00:00:00Z", [1969], id="before-1970"),
    ],
)
def test_the_seasons_that_a_time_meets(since: str, until: str, years: list[int]) -> None:
    """All from October to April that have not ended before it and have begun by its end, named by their first year."""
    opens, closes = season_windows((10, 1), (4, 30), instant(pd.Timestamp(since)), instant(pd.Timestamp(until)))
    assert [f"{stamp(at):%F %T}" for at in opens] == [f"{year}-10-01 00:00:00" for year in years]
    assert [f"{stamp(at):%F %T}" for at in closes] == [f"{year + 1}-05-01 00:00:00" for year in years]


@pytest.mark.parametrize("year", [2024, 2025, 1900, 2000])
def test_the_last_day_of_february(year: int) -> None:
    """A season to 29 February ends with the month in each year; one that begins then does so on the 28th in others."""
    leap = year in (2000, 2024)
    middle = instant(pd.Timestamp(f"{year}-02-15", tz="UTC"))
    _, closes = season_windows((2, 1), (2, 29), middle, middle)
    assert [f"{stamp(at):%F}" for at in closes] == [f"{year}-03-01"]
    june = instant(pd.Timestamp(f"{year}-06-15", tz="UTC"))
    opens, _ = season_windows((2, 29), (12, 31), june, june)
    assert [f"{stamp(at):%F}" for at in opens] == [f"{year}-02-{29 if leap else 28}"]


def column(line: Timeline, name: str) -> list[str]:
    found = values(line, name, line.rows, np.full(len(line.rows), -1))
    return [found.text(index) or found.reasons[found.why[index]] for index in range(len(line.rows))]


def test_people_hold_what_is_valid_on_the_local_day_of_the_work() -> None:
    """First and last day included, by the calendar at the station: 2 June 16:00 UTC is 3 June in Tokyo."""
    person = {"person": "P1", "certificate_number": "77"}
    line = timeline(
        [
            task(1, performed_by="P1"),
            task(2, performed_by="P1", station="S2", started_at="2025-06-02T16:00:00Z"),
            task(3, performed_by="P9"),
            task(4),
        ],
        people=[
            person | {"authorisation": "boots", "valid_from": "2025-06-02", "valid_to": "2025-06-02"},
            person | {"authorisation": "wash", "valid_from": "2025-06-01"},
            person | {"authorisation": "old", "valid_from": "2024-06-01", "valid_to": "2025-06-01"},
        ],
    )
    assert column(line, "work_date") == ["2025-06-02", "2025-06-03", "2025-06-02", "2025-06-02"]
    assert column(line, "performer.authorisation") == [
        "boots; wash",
        "wash",
        "performed_by holds nothing valid on that day",
        "value missing: performed_by",
    ]


def test_certifiers_hold_what_is_valid_on_the_local_day_of_the_signature() -> None:
    """The day on which it was signed counts, and without one the day on which the work ended, not that on which it
    began."""
    night = {"started_at": "2025-06-02T23:00:00Z", "finished_at": "2025-06-03T01:00:00Z", "certified_by": "P1"}
    line = timeline(
        [
            task(1, **night),
            task(2, **night, signed_at="2025-06-04T09:00:00Z"),
            task(3, **night, signed_at="2025-06-03T16:00:00Z", station="S2"),
            task(4, **night, signed_at="2025-06-05T09:00:00Z"),
        ],
        people=[
            {"person": "P1", "authorisation": f"of day {day}", "valid_from": date, "valid_to": date}
            for day in (1, 2, 3, 4)
            for date in [f"2025-06-0{day}"]
        ],
    )
    assert column(line, "certifier.authorisation") == [
        "of day 3",
        "of day 4",
        "of day 4",
        "certified_by holds nothing valid on that day",
    ]


def test_validities_overlap_end_and_leave_gaps() -> None:
    """On each day exactly the entries whose first and last day it lies between, written once each."""
    people = [
        {"person": "P1", "authorisation": "a", "valid_from": "2025-06-02", "valid_to": "2025-06-04"},
        {"person": "P1", "authorisation": "b", "valid_from": "2025-06-03", "valid_to": "2025-06-03"},
        {"person": "P1", "authorisation": "c", "valid_from": "2025-06-06"},
        {"person": "P0", "authorisation": "x", "valid_from": "2025-06-01"},
        {"person": "P2", "authorisation": "y", "valid_from": "2025-06-01"},
    ]
    days = [f"2025-06-0{day}T12:00:00Z" for day in range(1, 8)]
    records = [task(number, performed_by="P1", started_at=day) for number, day in enumerate(days, 1)]
    gap = "performed_by holds nothing valid on that day"
    found = column(timeline(records, people=people), "performer.authorisation")
    assert found == [gap, "a", "a; b", "a", gap, "c", "c"]


def test_certificates_are_numbers_with_their_kinds() -> None:
    """Number and kind make one text, in the record and in the list of people; one without the other makes none."""
    line = timeline(
        [
            task(1, certified_by="P1", certificate_number="7", certificate_kind="airframe"),
            task(2, certified_by="P2", certificate_number="7;8", certificate_kind="airframe"),
            task(3, certified_by="P1", certificate_number="7"),
            task(4, certified_by="P1", certificate_kind="airframe"),
        ],
        people=[
            {"person": "P1", "authorisation": "a", "valid_from": "2025-01-01"}
            | {"certificate_number": "7", "certificate_kind": "airframe"},
            {"person": "P1", "authorisation": "b", "valid_from": "2025-01-01"}
            | {"certificate_number": "9", "certificate_kind": "repairman"},
            {"person": "P2", "authorisation": "a", "valid_from": "2025-01-01"}
            | {"certificate_number": "7;8", "certificate_kind": "airframe"},
        ],
    )
    assert column(line, "certificate") == [
        "7 (airframe)",
        "one cell names several: certificate_number or certificate_kind",
        "value missing: certificate_kind",
        "value missing: certificate_number",
    ]
    both = "7 (airframe); 9 (repairman)"
    assert column(line, "certifier.certificates") == [both, "7 (airframe); 8 (airframe)", both, both]


def test_positions_are_counted_where_they_are_named() -> None:
    """Each position once, whatever its case; a blank cell and `all` name none."""
    records = [task(n, position=cell) for n, cell in enumerate(["fin", "left; right", "fin; Fin ;", "all", ""], 1)]
    missing = "value missing: position_count"
    assert column(timeline(records), "position_count") == ["1", "2", "1", missing, missing]


def test_lots_and_manuals_are_joined_on_all_their_keys() -> None:
    """A lot belongs to its product, a revision to its manual; what isn't listed is missing with its reason."""
    line = timeline(
        [
            task(1, product="gel", lot="7", manual="M", manual_revision="2"),
            task(2, product="wash", lot="7", manual="M", manual_revision="3"),
        ],
        lots=[{"lot": "7", "product": "gel", "expires_on": "2025-12-31"}],
        manuals=[{"manual": "M", "revision": "2", "effective_from": "2024-01-01"}],
    )
    assert column(line, "lot.expires_on") == ["2025-12-31", "lot not listed in lots"]
    assert column(line, "manual.effective_from") == ["2024-01-01", "manual revision not listed in manuals"]
    assert column(line, "product_class") == ["table not supplied: products"] * 2


def test_a_record_of_an_unknown_aircraft_is_nowhere() -> None:
    """A record set aside without its aircraft: the record before it stays where it was."""
    rows = [task(1, position="fin"), task(2, position="fin", aircraft="")]
    line = timeline(rows, components=[boot("B1", "fin", "2025-01-01T00:00:00Z")])
    index, place = line.placed(np.arange(2))
    assert index.tolist() == [0, 1]
    assert line.aircraft_of(place).tolist() == [0, MISSING]
    assert [str(line.position_names[code]) for code in line.position_of(place)] == ["fin", "fin"]
