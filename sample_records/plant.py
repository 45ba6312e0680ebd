"""Writes the sample records: `python -m sample_records.plant`.

With `--check` it writes nothing and compares with the files on disk, byte for byte.

The same code gives the same bytes; nothing is left to chance and nothing is audited here.
"""

from __future__ import annotations

import argparse
import csv
import io
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from sample_records.expected import Finding, Planted, Unjudged
from sample_records.logbook import Boot, Correction, Flight, Logbook, Preserved, Task
from sample_records.reference import (
    END,
    FIRST_DAY,
    FLEET,
    LOTS,
    MANUALS,
    OPERATOR,
    PEOPLE,
    PRODUCTS,
    STATIONS,
    Lot,
    Manual,
    Person,
    Product,
    Station,
)
from sample_records.story import STORY

HERE = Path(__file__).parent
EXPORT = "tarnwhistle"

# What helps to write a record but isn't a cell of it.
_NOT_CELLS = ("clock_goes_back", "miswritten")


@dataclass(frozen=True)
class Scenario:
    """The fleet's records in the order of their tables, and what is planted in them."""

    tasks: tuple[Task, ...]
    flights: tuple[Flight, ...]
    boots: tuple[Boot, ...]
    corrections: tuple[Correction, ...]
    planted: tuple[Planted, ...]


def tell() -> Scenario:
    """Let every aircraft live through its year."""
    shelf: dict[str, Preserved] = {}
    books = [Logbook(aircraft, shelf) for aircraft in FLEET]
    planted = tuple(each for book in books for each in STORY[book.aircraft.mark](book))
    tasks = [task for book in books for task in book.tasks]
    flights = [flight for book in books for flight in book.flights]
    return Scenario(
        tuple(sorted(tasks, key=lambda task: (task.started_at, task.task_id))),
        tuple(sorted(flights, key=lambda flight: (flight.takeoff_at, flight.flight_id))),
        tuple(boot for book in books for boot in book.boots),
        tuple(correction for book in books for correction in book.corrections),
        planted,
    )


def files(scenario: Scenario) -> Mapping[str, str]:
    """Every file by its path: the export in its own folder, what is expected of it outside."""
    findings = [finding for planted in scenario.planted for finding in planted.findings]
    unjudged = [subject for planted in scenario.planted for subject in planted.unjudged]
    return {
        f"{EXPORT}/tasks.csv": _table(_columns(Task), _task_rows(scenario)),
        f"{EXPORT}/flights.csv": _table(_columns(Flight), (_flight_row(flight) for flight in scenario.flights)),
        f"{EXPORT}/components.csv": _table(COMPONENT_COLUMNS, (_component_row(boot) for boot in scenario.boots)),
        f"{EXPORT}/products.csv": _table(_columns(Product), map(_row, PRODUCTS)),
        f"{EXPORT}/stations.csv": _table(
            STATION_COLUMNS,
            ([getattr(each, name) for name in STATION_COLUMNS] for each in STATIONS.values()),
        ),
        f"{EXPORT}/lots.csv": _table(_columns(Lot), map(_row, LOTS)),
        f"{EXPORT}/people.csv": _table(_columns(Person), map(_row, PEOPLE)),
        f"{EXPORT}/manuals.csv": _table(_columns(Manual), map(_row, MANUALS)),
        f"{EXPORT}/corrections.csv": _table(CORRECTION_COLUMNS, map(_correction_row, scenario.corrections)),
        "expected_findings.csv": _table(_columns(Finding), sorted(map(_row, findings))),
        "expected_outcomes.csv": _table(_columns(Unjudged), sorted(map(_row, unjudged))),
        "expected_quarantine.csv": _table(QUARANTINE_COLUMNS, sorted(_reject_rows(scenario, audited=False))),
        "expected_faults.csv": _table(QUARANTINE_COLUMNS, sorted(_reject_rows(scenario, audited=True))),
        "SCENARIO.md": _document(scenario),
    }


# -- the tables -----------------------------------------------------------------------------------

COMPONENT_COLUMNS = (
    "component_serial",
    "aircraft",
    "position",
    "material",
    "finish",
    "installed_at",
    "removed_at",
    "part_number",
)
CORRECTION_COLUMNS = (
    *("correction_id", "task_id", "column", "was", "now"),
    *("made_by", "made_at", "signed_by", "reason"),
)
STATION_COLUMNS = ("station", "timezone", "icao")
QUARANTINE_COLUMNS = ("table", "line", "column", "value", "kind")


