"""Small situations, and what a careful inspector says of each.

They were written down before any was run. Where the inspector and the rules differed and the rules are right, the
verdict is theirs, and a comment says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from typing import Any, Final

import pandas as pd
import pytest

from audit.forms.judging import judge_rule
from audit.intake.reading import read_rows
from audit.language.rule import Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule

Row = dict[str, str]

TREATMENTS: Final = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
TEN_HOURS: Final = rule("interval", scope=TREATMENTS, at_most={"flight_hours": 10})
TEN_OF_EACH: Final = rule(
    "interval", scope=TREATMENTS, at_most={"flight_hours": 10, "days": 10}, tolerance={"percent": 10}
)

STATIONS: Final = (
    {"station": "NORTH", "timezone": "Europe/Berlin", "icao": "ZZNO"},
    {"station": "HANGAR", "timezone": "Europe/Berlin", "icao": "ZZNO"},
    {"station": "SOUTH", "timezone": "Europe/Lisbon", "icao": "ZZSO"},
    {"station": "WEST", "timezone": "America/Halifax", "icao": "ZZWE"},
)
PRODUCTS: Final = tuple(
    {"product": name, "product_class": class_, "approval": "OP-1"}
    for name, class_ in (
        ("Prep", "surface-prep"),
        ("Black", "rubber-preservative"),
        ("Gloss", "gloss-coating"),
        ("Hoar", "ice-adhesion-treatment"),
        ("Wash", "cleaner"),
    )
)


def boot(serial: str = "B1", aircraft: str = "A1", position: str = "left wing", **cells: str) -> Row:
    """A black chloroprene boot that has been there for long, save what `cells` say."""
    return {
        "component_serial": serial,
        "aircraft": aircraft,
        "position": position,
        "material": "chloroprene",
        "finish": "black",
        "installed_at": "2024-01-01T00:00Z",
        "removed_at": "",
        **cells,
    }


def flight(number: str, takeoff: str, landing: str, **cells: str) -> Row:
    """A flight of A1 from NORTH and back, in January 2026: `13T20:00`."""
    return {
        "flight_id": number,
        "aircraft": "A1",
        "takeoff_at": f"2026-01-{takeoff}Z",
        "landing_at": f"2026-01-{landing}Z",
        "origin": "NORTH",
        "destination": "NORTH",
        **cells,
    }


def task(number: str, start: str, end: str, **cells: str) -> Row:
    """A record of A1's left wing at NORTH, of January 2026 UTC: `13T09:00`."""
    return {
        "task_id": number,
        "work_order": "W1",
        "aircraft": "A1",
        "action": "apply",
        "station": "NORTH",
        "started_at": f"2026-01-{start}Z",
        "finished_at": f"2026-01-{end}Z",
        "position": "left wing",
        "product": "Black",
        "coat": "",
        "status": "closed",
        "performed_by": "Joan Hale",
        **cells,
    }


PREP: Final = task("P", "13T08:00", "13T08:45", action="prepare", product="Prep")
COAT_1: Final = task("C1", "13T09:00", "13T09:10", coat="1")
COAT_2: Final = task("C2", "13T09:17", "13T09:27", coat="2")
COAT_3: Final = task("C3", "13T09:34", "13T09:44", coat="3")
THREE: Final = (COAT_1, COAT_2, COAT_3)
EVERY_WEEK: Final = tuple(
    flight(f"F-{aircraft}-{day}", f"{day}T04:00", f"{day}T05:00", aircraft=aircraft)
    for aircraft in ("A1", "A2")
    for day in ("05", "12", "19")
)
BOOTS: Final = (boot(), boot("B3", "A2"))


@dataclass(frozen=True)
class Situation:
    """What is exported, by what rule it is judged (an id, or the data of a rule), and the verdicts.

    `usual` are the flights that both aircraft make every week.
    """

    id: str
    rule: str | Mapping[str, Any]
    expected: str
    tasks: tuple[Row, ...] = THREE
    flights: tuple[Row, ...] = ()
    boots: tuple[Row, ...] = BOOTS
    more: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    as_of: str = "2026-01-19T05:00Z"
    usual: tuple[Row, ...] = EVERY_WEEK


def but(row: Row, **cells: str) -> Row:
    """A row with other cells."""
    return row | cells


def without(rows: tuple[Row, ...], column: str) -> tuple[Row, ...]:
    """Rows that were exported without a column."""
    return tuple({name: cell for name, cell in row.items() if name != column} for row in rows)


def hours(number: str, day: str, length: float) -> Row:
    """A flight of so many hours on a day."""
    landing = datetime(2026, 1, int(day), 6) + timedelta(hours=length)
    return flight(number, f"{day}T06:00", f"{landing:%dT%H:%M}", flight_hours=str(length))


A_WEEK: Final = {"season": {"from": "01-06", "to": "01-12"}, "scope": TREATMENTS}
EVERY_DAY: Final = tuple(flight(f"D{day}", f"{day:02}T04:00", f"{day:02}T04:30") for day in range(2, 19))


