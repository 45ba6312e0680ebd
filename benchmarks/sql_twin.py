"""The five main rules as hand-written SQL for an embedded analytical engine: the yardstick of the benchmark.

It reads the same files, applies the same definitions (closed records, sessions, position lists and `all`, half-open
component intervals, holds that end with the boot's removal, seasons) and writes one CSV of findings a rule. It does not
check the export: no quarantine, no duplicate keys, no unjudged outcomes, no report.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import duckdb

PREPARE = """
CREATE TEMP TABLE boots AS
SELECT component_serial, aircraft, position, material, finish, installed_at,
       coalesce(removed_at, TIMESTAMPTZ '9999-01-01 00:00:00Z') AS removed_at
FROM components;

CREATE TEMP TABLE used AS
SELECT task_id, work_order, aircraft, action, product_class, position, started_at, finished_at,
       ppe_worn, ppe_signed_by
FROM tasks JOIN products USING (product)
WHERE coalesce(status, 'closed') = 'closed';

CREATE TEMP TABLE horizon AS
SELECT min(first) AS since, max(last) AS as_of FROM (
    SELECT min(started_at) AS first, greatest(max(finished_at), max(signed_at)) AS last FROM tasks
    UNION ALL SELECT min(takeoff_at), max(landing_at) FROM flights
    UNION ALL SELECT NULL, greatest(max(installed_at), max(removed_at)) FROM components);

CREATE TEMP MACRO placed(class) AS TABLE
SELECT task_id, work_order, aircraft, place, started_at, finished_at
FROM (SELECT *, unnest(list_distinct(list_transform(string_split(position, ';'), lambda one: trim(one)))) AS place
      FROM used WHERE action = 'apply' AND product_class = class AND position <> 'all')
UNION ALL
SELECT task_id, work_order, used.aircraft, boots.position, started_at, finished_at
FROM used JOIN boots ON boots.aircraft = used.aircraft
 AND installed_at <= started_at AND started_at < removed_at
WHERE action = 'apply' AND product_class = class AND used.position = 'all';

CREATE TEMP TABLE preserved AS SELECT * FROM placed('rubber-preservative');
CREATE TEMP TABLE treated AS SELECT * FROM placed('ice-adhesion-treatment');
"""

RULES = {
    "preservative-on-wrong-material": """
SELECT task_id, string_agg(place, '; ' ORDER BY place) AS position
FROM preserved JOIN boots ON boots.aircraft = preserved.aircraft AND boots.position = place
 AND installed_at <= started_at AND started_at < removed_at
WHERE material <> 'chloroprene' OR finish <> 'black'
GROUP BY task_id""",
    "flight-before-cure": """
WITH session AS (
    SELECT aircraft, work_order, place, min(started_at) AS start, max(finished_at) AS finish
    FROM preserved GROUP BY ALL),
held AS (
    SELECT session.*, boots.removed_at
    FROM session LEFT JOIN boots ON boots.aircraft = session.aircraft AND boots.position = place
     AND installed_at <= start AND start < removed_at)
SELECT work_order, place AS position, flight_id, epoch(takeoff_at - finish) / 3600 AS hours
FROM held ASOF JOIN flights ON held.aircraft = flights.aircraft AND takeoff_at >= finish
WHERE takeoff_at < finish + INTERVAL 24 HOUR AND (removed_at IS NULL OR takeoff_at < removed_at)""",
    "ice-adhesion-treatment-not-last": """
WITH bound AS (
    SELECT work_order, aircraft, place, max(started_at) AS last_start FROM treated GROUP BY ALL),
other AS (
    SELECT task_id, used.work_order, used.aircraft, used.position, started_at
    FROM used SEMI JOIN bound ON used.work_order = bound.work_order
    WHERE action IN ('apply', 'clean', 'prepare') AND product_class <> 'ice-adhesion-treatment'),
placed_other AS (
    SELECT task_id, work_order, aircraft, started_at, trim(place) AS place
    FROM (SELECT *, unnest(string_split(position, ';')) AS place FROM other WHERE position <> 'all')
    UNION ALL
    SELECT task_id, work_order, other.aircraft, started_at, boots.position
    FROM other JOIN boots ON boots.aircraft = other.aircraft
     AND installed_at <= started_at AND started_at < removed_at
    WHERE other.position = 'all')