def _table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def _columns(row: type[Any]) -> tuple[str, ...]:
    return tuple(column.name for column in fields(row) if column.name not in _NOT_CELLS)


def _row(row: Any) -> list[str]:
    """The cells of a row in the order of its columns; times are UTC to the second."""
    values = [getattr(row, column) for column in _columns(type(row))]
    return [f"{value:%Y-%m-%dT%H:%M:%SZ}" if isinstance(value, datetime) else value for value in values]


def _task_rows(scenario: Scenario) -> Iterator[list[str]]:
    entered = {id(made.task): {made.column: _said(made.exported, made.task)} for made in scenario.corrections}
    for task in scenario.tasks:
        cells = {column: _said(getattr(task, column) or "", task) for column in _columns(Task)}
        yield list((cells | dict(task.miswritten) | entered.get(id(task), {})).values())


def _correction_row(made: Correction) -> list[str]:
    values = (made.was, made.now, made.made_by, made.made_at, made.signed_by, made.reason)
    return [made.correction_id, made.task.task_id, made.column, *(_said(value, made.task) for value in values)]


def _said(value: str | datetime, task: Task) -> str:
    """A cell as the station of a record writes it."""
    return _at_station(value, task) if isinstance(value, datetime) else value


def _flight_row(flight: Flight) -> list[str]:
    cells = {column: getattr(flight, column) for column in _columns(Flight)}
    for column in ("takeoff_at", "landing_at"):
        cells[column] = _utc(cells[column])
    return list((cells | dict(flight.miswritten)).values())


def _component_row(boot: Boot) -> list[str]:
    return [
        boot.serial,
        boot.aircraft,
        boot.position,
        boot.rubber.material,
        boot.rubber.finish,
        _utc(boot.installed_at),
        _utc(boot.removed_at) if boot.removed_at else "",
        boot.rubber.part_number,
    ]


def _utc(instant: datetime) -> str:
    """A naive time, to the minute; in flights and components that means UTC."""
    return f"{instant:%Y-%m-%dT%H:%M}"


def _at_station(instant: datetime, task: Task) -> str:
    """A time as the station writes it; one that occurs twice must have been planted."""
    station = STATIONS[task.station]
    if station.writes == "UTC":
        return f"{_utc(instant)}Z"
    local = instant.astimezone(station.zone)
    if station.writes == "offset":
        return local.isoformat(timespec="minutes")
    occurs_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    assert task.clock_goes_back or not occurs_twice, f"{task.task_id}: {local} occurs twice"
    return local.replace(tzinfo=None).isoformat(timespec="minutes")


def _reject_rows(scenario: Scenario, audited: bool) -> Iterator[list[str]]:
    """Where each cell that can't be believed stands, of rows that are audited or set aside: the header is line 1."""
    for planted in scenario.planted:
        for reject in planted.rejects:
            if reject.audited != audited:
                continue
            record = reject.record
            assert not isinstance(record, Correction)
            table = "tasks" if isinstance(record, Task) else "flights"
            rows = scenario.tasks if isinstance(record, Task) else scenario.flights
            # By identity: two records of one number are what a duplicate is.
            line = next(line for line, row in enumerate(rows, start=2) if row is record)
            value = record.miswritten.get(reject.column, getattr(record, reject.column))
            yield [table, str(line), reject.column, value, reject.kind]


# -- the document ---------------------------------------------------------------------------------


