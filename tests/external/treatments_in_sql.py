"""The two rules about time as SQL for SQLite, from their wording alone: instants in seconds UTC, hours in minutes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from tests.external.planted import PRODUCTS, Planted

NEVER = 2**62
Row = tuple[str | int | None, ...]

TABLES = """
CREATE TABLE flight (number INTEGER PRIMARY KEY, name, aircraft, takeoff, minutes);
CREATE TABLE boot (serial, aircraft, position, installed, removed);
CREATE TABLE record (aircraft, work_order, position, class, start, finish, action, status);
CREATE TABLE season (opens, closes);
INSERT INTO season VALUES (unixepoch('2012-10-01'), unixepoch('2013-05-01')),
                          (unixepoch('2013-10-01'), unixepoch('2014-05-01'));
"""

PREPARE = """
CREATE INDEX flown ON flight (aircraft, takeoff, number, minutes);
CREATE INDEX fitted ON boot (aircraft, position, installed);

CREATE TABLE session AS
SELECT s.*, (SELECT serial FROM boot AS b
              WHERE b.aircraft = s.aircraft AND b.position = place AND installed <= start AND start < removed) AS serial
FROM (SELECT work_order, r.aircraft, b.position AS place, class, min(start) AS start, max(finish) AS finish
      FROM record AS r JOIN boot AS b
        ON b.aircraft = r.aircraft AND b.installed <= r.start AND r.start < b.removed
       AND (r.position = 'all' OR instr(';' || replace(r.position, '; ', ';') || ';', ';' || b.position || ';'))
      WHERE action = 'apply' AND status IN ('', 'closed')
      GROUP BY work_order, r.aircraft, b.position, class) AS s;
"""

HOLDS = """
SELECT work_order, session.aircraft, place, serial, finish,
       (SELECT number FROM flight AS f
         WHERE f.aircraft = session.aircraft AND takeoff >= finish AND takeoff < min(finish + 86400, removed)
         ORDER BY takeoff, number LIMIT 1) AS flight
FROM session JOIN boot USING (serial) WHERE class = 'rubber-preservative'
"""

# A boot's time on the aircraft in each season, cut at its treatments.
SEGMENTS = """
CREATE TABLE segment AS
WITH stretch AS (
    SELECT serial, aircraft, position AS place,
           max(installed, opens, (SELECT min(takeoff) FROM flight)) AS start, min(removed, closes, :as_of + 1) AS finish
    FROM boot, season),
cut AS (
    SELECT serial, aircraft, place, start AS stretch, start, finish, NULL AS work_order
    FROM stretch WHERE start < finish
    UNION ALL
    SELECT serial, w.aircraft, w.place, w.start, s.finish, w.finish, s.work_order
    FROM stretch AS w JOIN session AS s USING (serial)
    WHERE class = 'ice-adhesion-treatment' AND w.start <= s.finish AND s.finish < w.finish)
SELECT row_number() OVER () AS segment, serial, aircraft, place, work_order, start,
       lead(start, 1, finish) OVER (PARTITION BY serial, stretch ORDER BY start, work_order) AS finish
FROM cut;
"""

INTERVALS = """
WITH meter AS MATERIALIZED (
    SELECT segment, number, sum(minutes) OVER (PARTITION BY segment ORDER BY takeoff, number) AS total
    FROM segment JOIN flight USING (aircraft) WHERE start <= takeoff AND takeoff < finish),
over AS (
    SELECT segment, max(total) AS total, min(CASE WHEN total > 3000 THEN total END) AS crossing
    FROM meter GROUP BY segment)
SELECT work_order, aircraft, place, serial, number, over.total
FROM segment LEFT JOIN over USING (segment)
LEFT JOIN meter ON meter.segment = segment.segment AND meter.total = crossing
"""


def database(planted: Planted) -> sqlite3.Connection:
    """Real flights and planted records in a database of their own."""
    engine = sqlite3.connect(":memory:")
    engine.executescript(TABLES)

    def fill(table: str, rows: Iterable[Row]) -> None:
        listed = list(rows)
        engine.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * len(listed[0]))})", listed)

    fill(
        "flight",
        (
            (None, flight.name, tail, flight.takeoff, flight.minutes)
            for tail, flights in planted.flights.items()
            for flight in flights
        ),
    )
    fill(
        "boot",
        (
            (boot.serial, boot.aircraft, boot.position, boot.installed, NEVER if boot.removed is None else boot.removed)
            for boot in planted.boots
        ),
    )
    fill(
        "record",
        (
            (r.aircraft, r.work_order, r.position, PRODUCTS[r.product], r.start, r.finish, r.action, r.status)
            for r in planted.records
        ),
    )
    engine.executescript(PREPARE)
    return engine


def holds(engine: sqlite3.Connection) -> tuple[int, set[Row]]:
    """How many sessions of preservative, and those flown within 24 hours: work order, aircraft, position, boot, flight,
    takeoff, seconds since the last coat."""
    sessions = engine.execute(HOLDS).fetchall()
    flights = dict(_flights(engine))
    return len(sessions), {
        (*session, *flights[flight], flights[flight][1] - finish)
        for *session, finish, flight in sessions
        if flight is not None
    }


def intervals(engine: sqlite3.Connection, as_of: int) -> tuple[list[int], set[Row]]:
    """Minutes flown in each segment, and the segments with more than 50 hours: work order (blank where none began it),
    aircraft, position, boot, flight that went over, its takeoff, minutes flown."""
    engine.execute(SEGMENTS, {"as_of": as_of})
    segments = engine.execute(INTERVALS).fetchall()
    flights = dict(_flights(engine))
    return [total or 0 for *_, total in segments], {
        (order or "", *boot, *flights[flight], total) for order, *boot, flight, total in segments if flight is not None
    }


def _flights(engine: sqlite3.Connection) -> Iterable[tuple[int, tuple[str, int]]]:
    for number, name, takeoff in engine.execute("SELECT number, name, takeoff FROM flight"):
        yield number, (name, takeoff)
