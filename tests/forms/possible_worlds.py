"""What an export that leaves something open may mean: every possible world of it, each a whole export.

What is certain is what is so in all of them. This says what doubt means, and knows nothing of how it is judged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise, product
from random import Random

from tests.forms import twin

Row = dict[str, str]
Tables = dict[str, list[Row]]

STEP = timedelta(minutes=30)
AIRCRAFT = ("A1", "A2")
FIRST = "2025-06-01T20:00:00Z"
PRODUCTS = ("preserve", "guard", "wash")


@dataclass(frozen=True)
class Doubt:
    """A row of a whole export that is written so that something is open: as which rows, and what may be meant by them.

    Each that may be meant is a list of rows.
    """

    table: str
    row: Row
    written: list[Row]
    meant: list[list[Row]]


def with_rows(tables: Tables, doubts: Sequence[Doubt], rows: Sequence[list[Row]]) -> Tables:
    """Tables in which other rows, behind all others, stand for those in doubt."""
    found = {
        name: [row for row in table if not any(row is doubt.row for doubt in doubts)] for name, table in tables.items()
    }
    for doubt, instead in zip(doubts, rows, strict=True):
        found[doubt.table] = [*found[doubt.table], *instead]
    return found


def written(tables: Tables, doubts: Sequence[Doubt]) -> Tables:
    """The export that leaves something open."""
    return with_rows(tables, doubts, [doubt.written for doubt in doubts])


def zulu(at: datetime) -> str:
    """An instant as exports write it."""
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def instant(text: str) -> datetime:
    """An instant as it was written."""
    return datetime.fromisoformat(text)


# Cells in doubt


Way = Callable[[Random, Tables, Row], Doubt]
Cells = Mapping[str, str]


def _of(table: str, cells: Cells, may_be: Callable[[Tables, Row], Sequence[Cells]]) -> Way:
    """A row with cells that tell less, of which each of several may be meant."""
    return lambda random, tables, row: Doubt(
        table, row, [row | cells], [[row | dict(one)] for one in may_be(tables, row)]
    )


def _one_of(table: str, column: str, written: str, values: Sequence[str]) -> Way:
    """A cell that may mean any of some values."""
    return _of(table, {column: written}, lambda tables, row: [{column: value} for value in values])


def _twice(table: str, columns: Sequence[str], other: Callable[[Random, str], str]) -> Way:
    """A row exported twice under one key, with other contents."""

    def doubt(random: Random, tables: Tables, row: Row) -> Doubt:
        step = random.choice((-4, -2, -1, 1, 2, 4))
        again = row | {
            name: zulu(instant(row[name]) + step * STEP) if name.endswith("_at") else other(random, row[name])
            for name in columns
        }
        return Doubt(table, row, [row, again], [[row], [again]])

    return doubt


def _other(*values: str) -> Callable[[Random, str], str]:
    return lambda random, value: random.choice([one for one in values if one != value])


def _moved(columns: Sequence[str], since: str, steps: Sequence[int]) -> Callable[[Tables, Row], Sequence[Cells]]:
    """Times so many steps from one of the row."""
    return lambda tables, row: [
        {name: zulu(instant(row[since if len(columns) == 1 else name]) + step * STEP) for name in columns}
        for step in steps
    ]


def _moments(tables: Tables) -> set[datetime]:
    """When work began and ended, and takeoffs: between two of these it makes no difference when something was."""
    tasks = {instant(row[name]) for row in tables["tasks"] for name in ("started_at", "finished_at")}
    return tasks | {instant(row["takeoff_at"]) for row in tables["flights"]}


def _removals(tables: Tables, row: Row) -> list[Cells]:
    begun = instant(row["installed_at"])
    return [{"removed_at": ""}, *({"removed_at": zulu(at)} for at in sorted(_moments(tables)) if at > begun)]


def _installations(tables: Tables, row: Row) -> list[Cells]:
    moments = sorted(_moments(tables) | {instant(row["installed_at"])})
    return [{"installed_at": zulu(at)} for at in moments if not row["removed_at"] or zulu(at) < row["removed_at"]]


def _boots(tables: Tables, row: Row) -> list[Cells]:
    """The boots that a row may be about: one that nobody else names, and those that are nowhere else meanwhile."""
    elsewhere = {
        one["component_serial"]
        for one in tables["components"]
        if one["installed_at"] < (row["removed_at"] or "9") and row["installed_at"] < (one["removed_at"] or "9")
    }
    named = {one["component_serial"] for one in tables["components"]}
    return [{"component_serial": serial} for serial in ("C8", row["component_serial"], *sorted(named - elsewhere))]


def _takeoffs(tables: Tables, row: Row) -> list[Cells]:
    """When a flight may have taken off before it landed: not while its aircraft was worked on."""
    landed = instant(row["landing_at"])
    starts = [instant(one["started_at"]) for one in tables["tasks"] if one["aircraft"] == row["aircraft"]]
    found = [landed + step * STEP for step in BEFORE]
    return [{"takeoff_at": zulu(at)} for at in found if not any(at <= start < landed for start in starts)]


def _of_work_order(tables: Tables, row: Row) -> list[Cells]:
    """A work order is of the aircraft that its other records name."""
    named = {one["aircraft"] for one in tables["tasks"] if one is not row and one["work_order"] == row["work_order"]}
    return [{"aircraft": aircraft} for aircraft in sorted(named) or AIRCRAFT]


def _by_day(column: str) -> Way:
    """A time of which only the day is recorded, by the clock of the place."""

    def doubt(random: Random, tables: Tables, row: Row) -> Doubt:
        day = datetime.fromisoformat(f"{row[column][:10]}T00:00:00Z")
        until = row["removed_at"] if column == "installed_at" else ""
        since = row["installed_at"] if column == "removed_at" else ""
        found = [
            row | {column: zulu(at)}
            for at in sorted(_moments(tables) | {day, day + timedelta(hours=23)})
            if day - timedelta(hours=12) <= at <= day + timedelta(hours=34) and since < zulu(at) < (until or "9")
        ]
        return Doubt("components", row, [row | {column: row[column][:10]}], [[one] for one in (*found, row)])

    return doubt


SPOTS, ACTIONS, ORDERS = ("left", "right", "left; right"), ("apply", "clean", "prepare", "inspect"), ("W1", "W2")
BEFORE, AFTER, AROUND = (0, -1, -2, -5, -20), (0, 1, 2, 5, 20), (-20, -4, -2, -1, 0, 1, 2, 4, 20)

WAYS: Mapping[str, Mapping[str, Way]] = {
    "tasks": {
        "no product": _one_of("tasks", "product", "", PRODUCTS),
        "product nearly known": _one_of("tasks", "product", "Wash", ("wash", "unheard-of")),
        "no position": _one_of("tasks", "position", "", SPOTS),
        "position nearly known": _one_of("tasks", "position", "LEFT", ("left", "up")),
        "no start": _of("tasks", {"started_at": ""}, _moved(["started_at"], "finished_at", BEFORE)),
        "no end": _of("tasks", {"finished_at": "?"}, _moved(["finished_at"], "started_at", AFTER)),
        "no times": _of(
            "tasks",
            {"started_at": "?", "finished_at": ""},
            _moved(["started_at", "finished_at"], "", AROUND),
        ),
        "still open": _one_of("tasks", "status", "open", ("closed", "void")),
        "status unreadable": _one_of("tasks", "status", "?", ("closed", "void")),
        "no aircraft": _of("tasks", {"aircraft": ""}, _of_work_order),
        "aircraft nearly known": _one_of("tasks", "aircraft", "a1", ("A1", "a1")),
        "no work order": _one_of("tasks", "work_order", "", ORDERS),
        "no action": _one_of("tasks", "action", "", ACTIONS),
        "two products": _twice("tasks", ["product"], _other(*PRODUCTS)),
        "two positions": _twice("tasks", ["position"], _other(*SPOTS)),
        "two aircraft": _twice("tasks", ["aircraft"], _other(*AIRCRAFT)),
        "two actions": _twice("tasks", ["action"], _other(*ACTIONS)),
        "two times": _twice("tasks", ["started_at", "finished_at"], _other()),
        "two work orders": _twice("tasks", ["work_order"], _other(*ORDERS)),
    },
    "flights": {
        "no takeoff": _of("flights", {"takeoff_at": "?"}, _takeoffs),
        "no landing": _of("flights", {"landing_at": ""}, _moved(["landing_at"], "takeoff_at", AFTER)),
        "no aircraft": _one_of("flights", "aircraft", "", AIRCRAFT),
        "aircraft nearly known": _one_of("flights", "aircraft", "a1", ("A1", "a1")),
        "two takeoffs": _twice("flights", ["takeoff_at", "landing_at"], _other()),
        "two aircraft": _twice("flights", ["aircraft"], _other(*AIRCRAFT)),
    },
    "components": {
        "no serial": _of("components", {"component_serial": ""}, _boots),
        "no aircraft": _one_of("components", "aircraft", "", AIRCRAFT),
        "no position": _one_of("components", "position", "", ("left", "right")),
        "no installation": _of("components", {"installed_at": "?"}, _installations),
        "removal unreadable": _of("components", {"removed_at": "?"}, _removals),
        "day of installation": _by_day("installed_at"),
        "finish unreadable": _one_of("components", "finish", "?", ("black", "silver")),
        "two materials": _twice("components", ["material"], _other("chloroprene", "polyurethane")),
    },
}
"""How a row of a table is written that leaves something open."""


# Exports in which nothing is open


def whole_export(random: Random) -> Tables:
    """A day or two of one or two aircraft: work on their boots, boots changed, and flights that fit."""
    fleet = AIRCRAFT[: random.choice((1, 1, 2))]
    first = datetime(2025, 6, 2, tzinfo=UTC)

    def at(least: int = 0, most: int = 60) -> datetime:
        return first + random.randint(least, most) * STEP

    def task(number: int) -> Row:
        start = at(16, 46)
        order = random.choice(("W1", "W1", "W2"))
        return {
            "task_id": f"T{number}",
            "work_order": order,
            "aircraft": random.choice(fleet),
            "action": random.choice(("apply", "apply", "apply", "clean", "prepare")),
            "station": "S1",
            "started_at": zulu(start),
            "finished_at": zulu(start + random.choice((0, 1, 1, 2, 4)) * STEP),
            "status": "closed",
            "position": random.choice(("left", "left", "left", "right", "left; right")),
            "product": random.choice(("preserve", "preserve", "preserve", "guard", "wash")),
            "coat": random.choice("123"),
            "performed_by": "Ann",
            "component_serial": "C1",
            "ambient_c": random.choice(("20", "9.5")),
        }

    def stays(aircraft: str, position: str) -> Iterator[Row]:
        changes = sorted(at(20, 40) for _ in range(random.choice((0, 0, 0, 1))))
        ends = [first - timedelta(days=30), *changes, None]
        for number, (opens, closes) in enumerate(pairwise(ends)):
            assert opens is not None
            yield {
                "component_serial": f"C{aircraft}{position}{number}",
                "aircraft": aircraft,
                "position": position,
                "material": "chloroprene",
                "finish": random.choice(("black", "black", "silver")),
                "installed_at": zulu(opens),
                "removed_at": "" if closes is None else zulu(closes),
            }

    def flown(aircraft: str) -> Iterator[Row]:
        takeoffs = {instant(FIRST), *(at(10, 56) for _ in range(random.randint(0, 3)))}
        takeoffs.add(first + timedelta(days=3))
        for number, takeoff in enumerate(sorted(takeoffs)):
            yield {
                "flight_id": f"F{aircraft}{number}",
                "aircraft": aircraft,
                "takeoff_at": zulu(takeoff),
                "landing_at": zulu(takeoff + STEP),
                "origin": "S1",
                "destination": "S1",
            }

    def moved(boots: list[Row]) -> list[Row]:
        """The stays, of which some are of a boot that came off elsewhere."""
        gone: list[Row] = []
        for boot in sorted(boots, key=lambda row: row["installed_at"]):
            off = [one for one in gone if one["removed_at"] <= boot["installed_at"]]
            if off and random.random() < 0.7:
                gone.remove(one := random.choice(off))
                boot |= {name: one[name] for name in ("component_serial", "finish")}
            if boot["removed_at"]:
                gone.append(boot)
        return boots

    products = {"preserve": "rubber-preservative", "guard": "ice-adhesion-treatment", "wash": "cleaner"}
    return {
        "tasks": [task(number) for number in range(1, random.randint(2, 6) + 1)],
        "flights": [row for aircraft in fleet for row in flown(aircraft)],
        "components": moved([row for one in fleet for position in ("left", "right") for row in stays(one, position)]),
        "products": [{"product": name, "product_class": kind} for name, kind in products.items()],
        "stations": [{"station": "S1", "timezone": "UTC"}],
    }


def doubted(random: Random, tables: Tables, table: str, way: str) -> Doubt:
    """One row of an export in doubt in a way."""
    if way == "still open":
        # Work that is still open tells of its own job only.
        for row in tables["tasks"]:
            row["work_order"] = "W1"
    # The first flight stays: with it begins all that the export tells of.
    rows = [row for row in tables[table] if row.get("takeoff_at", "9") > FIRST]
    return WAYS[table][way](random, tables, random.choice(rows))


# Flights that are missing


def with_legs(random: Random, tables: Tables) -> None:
    """Have each flight begin where the last one of its aircraft ended, at one of two stations; some flew regularly long
    before, and have not since."""
    for aircraft in sorted({row["aircraft"] for row in tables["flights"]}):
        at = "S1"
        for row in sorted(tables["flights"], key=lambda one: one["takeoff_at"]):
            if row["aircraft"] == aircraft:
                row["origin"], at = at, random.choice(("S1", "S2"))
                row["destination"] = at
    if random.random() < 0.3:
        for number in range(10):
            takeoff = instant(FIRST) - timedelta(days=40) + number * timedelta(hours=6)
            times = {"takeoff_at": zulu(takeoff), "landing_at": zulu(takeoff + STEP)}
            tables["flights"].append({"flight_id": f"G{number}", "aircraft": "A1", **times, "origin": "S1"})
            tables["flights"][-1]["destination"] = "S1"
    tables["stations"].append({"station": "S2", "timezone": "UTC"})


def without_flights(random: Random, tables: Tables) -> Tables:
    """The same without all flights of an aircraft, or without some of them."""
    whose = random.choice(AIRCRAFT)
    lost = {row["flight_id"] for row in tables["flights"] if random.random() < 0.3}
    if random.random() < 0.3:
        lost = {row["flight_id"] for row in tables["flights"] if row["aircraft"] == whose}
    return {**tables, "flights": [row for row in tables["flights"] if row["flight_id"] not in lost]}


def perhaps_flown(tables: Tables, as_of: datetime) -> list[twin.World]:
    """Worlds in which the log is whole, and others with a flight of any length that it lacks, where it covers neither
    its aircraft nor its time.

    Between the moments at which something else happened it makes no difference when it took off.
    """
    (world,) = twin.worlds(tables, as_of)
    found = [replace(world, unseen=())]
    moments = {world.since, *_moments(tables), *(at for _, at, _ in twin.uncovered(world))}
    for aircraft, opens, closes in twin.uncovered(world):
        for at in sorted(moment for moment in moments if max(opens, world.since) <= moment < min(closes, as_of)):
            flight = {"flight_id": "F?", "aircraft": aircraft, "takeoff_at": at, "landing_at": at + STEP}
            found.append(replace(world, unseen=({**flight, "cycles": 50, "flight_hours": Fraction(50)},)))
    return found


# Records that are missing


def without_later_records(tables: Tables) -> datetime:
    """Have everybody work and fly as usual, and the task records end a month before the flights; returns the end of the
    flights."""
    last = max(instant(row["finished_at"]) for row in tables["tasks"])
    days = [timedelta(days=number) for number in range(1, 40)]
    before = tables["tasks"][0] | {"action": "inspect", "product": "", "position": "", "work_order": "W0"}
    for number, day in enumerate(days[:9]):
        at = zulu(instant(FIRST) - day)
        tables["tasks"].append(before | {"task_id": f"T9{number}", "started_at": at, "finished_at": at})
    for aircraft in sorted({row["aircraft"] for row in tables["flights"]}):
        for number, day in enumerate(days):
            times = {"takeoff_at": zulu(last + day), "landing_at": zulu(last + day + STEP)}
            named = {"flight_id": f"G{aircraft}{number}", "aircraft": aircraft, "origin": "S1", "destination": "S1"}
            tables["flights"].append(named | times)
    return last + days[-1]


def perhaps_recorded(
    random: Random, tables: Tables, as_of: datetime, number: int, since: datetime | None = None
) -> list[twin.World]:
    """Worlds in which nothing was done after the last record (or an instant), and some in which work was done that
    lacks its record."""
    last = since or max(instant(row["finished_at"]) for row in tables["tasks"])
    like = max(tables["tasks"], key=lambda row: row["finished_at"])
    found = [tables]
    for _ in range(number):
        at = last + random.choice((1, 4, 20, 40, 47, 90, 400)) * STEP
        lost = like | {
            "task_id": "T?",
            "action": "apply",
            "started_at": zulu(at),
            "finished_at": zulu(at + random.choice((0, 1)) * STEP),
            "position": random.choice(SPOTS),
            "product": random.choice(PRODUCTS),
        }
        if since is not None:
            # Coats are numbered on: one that came later under the number of an earlier one would stand before others.
            lost["coat"] = "9"
        if random.random() < 0.5:
            fleet = sorted({row["aircraft"] for row in tables["flights"]})
            lost |= {"work_order": random.choice(ORDERS), "aircraft": random.choice(fleet)}
        found.append({**tables, "tasks": [*tables["tasks"], lost]})
    return [replace(world, unseen=()) for one in found for world in twin.worlds(one, as_of)]


# Records that come later


def until(tables: Tables, as_of: datetime) -> Tables:
    """What of an export is there at an as-of time."""
    begins = {"tasks": "started_at", "flights": "takeoff_at"}
    return {
        name: [row for row in table if name not in begins or row[begins[name]] <= zulu(as_of)]
        for name, table in tables.items()
    }


def perhaps_to_come(random: Random, tables: Tables, as_of: datetime, number: int) -> list[twin.World]:
    """Worlds a week later: nothing more was done, or flown, or work was done after the as-of time."""
    takeoff = as_of + random.choice((1, 3, 20, 49)) * STEP
    times = {"takeoff_at": zulu(takeoff), "landing_at": zulu(takeoff + STEP)}
    flight = {"flight_id": "F?", "aircraft": "A1", "origin": "S1", "destination": "S1", **times}
    flown = {**tables, "flights": [*tables["flights"], flight]}
    later = as_of + timedelta(days=7)
    return [world for one in (tables, flown) for world in perhaps_recorded(random, one, later, number, as_of)]


# Worlds


def worlds(tables: Tables, doubts: Sequence[Doubt], as_of: datetime) -> list[twin.World]:
    """All that an export that leaves something open may mean, each a world in which nothing is open."""
    every = product(*(doubt.meant for doubt in doubts))
    return [world for chosen in every for world in twin.worlds(with_rows(tables, doubts, chosen), as_of)]


def judged(rule: twin.RuleData, worlds: Sequence[twin.World]) -> list[Mapping[twin.Subject, twin.Verdict]]:
    """The plain verdicts of each world."""
    if rule["form"] == "precede":
        # What is in doubt may split a session, of which that which began it is judged, wherever it stands in the file.
        return [twin.judge_precede(rule, world, by_time=True) for world in worlds]
    return [twin.FORMS[rule["form"]](rule, world) for world in worlds]
