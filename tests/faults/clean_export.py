"""A small, clean, invented export: two aircraft, three months, a few planted findings and many subjects that comply.

TARN-TEAL has the findings, TARN-IBIS has done the same work as it should be. Both fly from NORTH to SOUTH and back
every day, 2.5 hours in all, but for PARKED and STAYED. Work is done at NORTH in the evening. All times are UTC.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Final

from audit.intake.tables import TABLES

Row = dict[str, str]
Tables = dict[str, list[Row]]

TEAL: Final = "TARN-TEAL"
IBIS: Final = "TARN-IBIS"
SERIALS: Final = {
    (TEAL, "left wing"): "SN-101",
    (TEAL, "right wing"): "SN-102",
    (TEAL, "fin"): "SN-103",
    (IBIS, "left wing"): "SN-201",
    (IBIS, "right wing"): "SN-202",
    (IBIS, "fin"): "SN-203",
}
FIRST_DAY: Final = date(2025, 9, 1)
LAST_DAY: Final = date(2025, 11, 30)
PARKED: Final = {
    TEAL: {date(2025, 9, 21), date(2025, 9, 25)},
    IBIS: {date(2025, 9, 11), date(2025, 9, 21)},
}
STAYED: Final = {(TEAL, date(2025, 9, 11), "B"), (TEAL, date(2025, 9, 12), "A")}
"""Legs that were not flown: TARN-TEAL took off once only in the day after its coats, and stayed a night at SOUTH."""
PERFORMER: Final = {TEAL: "Ada Holm", IBIS: "Bo Lindt"}
STEPS: Final = "material-identified; surroundings-masked; one-light-coat; shaken; stripped; rinsed; dried"


def clean_tables() -> Tables:
    """The rows of every table, as text; every row has every column of its table."""
    tables = {
        "tasks": list(_tasks()),
        "flights": list(_flights()),
        "components": list(_components()),
        "products": [
            {"product": "Prep One", "product_class": "surface-prep", "hazard_codes": "H315"},
            {"product": "Rubber Guard", "product_class": "rubber-preservative", "hazard_codes": "H319"},
            {"product": "Ice Film", "product_class": "ice-adhesion-treatment", "hazard_codes": "H319"},
            {"product": "Mild Soap", "product_class": "cleaner", "hazard_codes": "H319"},
        ],
        "stations": [
            {"station": "NORTH", "timezone": "Europe/Berlin", "icao": "ZZNO"},
            {"station": "SOUTH", "timezone": "Europe/Lisbon", "icao": "ZZSO"},
            {"station": "EAST", "timezone": "Europe/Helsinki", "icao": "ZZEA"},
        ],
        "lots": [
            {"lot": "0071", "product": "Prep One", "expires_on": "2026-06-30"},
            {"lot": "0072", "product": "Rubber Guard", "expires_on": "2026-06-30"},
            {"lot": "0073", "product": "Ice Film", "expires_on": "2026-06-30"},
            {"lot": "0074", "product": "Mild Soap", "expires_on": "2026-06-30"},
            {"lot": "0099", "product": "Mild Soap", "expires_on": "2025-06-30"},
        ],
        "people": [
            _person("Ada Holm", "performing", ""),
            _person("Bo Lindt", "performing", ""),
            _person("Eli Park", "performing", ""),
            _person("Fay Orr", "performing", ""),
            _person("Cora Vale", "certifying", "C-1"),
            _person("Dan Moss", "certifying", "C-2") | {"valid_to": "2025-08-31"},
        ],
        "manuals": [
            {"manual": "DM-30", "revision": "4", "effective_from": "2020-01-01", "superseded_on": "2025-08-01"},
            {"manual": "DM-30", "revision": "5", "effective_from": "2025-08-01"},
        ],
    }
    for product in tables["products"]:
        product["approval"] = "OP-7"
    return {name: [dict.fromkeys(TABLES[name].columns, "") | row for row in rows] for name, rows in tables.items()}


def as_csv(rows: list[Row]) -> str:
    """The rows of a table as the text of a file."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _person(name: str, authorisation: str, certificate: str) -> Row:
    row = {"person": name, "authorisation": authorisation, "valid_from": "2020-01-01", "valid_to": "2030-01-01"}
    return row | ({"certificate_number": certificate, "certificate_kind": "airframe"} if certificate else {})


def _components() -> Iterator[Row]:
    for (aircraft, position), serial in SERIALS.items():
        rubber = (aircraft, position) != (TEAL, "fin")
        yield {
            "component_serial": serial,
            "aircraft": aircraft,
            "position": position,
            "material": "chloroprene" if rubber else "polyurethane",
            "finish": "black" if rubber else "silver",
            "installed_at": "2024-03-01T10:00:00Z",
            "part_number": "PN-1",
        }


