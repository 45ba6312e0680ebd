"""Invented treatments between real flights: what was done is known here in seconds UTC, before it is written down.

Everything but the flights is invented: stations, work orders, boots, products, records.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from random import Random
from zoneinfo import ZoneInfo

import pandas as pd

DAY = 86_400
LEAST_FLIGHTS = 150
LEFT, RIGHT = "left wing", "right wing"
PRODUCTS = {
    "Fennel Guard": "rubber-preservative",
    "Moss Shield": "ice-adhesion-treatment",
    "Rill Wash": "cleaner",
}
# Stations as invented, clocks as in real time zones: two that change with the seasons on different days, one by half an
# hour and in the south, three that don't change.
CLOCKS_OF = {
    "Alderspool": "America/New_York",
    "Brackholm": "Europe/Berlin",
    "Cinderlow": "Australia/Lord_Howe",
    "Dunmarrow": "America/Phoenix",
    "Eskerspool": "Pacific/Honolulu",
    "Fallowspool": "America/Puerto_Rico",
}


@dataclass(frozen=True)
class Flight:
    """A real flight: instants in seconds UTC."""

    name: str
    takeoff: int
    landing: int
    minutes: int


@dataclass(frozen=True)
class Boot:
    """An invented boot: instants in seconds UTC."""

    serial: str
    aircraft: str
    position: str
    installed: int
    removed: int | None


@dataclass(frozen=True)
class Record:
    """An invented task record: instants in seconds UTC, product by class."""

    aircraft: str
    work_order: str
    position: str
    product: str
    start: int
    finish: int
    coat: int = 1
    action: str = "apply"
    status: str = ""


def seconds(text: str) -> int:
    """Seconds since 1970 of an ISO time in UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def flights_by_tail(flown: pd.DataFrame) -> dict[str, list[Flight]]:
    """Flights of every tail with enough of them to be worth a story, in order of takeoff and file."""
    often = flown[flown.groupby("aircraft")["minutes"].transform("size") >= LEAST_FLIGHTS]
    takeoff, landing = (often[name].astype("datetime64[s, UTC]").astype("int64") for name in ("departed", "arrived"))
    by_tail: dict[str, list[Flight]] = {}
    for tail, *flight in zip(often["aircraft"], often["flight_id"], takeoff, landing, often["minutes"], strict=True):
        by_tail.setdefault(tail, []).append(Flight(*flight))
    return {tail: sorted(flights, key=lambda one: one.takeoff) for tail, flights in sorted(by_tail.items())}


def boots(tail: str, flights: list[Flight], chance: Random) -> list[Boot]:
    """A left boot that may be swapped in the year, and a right one that may come late."""
    long_ago = seconds("2012-06-01")
    fitted = chance.choice([long_ago, long_ago, seconds("2013-02-14T09:30")])
    found = [Boot(f"{tail}-R", tail, RIGHT, fitted, None)]
    if chance.random() < 0.5:
        return [*found, Boot(f"{tail}-L", tail, LEFT, long_ago, None)]
    # Swapped some hours before a takeoff, or at the very moment of one.
    swap = chance.choice(flights[10:]).takeoff - chance.choice([0, 1, 3 * 3600, 9 * 3600])
    return [
        *found,
        Boot(f"{tail}-L1", tail, LEFT, long_ago, swap),
        Boot(f"{tail}-L2", tail, LEFT, swap, None),
    ]


# From the last coat to a takeoff, in seconds: around 24 hours, at once, far off.
WAITS = (0, 1, 12 * 3600, DAY - 60, DAY - 1, DAY, DAY + 1, DAY + 60, 3 * DAY)