def treated(day: str, **cells: str) -> Row:
    """A treatment by a work order of its own."""
    return task(f"T{day}", f"{day}T08:00", f"{day}T08:15", product="Hoar", work_order=f"W{day}") | cells


OTHERWISE: Final = (
    task("E", "02T08:00", "02T08:10", product="Wash"),
    task("L", "18T08:00", "18T08:10", product="Wash"),
)
FIRST: Final = task("T1", "03T08:00", "03T08:15", product="Hoar", work_order="W1")
SECOND: Final = task("T2", "14T02:00", "14T02:15", product="Hoar", work_order="W2")
LEFT: Final = (boot(),)
SWAPPED_THAT_DAY: Final = (boot(removed_at="2026-01-13"), boot("B9", installed_at="2026-01-13"))
CERTIFIER: Final = {
    "person": "Cora Vale",
    "authorisation": "certifying",
    "valid_from": "2020-01-01",
    "valid_to": "2026-12-31",
    "certificate_number": "C-1",
    "certificate_kind": "airframe",
}

SITUATIONS: Final = (
    Situation(
        "the last coat's end can't be read, flown 26 h after the one before",
        "flight-before-cure",
        "1 unjudged",
        (COAT_1, COAT_2, but(COAT_3, finished_at="noon")),
        (flight("F1", "14T11:27", "14T12:00"),),
    ),
    Situation(
        "the last coat's end can't be read, flown 20 h after the one before",
        "flight-before-cure",
        "1 finding",
        (COAT_1, COAT_2, but(COAT_3, finished_at="noon")),
        (flight("F1", "14T05:27", "14T06:00"),),
    ),
    Situation(
        "there and back in the cure by a flight whose aircraft was mistyped in the log",
        "flight-before-cure",
        "1 unjudged",
        THREE,
        (flight("F0", "12T20:00", "12T21:00"), flight("F1", "13T20:00", "13T21:00", aircraft="a1")),
    ),
    Situation(
        "between two coats by a flight whose aircraft was mistyped in the log",
        "preservative-coats-wrong",
        "1 unjudged",
        (COAT_1, COAT_2, but(COAT_3, started_at="2026-01-13T12:00Z", finished_at="2026-01-13T12:10Z")),
        (flight("F0", "12T20:00", "12T21:00"), flight("F1", "13T10:00", "13T11:00", aircraft="a1")),
    ),
    Situation(
        "work at noon, while a flight whose aircraft was mistyped in the log was in the air",
        "work-while-airborne",
        "1 unjudged",
        (task("W", "13T12:00", "13T12:10"),),
        (flight("F0", "12T20:00", "12T21:00"), flight("F1", "13T11:00", "13T13:00", aircraft="a1")),
    ),
    Situation(
        "a fourth coat under another number, flown 24 h after the third",
        "flight-before-cure",
        "1 finding, 1 complies",
        (*THREE, task("C4", "13T12:00", "13T12:10", work_order="W2")),
        (flight("F1", "14T10:00", "14T11:00"),),
    ),
    Situation(
        "the boot goes to another aircraft, which flies in time; its old one flew at once",
        "flight-before-cure",
        "1 complies",
        THREE,
        (flight("F1", "13T20:00", "13T21:00"), flight("F2", "14T10:00", "14T11:00", aircraft="A2")),
        (
            boot(removed_at="2026-01-13T12:00Z"),
            boot("B3", "A2", removed_at="2026-01-13T13:00Z"),
            boot("B1", "A2", installed_at="2026-01-13T14:00Z"),
        ),
    ),
    Situation(
        "the boot goes to another aircraft, which flies too early",
        "flight-before-cure",
        "1 finding",
        THREE,
        (flight("F2", "14T08:00", "14T09:00", aircraft="A2"),),
        (
            boot(removed_at="2026-01-13T12:00Z"),
            boot("B3", "A2", removed_at="2026-01-13T13:00Z"),
            boot("B1", "A2", installed_at="2026-01-13T14:00Z"),
        ),
    ),
    Situation(
        "the boot comes off on the day of its coats, nobody says when, and the aircraft flies that evening",
        "flight-before-cure",
        "1 unjudged",
        THREE,
        (flight("F1", "13T20:00", "13T21:00"),),
        SWAPPED_THAT_DAY,
    ),
    Situation(
        "boots are swapped on the day of three coats, nobody says when: each boot may have fewer",
        "preservative-coats-wrong",
        "1 unjudged",
        THREE,
        (flight("F1", "15T20:00", "15T21:00"),),
        SWAPPED_THAT_DAY,
    ),
    Situation(
        "boots are swapped on the day of two coats of three, nobody says when: too few for one boot, and for either",
        "preservative-coats-wrong",
        "1 finding",
        (COAT_1, COAT_2),
        (flight("F1", "15T20:00", "15T21:00"),),
        SWAPPED_THAT_DAY,
    ),
    Situation(
        "boots are swapped two days after three coats, nobody says when",
        "preservative-coats-wrong",
        "1 complies",
        THREE,
        (flight("F1", "16T20:00", "16T21:00"),),
        (boot(removed_at="2026-01-15"), boot("B9", installed_at="2026-01-15")),
    ),
    Situation(
        "boots are swapped on the day of two coats too close together, nobody says when: the second may be the first",
        "preservative-coats-badly-spaced",
        "1 unjudged",
        (COAT_1, but(COAT_2, started_at="2026-01-13T09:11Z", finished_at="2026-01-13T09:21Z")),
        (flight("F1", "15T20:00", "15T21:00"),),
        SWAPPED_THAT_DAY,
    ),
    Situation(
        "boots are swapped on the day, nobody says when, and the next boot may have been preserved after the treatment",
        "ice-adhesion-treatment-not-last",
        "1 unjudged",
        (task("T", "13T08:00", "13T08:10", product="Hoar"), task("C", "13T09:00", "13T09:10")),
        (flight("F1", "15T20:00", "15T21:00"),),
        SWAPPED_THAT_DAY,
    ),
    Situation(
        "the boot comes off in the evening, goes elsewhere that day, nobody says when; its old aircraft flew at noon",
        "flight-before-cure",
        "1 finding",
        THREE,
        (flight("F1", "13T12:10", "13T13:00"),),
        (boot(removed_at="2026-01-13T18:00Z"), boot("B1", "A2", installed_at="2026-01-13")),
    ),
    Situation(
        "washed at the other station by its own clock, 23 h 46 min after the last coat",
        "product-before-cure",
        "1 finding",
        (
            *(
                but(coat, started_at=f"2026-01-13T10:{start}", finished_at=f"2026-01-13T10:{end}")
                for coat, start, end in zip(THREE, ("00", "17", "34"), ("10", "27", "44"), strict=True)
            ),
            task("W", "", "", station="SOUTH", work_order="W2", action="clean", product="Wash")
            | {"started_at": "2026-01-14T09:30", "finished_at": "2026-01-14T10:00"},
        ),
        (
            flight("F1", "14T06:00", "14T07:00", destination="SOUTH"),
            flight("F2", "14T20:00", "14T21:00", origin="SOUTH"),
        ),
    ),
    Situation(
        "washed at the other station by its own clock, exactly 24 h after the last coat",
        "product-before-cure",
        "1 complies",
        (
            but(COAT_3, started_at="2026-01-13T10:34", finished_at="2026-01-13T10:44"),
            task("W", "", "", station="SOUTH", work_order="W2", action="clean", product="Wash")
            | {"started_at": "2026-01-14T09:44", "finished_at": "2026-01-14T10:00"},
        ),
        (
            flight("F1", "14T06:00", "14T07:00", destination="SOUTH"),
            flight("F2", "14T20:00", "14T21:00", origin="SOUTH"),
        ),
    ),
    Situation(
        "the last coat ends in the hour that comes twice, flown 24 h after the later reading",
        "flight-before-cure",
        "1 complies",
        (but(COAT_3, started_at="2025-10-26T01:50", finished_at="2025-10-26T02:30"),),
        (
            flight("F0", "05T06:00", "05T07:00")
            | {"takeoff_at": "2025-10-25T06:00Z", "landing_at": "2025-10-25T07:00Z"},
            flight("F1", "05T06:00", "05T07:00")
            | {"takeoff_at": "2025-10-27T01:30Z", "landing_at": "2025-10-27T02:30Z"},
        ),
        as_of="2025-10-28T00:00Z",
        usual=(),
    ),
    Situation(
        "the last coat ends in the hour that comes twice, flown 24 h after the earlier reading",
        "flight-before-cure",
        "1 unjudged",
        (but(COAT_3, started_at="2025-10-26T01:50", finished_at="2025-10-26T02:30"),),
        (
            flight("F0", "05T06:00", "05T07:00")
            | {"takeoff_at": "2025-10-25T06:00Z", "landing_at": "2025-10-25T07:00Z"},
            flight("F1", "05T06:00", "05T07:00")
            | {"takeoff_at": "2025-10-27T00:30Z", "landing_at": "2025-10-27T02:30Z"},
        ),
        as_of="2025-10-28T00:00Z",
        usual=(),
    ),
    Situation(
        "a coat exported twice, once with a lot that had expired",
        "lot-expired",
        "1 unjudged, 2 complies",
        (*(but(coat, lot="L2") for coat in THREE), but(COAT_3, lot="L1")),
        more={
            "lots": (
                {"lot": "L1", "product": "Black", "expires_on": "2026-01-10"},
                {"lot": "L2", "product": "Black", "expires_on": "2026-12-31"},
            )
        },
    ),
    Situation(
        "a coat exported twice, with two lots that had both expired",
        "lot-expired",
        # Either is left out, and what can't be read is no fault.
        "1 unjudged, 2 complies",
        (but(COAT_1, lot="L2"), but(COAT_2, lot="L2"), but(COAT_3, lot="L1"), but(COAT_3, lot="L3")),
        more={
            "lots": (
                {"lot": "L1", "product": "Black", "expires_on": "2026-01-10"},
                {"lot": "L2", "product": "Black", "expires_on": "2026-12-31"},
                {"lot": "L3", "product": "Black", "expires_on": "2026-01-11"},
            )
        },
    ),
    Situation(
        "a void third coat, entered again an hour later: three coats",
        "preservative-coats-wrong",
        "1 complies",
        (COAT_1, COAT_2, but(COAT_3, status="void"), task("C3b", "13T10:34", "13T10:44", coat="3")),
    ),
    Situation(
        "a void third coat, entered again an hour later: too late",
        "preservative-coats-badly-spaced",
        "1 finding, 1 complies",
        (COAT_1, COAT_2, but(COAT_3, status="void"), task("C3b", "13T10:34", "13T10:44", coat="3")),
    ),
    Situation(
        "the end of the last coat is corrected to ten minutes later, which the flight did not wait for",
        "flight-before-cure",
        "1 finding",
        THREE,
        (flight("F1", "14T09:50", "14T11:00"),),
        more={
            "corrections": (
                {"correction_id": "K1", "task_id": "C3", "column": "finished_at"}
                | {"was": "2026-01-13T09:44Z", "now": "2026-01-13T09:54Z", "made_by": "Joan Hale"}
                | {"made_at": "2026-01-14T12:00Z", "signed_by": "Joan Hale", "reason": "mistyped"},
            )
        },
    ),
    Situation(
        "performers are not exported",
        "performer-not-authorised",
        "3 unjudged",
        without(THREE, "performed_by"),
        more={
            "people": ({"person": "Joan Hale", "authorisation": "apply", "valid_from": "2020-01-01", "valid_to": ""},)
        },
    ),
    Situation(
        "the status of records is not exported", "preservative-coats-wrong", "1 complies", without(THREE, "status")
    ),
    Situation(
        "the third coat is still open, flown 25 h after its end",
        "flight-before-cure",
        "1 complies",
        (COAT_1, COAT_2, but(COAT_3, status="open")),
        (flight("F1", "14T10:44", "14T12:00"),),
    ),
    Situation(
        "the third coat is still open",
        "preservative-coats-wrong",
        "1 unjudged",
        (COAT_1, COAT_2, but(COAT_3, status="open")),
        (flight("F1", "14T10:44", "14T12:00"),),
    ),
    Situation(
        "a lot opened on the day after, by the clock of its station; in UTC on that day",
        "lot-used-before-opened",
        "1 finding",
        (
            task("C1", "", "", station="WEST", lot="L1")
            | {"started_at": "2026-01-13T21:00", "finished_at": "2026-01-13T21:10"},
        ),
        more={"lots": ({"lot": "L1", "product": "Black", "expires_on": "2026-12-31", "opened_on": "2026-01-14"},)},
    ),
    Situation(
        "a lot on its last day, by the clock of its station; in UTC on the day after",
        "lot-expired",
        "1 complies",
        (
            task("C1", "", "", station="WEST", lot="L1")
            | {"started_at": "2026-01-13T21:00", "finished_at": "2026-01-13T21:10"},
        ),
        more={"lots": ({"lot": "L1", "product": "Black", "expires_on": "2026-01-13", "opened_on": "2026-01-01"},)},
    ),
    Situation(
        "the performer's authorisation ends at the midnight that the work goes on over",
        "performer-not-authorised",
        # The day of the work is the one on which it began.
        "1 complies",
        (task("C1", "", "") | {"started_at": "2026-01-13T23:30", "finished_at": "2026-01-14T00:30"},),
        more={
            "people": (
                {"person": "Joan Hale", "authorisation": "apply", "valid_from": "2020-01-01", "valid_to": "2026-01-13"},
            )
        },
    ),
    Situation(
        "as many hours and days between treatments as the tolerances allow",
        TEN_OF_EACH,
        "3 complies",
        (FIRST, SECOND),
        (hours("F1", "04", 6), hours("F2", "13", 5)),
        LEFT,
        usual=(),
        as_of="2026-01-19T05:00Z",
    ),
    Situation(
        "six minutes more than the tolerance allows",
        TEN_OF_EACH,
        "1 finding, 2 complies",
        (FIRST, SECOND),
        (hours("F1", "04", 6), hours("F2", "13", 5.1)),
        LEFT,
        usual=(),
        as_of="2026-01-19T05:00Z",
    ),
    Situation(
        "a day more than the tolerance allows, with hours in hand",
        TEN_OF_EACH,
        "1 finding, 2 complies",
        (FIRST, but(SECOND, started_at="2026-01-15T02:00Z", finished_at="2026-01-15T02:15Z")),
        (hours("F1", "04", 6), hours("F2", "13", 1)),
        LEFT,
        usual=(),
        as_of="2026-01-19T05:00Z",
    ),
    Situation(
        "12 h between two treatments, and between them one whose end can't be read",
        TEN_HOURS,
        "1 unjudged, 2 complies",
        (FIRST, but(SECOND, task_id="T9", work_order="W9", started_at="2026-01-07T02:00Z", finished_at="noon"), SECOND),
        (hours("F1", "04", 6), hours("F2", "13", 6)),
        LEFT,
        usual=(),
        as_of="2026-01-19T05:00Z",
    ),
    Situation(
        "10.5 h between two treatments, and a flight whose landing can't be read",
        TEN_HOURS,
        "1 finding, 2 complies",
        (FIRST, SECOND),
        (hours("F1", "04", 6), hours("F2", "13", 4.5), but(hours("F3", "10", 1), landing_at="late", flight_hours="")),
        LEFT,
        usual=(),
        as_of="2026-01-19T05:00Z",
    ),
    Situation(
        "6 h between two treatments, and a flight whose landing can't be read",
        TEN_HOURS,
        "1 unjudged, 2 complies",
        (FIRST, SECOND),
        (hours("F1", "04", 6), but(hours("F3", "10", 1), landing_at="late", flight_hours="")),
        LEFT,
        usual=(),
        as_of="2026-01-19T05:00Z",
    ),
    Situation(
        "the same person in other letters at two stations at once",
        "person-at-two-stations",
        "1 finding",
        (
            task("C1", "13T09:00", "13T10:00"),
            task("C2", "13T09:30", "13T10:30", aircraft="A2", station="SOUTH", performed_by="JOAN  HALE"),
        ),
    ),
    Situation(
        "a standing work order: treated, flown, and washed three days later",
        "ice-adhesion-treatment-not-last",
        "1 complies",
        (
            task("T1", "13T09:00", "13T09:15", product="Hoar"),
            task("W", "16T09:00", "16T09:30", action="clean", product="Wash"),
        ),
        (flight("F1", "14T10:00", "14T11:00"),),
    ),
    Situation(
        "treated, and washed at a time that can't be read",
        "ice-adhesion-treatment-not-last",
        "1 unjudged",
        (
            task("T1", "13T09:00", "13T09:15", product="Hoar"),
            task("W", "noon", "13T10:30", action="clean", product="Wash"),
        ),
    ),
    Situation(
        "treated, and something washed after it under the same work order, on no aircraft that is named",
        "ice-adhesion-treatment-not-last",
        "1 unjudged",
        (
            task("T1", "13T09:00", "13T09:15", product="Hoar"),
            task("W", "13T10:00", "13T10:30", action="clean", product="Wash", aircraft=""),
        ),
    ),
    Situation(
        "stripped at a time whose end can't be read, then preserved",
        "surface-prep-missing",
        "1 unjudged",
        (but(PREP, finished_at="noon"), *THREE),
    ),
    Situation(
        "stripped the evening before; another boot flew in its place until it was put back",
        "surface-prep-missing",
        "1 complies",
        (but(PREP, started_at="2026-01-12T17:00Z", finished_at="2026-01-12T18:00Z"), *THREE),
        (flight("F1", "13T06:00", "13T07:00"),),
        (
            boot(removed_at="2026-01-12T19:00Z"),
            boot("B9", installed_at="2026-01-12T20:00Z", removed_at="2026-01-13T07:30Z"),
            boot(installed_at="2026-01-13T08:00Z"),
        ),
    ),
    Situation(
        "stripped the evening before, and flown with it",
        "surface-prep-missing",
        "1 finding",
        (but(PREP, started_at="2026-01-12T17:00Z", finished_at="2026-01-12T18:00Z"), *THREE),
        (flight("F1", "13T06:00", "13T07:00"),),
    ),
    Situation(
        "the second coat exported twice with two starts",
        "preservative-coats-badly-spaced",
        "2 unjudged",
        (COAT_1, COAT_2, but(COAT_2, started_at="2026-01-13T09:20Z"), COAT_3),
    ),
    Situation(
        "12 h into the cure something that is not listed is put on under another work order",
        "product-before-cure",
        "2 unjudged",
        (*THREE, task("X", "13T22:00", "13T22:10", work_order="W2", product="Sealant Z")),
    ),
    Situation(
        "two coats, and 24 h without another or a flight when the export is made",
        "preservative-coats-wrong",
        "1 finding",
        (COAT_1, COAT_2),
        as_of="2026-01-14T09:28Z",
    ),
    Situation(
        "two coats, and just less than 24 h without another",
        "preservative-coats-wrong",
        "1 unjudged",
        (COAT_1, COAT_2),
        as_of="2026-01-14T09:26Z",
    ),
    Situation(
        "worked on in a hangar with the location indicator of where it landed",
        "work-while-elsewhere",
        "1 complies",
        (task("I", "13T09:00", "13T10:00", station="HANGAR", action="inspect", product=""),),
        (flight("F1", "13T06:00", "13T07:00"),),
    ),
    Situation(
        "all boots preserved and flown 20 h later; when one of them was put on can't be read",
        "flight-before-cure",
        # Whether there is another subject isn't known; the boot in quarantine is counted beside the rule as not read.
        "1 finding",
        tuple(but(coat, position="all") for coat in THREE),
        (flight("F1", "14T05:27", "14T06:00"),),
        (boot(), boot("B2", position="right wing", installed_at="long ago")),
    ),
    Situation(
        "preservative put on in a repair, and flown 3 h later",
        "flight-before-cure",
        "1 finding",
        (but(COAT_1, action="repair"),),
        (flight("F1", "13T12:10", "13T13:00"),),
    ),
    Situation(
        "a repair with a product 3 h into the cure, under another work order",
        "product-before-cure",
        "1 finding",
        (*THREE, task("R", "13T12:44", "13T13:00", work_order="W2", action="repair", product="Prep")),
    ),
    Situation(
        "a repair without a product 3 h into the cure",
        "product-before-cure",
        "1 complies",
        (*THREE, task("R", "13T12:44", "13T13:00", work_order="W2", action="repair", product="")),
    ),
    Situation(
        "two people in one cell, one of whom is named alone at another station",
        "person-at-two-stations",
        "2 unjudged",
        (
            task("C1", "13T09:00", "13T10:00", performed_by="Joan Hale; Bo Lindt"),
            task("C2", "13T09:30", "13T10:30", station="SOUTH", aircraft="A2", performed_by="Bo Lindt"),
        ),
    ),
    Situation(
        "two people in one cell, and a third at another station",
        "person-at-two-stations",
        "1 unjudged, 1 complies",
        (
            task("C1", "13T09:00", "13T10:00", performed_by="Joan Hale; Bo Lindt"),
            task("C2", "13T09:30", "13T10:30", station="SOUTH", aircraft="A2", performed_by="Ada Holm"),
        ),
    ),
    Situation(
        "the same person in two hangars of one aerodrome",
        "person-at-two-stations",
        "2 complies",
        (task("C1", "13T09:00", "13T10:00"), task("C2", "13T09:30", "13T10:30", station="HANGAR")),
    ),
    Situation(
        "the same person at two aircraft in two hangars of one aerodrome",
        "person-at-two-aircraft",
        "1 finding",
        (task("C1", "13T09:00", "13T10:00"), task("C2", "13T09:30", "13T10:30", station="HANGAR", aircraft="A2")),
    ),
    Situation(
        "a coat exported twice, with two lots that are both listed",
        "lot-unknown",
        "1 unjudged, 2 complies",
        (*(but(coat, lot="L2") for coat in THREE), but(COAT_3, lot="L1")),
        more={"lots": ({"lot": "L1", "product": "Black"}, {"lot": "L2", "product": "Black"})},
    ),
    Situation(
        "when it was signed can't be read, and its certifier's authorisation ended two days after the work",
        "certifier-not-authorised",
        "1 unjudged",
        (but(COAT_1, certified_by="Cora Vale", signed_at="later"),),
        more={"people": (but(CERTIFIER, valid_to="2026-01-15"),)},
    ),
    Situation(
        "when it was signed can't be read, and its certifier's authorisation was renewed without a gap",
        "certifier-not-authorised",
        "1 complies",
        (but(COAT_1, certified_by="Cora Vale", signed_at="later"),),
        more={"people": (but(CERTIFIER, valid_to="2026-01-15"), but(CERTIFIER, valid_from="2026-01-16"))},
    ),
    Situation(
        "when it was signed can't be read, and its certifier was authorised all the time",
        "certifier-not-authorised",
        "1 complies",
        (but(COAT_1, certified_by="Cora Vale", signed_at="later"),),
        more={"people": (CERTIFIER,)},
    ),
    Situation(
        "glossed over its treatment, put on another aircraft and flown there",
        "ice-adhesion-treatment-covered",
        "1 finding",
        (
            task("T1", "13T07:00", "13T07:15", product="Hoar", work_order="W0"),
            task("G", "13T09:00", "13T09:10", product="Gloss"),
        ),
        (flight("F2", "14T08:00", "14T09:00", aircraft="A2"),),
        (
            boot(removed_at="2026-01-13T12:00Z"),
            boot("B3", "A2", removed_at="2026-01-13T13:00Z"),
            boot("B1", "A2", installed_at="2026-01-13T14:00Z"),
        ),
    ),
    Situation(
        "a flight during the cure that names no aircraft",
        "flight-before-cure",
        "1 unjudged",
        THREE,
        (flight("F1", "14T02:00", "14T03:00", aircraft=""),),
    ),
    Situation(
        "another aircraft's flight has no takeoff that can be read",
        "flight-before-cure",
        "1 complies",
        THREE,
        (flight("F1", "soon", "14T03:00", aircraft="A2"),),
    ),
    Situation(
        "the history of the boot is in two rows that touch",
        "flight-before-cure",
        "1 finding",
        THREE,
        (flight("F1", "14T02:00", "14T03:00"),),
        (boot(removed_at="2026-01-13T09:20Z"), boot(installed_at="2026-01-13T09:20Z")),
    ),
)