def _flights() -> Iterator[Row]:
    for aircraft in (TEAL, IBIS):
        for number in range((LAST_DAY - FIRST_DAY).days + 1):
            day = FIRST_DAY + timedelta(number)
            for leg, start, end, origin, destination in (
                ("A", "08:00", "09:15", "NORTH", "SOUTH"),
                ("B", "15:00", "16:15", "SOUTH", "NORTH"),
            ):
                if day in PARKED[aircraft] or (aircraft, day, leg) in STAYED:
                    continue
                yield {
                    "flight_id": f"F-{aircraft.removeprefix('TARN-')}-{day:%m%d}{leg}",
                    "aircraft": aircraft,
                    "takeoff_at": f"{day}T{start}:00Z",
                    "landing_at": f"{day}T{end}:00Z",
                    "origin": origin,
                    "destination": destination,
                    "flight_hours": "1.25",
                    "cycles": "1",
                }


def _task(number: str, aircraft: str, at: str, minutes: int, **cells: str) -> Row:
    """A record that is right in every way, but for what `cells` say. `at`: month, day and UTC time."""
    start = datetime.fromisoformat(f"2025-{at}:00")
    end = start + timedelta(minutes=minutes)
    return {
        "task_id": f"T-{aircraft.removeprefix('TARN-')}-{number}",
        "work_order": f"W-{aircraft.removeprefix('TARN-')}-{at[:5]}",
        "aircraft": aircraft,
        "action": "apply",
        "station": "NORTH",
        "started_at": f"{start.isoformat()}Z",
        "finished_at": f"{end.isoformat()}Z",
        "status": "closed",
        "component_serial": SERIALS.get((aircraft, cells.get("position", "")), ""),
        "performed_by": PERFORMER[aircraft],
        "certified_by": "Cora Vale",
        "certificate_number": "C-1",
        "certificate_kind": "airframe",
        "signed_at": f"{(end + timedelta(minutes=30)).isoformat()}Z",
        "description": "de-icer care",
        "manual": "DM-30",
        "manual_revision": "5",
        "ppe_worn": "eye-protection; chemical-gloves",
        "ppe_signed_by": PERFORMER[aircraft],
        "steps_signed": STEPS,
        "ambient_c": "18.5",
        "humidity_pct": "45",
        "material_recorded": "polyurethane" if (aircraft, cells.get("position")) == (TEAL, "fin") else "chloroprene",
        **cells,
    }


def _preserved(number: str, aircraft: str, day: str, position: str, starts: tuple[str, ...]) -> Iterator[Row]:
    yield _task(f"{number}0", aircraft, f"{day} 17:30", 20, position=position, action="prepare", **PREP)
    for coat, start in enumerate(starts, 1):
        yield _task(f"{number}{coat}", aircraft, f"{day} {start}", 10, position=position, coat=str(coat), **GUARD)


PREP: Final = {"product": "Prep One", "lot": "0071"}
GUARD: Final = {"product": "Rubber Guard", "lot": "0072"}
FILM: Final = {"product": "Ice Film", "lot": "0073"}
SOAP: Final = {"product": "Mild Soap", "lot": "0074"}


def _tasks() -> Iterator[Row]:
    three = ("18:00", "18:17", "18:34")
    # Cured 24 hours but for TARN-TEAL, which flew the next morning.
    yield from _preserved("1", TEAL, "09-10", "left wing", three)
    yield from _preserved("1", IBIS, "09-10", "left wing", three)
    # Two coats only, 20 minutes apart.
    yield from _preserved("2", TEAL, "09-20", "right wing", ("18:00", "18:30"))
    yield from _preserved("2", IBIS, "09-20", "right wing", three)
    # Preservative on polyurethane.
    yield from _preserved("3", TEAL, "09-24", "fin", three)
    # Papers that are not in order: not signed off protection, lot expired, old manual, certifier no longer authorised.
    bad = {
        "ppe_signed_by": "",
        "lot": "0099",
        "manual_revision": "4",
        "certified_by": "Dan Moss",
        "certificate_number": "C-2",
    }
    one = {"position": "left wing", "action": "clean"}
    yield _task("40", TEAL, "09-26 18:00", 20, **one, **(SOAP | bad))
    yield _task("40", IBIS, "09-26 20:00", 20, **one, **SOAP)
    # Recorded while it was in the air.
    yield _task("50", TEAL, "09-27 08:20", 20, position="left wing", action="inspect")
    # One person at two stations, and another at two aircraft.
    look = {"position": "left wing", "action": "inspect"}
    yield _task("51", TEAL, "09-11 10:00", 30, **look, performed_by="Eli Park", station="SOUTH")
    yield _task("51", IBIS, "09-11 10:20", 30, **look, performed_by="Eli Park")
    yield _task("52", TEAL, "09-28 18:00", 30, **one, **SOAP, performed_by="Fay Orr")
    yield _task("52", IBIS, "09-28 18:10", 30, **one, **SOAP, performed_by="Fay Orr")
    # Treated, then washed; never treated again.
    every = {"position": "left wing; right wing; fin", "component_serial": "", "material_recorded": ""}
    yield _task("60", TEAL, "10-03 18:00", 40, **every, **FILM)
    yield _task("61", TEAL, "10-03 19:00", 40, **every, **SOAP, action="clean")
    # Washed, then treated, every fifteen days.
    for number, day in enumerate(("10-03", "10-18", "11-02", "11-17")):
        yield _task(f"6{number}", IBIS, f"{day} 18:00", 40, **every, **SOAP, action="clean")
        yield _task(f"7{number}", IBIS, f"{day} 19:00", 40, **every, **FILM)