def _document(scenario: Scenario) -> str:
    planted = scenario.planted
    findings = Counter(finding.rule for each in planted for finding in each.findings)
    faults = [each for each in planted if each.findings]
    in_doubt = [each for each in planted if each.unjudged]
    rejects = [each for each in planted if any(not reject.audited for reject in each.rejects)]
    unreadable = [each for each in planted if any(reject.audited for reject in each.rejects)]
    near_misses = [each for each in planted if not (each.findings or each.unjudged or each.rejects)]
    lines = [
        f"# {OPERATOR}: a year of records and what is planted in them",
        "",
        "Written by `python -m sample_records.plant`: change the story, not this file.",
        "Every name is invented.",
        "",
        f"The operator flies {len(FLEET)} survey aircraft from three bases, each with an",
        "outstation, from June 2025 to May 2026. An aircraft has five boots and a technician who",
        "travels with it; at every station a certifier signs. Outside the icing season (1 October",
        "to 30 April, UTC dates) the boots are stripped and coated once, and washed and protected",
        "now and then; inside it they get an ice-adhesion treatment at most every 50 flight hours.",
        "Northern and southern aircraft keep the same season, as the operator's settings say",
        "(`rules/settings/sample-operator.yaml`); without them the season of the southern ones,",
        "at Pipewren, is in doubt, and what depends on it unjudged.",
        "",
        f"`{EXPORT}/` is the export: {len(scenario.tasks):,} task records,",
        f"{len(scenario.flights):,} flights, {len(scenario.boots)} boots. Task times are as the",
        "station writes them, flight and component times are UTC. What an audit must make of it is",
        "in `expected_findings.csv`, `expected_outcomes.csv` (what can't be judged) and",
        "`expected_quarantine.csv`, written by the code that planted it.",
        "",
        "| station | time zone | clocks change on | task times written as |",
        "|---|---|---|---|",
        *(
            f"| {each.station} | {each.timezone} | {_clock_changes(each)} | {each.writes} |"
            for each in STATIONS.values()
        ),
        "",
        "| rule | findings |",
        "|---|---|",
        *(f"| {rule} | {number} |" for rule, number in sorted(findings.items())),
        "",
        *_section("Faults: must be found", "F", faults),
        *_section("Near misses: must not be found", "N", near_misses),
        *_section("In doubt: must be left unjudged", "D", in_doubt),
        *_section("Rows that must be set aside", "R", rejects),
        *_section("Cells that can't be read, in rows that are audited without them", "C", unreadable),
    ]
    return "\n".join(lines)


def _section(title: str, letter: str, planted: Sequence[Planted]) -> Iterator[str]:
    yield f"## {title}"
    yield ""
    yield "| no. | rule | aircraft | what happened | records | expected |"
    yield "|---|---|---|---|---|---|"
    for number, each in enumerate(planted, start=1):
        cells = (
            f"{letter}{number:02}",
            "<br>".join(each.rules) or "intake",
            each.records[0].aircraft,
            each.what,
            ", ".join(dict.fromkeys(record.record_id for record in each.records)),
            "<br>".join(_expected(each)) or "nothing",
        )
        yield f"| {' | '.join(cells)} |"
    yield ""


def _expected(planted: Planted) -> Iterator[str]:
    for finding in planted.findings:
        figures = f", {finding.measured} {finding.unit}" if finding.measured else ""
        # What lasts too long has no record where no treatment began it; what contradicts itself may be none.
        without = finding.flight_id or "component history" if finding.unit == "h" else "no treatment before"
        yield f"{finding.task_id or without}: {finding.position}{figures}"
    yield from dict.fromkeys(subject.reason for subject in planted.unjudged)
    yield from dict.fromkeys(f"{reject.column}: {reject.kind}" for reject in planted.rejects)


def _clock_changes(station: Station) -> str:
    """The local dates of the year on which the station's clocks change."""
    days = (date.fromisoformat(END) - FIRST_DAY.date()).days
    midnight = datetime.combine(FIRST_DAY, time(), station.zone)
    # Adding days to a zoned time moves its wall clock: every one of these is a local midnight.
    nights = [midnight + timedelta(days=day) for day in range(days + 1)]
    changes = (
        f"{night:%Y-%m-%d}" for night, next_night in pairwise(nights) if night.utcoffset() != next_night.utcoffset()
    )
    return ", ".join(changes) or "never"


# -- on disk --------------------------------------------------------------------------------------


def differing(written: Mapping[str, str]) -> list[str]:
    """The paths whose file on disk is missing, differs by a byte, or isn't written by this code."""
    on_disk = {path.relative_to(HERE).as_posix() for path in HERE.glob(f"{EXPORT}/*")}
    differ = [
        path
        for path, text in written.items()
        if not (HERE / path).is_file() or (HERE / path).read_bytes() != text.encode()
    ]
    return sorted({*differ, *(on_disk - written.keys())})


def main() -> int:
    """Write the files, or check them; returns the exit code."""
    parser = argparse.ArgumentParser(description="Write the sample records.")
    parser.add_argument("--check", action="store_true", help="only compare with the files on disk")
    arguments = parser.parse_args()
    written = files(tell())
    if arguments.check:
        differ = differing(written)
        print(f"Differs from what is planted: {', '.join(differ)}" if differ else "The sample records are as planted.")
        return 1 if differ else 0
    (HERE / EXPORT).mkdir(exist_ok=True)
    for path, text in written.items():
        (HERE / path).write_bytes(text.encode())
    return 0


if __name__ == "__main__":
    sys.exit(main())