TREATED_OFTEN: Final = tuple(
    Situation(
        f"treated {what} in a week in which {allowed} are allowed",
        rule("count", sessions=limit, **A_WEEK),
        expected,
        (*OTHERWISE, *tasks),
        EVERY_DAY,
        boots,
        usual=(),
    )
    for allowed, limit, what, expected, tasks, boots in (
        ("two at least", {"at_least": 2}, "once", "1 finding", (treated("07"),), LEFT),
        ("two at least", {"at_least": 2}, "twice", "1 complies", (treated("07"), treated("08")), LEFT),
        (
            "two at least",
            {"at_least": 2},
            "twice, both ends of which can't be read,",
            "1 unjudged",
            (treated("07", finished_at="noon"), treated("08", finished_at="noon")),
            LEFT,
        ),
        (
            "two at least",
            {"at_least": 2},
            "once, the end of which can't be read,",
            "1 finding",
            (treated("07", finished_at="noon"),),
            LEFT,
        ),
        (
            "two at least",
            {"at_least": 2},
            "once before it, and once afterwards, the end of which can't be read,",
            "1 finding",
            (treated("05"), treated("07"), treated("13", finished_at="noon")),
            LEFT,
        ),
        (
            "one at most",
            {"at_most": 1},
            "at no position that is told, at an end that can't be read, with a boot that changed its place,",
            "1 complies",
            (treated("07", finished_at="noon", position=""),),
            (
                boot(removed_at="2026-01-08T00:00Z"),
                boot(position="right wing", installed_at="2026-01-08T00:00Z"),
            ),
        ),
    )
)
"""Which treatments count in a season, of which the end of some can't be read."""


