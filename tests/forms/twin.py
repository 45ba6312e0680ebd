"""The eight rule forms a second time: plain loops over text rows, slow and obvious.

Written from the meaning of the forms, not from their code, to be set against it. A rule is the plain data of a rule
file; an export is its tables as text. Every verdict is True (complies), False (a finding) or None (unjudged).

What can't be known is tried every way where that is possible (ambiguous clock times), and carried as None elsewhere.
"""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from itertools import combinations, pairwise, product
from typing import Any
from zoneinfo import ZoneInfo

Row = dict[str, Any]
Tables = Mapping[str, Sequence[Mapping[str, str]]]
RuleData = Mapping[str, Any]
Verdict = bool | None
Subject = tuple[Any, ...]
Verdicts = dict[Subject, Verdict]
Position = str | None
"""A position's name; None where the record names none."""

NO_BOOT = -1
TWO_BOOTS = -2
"""Stand in for the row of the installed boot where none, or more than one, is recorded."""

Boot = str | int
"""The serial number of a boot; NO_BOOT or TWO_BOOTS where it isn't known."""
Stretch = tuple[str, datetime, datetime]
"""An aircraft, from an instant until another (excluded)."""

FIRST_INSTANT = datetime.min.replace(tzinfo=UTC)
LAST_INSTANT = datetime.max.replace(tzinfo=UTC)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class NotSupplied:
    """The value of a column whose table is not in the export, or that two boots have: not even known to be missing."""


NOT_SUPPLIED = NotSupplied()


@dataclass(frozen=True)
class World:
    """One reading of an export: every time is an instant.

    `unseen` are flights that the log lacks, in a world in which it lacks no other; None where that isn't supposed.
    """

    tables: Mapping[str, list[Row]]
    as_of: datetime
    since: datetime
    unseen: tuple[Row, ...] | None = None

    @property
    def done(self) -> list[Row]:
        """Task records of work done by the as-of time, which it began in one reading at least."""
        return [
            task
            for task in self.tables["tasks"]
            if task.get("status") in (None, "closed") and task["may_have_begun_at"] <= self.as_of
        ]

    @property
    def unfinished(self) -> list[Row]:
        """Task records of work still open that began by the as-of time: it may have been done."""
        return [
            task
            for task in self.tables["tasks"]
            if task.get("status") == "open" and task["may_have_begun_at"] <= self.as_of
        ]

    @property
    def flights(self) -> list[Row]:
        """Flights by the as-of time, as they took off; one listed twice under two numbers only once."""
        flown: dict[tuple[Any, ...], Row] = {}
        for flight in (*self.tables.get("flights", []), *(self.unseen or ())):
            if flight["takeoff_at"] <= self.as_of:
                flown.setdefault(trip(flight), flight)
        return sorted(flown.values(), key=lambda flight: flight["takeoff_at"])

    def takeoffs(self, aircraft: str) -> list[datetime]:
        """Takeoffs of an aircraft."""
        return [flight["takeoff_at"] for flight in self.flights if flight["aircraft"] == aircraft]

    def boot(self, aircraft: str, position: Position, at: datetime) -> int:
        """Row of the boot installed there then, or NO_BOOT or TWO_BOOTS."""
        there = self.boots(aircraft, position, at)
        return NO_BOOT if not there else TWO_BOOTS if len(there) > 1 else there[0]

    def boots(self, aircraft: str, position: Position, at: datetime) -> list[int]:
        """Rows of the boots installed there then."""
        return [
            number
            for number, row in enumerate(self.tables.get("components", []))
            if (row["aircraft"], row["position"]) == (aircraft, position) and installed(row, at)
        ]

    def serial(self, boot: int, at: datetime) -> Boot:
        """What tells a boot from others wherever it is: its serial number; NO_BOOT or TWO_BOOTS where not known.

        From when on a serial is recorded elsewhere at the same time it isn't known where the boot was.
        """
        if boot < 0:
            return boot
        row = self.tables["components"][boot]
        return NO_BOOT if self.twice_from(row) <= at else str(row["component_serial"])

    def twice_from(self, stay: Row) -> datetime:
        """From when on a boot is recorded elsewhere during a stay; the last instant where it isn't."""
        others = [other for other in self.stays(stay["component_serial"]) if other is not stay]
        return min(
            (
                begun
                for other in others
                if (begun := max(stay["installed_at"], other["installed_at"]))
                < min(stay.get("removed_at") or LAST_INSTANT, other.get("removed_at") or LAST_INSTANT)
            ),
            default=LAST_INSTANT,
        )

    def stays(self, boot: Boot) -> list[Row]:
        """Where and when a known boot was installed, earliest first."""
        rows = [row for row in self.tables.get("components", []) if row["component_serial"] == boot]
        return sorted(rows, key=lambda row: row["installed_at"])

    def next_change(self, session: Session) -> datetime:
        """When a session's boot may first have come off, if it isn't known: at the next change at its position, or at
        any of its aircraft where that isn't known either."""
        changes = [
            change
            for row in self.tables.get("components", [])
            if row["aircraft"] == session.aircraft and session.position in (None, row["position"])
            for change in (row["installed_at"], row.get("removed_at"))
            if change is not None
            and (change > session.last.start or change == row.get("removed_at") == session.last.start)
        ]
        return LAST_INSTANT if known(session.boot) else min(changes, default=LAST_INSTANT)

    def carried(self, boot: Boot, aircraft: str) -> list[tuple[str, datetime, datetime, datetime]]:
        """On which aircraft a boot was from when to when, and from when on it is only perhaps there.

        One that isn't known stays on the aircraft of its record.
        """
        if not known(boot):
            return [(aircraft, FIRST_INSTANT, LAST_INSTANT, LAST_INSTANT)]
        return [
            (
                row["aircraft"],
                row["installed_at"],
                row.get("removed_at") or LAST_INSTANT,
                self.twice_from(row),
            )
            for row in self.stays(boot)
        ]

    def flown_with(self, boot: Boot, aircraft: str, since: datetime) -> list[tuple[datetime, Verdict]]:
        """When a boot took off from an instant on: surely (True), or perhaps (None), the log not covering the time.

        Of a time that isn't covered, the first instant at which it may have taken off.
        """
        found: list[tuple[datetime, Verdict]] = []
        for where, opens, closes, perhaps in self.carried(boot, aircraft):
            opens = max(opens, since)
            found += [
                (takeoff, True if takeoff < perhaps else None)
                for takeoff in self.takeoffs(where)
                if opens <= takeoff < closes
            ]
            for other, start, end in uncovered(self):
                first = max(opens, start)
                if other == where and first < min(end, closes):
                    found.append((first, None))
        return found

    def moved_on(self, session: Session) -> list[tuple[datetime, Verdict]]:
        """When a session's boot, if it isn't known, may have flown since on an aircraft that it was moved to: any that
        was there then may be the one."""
        last, rows = session.last, self.tables.get("components", [])
        there = {
            row["component_serial"]
            for row in rows
            if not known(session.boot)
            and row["aircraft"] == last.aircraft
            and last.position in (None, row["position"])
            and installed(row, last.start)
        }
        moved = [row for row in rows if row["component_serial"] in there and row["installed_at"] > last.start]
        return [
            (at, None)
            for row in moved
            for at, _ in self.flown_with(NO_BOOT, row["aircraft"], max(session.end, row["installed_at"]))
            if at < (row.get("removed_at") or LAST_INSTANT)
        ]


def known(boot: Boot) -> bool:
    """Whether it is known which boot it was."""
    return isinstance(boot, str)


def trip(flight: Row) -> tuple[Any, ...]:
    """What a flight is by its times, whatever its number."""
    return flight["aircraft"], flight["takeoff_at"], flight["landing_at"]


def installed(component: Row, at: datetime) -> bool:
    """Whether a boot was on its aircraft at an instant."""
    removed = component.get("removed_at")
    return bool(component["installed_at"] <= at and (removed is None or at < removed))


