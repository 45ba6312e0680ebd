"""The two rules about time as SQL for SQLite, from their wording alone: instants in seconds UTC, hours in minutes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from tests.external.planted import PRODUCTS, Planted

NEVER = 2**62
Row = tuple[str | int | None, ...]

TABLES = """
CREATE TABLE flight (number INTEGER PRIMARY KEY, name, aircraft, takeoff, landing, minutes);
CREATE TABLE boot (serial, aircraft, position, installed, removed);
CREATE TABLE record (aircraft, work_order, position, class, start, finish, action, status);
CREATE TABLE season (opens, closes);
CREATE TABLE horizon (at);
INSERT INTO season VALUES (unixepoch('2012-10-01'), unixepoch('2013-05-01')),
                          (unixepoch('2013-10-01'), unixepoch('2014-05-01'));
"""

PREPARE = """
CREATE INDEX flown ON flight (aircraft, takeoff, number, minutes);
CREATE INDEX fitted ON boot (aircraft, position, installed);
CREATE INDEX recorded ON record (work_order, status);

CREATE TABLE session AS
WITH done AS (
    SELECT work_order, r.aircraft, b.position AS place, serial, class, start, finish,
           max(finish) OVER (PARTITION BY work_order, serial, class ORDER BY start, finish
                             ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS reached
    FROM record AS r JOIN boot AS b
      ON b.aircraft = r.aircraft AND b.installed <= r.start AND r.start < b.removed
     AND (r.position = 'all' OR instr(';' || replace(r.position, '; ', ';') || ';', ';' || b.position || ';'))
    WHERE action = 'apply' AND status IN ('', 'closed')),
parted AS (
    SELECT *, sum(start - reached > 86400 OR EXISTS (
                      SELECT * FROM flight AS f
                      WHERE f.aircraft = done.aircraft AND takeoff >= reached AND takeoff < start))
              OVER (PARTITION BY work_order, serial, class ORDER BY start, finish) AS part
    FROM done)
SELECT work_order, aircraft, place, serial, class, min(start) AS start, max(finish) AS finish
FROM parted GROUP BY work_order, aircraft, place, serial, class, coalesce(part, 0);

-- Where an aircraft has no flight for more than 14 days, and more than four times as long as nine of ten of its gaps,
-- flights may be missing.
CREATE TABLE gap AS
WITH pause AS (
    SELECT aircraft, landing AS opens, lead(takeoff) OVER flown AS closes
    FROM flight WINDOW flown AS (PARTITION BY aircraft ORDER BY takeoff, number)),
ranked AS (
    SELECT aircraft, closes - opens AS habit,
           row_number() OVER (PARTITION BY aircraft ORDER BY closes - opens) - 1 AS nth,
           count(*) OVER (PARTITION BY aircraft) AS pauses
    FROM pause WHERE closes IS NOT NULL),
every AS (
    SELECT aircraft, opens, coalesce(closes, (SELECT at FROM horizon) + 1) AS closes FROM pause
    UNION ALL
    SELECT aircraft, (SELECT min(since) FROM (SELECT start AS since FROM record UNION SELECT takeoff FROM flight)),
           min(takeoff)
    FROM flight GROUP BY aircraft)
SELECT aircraft, opens, closes FROM every JOIN ranked USING (aircraft)
WHERE nth = pauses * 9 / 10 AND closes - opens > max(14 * 86400, 4 * habit);
"""

# Hours that are longer than from takeoff to landing, or less than half of that, by more than a tenth, may be others.
DOUBTFUL = """
CREATE TABLE doubtful AS
SELECT aircraft, takeoff FROM flight
WHERE minutes * 60 > landing - takeoff + 360 OR 2 * minutes * 60 < landing - takeoff - 720;
"""

# A coat that is still open may have been the last of its session, and the hold begin later.
HOLDS = """
WITH hold AS (
    SELECT work_order, session.aircraft, place, serial, finish, min(finish + 86400, removed) AS until,
           min(86400 + (
               SELECT coalesce(max(r.finish), 0) FROM record AS r
               WHERE r.status = 'open' AND r.action = 'apply' AND r.class = session.class
                 AND r.work_order = session.work_order AND r.aircraft = session.aircraft
                 AND (r.position = 'all' OR instr(';' || replace(r.position, '; ', ';') || ';', ';' || place || ';'))
                 AND r.start >= installed AND r.start < removed
                 AND r.start - session.finish <= 86400 AND session.start - r.finish <= 86400
                 AND NOT EXISTS (
                     SELECT * FROM flight AS f WHERE f.aircraft = r.aircraft
                       AND takeoff >= min(r.finish, session.finish) AND takeoff < max(r.start, session.start))),
               removed) AS perhaps_until
    FROM session JOIN boot USING (serial) WHERE class = 'rubber-preservative')
SELECT work_order, aircraft, place, serial, finish,
       (SELECT number FROM flight AS f
         WHERE f.aircraft = hold.aircraft AND takeoff >= finish AND takeoff < until
         ORDER BY takeoff, number LIMIT 1) AS flight,
       max(until, perhaps_until) > (SELECT at FROM horizon) OR EXISTS (
           SELECT * FROM flight AS f
           WHERE f.aircraft = hold.aircraft AND takeoff >= finish AND takeoff < perhaps_until) OR EXISTS (
           SELECT * FROM gap
           WHERE gap.aircraft = hold.aircraft AND opens < max(until, perhaps_until) AND closes > finish) AS unseen
FROM hold
"""

# A boot's time on the aircraft in each season, cut at its treatments.
SEGMENTS = """
CREATE TABLE segment AS
WITH stretch AS (
    SELECT serial, aircraft, position AS place,
           max(installed, opens, (SELECT min(takeoff) FROM flight)) AS start,
           min(removed, closes, (SELECT at FROM horizon) + 1) AS finish
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
SELECT work_order, aircraft, place, serial, number,
       EXISTS (SELECT * FROM gap
                WHERE gap.aircraft = segment.aircraft AND opens < segment.finish AND closes > segment.start)
       OR EXISTS (SELECT * FROM doubtful
                   WHERE doubtful.aircraft = segment.aircraft AND takeoff >= segment.start
                     AND takeoff < segment.finish) AS unseen,
       over.total
FROM segment LEFT JOIN over USING (segment)
LEFT JOIN meter ON meter.segment = segment.segment AND meter.total = crossing
"""


def database(planted: Planted, as_of: int) -> sqlite3.Connection:
    """Real flights and planted records in a database of their own."""
    engine = sqlite3.connect(":memory:")
    engine.executescript(TABLES)
    engine.execute("INSERT INTO horizon VALUES (?)", (as_of,))

    def fill(table: str, rows: Iterable[Row]) -> None:
        listed = list(rows)
        engine.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * len(listed[0]))})", listed)

    fill(
        "flight",
        (
            (None, flight.name, tail, flight.takeoff, flight.landing, flight.minutes)
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
    engine.executescript(PREPARE + DOUBTFUL)
    return engine


def holds(engine: sqlite3.Connection) -> tuple[int, set[Row], list[Row]]:
    """How many sessions of preservative; those flown within 24 hours: work order, aircraft, position, boot, flight,
    takeoff, seconds since the last coat; and those that may have flown unrecorded, by their first three."""
    sessions = engine.execute(HOLDS).fetchall()
    flights = dict(_flights(engine))
    found = {
        (*session, *flights[flight], flights[flight][1] - finish)
        for *session, finish, flight, _ in sessions
        if flight is not None
    }
    unseen = sorted(
        (order, aircraft, place)
        for order, aircraft, place, _, _, flight, unseen in sessions
        if flight is None and unseen
    )
    return len(sessions), found, unseen


def intervals(engine: sqlite3.Connection) -> tuple[list[int], set[Row], list[Row]]:
    """Minutes flown in each segment; the segments with more than 50 hours: work order (blank where none began it),
    aircraft, position, boot, flight that went over, its takeoff, minutes flown; and those in which more may have been
    flown, unrecorded or by doubtful hours, by their first three."""
    engine.execute(SEGMENTS)
    segments = engine.execute(INTERVALS).fetchall()
    flights = dict(_flights(engine))
    found = {
        (order or "", *boot, *flights[flight], total)
        for order, *boot, flight, _, total in segments
        if flight is not None
    }
    unseen = sorted(
        (order or "", aircraft, place)
        for order, aircraft, place, _, flight, unseen, _ in segments
        if flight is None and unseen
    )
    return [total or 0 for *_, total in segments], found, unseen


def _flights(engine: sqlite3.Connection) -> Iterable[tuple[int, tuple[str, int]]]:
    for number, name, takeoff in engine.execute("SELECT number, name, takeoff FROM flight"):
        yield number, (name, takeoff)