LISTED_TWICE: Final = tuple(
    Situation(f"{rule}: the boot listed again {what}", rule, expected, tasks, boots=(*LEFT, boot(**again)))
    for rule, tasks, verdicts in (
        ("preservative-on-wrong-material", (COAT_1,), ("1 complies", "1 complies", "1 unjudged")),
        ("ice-adhesion-treatment-overdue", (FIRST, SECOND), ("3 complies", "3 unjudged", "3 unjudged")),
        ("ice-adhesion-treatment-never-done", (FIRST,), ("1 complies", "1 unjudged", "1 unjudged")),
        ("two-components-at-one-position", (FIRST,), ("1 finding", "1 finding", "1 finding")),
    )
    for (what, again), expected in zip(
        (
            ("from a day on long before", {"installed_at": "2025-03-01T00:00Z"}),
            ("from a day of this season on", {"installed_at": "2026-01-05T00:00Z"}),
            ("as one of polyurethane", {"installed_at": "2025-03-01T00:00Z", "material": "polyurethane"}),
        ),
        verdicts,
        strict=True,
    )
)
"""One boot listed twice at its place: what both rows say holds."""


def person(**cells: str) -> Mapping[str, tuple[Row, ...]]:
    """A list of people with one entry of the performer."""
    return {"people": ({"person": "Joan Hale", "authorisation": "apply", "valid_from": "2020-01-01", **cells},)}