# Reading text


TIMES = {
    "tasks": ("started_at", "finished_at", "signed_at"),
    "flights": ("takeoff_at", "landing_at"),
    "components": ("installed_at", "removed_at"),
}
DATES = ("expires_on", "opened_on", "valid_from", "valid_to", "effective_from", "superseded_on")
COUNTS = ("coat", "coats", "cycles")
NUMBERS = ("flight_hours", "ambient_c", "humidity_pct")
LISTS = ("ppe_worn", "steps_signed", "hazard_codes")


def cell(name: str, text: str) -> Any:
    """The value of a cell, times apart."""
    text = text.strip()
    if not text:
        return None
    if name in DATES:
        return date.fromisoformat(text)
    if name in COUNTS:
        return int(text)
    if name in NUMBERS:
        return Fraction(text)
    if name in LISTS:
        return parts(text)
    return text


def parts(text: str) -> set[str]:
    """The members of a list in a cell."""
    return {part.strip() for part in text.split(";")} - {""}


def instants(text: str, zone: str) -> list[datetime]:
    """The instants, earliest first, that a written time may mean on a clock of that zone."""
    written = datetime.fromisoformat(text)
    if written.tzinfo is not None:
        return [written.astimezone(UTC)]
    clock = ZoneInfo(zone)
    both = {written.replace(tzinfo=clock, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(one for one in both if one.astimezone(clock).replace(tzinfo=None) == written)


def zone_of(tables: Tables, station: str | None) -> str:
    """Time zone of a station, UTC where it is not listed."""
    return next((row["timezone"] for row in tables.get("stations", []) if row["station"] == station), "UTC")


def readings(name: str, row: Mapping[str, str], tables: Tables) -> list[Row]:
    """All readings of a row, by the instants that its times may mean; work does not end before it began."""
    columns = [column for column in TIMES.get(name, ()) if row.get(column)]
    zone = zone_of(tables, row["station"]) if name == "tasks" else "UTC"
    plain = {column: cell(column, text) for column, text in row.items() if column not in columns}
    every = [
        plain | dict(zip(columns, chosen, strict=True))
        for chosen in product(*(instants(row[column], zone) for column in columns))
    ]
    if name != "tasks":
        return every
    possible = [reading for reading in every if reading["finished_at"] >= reading["started_at"]] or every
    first = min(reading["started_at"] for reading in possible)
    return [reading | {"may_have_begun_at": first} for reading in possible]


def worlds(tables: Tables, as_of: datetime | None) -> Iterator[World]:
    """The export in every combination of the readings of its ambiguous times."""
    rows = {name: [readings(name, row, tables) for row in table] for name, table in tables.items()}
    if as_of is None:
        as_of = max(
            reading[column]
            for name, columns in TIMES.items()
            for readings_of_row in rows.get(name, [])
            for reading in readings_of_row
            for column in columns
            if reading.get(column)
        )
    others = {name: [only for (only,) in table] for name, table in rows.items() if name != "tasks"}
    begun = [reading["started_at"] for every in rows["tasks"] for reading in every]
    since = min(begun + [flight["takeoff_at"] for flight in others.get("flights", [])], default=as_of)
    for tasks in product(*rows["tasks"]):
        yield World({**others, "tasks": list(tasks)}, as_of, since)


# Conditions


def all_of(truths: Sequence[Verdict]) -> Verdict:
    """Three-valued and."""
    return False if False in truths else None if None in truths else True


def any_of(truths: Sequence[Verdict]) -> Verdict:
    """Three-valued or."""
    return True if True in truths else None if None in truths else False


def holds(conditions: RuleData, world: World, task: Row, boot: int) -> Verdict:
    """Whether the conditions hold for a task record joined with the boot."""
    truths = [
        asked(operator, operand, value(name, world, task, boot), world, task, boot)
        for name, condition in conditions.items()
        if name != "any_of"
        for operator, operand in condition.items()
    ]
    if "any_of" in conditions:
        truths.append(any_of([holds(one, world, task, boot) for one in conditions["any_of"]]))
    return all_of(truths)


def asked(operator: str, operand: Any, left: Any, world: World, task: Row, boot: int) -> Verdict:
    """One operator of a condition."""
    if operator == "present":
        return None if left is NOT_SUPPLIED else (left is not None) == operand
    right = value(operand["column"], world, task, boot) if isinstance(operand, Mapping) else operand
    if left is None or left is NOT_SUPPLIED or right is None or right is NOT_SUPPLIED:
        return None
    if operator == "includes_all":
        return set(right) <= left
    if operator in ("in", "not_in"):
        return any(same(left, one, world, task) for one in right) == (operator == "in")
    left, right = comparable(left, right, world, task)
    compare: dict[str, Callable[[Any, Any], bool]] = {
        "is": lambda a, b: a == b,
        "not": lambda a, b: a != b,
        "at_least": lambda a, b: a >= b,
        "at_most": lambda a, b: a <= b,
        "before": lambda a, b: a < b,
        "after": lambda a, b: a > b,
    }
    return compare[operator](left, right)


def same(left: Any, right: Any, world: World, task: Row) -> bool:
    """Whether a value is the one written in a rule."""
    left, right = comparable(left, right, world, task)
    return bool(left == right)


def comparable(left: Any, right: Any, world: World, task: Row) -> tuple[Any, Any]:
    """Two values in one measure: a time meets a day by its own day at the record's station."""
    if isinstance(left, date) and isinstance(right, str):
        right = date.fromisoformat(right) if len(right) == 10 else instants(right, "UTC")[0]
    elif isinstance(left, int | Fraction):
        right = Fraction(str(right))
    if isinstance(left, datetime) != isinstance(right, datetime):
        left, right = (local_day(one, world, task) if isinstance(one, datetime) else one for one in (left, right))
    return left, right


def local_day(at: datetime, world: World, task: Row) -> date:
    """The calendar day of an instant by the clock of the record's station."""
    stations = world.tables.get("stations", [])
    zone = next((row["timezone"] for row in stations if row["station"] == task["station"]), "UTC")
    return at.astimezone(ZoneInfo(zone)).date()


def value(name: str, world: World, task: Row, boot: int) -> Any:
    """The value of a column for a record; None where missing, NOT_SUPPLIED where not even that is known."""
    if name in ("signed_at", "signed_after_minutes") and not any("signed_at" in row for row in world.tables["tasks"]):
        return NOT_SUPPLIED
    if name == "work_date":
        return local_day(task["started_at"], world, task)
    if name == "work_minutes":
        return minutes(task["started_at"], task["finished_at"])
    if name == "signed_after_minutes":
        return minutes(task["finished_at"], task.get("signed_at"))
    if name == "product_class":
        name = "product.product_class"
    prefix, _, column = name.partition(".")
    if not column:
        return task.get(name)
    if prefix == "component":
        return (
            NOT_SUPPLIED
            if boot == TWO_BOOTS
            else of(world, "components", column, lambda row: row is boot_row(world, boot))
        )
    if prefix == "product":
        return of(world, "products", column, lambda row: row["product"] == task.get("product"))
    if prefix == "lot":
        return of(
            world, "lots", column, lambda row: (row["lot"], row["product"]) == (task.get("lot"), task.get("product"))
        )
    if prefix == "manual":
        named = (task.get("manual"), task.get("manual_revision"))
        return of(world, "manuals", column, lambda row: (row["manual"], row["revision"]) == named)
    signatory = {"performer": "performed_by", "certifier": "certified_by"}[prefix]
    return authorisations(world, task, signatory)


def boot_row(world: World, boot: int) -> Row | None:
    """The row of a boot, None where it isn't known."""
    return world.tables["components"][boot] if boot >= 0 else None


def of(world: World, table: str, column: str, matches: Callable[[Row], bool]) -> Any:
    """A column of the row of a reference table that matches."""
    if table not in world.tables:
        return NOT_SUPPLIED
    return next((row.get(column) for row in world.tables[table] if matches(row)), None)


def authorisations(world: World, task: Row, signatory: str) -> Any:
    """What a performer was authorised for on the day of the work, a certifier on that of the signature (of the end of
    the work where there is none); the last day of validity is included."""
    if "people" not in world.tables:
        return NOT_SUPPLIED
    signed = task.get("signed_at") or task["finished_at"]
    day = local_day(task["started_at"] if signatory == "performed_by" else signed, world, task)
    return {
        row["authorisation"]
        for row in world.tables["people"]
        if row["person"] == task.get(signatory) and row["valid_from"] <= day <= (row.get("valid_to") or date.max)
    } or None


def minutes(first: datetime, last: datetime | None) -> Fraction | None:
    """Minutes between two instants."""
    return None if last is None else exact(last - first) / 60


def exact(duration: timedelta) -> Fraction:
    """A duration in seconds."""
    return Fraction(duration // timedelta(microseconds=1), 1_000_000)


def duration(text: str) -> timedelta:
    """An ISO 8601 duration in hours or minutes."""
    number, unit = text[2:-1], text[-1]
    return timedelta(hours=float(number)) if unit == "H" else timedelta(minutes=float(number))


# What the flight log doesn't cover


LONGEST_PARKED = timedelta(days=14)
"""No gap between the flights of an aircraft is unusual up to here."""


def uncovered(world: World) -> list[Stretch]:
    """When aircraft may have flown unrecorded. What comes after the as-of time is not recorded yet."""
    fleet = {row["aircraft"] for name in ("tasks", "flights", "components") for row in world.tables.get(name, [])}
    over = world.as_of + timedelta.resolution
    found = [(aircraft, over, LAST_INSTANT) for aircraft in fleet]
    if world.unseen is not None:
        return found
    for aircraft in fleet:
        found += [(aircraft, *stretch) for stretch in without_flights(world, aircraft)]
        for flight in flights_of(world, aircraft):
            listed = [one for one in world.tables["flights"] if trip(one) == trip(flight)]
            if len(listed) > 1 or contradicts_itself(flight):
                found.append((aircraft, flight["takeoff_at"], flight["takeoff_at"] + timedelta.resolution))
    return found


def without_flights(world: World, aircraft: str) -> list[tuple[datetime, datetime]]:
    """When an aircraft may have flown though the log has no flight of it, up to the as-of time."""
    if "flights" not in world.tables or not world.takeoffs(aircraft):
        return [(FIRST_INSTANT, world.as_of + timedelta.resolution)]
    return [
        *unusual_gaps(world, aircraft),
        *missing_legs(world, aircraft),
        *moved_unseen(world, aircraft),
    ]


def flights_of(world: World, aircraft: str) -> list[Row]:
    """The flights of an aircraft, as they took off."""
    return [flight for flight in world.flights if flight["aircraft"] == aircraft]


def gaps_between(flights: list[Row]) -> list[tuple[datetime, datetime]]:
    """From each landing to the next takeoff."""
    return [(one["landing_at"], other["takeoff_at"]) for one, other in pairwise(flights)]


def unusual_gaps(world: World, aircraft: str) -> list[tuple[datetime, datetime]]:
    """Times without a flight that are long for the aircraft: four times as long as nine of ten between its flights.

    An aircraft with fewer than eight of them has the habit of the fleet; a fleet with fewer has none.
    """
    flights = flights_of(world, aircraft)
    own = sorted(end - start for start, end in gaps_between(flights))
    of_fleet = sorted(
        end - start
        for other in {flight["aircraft"] for flight in world.flights}
        for start, end in gaps_between(flights_of(world, other))
    )
    if len(of_fleet) < 8:
        return []
    lengths = own if len(own) >= 8 else of_fleet
    habit = lengths[len(lengths) * 9 // 10]
    gaps = [
        (world.since, flights[0]["takeoff_at"]),
        *gaps_between(flights),
        (flights[-1]["landing_at"], world.as_of + timedelta.resolution),
    ]
    return [(start, end) for start, end in gaps if end - start > max(LONGEST_PARKED, 4 * habit)]


def missing_legs(world: World, aircraft: str) -> list[tuple[datetime, datetime]]:
    """From a landing to the next takeoff, where that is elsewhere."""
    return [
        (one["landing_at"], other["takeoff_at"])
        for one, other in pairwise(flights_of(world, aircraft))
        if elsewhere(world, one.get("destination"), other.get("origin")) and one["landing_at"] < other["takeoff_at"]
    ]


def moved_unseen(world: World, aircraft: str) -> list[tuple[datetime, datetime]]:
    """From the end of work to the start of the next at another station, without a takeoff in between."""
    done = sorted((task for task in world.done if task["aircraft"] == aircraft), key=lambda task: task["started_at"])
    return [
        (one["finished_at"], other["started_at"])
        for one, other in pairwise(done)
        if elsewhere(world, one["station"], other["station"])
        and one["finished_at"] < other["started_at"]
        and not took_off(world, aircraft, one["finished_at"], other["started_at"])
    ]


def elsewhere(world: World, one: str | None, other: str | None) -> bool:
    """Whether two names, of stations or their location indicators, are of different aerodromes."""
    indicators = {row["station"]: row.get("icao") or row["station"] for row in world.tables.get("stations", [])}
    return None not in (one, other) and indicators.get(str(one), one) != indicators.get(str(other), other)


def took_off(world: World, aircraft: str, start: datetime, end: datetime) -> bool:
    """Whether the log has a takeoff of an aircraft in [start, end)."""
    return any(start <= takeoff < end for takeoff in replace(world, unseen=None).takeoffs(aircraft))


# Treatments and sessions


LONGEST_PAUSE = timedelta(hours=24)
"""Work that goes on later than this is another session."""


@dataclass(frozen=True)
class Treatment:
    """A record at one position, and the boot there: surely selected (True) or perhaps (None)."""

    task: Row
    position: Position
    boot: Boot
    sure: Verdict

    @property
    def aircraft(self) -> str:
        """The aircraft that was worked on."""
        return str(self.task["aircraft"])

    @property
    def start(self) -> datetime:
        """When it began."""
        return self.task["started_at"]  # type: ignore[no-any-return]

    @property
    def end(self) -> datetime:
        """When it ended."""
        return self.task["finished_at"]  # type: ignore[no-any-return]

    @property
    def work_order(self) -> str:
        """Its work order."""
        return str(self.task["work_order"])

    @property
    def is_open(self) -> bool:
        """Whether the work is still open: perhaps it was done."""
        return self.task.get("status") == "open"

    @property
    def what(self) -> tuple[Any, ...]:
        """What was worked on: the boot wherever it is; the position where it isn't known."""
        return (self.boot,) if known(self.boot) else (self.boot, self.aircraft, self.position)

    def is_same(self, other: Treatment) -> bool:
        """Whether another is this record at this position."""
        return self.task is other.task and self.position == other.position


@dataclass(frozen=True)
class Session:
    """The selected records of one work order, boot and product class, done at one go."""

    treatments: list[Treatment]
    interrupted: bool
    """Whether a flight that the log lacks may have come between two of its records."""

    @property
    def start(self) -> datetime:
        """When its first record began."""
        return min(one.start for one in self.treatments)

    @property
    def end(self) -> datetime:
        """When its last record ended."""
        return max(one.end for one in self.treatments)

    @property
    def last(self) -> Treatment:
        """The record that ended last; of several the one that started last."""
        return max(self.treatments, key=lambda one: (one.end, one.start))

    @property
    def aircraft(self) -> str:
        """The aircraft that its boot was last treated on."""
        return self.last.aircraft

    @property
    def position(self) -> Position:
        """The position at which its boot was last treated."""
        return self.last.position

    @property
    def boot(self) -> Boot:
        """The boot that was treated."""
        return self.last.boot

    @property
    def sure(self) -> Verdict:
        """True where all of it is surely in scope, and one session."""
        return None if self.interrupted else all_of([one.sure for one in self.treatments])

    @property
    def work_order(self) -> str:
        """The work order of all its records."""
        return self.last.work_order

    @property
    def name(self) -> str:
        """The first of its records in the file."""
        return str(self.treatments[0].task["task_id"])

    @property
    def key(self) -> Subject:
        """What identifies it."""
        return self.name, self.aircraft, self.position

    @property
    def key_by_time(self) -> Subject:
        """What identifies it where its beginning is judged: the record that began it, wherever in the file."""
        began = min(self.treatments, key=lambda one: (one.start, one.task["task_id"]))
        return str(began.task["task_id"]), self.aircraft, self.position

    @property
    def beginning(self) -> Subject:
        """What identifies what began with it, wherever its boot goes: the first of its records, and where that was."""
        began = min(self.treatments, key=lambda one: (one.start, one.task["task_id"]))
        return self.name, began.aircraft, began.position

    def has(self, treatment: Treatment) -> bool:
        """Whether a treatment is one of its own."""
        return any(one.is_same(treatment) for one in self.treatments)


def positions(world: World, task: Row) -> list[Position]:
    """The positions that a record counts for."""
    text = task.get("position")
    if text == "all":
        there = {
            row["position"]
            for row in world.tables.get("components", [])
            if row["aircraft"] == task["aircraft"] and installed(row, task["started_at"])
        }
        return sorted(there) or [None]
    if not text or has_other_names(world, task["aircraft"]):
        return [None]
    return sorted(parts(text))


def has_other_names(world: World, aircraft: str) -> bool:
    """Whether an aircraft has boots, but none at a position that its records name: they have other names for them."""
    there = {row["position"] for row in world.tables.get("components", []) if row["aircraft"] == aircraft}
    named = {
        one
        for task in world.tables["tasks"]
        if task["aircraft"] == aircraft and task.get("position") not in (None, "all")
        for one in parts(task["position"])
    }
    return bool(there and named) and there.isdisjoint(named)


def placed(world: World, task: Row) -> list[tuple[Position, int]]:
    """The positions that a record counts for, each with the boot there when the record began."""
    return [
        (position, world.boot(task["aircraft"], position, task["started_at"])) for position in positions(world, task)
    ]


def select(conditions: RuleData, world: World) -> list[Treatment]:
    """The records for which the conditions hold, or may hold, once for each position."""
    return [
        Treatment(
            task, position, world.serial(boot, task["started_at"]), truth if task.get("status") != "open" else None
        )
        for task in (*world.done, *world.unfinished)
        for position, boot in placed(world, task)
        if (truth := holds(conditions, world, task, boot)) is not False
    ]


def sessions(treatments: list[Treatment], world: World, *, still_open: bool = False) -> list[Session]:
    """Group treatments into sessions: those of work done, or those of work still open."""
    groups = defaultdict(list)
    for one in treatments:
        if one.is_open != still_open:
            continue
        product_class = value("product_class", world, one.task, NO_BOOT)
        groups[one.work_order, one.what, product_class].append(one)
    parts = [part for group in groups.values() for part in at_one_go(group, world)]
    return [Session(part, interrupted(part, world)) for part in parts]


def at_one_go(treatments: list[Treatment], world: World) -> list[list[Treatment]]:
    """Split treatments, each part in their order: where the aircraft took off before the next began, or 24 h passed."""
    part_of: dict[int, int] = {}
    part, until = 0, LAST_INSTANT
    for number, one in sorted(enumerate(treatments), key=lambda each: (each[1].start, each[0])):
        flew = took_off(world, one.aircraft, until, one.start)
        if part_of and (flew or one.start - until > LONGEST_PAUSE):
            part += 1
        until = max(until, one.end) if part_of else one.end
        part_of[number] = part
    return [[one for number, one in enumerate(treatments) if part_of[number] == each] for each in range(part + 1)]


def interrupted(treatments: list[Treatment], world: World) -> bool:
    """Whether the aircraft was worked on elsewhere, without a takeoff, after a treatment and before the next began."""
    in_order = sorted(treatments, key=lambda one: one.start)
    return any(
        max(opens, *(one.end for one in in_order[:number])) < min(closes, after.start)
        for number, after in enumerate(in_order)
        if number
        for opens, closes in moved_unseen(world, after.aircraft)
    )


def near(world: World, aircraft: str, one: tuple[datetime, datetime], other: tuple[datetime, datetime]) -> bool:
    """Whether two pieces of work, each from its start to its end, may have been done at one go."""
    start, end = max(one[0], other[0]), min(one[1], other[1])
    return not took_off(world, aircraft, end, start) and start - end <= LONGEST_PAUSE


def may_go_on(world: World, aircraft: str, end: datetime) -> bool:
    """Whether a job whose last record ended at an instant may have another to come after the as-of time."""
    over = world.as_of + timedelta.resolution
    return over - end <= LONGEST_PAUSE and not took_off(world, aircraft, end, over)


def may_be_one(session: Session, other: Session, world: World) -> bool:
    """Whether two sessions of a work order may be one: a product, boot or position isn't known that would tell."""
    if session is other or (session.aircraft, session.work_order) != (other.aircraft, other.work_order):
        return False
    if not near(world, session.aircraft, (session.start, session.end), (other.start, other.end)):
        return False
    one, two = (value("product_class", world, each.treatments[0].task, NO_BOOT) for each in (session, other))
    one_class = one == two or None in (one, two) or NOT_SUPPLIED in (one, two)
    return one_class and of_boot(world, session, other.last) is not False


def of_boot(world: World, asked: Session | Treatment, treatment: Treatment) -> Verdict:
    """Whether a treatment was of the boot asked about; None where its boot or position, or the other's, isn't known.

    Without any record of boots, what was done at one position was done to one boot.
    """
    if treatment.is_open and treatment.work_order != asked.work_order:
        return False  # work that is still open tells of its own job only
    if known(asked.boot) and known(treatment.boot):
        return asked.boot == treatment.boot
    if known(asked.boot) and any(
        row["aircraft"] == treatment.aircraft
        and treatment.position in (None, row["position"])
        and installed(row, treatment.start)
        for row in world.stays(asked.boot)
    ):
        return None
    if known(treatment.boot) and any(
        row["aircraft"] == asked.aircraft
        and row["position"] == asked.position
        and installed(row, asked.last.start if isinstance(asked, Session) else asked.start)
        for row in world.stays(treatment.boot)
    ):
        return None
    if asked.aircraft != treatment.aircraft:
        return False
    if None in (asked.position, treatment.position):
        return None
    if asked.position != treatment.position:
        return False
    return True if asked.boot == treatment.boot == NO_BOOT else None


# The forms


def judge_record(rule: RuleData, world: World) -> Verdicts:
    """A finding where a record in scope breaks the requirement at any of its positions."""
    verdicts: Verdicts = {}
    for task in world.done:
        found: list[Verdict] = []
        for position, boot in placed(world, task):
            scope = holds(rule.get("scope", {}), world, task, boot)
            if scope is not False:
                # Of two boots that are both wrong it is of no matter which was treated.
                there = world.boots(task["aircraft"], position, task["started_at"]) if boot == TWO_BOOTS else [boot]
                wrong = all(holds(rule["require"], world, task, one) is False for one in there)
                found.append((False if wrong else holds(rule["require"], world, task, boot)) if scope else None)
        if found:
            verdicts[task["task_id"],] = all_of(found)
    return verdicts


def judge_hold(rule: RuleData, world: World) -> Verdicts:
    """A finding where the forbidden event starts in [end, end of the hold), the treated boot being there."""
    verdicts: Verdicts = {}
    where = rule["forbid"].get("where")
    others = [] if where is None else select(where, world)
    under = select(rule["over"], world) if "over" in rule else []
    releases = select(rule["until"], world) if "until" in rule else []
    scope = select(rule["scope"], world)
    for session in sessions(scope, world):
        season = next((one for one in windows(rule, world) if one[0] <= session.start < one[1]), None)
        if season is None:
            continue
        earlier = [came_before(world, session, one, session.start) for one in under if season[0] <= one.start]
        # What may have been parted is perhaps two sessions, the later over what had begun before it.
        began = max(one.start for one in session.treatments) if session.sure is None else session.start
        between = [one for one in under if max(season[0], session.start) <= one.start < began]
        earlier += [None for one in between if of_boot(world, session, one) is not False]
        covered = any_of(earlier) if "over" in rule else True
        if covered is False:
            continue
        # What may be part of the session may have ended it.
        last = max([session.end, *(part.end for part in parts_of(session, scope, world))])
        until, at_the_latest = season[1], season[1]
        if "for" in rule:
            until = min(until, session.end + duration(rule["for"]))
            at_the_latest = min(at_the_latest, last + duration(rule["for"]))
        change = world.next_change(session)
        if where is None:
            coming = world.flown_with(session.boot, session.aircraft, session.end) + world.moved_on(session)
        else:
            coming = [
                (other.start, all_of([of_boot(world, session, other), other.sure]))
                for other in others
                if session.end <= other.start and not session.has(other)
            ]
            # It may still come where the hold runs on at the as-of time.
            coming.append((max(session.end, world.as_of + timedelta.resolution), None))
        broken = any_of(
            [
                all_of(
                    [
                        truth,
                        unreleased(world, session, releases, at),
                        None if at >= min(change, until) else True,
                        None if where is not None and at < last else True,
                    ]
                )
                for at, truth in coming
                if at < at_the_latest
            ]
        )
        verdict = None if None in (session.sure, covered, broken) else not broken
        # A flight parts the job; other work may turn out to have been in the midst of it.
        if (verdict or where is not None) and may_go_on(world, session.aircraft, session.end):
            verdict = None
        verdicts[session.key] = verdict
    return verdicts


def parts_of(session: Session, scope: list[Treatment], world: World) -> list[Session]:
    """What may be part of a session that is surely in scope."""
    others = sessions(scope, world) + sessions(scope, world, still_open=True)
    return [other for other in others if session.sure and may_be_one(session, other, world)]


def came_before(world: World, session: Session, treatment: Treatment, at: datetime) -> Verdict:
    """Whether another treatment of the session's boot began before an instant; None where it began just then."""
    if session.has(treatment) or treatment.start > at:
        return False
    return all_of([of_boot(world, session, treatment), treatment.sure, None if treatment.start == at else True])


def unreleased(world: World, session: Session, releases: list[Treatment], at: datetime) -> Verdict:
    """Whether no releasing treatment began after the session's last record did, up to an instant."""
    latest = max(one.start for one in session.treatments)
    released = any_of(
        [
            all_of([of_boot(world, session, one), one.sure, None if one.start == latest else True])
            for one in releases
            if latest <= one.start <= at and not session.has(one)
        ]
    )
    return None if released is None else not released


def judge_order(rule: RuleData, world: World) -> Verdicts:
    """A finding where another treatment of a job on a boot starts after (before) the bound one.

    The boots that were at one position in the course of a job are one subject.
    """
    bound = select(rule["scope"], world)
    others = [
        one for one in select(rule["among"], world) if not any(one.is_same(other) for other in bound if other.sure)
    ]
    by_boot, by_position = defaultdict(list), defaultdict(list)
    for one in bound + others:
        by_boot[one.work_order, one.what].append(one)
        by_position[one.work_order, one.aircraft, one.position].append(one)
    jobs = [job for group in by_boot.values() for job in at_one_go(group, world)]
    visits = [visit for group in by_position.values() for visit in at_one_go(group, world)]
    found: dict[int, list[Verdict]] = defaultdict(list)
    names: dict[int, list[Row]] = defaultdict(list)
    for job in jobs:
        of_job = [one for one in job if not one.is_open and any(one is other for other in bound)]
        if not of_job:
            continue
        first = min(of_job, key=lambda one: (one.sure is not True, one.start, one.task["task_id"]))
        (subject,) = (n for n, visit in enumerate(visits) if any(one is first for one in visit))
        names[subject] += [one.task for one in of_job]
        found[subject].append(judge_job(rule, world, job, first, bound, others))
    verdicts: Verdicts = {}
    for subject, tasks in names.items():
        lowest = next(task for task in world.tables["tasks"] if any(task is one for one in tasks))
        where = visits[subject][0]
        verdicts[lowest["task_id"], where.aircraft, where.position] = all_of(found[subject])
    return verdicts


def judge_job(
    rule: RuleData,
    world: World,
    job: list[Treatment],
    first: Treatment,
    bound: list[Treatment],
    others: list[Treatment],
) -> Verdict:
    """Judge what was done to a boot at one go, and what may have been."""
    span = min(one.start for one in job), max(one.end for one in job)

    def here(treatment: Treatment) -> Verdict:
        if any(treatment is one for one in job):
            return None if first.position is None or interrupted(job, world) else True
        if treatment.work_order != first.work_order or (known(first.boot) and first.boot == treatment.boot):
            return False
        if not near(world, first.aircraft, span, (treatment.start, treatment.end)):
            return False
        return None if of_boot(world, first, treatment) is not False else False

    rivals = []
    for other in others:
        # A record that may be bound itself is a rival only if it isn't.
        itself = None if any(one.is_same(other) for one in bound) else True
        truth = all_of([here(other), other.sure, itself])
        if truth is not False:
            rivals.append((other, truth))
    own = [one for one in bound if any(one is other for other in job)]
    may_be_own = [one for one in bound if here(one) is not False]
    if (first.position is None or interrupted(job, world)) and any(one.sure for one in own):
        # They may be of several jobs: the one done first (last) is of that which is looked at.
        own = [(min if rule["must_be"] == "last" else max)((one for one in own if one.sure), key=lambda one: one.start)]
    if rule["must_be"] == "last" and may_go_on(world, first.aircraft, span[1]):
        return None
    return order_verdict(rule["must_be"], own, may_be_own, rivals)


def order_verdict(
    must_be: str, bound: list[Treatment], may_be_bound: list[Treatment], rivals: list[tuple[Treatment, Verdict]]
) -> Verdict:
    """Compare the latest (earliest) start of the bound treatments with that of the others."""
    sign = 1 if must_be == "last" else -1

    def extreme(starts: list[datetime]) -> Fraction | None:
        return max((sign * exact(start - EPOCH) for start in starts), default=None)

    sure = extreme([one.start for one in bound if one.sure])
    perhaps = extreme([one.start for one in may_be_bound + bound])
    rival = extreme([one.start for one, here in rivals if here])
    any_rival = extreme([one.start for one, _ in rivals])
    assert perhaps is not None
    if sure is None:
        return None
    if rival is not None and rival > perhaps:
        return False
    return True if any_rival is None or any_rival < sure else None


def judge_precede(rule: RuleData, world: World, *, by_time: bool = False) -> Verdicts:
    """A finding where no required treatment of the boot was over before, near enough and undisturbed.

    One that went on when the session began is in doubt.
    """
    verdicts: Verdicts = {}
    ways = [(one, select(one["needs"], world)) for one in (rule, *rule.get("or_else", ()))]
    scope = select(rule["scope"], world)
    for session in sessions(scope, world):
        # What may be part of the session may have begun it.
        first = min([session.start, *(part.start for part in parts_of(session, scope, world))])
        served = {
            any_of(
                [
                    all_of(
                        [
                            came_before(world, session, one, start),
                            None if one.end > start else True,
                            near_and_undisturbed(way, world, session, start, one, needed),
                        ]
                    )
                    for way, needed in ways
                    for one in needed
                ]
            )
            for start in (session.start, first)
        }
        verdicts[session.key_by_time if by_time else session.key] = (
            None if session.sure is None or len(served) > 1 else served.pop()
        )
    return verdicts


def near_and_undisturbed(
    rule: RuleData, world: World, session: Session, start: datetime, witness: Treatment, needed: list[Treatment]
) -> Verdict:
    """Whether an earlier treatment still serves the session, begun at an instant.

    Another that is needed disturbs none: it serves itself.
    """
    if "within" in rule and start - witness.end > duration(rule["within"]):
        return False
    events: list[tuple[datetime, Verdict]] = []
    for event in rule.get("broken_by", ()):
        if event["event"] == "takeoff":
            events += world.flown_with(session.boot, session.aircraft, witness.end)
            continue
        events += [
            (other.start, all_of([of_boot(world, session, other), other.sure]))
            for other in select(event["where"], world)
            if not any(one.sure and one.task is other.task for one in needed) and other.task is not witness.task
        ]
    broken = any_of([truth for at, truth in events if witness.end <= at < start])
    return None if broken is None else not broken


def judge_count(rule: RuleData, world: World) -> Verdicts:
    """A finding where a session has too few or too many coats, or a boot's season too few or too many sessions."""
    if "sessions" in rule:
        return judge_seasons(rule, world)
    verdicts: Verdicts = {}
    limits = rule["coats"]
    treatments = select(rule["scope"], world)
    found = sessions(treatments, world)
    others = found + sessions(treatments, world, still_open=True)
    for session in found:
        least, own_most, vague = coats_of(session)
        perhaps = [coats_of(other) for other in others if may_be_one(session, other, world)]
        most = own_most + sum(coats for _, coats, _ in perhaps)
        endless = vague or any(vague for _, _, vague in perhaps)
        too_few = least < limits.get("at_least", 0)
        too_many = least > limits.get("at_most", least)
        verdict: Verdict = not (too_few or too_many)
        if too_few and (endless or most >= limits["at_least"]):
            verdict = None
        if verdict and "at_most" in limits and (endless or most > limits["at_most"]):
            verdict = None
        alone = min(one.task["coats"] if stands_for_many(one.task) else 1 for one in session.treatments)
        parted = too_many or alone < limits.get("at_least", 0) <= least
        if parted and session.position is None:
            verdict = None  # they may be of several boots
        if (too_few or (verdict and "at_most" in limits)) and may_go_on(world, session.aircraft, session.end):
            verdict = None  # another coat may come
        verdicts[session.key] = None if session.sure is None else verdict
    return verdicts


def coats_of(session: Session) -> tuple[int, int, bool]:
    """How many coats a session has at least, how many if no number is one coat entered twice, and whether it may have
    any number more."""
    tasks = [one.task for one in session.treatments]
    standing_for_many = [task["coats"] for task in tasks if stands_for_many(task)]
    # Coat 2, with 3 as their number beside it: the second of three, or three more.
    perhaps = sum(max(task["coats"] - 1, 0) for task in tasks if None not in (task.get("coats"), task.get("coat")))
    single = {(one.task["coat"], one.start, one.end) for one in session.treatments if one.task.get("coat") is not None}
    vague = [task for task in tasks if task.get("coats") is None and task.get("coat") is None]
    others = sum(standing_for_many) + len(vague)
    return others + len({coat for coat, _, _ in single}), others + len(single) + perhaps, bool(vague)


def stands_for_many(task: Mapping[str, Any]) -> bool:
    """Whether a record stands for so many coats, and not for one of them."""
    return task.get("coats") is not None and task.get("coat") is None


def judge_seasons(rule: RuleData, world: World) -> Verdicts:
    """A finding where a boot that flew in a season had too few or too many sessions in it."""
    verdicts: Verdicts = {}
    limits = rule["sessions"]
    done = sessions(select(rule["scope"], world), world)
    for boot, in_scope in boots_asked_about(rule, world):
        for number, (opens, closes) in enumerate(windows(rule, world)):
            time = boot_time(world, boot, opens, closes)
            if time is None:
                continue
            start, end, place = time
            over = min(end, world.as_of + timedelta.resolution)
            flew = any_of([truth for at, truth in world.flown_with(boot, "", max(start, world.since)) if at < over])
            if flew is False:
                continue
            inside = [one for one in done if start <= one.end < over]
            surely = sum(1 for one in inside if one.sure and one.boot == boot)
            perhaps = len(perhaps_of(world, boot, inside))
            not_all_told = start < world.since
            enough: Verdict = surely >= limits.get("at_least", 0)
            if not enough and (not_all_told or end > world.as_of or surely + perhaps >= limits["at_least"]):
                enough = None
            not_too_many: Verdict = surely <= limits.get("at_most", surely)
            if not_too_many and "at_most" in limits and (not_all_told or surely + perhaps > limits["at_most"]):
                not_too_many = None
            verdict = all_of([enough, not_too_many])
            unsure = None in (in_scope, flew, once_at_a_time(world, boot, opens, closes))
            verdicts[boot, None, *place, number] = None if unsure else verdict
    return verdicts


def boots_asked_about(rule: RuleData, world: World) -> list[tuple[Boot, Verdict]]:
    """The boots that a rule asks about, surely or perhaps."""
    truths: dict[Boot, Verdict] = {}
    for number, component in enumerate(world.tables.get("components", [])):
        truth = holds(rule.get("boots", {}), world, {**component, "station": None}, number)
        if truth is not False:
            truths[component["component_serial"]] = truth
    return list(truths.items())


def once_at_a_time(world: World, boot: Boot, opens: datetime, closes: datetime) -> Verdict:
    """Whether a boot is recorded at one place at a time in a window, as far as the export tells; else nobody knows."""
    for stay in world.stays(boot):
        start = max(opens, stay["installed_at"], world.since)
        end = min(closes, stay.get("removed_at") or LAST_INSTANT)
        if start < end and start <= world.as_of and world.twice_from(stay) < LAST_INSTANT:
            return None
    return True


def boot_time(
    world: World, boot: Boot, opens: datetime, closes: datetime
) -> tuple[datetime, datetime, tuple[str, str]] | None:
    """A boot's time in a window, from its first installation to its last removal, and its first place in it.

    None where it has none of which the export tells.
    """
    spans = [
        (max(opens, row["installed_at"]), min(closes, row.get("removed_at") or LAST_INSTANT), row)
        for row in world.stays(boot)
        if row["installed_at"] <= world.as_of
    ]
    spans = [(start, end, row) for start, end, row in spans if start < end and start <= world.as_of]
    if not spans or max(end for _, end, _ in spans) <= world.since:
        return None
    first = spans[0][2]
    return spans[0][0], max(end for _, end, _ in spans), (first["aircraft"], first["position"])


def perhaps_of(world: World, boot: Boot, done: list[Session]) -> list[Session]:
    """The sessions that may have been of a boot where it was, or may have been none in scope."""
    found = []
    for one in done:
        there = [row for row in world.stays(boot) if installed(row, one.end) and row["aircraft"] == one.aircraft]
        at_its_place = any(one.position in (row["position"], None) for row in there)
        if (one.sure is None and one.boot == boot) or (not known(one.boot) and at_its_place):
            found.append(one)
    return found


def in_order(session: Session, numbered: bool) -> list[Treatment]:
    """The records of a session coat by coat: by their numbers, or else by their starts."""
    return sorted(session.treatments, key=lambda one: (one.task["coat"] if numbered else 0, one.start))


def judge_spacing(rule: RuleData, world: World) -> Verdicts:
    """A finding where the pause from the end of a coat to the start of the next is outside the limits."""
    verdicts: Verdicts = {}
    limits = rule["pause"]
    shortest = duration(limits["at_least"]) if "at_least" in limits else None
    longest = duration(limits["at_most"]) if "at_most" in limits else None
    treatments = select(rule["scope"], world)
    found = sessions(treatments, world)
    others = found + sessions(treatments, world, still_open=True)
    for session in found:
        related = [other for other in others if may_be_one(session, other, world)]
        for one in session.treatments:
            if (one.task.get("coats") or 1) > 1:
                verdicts[one.task["task_id"], None, one.aircraft, one.position] = None
        numbered = all(one.task.get("coat") is not None for one in session.treatments)
        for first, second in pairwise(in_order(session, numbered)):
            pause = second.start - first.end
            kept: Verdict = (shortest is None or pause >= shortest) and (longest is None or pause <= longest)
            if numbered and second.task["coat"] - first.task["coat"] > 1:
                kept = None  # a coat in between is not recorded
            if numbered and second.task["coat"] == first.task["coat"]:
                kept = None  # one coat entered twice, or a wrong number
            too_short = shortest is not None and pause < shortest
            between = any(other.start <= second.start and other.end >= first.start for other in related)
            if (not numbered and first.start == second.start) or (between and not too_short):
                kept = None
            if first.start == first.end or second.start == second.end:
                # The pause was shorter, by as long as the coat took of which only one time is recorded.
                kept = kept if too_short or (kept and shortest is None) else None
            parted = kept is False or (longest is not None and len(session.treatments) > 2)
            if parted and session.position is None:
                kept = None  # they may be of two boots
            names = first.task["task_id"], second.task["task_id"]
            verdicts[(*names, second.aircraft, second.position)] = None if session.sure is None else kept
        for other in related if session.sure else ():
            # Whether they are two coats of one session isn't known, and so not whether there was a pause between them.
            tasks = [task["task_id"] for task in world.tables["tasks"] if task["task_id"] in (session.name, other.name)]
            places = (session.position, other.position)
            position = None if None in places else max(map(str, places))
            verdicts.setdefault((tasks[0], tasks[-1], session.aircraft, position), None)
    return verdicts


# Intervals


@dataclass(frozen=True)
class Segment:
    """[start, end) of a boot's time; `closed` where the as-of time ends it, and is part of it."""

    began: Session | None
    start: datetime
    end: datetime
    closed: bool
    until_treated: bool

    @property
    def last_day(self) -> date:
        """The day of the treatment that ends it; else the last day of which anything belongs to it."""
        included = self.until_treated or self.closed
        return (self.end if included else self.end - timedelta.resolution).date()

    def holds(self, at: datetime) -> bool:
        """Whether an instant lies in it."""
        return self.start <= at < self.end or (self.closed and at == self.end)


def windows(rule: RuleData, world: World) -> list[tuple[datetime, datetime]]:
    """The stretches of time in which the limit applies: each season, or all time."""
    if "season" not in rule:
        return [(datetime.min.replace(tzinfo=UTC), LAST_INSTANT)]
    first, last = rule["season"]["from"], rule["season"]["to"]
    found = []
    for year in range(world.since.year - 1, world.as_of.year + 1):
        start = datetime.fromisoformat(f"{year}-{first}T00:00:00Z")
        end = datetime.fromisoformat(f"{year + (last < first)}-{last}T00:00:00Z") + timedelta(days=1)
        found.append((start, end))
    return found


def cut(world: World, time: tuple[datetime, datetime], done: list[Session]) -> list[Segment]:
    """A boot's time cut at its treatments."""
    start, end = max(time[0], world.since), time[1]
    closed = world.as_of < end
    end = min(end, world.as_of)
    begins: list[Session | None] = [None, *sorted(done, key=lambda one: one.end)]
    starts = [start, *(one.end for one in begins if one is not None)]
    ends = [*starts[1:], end]
    return [
        Segment(began, a, b, closed and number == len(done), number < len(done))
        for number, (began, a, b) in enumerate(zip(begins, starts, ends, strict=True))
    ]


def judge_interval(rule: RuleData, world: World) -> Verdicts:
    """A finding where more passes between two treatments of a boot than allowed.

    It is one whichever of the records that may be treatments are; and it complies so too.
    """
    verdicts: Verdicts = {}
    done = sessions(select(rule["scope"], world), world)
    for one in done:
        if not known(one.boot):
            verdicts[(None, *one.beginning)] = None
    for boot, in_scope in boots_asked_about(rule, world):
        for number, (opens, closes) in enumerate(windows(rule, world)):
            time = boot_time(world, boot, opens, closes)
            if time is None or max(time[0], world.since) > world.as_of:
                continue
            inside = [one for one in done if time[0] <= one.end < time[1] and one.end <= world.as_of]
            surely = [one for one in inside if one.sure and one.boot == boot]
            perhaps = perhaps_of(world, boot, inside)
            certain = cut(world, time[:2], surely)
            found = [
                over_in(certain, cut(world, time[:2], surely + also), rule, world, boot) for also in subsets(perhaps)
            ]
            for segment, overs in zip(certain, zip(*found, strict=True), strict=True):
                over = overs[0] if len(set(overs)) == 1 else None
                if over is False and flew_unseen(rule, world, boot, segment):
                    over = None
                unsure = None in (in_scope, over, once_at_a_time(world, boot, opens, closes))
                verdict = None if unsure else not over
                named = segment.began.beginning if segment.began else (None, *time[2], number)
                verdicts[(boot, *named)] = verdict
    return verdicts


def subsets(sessions: list[Session]) -> list[list[Session]]:
    """All ways to take some of them."""
    return [list(some) for size in range(len(sessions) + 1) for some in combinations(sessions, size)]


def over_in(certain: list[Segment], pieces: list[Segment], rule: RuleData, world: World, boot: Boot) -> list[bool]:
    """Whether too much passed in some piece of each segment."""
    over = [False] * len(certain)
    number = -1
    for piece, too_much in zip(pieces, run_over(rule, world, boot, pieces), strict=True):
        if piece.began is None or any(piece.began is segment.began for segment in certain):
            number += 1
        over[number] |= too_much
    return over


def flew_unseen(rule: RuleData, world: World, boot: Boot, segment: Segment) -> bool:
    """Whether the boot may have flown in a segment though no flight is recorded, and flights count."""
    return bool({"flight_hours", "cycles"} & set(rule["at_most"])) and any(
        truth is None and segment.holds(at) for at, truth in world.flown_with(boot, "", segment.start)
    )


def run_over(rule: RuleData, world: World, boot: Boot, window: list[Segment]) -> list[bool]:
    """Whether each segment of a window went over a limit, counted on from due point to due point."""
    over = [False] * len(window)
    for meter, limit in rule["at_most"].items():
        slack = tolerance(rule, meter, limit)
        base: Any = None
        for number, segment in enumerate(window):
            start = read(meter, world, boot, segment.start, closed=False)
            if number == 0 or rule.get("next_due", "actual") == "actual":
                base = start
            else:
                due = add(meter, base, limit)
                on_time = abs(apart(start, due)) <= slack
                scheduled = rule["next_due"] == "scheduled"
                base = (due if on_time else start) if scheduled else min(start, due)
            by_day = meter in ("days", "months")
            ends = segment.last_day if by_day else read(meter, world, boot, segment.end, segment.closed)
            if apart(ends, add(meter, base, limit)) > slack:
                over[number] = True
    return over


def read(meter: str, world: World, boot: Boot, at: datetime, closed: bool) -> Any:
    """A meter's reading: hours or cycles flown with a boot by takeoffs before an instant (or until it), or its day."""
    if meter in ("days", "months"):
        return at.date()
    flown = [
        flight
        for aircraft, opens, closes, _ in world.carried(boot, "")
        for flight in flights_of(world, aircraft)
        if opens <= flight["takeoff_at"] < closes
        and (flight["takeoff_at"] < at or (closed and flight["takeoff_at"] == at))
    ]
    if meter == "cycles":
        return sum((1 if flight.get("cycles") is None else flight["cycles"] for flight in flown), 0)
    return sum((hours(flight) for flight in flown), Fraction(0))


def hours(flight: Row) -> Fraction:
    """Flight hours: as written; from wheels-off to wheels-on where they aren't, or where they contradict each other and
    that is less."""
    written: Fraction | None = flight.get("flight_hours")
    by_times = exact(flight["landing_at"] - flight["takeoff_at"]) / 3600
    if written is None:
        return by_times
    return min(written, by_times) if contradicts_itself(flight) else written


def contradicts_itself(flight: Row) -> bool:
    """Whether the hours of a flight are longer than its times, or less than half, by more than they may be rounded."""
    written: Fraction | None = flight.get("flight_hours")
    by_times = exact(flight["landing_at"] - flight["takeoff_at"]) / 3600
    tenth = Fraction(1, 10)
    return written is not None and (written > by_times + tenth or written < by_times / 2 - tenth)


def add(meter: str, base: Any, limit: Any) -> Any:
    """The due point."""
    if meter == "days":
        return base + timedelta(days=limit)
    if meter == "months":
        month = base.month - 1 + limit
        year, month = base.year + month // 12, month % 12 + 1
        return date(year, month, min(base.day, calendar.monthrange(year, month)[1]))
    return base + Fraction(str(limit))


def apart(one: Any, other: Any) -> Any:
    """How far one reading is beyond another."""
    return (one - other).days if isinstance(one, date) else one - other


def tolerance(rule: RuleData, meter: str, limit: Any) -> Fraction:
    """How far from the due point still is on time; whole days and cycles, 30 days a month."""
    if "tolerance" not in rule:
        return Fraction(0)
    nominal = limit * 30 if meter == "months" else limit
    slack = Fraction(str(nominal)) * Fraction(str(rule["tolerance"]["percent"])) / 100
    cap = rule["tolerance"].get("days" if meter == "months" else meter)
    if cap is not None:
        slack = min(slack, Fraction(str(cap)))
    return slack if meter == "flight_hours" else Fraction(int(slack))


# Overlaps


ALONE = "alone"
"""Marks a thing that contradicts nothing: it complies by itself, the other subjects being pairs."""


@dataclass(frozen=True)
class Thing:
    """Something with its time, named by its kind and row."""

    name: Any
    start: datetime
    end: datetime
    columns: Row
    sure: Verdict = True


def things(kind: str, rule: RuleData, world: World) -> list[Thing]:
    """Everything of a kind."""
    if kind == "tasks":
        found = []
        for task in world.done:
            scope = holds(rule.get("scope", {}), world, task, NO_BOOT)
            if scope is not False:
                found.append(Thing(task["task_id"], task["started_at"], task["finished_at"], task, scope))
        return found
    if kind == "components":
        return [
            Thing(number, row["installed_at"], row.get("removed_at") or LAST_INSTANT, row)
            for number, row in enumerate(world.tables.get("components", []))
            if row["installed_at"] <= world.as_of and row["installed_at"] != row.get("removed_at")
        ]
    if kind == "flights":
        return [Thing(row["flight_id"], row["takeoff_at"], row["landing_at"], row) for row in world.flights]
    stays = []
    for number, row in enumerate(world.flights):
        later = [other for other in world.flights[number + 1 :] if other["aircraft"] == row["aircraft"]]
        end = later[0]["takeoff_at"] if later else LAST_INSTANT
        # An aircraft that took off before it landed, or at once, stood nowhere in between.
        if row["landing_at"] < end and row["landing_at"] <= world.as_of:
            stays.append(Thing(row["flight_id"], row["landing_at"], end, {**row, "station": destination(world, row)}))
    return stays


def destination(world: World, flight: Row) -> str | None:
    """The station at which a flight landed, by its name or its location indicator; None if it isn't listed.

    Without a list, the stations that records name are known.
    """
    return next(
        (
            row["station"]
            for row in world.tables.get("stations", world.tables["tasks"])
            if flight.get("destination") is not None and flight["destination"] in (row["station"], row.get("icao"))
        ),
        None,
    )


def perhaps_left(world: World, stay: Thing, until: datetime) -> bool:
    """Whether the aircraft of a stay may have flown on before an instant: the log lacks its next leg, or has nothing of
    it for unusually long."""
    aircraft = stay.columns["aircraft"]
    gaps = [*unusual_gaps(world, aircraft), *missing_legs(world, aircraft)]
    return any(start < until and stay.start < end for start, end in gaps)


def perhaps_aloft(world: World, work: Thing) -> bool:
    """Whether the log may lack a flight in the time of work."""
    until = max(work.end, work.start + timedelta.resolution)
    return world.unseen is None and any(
        start < until and work.start < end for start, end in without_flights(world, work.columns["aircraft"])
    )


def meet(one: Thing, other: Thing) -> bool:
    """Whether two things overlap in time; what lasts no time is an instant."""
    if one.start == one.end and other.start == other.end:
        return one.start == other.start
    if one.start == one.end:
        return other.start < one.start < other.end
    if other.start == other.end:
        return one.start < other.start < one.end
    return one.start < other.end and other.start < one.end


def differ_in(world: World, name: str, one: Thing, other: Thing) -> Verdict:
    """Whether two things differ in a column; two stations of one location indicator are one place."""
    values = one.columns.get(name), other.columns.get(name)
    if None in values:
        return None
    return elsewhere(world, *values) if name == "station" else values[0] != values[1]


def same_in(world: World, name: str, one: Thing, other: Thing) -> bool:
    """Whether two things agree on a column; two that both lack it do."""
    differ = differ_in(world, name, one, other)
    return one.columns.get(name) == other.columns.get(name) if differ is None else not differ


def judge_overlap(rule: RuleData, world: World) -> Verdicts:
    """A finding for each pair that overlaps, agrees on `same` and differs in `differing`."""
    kind, other_kind = rule["between"]
    left, right = things(kind, rule, world), things(other_kind, rule, world)
    verdicts: Verdicts = {}
    table = "flights" if other_kind == "stays" else other_kind
    for one in left:
        # Where the log does not cover an aircraft no flight can contradict work, which is not proof.
        unlogged = kind == "tasks" and table == "flights" and one.start <= world.as_of
        unlogged = unlogged and perhaps_aloft(world, one)
        verdicts[ALONE, one.name] = None if unlogged or table not in world.tables else one.sure
    for number, one in enumerate(left):
        if one.columns.get(rule["same"][0]) is None:
            verdicts[one.name, None] = None
            verdicts.pop((ALONE, one.name), None)
            continue
        for other in right[number + 1 :] if kind == other_kind else right:
            if not meet(one, other) or any(same_in(world, name, one, other) is False for name in rule["same"]):
                continue
            differ = all_of([differ_in(world, name, one, other) for name in rule.get("differing", ())])
            if differ is not False:
                key = tuple(sorted((one.name, other.name), key=str)) if kind == other_kind else (one.name, other.name)
                left_unseen = other_kind == "stays" and perhaps_left(world, other, min(one.end, other.end))
                verdicts[key] = None if left_unseen or None in (differ, one.sure, other.sure) else False
                for name in (one.name, other.name) if kind == other_kind else (one.name,):
                    verdicts.pop((ALONE, name), None)
    return {
        (one[1], None) if one[0] == ALONE and verdict is None else one: verdict for one, verdict in verdicts.items()
    }


ABSENT = "absent"
"""Stands for the verdict on a subject in a world in which there is no such subject."""

FORMS: Mapping[str, Callable[[RuleData, World], Verdicts]] = {
    "record": judge_record,
    "hold": judge_hold,
    "order": judge_order,
    "precede": judge_precede,
    "interval": judge_interval,
    "count": judge_count,
    "spacing": judge_spacing,
    "overlap": judge_overlap,
}


def judge(rule: RuleData, tables: Tables, as_of: datetime | None = None) -> list[Verdicts]:
    """Judge a rule in every world."""
    return [FORMS[rule["form"]](rule, world) for world in worlds(tables, as_of)]


def resolved(found: list[Verdicts]) -> Verdicts:
    """A subject keeps the verdict that it has in every world, else it is unjudged.

    What complies wherever it is in scope complies.
    """
    subjects = {
        subject: [verdicts.get(subject, ABSENT) for verdicts in found] for verdicts in found for subject in verdicts
    }
    return {
        subject: verdicts[0] if set(verdicts) == {verdicts[0]} else True if set(verdicts) == {True, ABSENT} else None
        for subject, verdicts in subjects.items()
    }