def preservations(tail: str, flights: list[Flight], own: list[Boot], chance: Random) -> Iterator[Record]:
    """Coats of preservative that end a little or long before a takeoff, or a little or long before a swap."""
    late = max(boot.installed for boot in own if boot.position == RIGHT)
    ends = [chance.choice(flights).takeoff - chance.choice(WAITS) for _ in range(8)]
    ends += [boot.removed - chance.choice((3600, 20 * 3600)) for boot in own if boot.removed is not None]
    for number, end in enumerate(ends):
        right_is_there = end - DAY >= late
        position = chance.choice(
            [LEFT, "all", *((RIGHT, f"{LEFT}; {RIGHT}", f"{RIGHT};{LEFT}") if right_is_there else ())]
        )
        order = f"{tail}-P{number}"
        coats = chance.choice((1, 2, 3))
        for coat in range(coats, 0, -1):
            finish = end - (coats - coat) * 2400
            yield Record(tail, order, position, "Fennel Guard", finish - 900, finish, coat)
        # Records that neither start nor lengthen a hold: unfinished, void, no application, another product.
        idle = Record(tail, order, position, "Fennel Guard", end + 600, end + 4200, 9)
        others = (replace(idle, status="open"), replace(idle, status="void"), replace(idle, action="prepare"))
        yield from (other for other in (*others, replace(idle, product="Rill Wash")) if chance.random() < 0.2)


def treatments(tail: str, flights: list[Flight], own: list[Boot], chance: Random) -> Iterator[Record]:
    """Ice-adhesion treatments: the first two exactly 50 flight hours apart, or a minute more, where the tail's spring
    has two such moments; the others as far apart as it comes."""
    late = max(boot.installed for boot in own if boot.position == RIGHT)
    minutes = chance.choice((3000, 3001))
    first, second = apart(flights, minutes) or (len(flights) // 3, len(flights) // 2)
    before = [first, second]
    while before[-1] + 60 < len(flights):
        before.append(before[-1] + chance.choice((5, 12, 20, 25, 35, 60)))
    for number, index in enumerate(before):
        # Done some time or a second before a takeoff, or at that very second.
        end = flights[index].takeoff - chance.choice((0, 0, 1, 300))
        position = f"{LEFT}; {RIGHT}" if end - DAY >= late else chance.choice((LEFT, "all"))
        yield Record(tail, f"{tail}-T{number}", position, "Moss Shield", end - 1200, end)


def apart(flights: list[Flight], minutes: int) -> tuple[int, int] | None:
    """Two flights of January to April from the first of which to just before the second so many minutes were flown."""
    spring = [flight for flight in flights if flight.takeoff < seconds("2013-04-30")]
    before: dict[int, int] = {}
    total = 0
    for index, flight in enumerate(spring):
        before[total] = index
        if total - minutes in before:
            return before[total - minutes], index
        total += flight.minutes
    return None


def clock(instant: int, station: str, chance: Random) -> str:
    """An instant as a record has it: wall clock of the station, unless that could mean two; or with its offset."""
    zone = ZoneInfo(zone_of(station))
    local = datetime.fromtimestamp(instant, zone)
    twice = local.utcoffset() != local.replace(fold=1 - local.fold).utcoffset()
    if twice or chance.random() < 0.2:
        return local.isoformat()
    return local.replace(tzinfo=None).isoformat()


@cache
def zone_of(station: str) -> str:
    """The time zone whose clock an invented station keeps."""
    return CLOCKS_OF[station]


@dataclass(frozen=True)
class Planted:
    """All that was invented around the flights."""

    flights: dict[str, list[Flight]]
    boots: list[Boot]
    records: list[Record]


def plant(flown: pd.DataFrame, seed: int = 2013) -> Planted:
    """Invent boots and records for every tail with enough flights."""
    chance = Random(seed)
    flights = flights_by_tail(flown)
    fitted: list[Boot] = []
    records: list[Record] = []
    for tail, own_flights in flights.items():
        own = boots(tail, own_flights, chance)
        fitted += own
        records += preservations(tail, own_flights, own, chance)
        records += treatments(tail, own_flights, own, chance)
    chance.shuffle(records)
    return Planted(flights, fitted, records)