def lot(**cells: str) -> Mapping[str, tuple[Row, ...]]:
    """A list of lots with the one that was used."""
    return {"lots": ({"lot": "L1", "product": "Black", "expires_on": "2026-12-31", "opened_on": "2026-01-01"} | cells,)}


def manual(**cells: str) -> Mapping[str, tuple[Row, ...]]:
    """A list of manuals with the one that was cited."""
    return {"manuals": ({"manual": "M", "revision": "1", "effective_from": "2020-01-01", "superseded_on": ""} | cells,)}


USED: Final = (but(COAT_1, lot="L1"),)
CITED: Final = (but(COAT_1, manual="M", manual_revision="1"),)
BLACK: Final = {"product": "Black", "product_class": "rubber-preservative", "approval": "OP-1"}
TWO_NUMBERS: Final = {"certificate_number": "C-1", "certificate_kind": "airframe"}

LISTS: Final = tuple(
    Situation(f"{rule}: {what}", rule, expected, tasks, more=more)
    for rule, what, expected, tasks, more in (
        ("performer-not-authorised", "the last day can't be read", "1 unjudged", THREE[:1], person(valid_to="soon")),
        ("performer-not-authorised", "no last day", "1 complies", THREE[:1], person(valid_to="")),
        (
            "performer-not-authorised",
            "the last day of an entry that began later can't be read",
            "1 finding",
            THREE[:1],
            person(valid_from="2026-01-14", valid_to="soon"),
        ),
        ("performer-not-authorised", "the first day can't be read", "1 unjudged", THREE[:1], person(valid_from="soon")),
        (
            "performer-not-authorised",
            "the first day can't be read, and the last was before the work",
            "1 finding",
            THREE[:1],
            person(valid_from="soon", valid_to="2026-01-12"),
        ),
        (
            "performer-not-authorised",
            "the first day of somebody else can't be read",
            "1 finding",
            THREE[:1],
            person(person="Ada Holm", valid_from="soon"),
        ),
        (
            "performer-not-authorised",
            "one entry with two last days",
            "1 unjudged",
            THREE[:1],
            {"people": person(valid_to="2026-01-10")["people"] + person(valid_to="2026-01-20")["people"]},
        ),
        (
            "certificate-differs",
            "one entry with two numbers",
            "1 unjudged",
            (but(COAT_1, certified_by="Joan Hale") | TWO_NUMBERS,),
            {
                "people": person(certificate_number="C-1", certificate_kind="airframe")["people"]
                + person(certificate_number="C-2", certificate_kind="airframe")["people"]
            },
        ),
        *(
            (
                "certificate-differs",
                f"{number} ({kind}) on the record, and {numbers} ({kinds}) in one entry",
                expected,
                (but(COAT_1, certified_by="Joan Hale", certificate_number=number, certificate_kind=kind),),
                person(certificate_number=numbers, certificate_kind=kinds, valid_to=""),
            )
            for number, kind, numbers, kinds, expected in (
                ("C-2", "repairman", "C-1; C-2", "airframe; repairman", "1 complies"),
                ("C-2", "airframe", "C-1; C-2", "airframe; repairman", "1 finding"),
                ("C-1", "repairman", "C-1", "airframe; repairman", "1 complies"),
                ("C-1", "airframe; repairman", "C-1", "airframe; repairman", "1 unjudged"),
                ("C-1; C-2", "airframe", "C-1", "airframe", "1 unjudged"),
            )
        ),
        *(
            (rule, f"two in one cell, {told}", expected, (but(COAT_1, lot=cell),), two_lots)
            for cell, told, verdicts in (
                ("L1; L2", "both listed", ("1 unjudged",) * 3),
                ("L1/L2", "both listed, with a stroke", ("1 unjudged",) * 3),
                ("L9; L1", "one listed", ("1 unjudged",) * 3),
                ("L8; L9", "none listed", ("1 finding", "idle", "idle")),
            )
            for two_lots in ({"lots": lot()["lots"] + lot(lot="L2", expires_on="2026-01-01")["lots"]},)
            for rule, expected in zip(("lot-unknown", "lot-expired", "lot-used-before-opened"), verdicts, strict=True)
        ),
        (
            "manual-not-listed",
            "two in one cell",
            "1 unjudged",
            (but(COAT_1, manual="M", manual_revision="1; 2"),),
            manual(),
        ),
        ("lot-used-before-opened", "when it was opened can't be read", "1 unjudged", USED, lot(opened_on="soon")),
        ("lot-expired", "its last day can't be read", "1 unjudged", USED, lot(expires_on="soon")),
        ("lot-unknown", "listed without its product", "1 unjudged", USED, lot(product="")),
        ("lot-unknown", "another is listed without its product", "1 finding", USED, lot(lot="L7", product="")),
        (
            "manual-not-in-force",
            "when it was superseded can't be read",
            "1 unjudged",
            CITED,
            manual(superseded_on="soon"),
        ),
        ("manual-not-in-force", "since when it was can't be read", "1 unjudged", CITED, manual(effective_from="soon")),
        *(
            (
                "manual-not-in-force",
                f"another revision {what}, and nobody wrote when this one was superseded",
                expected,
                CITED,
                {"manuals": manual()["manuals"] + manual(revision="2", **other)["manuals"]},
            )
            for what, expected, other in (
                ("came long before the work", "1 unjudged", {"effective_from": "2025-06-01"}),
                ("came on the day of the work", "1 unjudged", {"effective_from": "2026-01-13"}),
                ("came on the day after", "1 complies", {"effective_from": "2026-01-14"}),
                ("had been there before it", "1 complies", {"effective_from": "2019-01-01"}),
                ("of another manual came", "1 complies", {"effective_from": "2025-06-01", "manual": "N"}),
            )
        ),
        (
            "manual-not-listed",
            "since when it was in force can't be read",
            "1 unjudged",
            CITED,
            manual(effective_from="soon"),
        ),
        (
            "manual-not-listed",
            "since when another revision was in force can't be read",
            "1 finding",
            CITED,
            manual(revision="2", effective_from="soon"),
        ),
        (
            "product-not-approved",
            "listed twice, once as approved",
            "1 unjudged",
            THREE[:1],
            {"products": (BLACK, BLACK | {"approval": ""})},
        ),
    )
)
"""Lists of which a cell, or a row, can't be read, and cells that name several things of one: what may be listed is
neither passed nor found, and only that."""


@cache
def shipped() -> Mapping[str, Rule]:
    return {each.id: each for each in load_rules(rules_folder()).rules}


def verdicts(one: Situation) -> str:
    """What the rule says of the situation: `1 finding, 2 complies`; `idle` where it looks at nothing."""
    tables = {"tasks": one.tasks, "flights": (*one.usual, *one.flights), "components": one.boots}
    export = read_rows({**tables, "products": PRODUCTS, "stations": STATIONS, **one.more}, pd.Timestamp(one.as_of))
    rule = shipped()[one.rule] if isinstance(one.rule, str) else RULES.validate_python(one.rule)
    found = judge_rule(rule, build_timeline(export, pd.Timestamp(one.as_of)))
    said = {"finding": found.findings, "unjudged": found.unjudged, "complies": found.complies}
    return ", ".join(f"{number} {word}" for word, number in said.items() if number) or "idle"


@pytest.mark.parametrize(
    "one", [pytest.param(one, id=one.id) for one in (*SITUATIONS, *TREATED_OFTEN, *LISTED_TWICE, *LISTS)]
)
def test_what_a_careful_inspector_says(one: Situation) -> None:
    """Finding, complies, or unjudged: for each subject of the rule."""
    assert verdicts(one) == one.expected