SELECT bound.work_order, place AS position, arg_max(task_id, started_at) AS task_id
FROM bound JOIN placed_other USING (work_order, aircraft, place)
GROUP BY ALL HAVING max(started_at) > any_value(last_start)""",
    "ppe-sign-off-missing": """
SELECT task_id FROM used
WHERE ppe_worn IS NULL OR ppe_signed_by IS NULL
   OR NOT list_has_all(list_transform(string_split(ppe_worn, ';'), lambda one: trim(one)),
                       ['eye-protection', 'chemical-gloves'])""",
    "ice-adhesion-treatment-overdue": """
WITH flown AS (
    SELECT aircraft, takeoff_at,
           sum(epoch_us(landing_at) - epoch_us(takeoff_at)) OVER (PARTITION BY aircraft ORDER BY takeoff_at) AS total
    FROM flights),
session AS (
    SELECT aircraft, work_order, place, max(finished_at) AS finish FROM treated GROUP BY ALL),
season AS (
    SELECT make_timestamptz(year, 10, 1, 0, 0, 0, 'UTC') AS opens,
           make_timestamptz(year + 1, 5, 1, 0, 0, 0, 'UTC') AS closes
    FROM (SELECT unnest(range(year(since) - 1, year(as_of) + 1)) AS year FROM horizon)),
stretch AS (
    SELECT component_serial, aircraft, position AS place, opens, greatest(installed_at, opens, since) AS start,
           least(removed_at, closes, as_of + INTERVAL 1 MICROSECOND) AS finish
    FROM boots, season, horizon
    WHERE greatest(installed_at, opens, since) < least(removed_at, closes, as_of + INTERVAL 1 MICROSECOND)),
cut AS (
    SELECT component_serial, aircraft, place, opens, start, finish AS closes, NULL AS work_order FROM stretch
    UNION ALL
    SELECT component_serial, stretch.aircraft, stretch.place, opens, session.finish, stretch.finish, work_order
    FROM stretch JOIN session ON session.aircraft = stretch.aircraft AND session.place = stretch.place
     AND session.finish >= start AND session.finish < stretch.finish),
segment AS (
    SELECT *, coalesce(lead(start) OVER (PARTITION BY component_serial, opens ORDER BY start), closes) AS finish
    FROM cut),
begun AS (
    SELECT segment.*, coalesce(total, 0) AS before
    FROM segment ASOF LEFT JOIN flown ON segment.aircraft = flown.aircraft AND flown.takeoff_at < start),
ended AS (
    SELECT begun.*, coalesce(total, 0) AS after
    FROM begun ASOF LEFT JOIN flown ON begun.aircraft = flown.aircraft AND flown.takeoff_at < begun.finish)
SELECT work_order, aircraft, place AS position, start, (after - before) / 3600e6 AS hours
FROM ended WHERE after - before > 50 * 3600 * 1000000::BIGINT""",
}
"""Findings by rule; the columns are the natural keys of the finding and its figure."""


def run(export: Path, out: Path, form: str = "parquet") -> dict[str, float]:
    """Judge the export and write `<rule>.csv` files; returns seconds by step."""
    out.mkdir(parents=True, exist_ok=True)
    seconds: dict[str, float] = {}
    with duckdb.connect(config={"threads": 2}) as engine:
        engine.execute("SET TimeZone = 'UTC'")
        started = time.perf_counter()
        for name in ("tasks", "flights", "components", "products"):
            reader = "read_parquet" if form == "parquet" else "read_csv"
            engine.execute(f"CREATE VIEW {name} AS SELECT * FROM {reader}('{export / name}.{form}')")
        engine.execute(PREPARE)
        seconds["prepare"] = time.perf_counter() - started
        for rule, query in RULES.items():
            started = time.perf_counter()
            engine.execute(f"COPY ({query}) TO '{out / rule}.csv' (HEADER)")
            seconds[rule] = time.perf_counter() - started
    return seconds


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("export", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--form", choices=("parquet", "csv"), default="parquet")
    options = parser.parse_args()
    for step, took in run(options.export, options.out, options.form).items():
        print(f"{step:34} {took:6.2f} s")


if __name__ == "__main__":
    main()
