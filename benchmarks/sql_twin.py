"""The same rules as hand-written SQL for an embedded analytical engine: the yardstick of the benchmark.

It reads the same files, applies the same definitions (closed records, position lists and `all`, half-open component
intervals, sessions, holds that end with the boot's removal, seasons) and writes one CSV of findings a rule. It assumes
a sound export: no quarantine, no duplicate keys, no blank text, no wall-clock times, no unjudged outcomes, no report.

Written to be fast: each file is scanned for the columns needed, events meet holds by the day, and hours flown are
looked up once for each aircraft and moment.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Collection
from pathlib import Path

import duckdb

COLUMNS = {
    "tasks": "task_id, work_order, aircraft, action, started_at, finished_at, signed_at, status, position, product, "
    "ppe_worn, ppe_signed_by",
    "flights": "flight_id, aircraft, takeoff_at, landing_at, flight_hours",
    "components": "component_serial, aircraft, position, material, finish, installed_at, removed_at",
    "products": "product, product_class",
}

PREPARE = """
CREATE TEMP TABLE boots AS
SELECT component_serial, aircraft, position AS place, material, finish, installed_at,
       coalesce(removed_at, 'infinity'::TIMESTAMPTZ) AS removed_at
FROM components;

CREATE TEMP TABLE used AS
SELECT task_id, work_order, aircraft, product_class, action, position, started_at, finished_at
FROM tasks JOIN products USING (product)
WHERE coalesce(status, 'closed') = 'closed' AND action IN ('apply', 'clean', 'prepare');

-- Which places a record's position means. `all` may mean any; what is installed decides.
CREATE TEMP TABLE meant AS
SELECT position, unnest(list_distinct(list_transform(string_split(position, ';'), lambda one: trim(one)))) AS place
FROM (SELECT DISTINCT position FROM used) WHERE position <> 'all'
UNION ALL
SELECT 'all', place FROM (SELECT DISTINCT place FROM boots);

CREATE TEMP VIEW placed AS
SELECT used.*, meant.place, component_serial, material, boots.finish, removed_at
FROM used JOIN meant USING (position)
LEFT JOIN boots ON boots.aircraft = used.aircraft AND boots.place = meant.place
 AND installed_at <= started_at AND started_at < removed_at
WHERE position <> 'all' OR component_serial IS NOT NULL;

CREATE TEMP TABLE preserved AS
FROM placed WHERE action = 'apply' AND product_class = 'rubber-preservative';

CREATE TEMP TABLE treated AS
FROM placed WHERE action = 'apply' AND product_class = 'ice-adhesion-treatment';

-- Sessions of preservative and what they forbid, a row for each UTC day that the hold touches.
CREATE TEMP TABLE held AS
SELECT *, unnest([epoch_us(since) // 86_400_000_000, epoch_us(since) // 86_400_000_000 + 1]) AS day
FROM (SELECT work_order, aircraft, place, max(finished_at) AS since,
             least(since + INTERVAL 24 HOUR, coalesce(arg_min(removed_at, started_at), 'infinity')) AS until
      FROM preserved GROUP BY ALL);
"""

RULES = {
    "preservative-on-wrong-material": """
SELECT task_id, string_agg(place, '; ' ORDER BY place) AS position
FROM preserved WHERE material <> 'chloroprene' OR finish <> 'black'
GROUP BY ALL""",
    "flight-before-cure": """
SELECT work_order, held.aircraft, place AS position, arg_min(flight_id, takeoff_at) AS flight_id,
       (epoch_us(min(takeoff_at)) - epoch_us(since)) / 3600e6 AS measured
FROM held JOIN flights ON held.aircraft = flights.aircraft AND day = epoch_us(takeoff_at) // 86_400_000_000
WHERE takeoff_at >= since AND takeoff_at < until
GROUP BY work_order, held.aircraft, place, since""",
    "ice-adhesion-treatment-not-last": """
WITH bound AS MATERIALIZED (
    SELECT work_order, aircraft, place, component_serial, max(started_at) AS last_start FROM treated GROUP BY ALL),
rival AS MATERIALIZED (
    FROM used WHERE product_class <> 'ice-adhesion-treatment' AND work_order IN (SELECT work_order FROM bound)),
after AS (
    SELECT bound.*, task_id, started_at
    FROM rival JOIN meant USING (position) JOIN bound USING (work_order, aircraft, place)
    WHERE started_at > last_start)
SELECT work_order, after.aircraft, after.place AS position, arg_max(task_id, started_at) AS task_id
FROM after LEFT JOIN boots ON boots.aircraft = after.aircraft AND boots.place = after.place
 AND installed_at <= started_at AND started_at < removed_at
WHERE boots.component_serial IS NOT DISTINCT FROM after.component_serial
GROUP BY ALL""",
    "ppe-sign-off-missing": """
SELECT task_id FROM tasks
WHERE product IS NOT NULL AND coalesce(status, 'closed') = 'closed'
  AND (ppe_signed_by IS NULL OR ppe_worn IS NULL
    OR NOT (regexp_matches(ppe_worn, '(^|;)\\s*eye-protection\\s*(;|$)')
        AND regexp_matches(ppe_worn, '(^|;)\\s*chemical-gloves\\s*(;|$)')))""",
    "ice-adhesion-treatment-overdue": """
WITH horizon AS MATERIALIZED (
    SELECT min(first) AS since, max(last) AS as_of FROM (
        SELECT min(started_at) AS first, greatest(max(finished_at), max(signed_at)) AS last FROM tasks
        UNION ALL SELECT min(takeoff_at), max(landing_at) FROM flights
        UNION ALL SELECT NULL, greatest(max(installed_at), max(removed_at)) FROM components)),
season AS (
    SELECT make_timestamptz(year, 10, 1, 0, 0, 0, 'UTC') AS opens,
           make_timestamptz(year + 1, 5, 1, 0, 0, 0, 'UTC') AS closes
    FROM (SELECT unnest(range(year(since) - 1, year(as_of) + 1)) AS year FROM horizon)),
-- A boot's time on an aircraft, season by season; the as-of time itself belongs to it.
stretch AS MATERIALIZED (
    SELECT row_number() OVER () AS stretch, component_serial, aircraft, place,
           greatest(installed_at, opens, since) AS start,
           least(removed_at, closes, as_of + INTERVAL 1 MICROSECOND) AS finish
    FROM boots, season, horizon
    WHERE greatest(installed_at, opens, since) < least(removed_at, closes, as_of + INTERVAL 1 MICROSECOND)),
session AS (
    SELECT work_order, aircraft, place, max(finished_at) AS done FROM treated GROUP BY ALL),
cut AS (
    FROM (SELECT stretch, component_serial, aircraft, place, start, finish, NULL AS work_order FROM stretch)
    UNION ALL
    SELECT stretch, component_serial, stretch.aircraft, stretch.place, done, finish, session.work_order
    FROM stretch JOIN session ON session.aircraft = stretch.aircraft AND session.place = stretch.place
     AND done >= start AND done < finish),
segment AS MATERIALIZED (
    SELECT * EXCLUDE finish,
           lead(start, 1, finish) OVER (PARTITION BY stretch ORDER BY start, work_order NULLS FIRST) AS finish
    FROM cut),
-- Running hours, of the months of the season only: what is flown in the others is in no segment.
flown AS (
    SELECT aircraft, takeoff_at,
           sum(coalesce(round(flight_hours * 3600e6)::BIGINT, epoch_us(landing_at) - epoch_us(takeoff_at)))
               OVER (PARTITION BY aircraft ORDER BY takeoff_at) AS total
    FROM flights WHERE month(takeoff_at) NOT BETWEEN 5 AND 9),
moment AS (
    SELECT aircraft, start AS instant FROM segment UNION SELECT aircraft, finish FROM segment),
meter AS MATERIALIZED (
    SELECT moment.aircraft, instant, coalesce(total, 0) AS total
    FROM moment ASOF LEFT JOIN flown ON moment.aircraft = flown.aircraft AND takeoff_at < instant)
SELECT work_order, segment.aircraft, place AS position, component_serial, start,
       (ended.total - begun.total) / 3600e6 AS measured
FROM segment
JOIN meter AS begun ON begun.aircraft = segment.aircraft AND begun.instant = start
JOIN meter AS ended ON ended.aircraft = segment.aircraft AND ended.instant = finish
WHERE ended.total - begun.total > 50 * 3_600_000_000""",
    "product-before-cure": """
WITH near AS MATERIALIZED (
    SELECT held.* EXCLUDE day, task_id, position, started_at
    FROM held JOIN used ON held.aircraft = used.aircraft AND day = epoch_us(started_at) // 86_400_000_000
    WHERE product_class <> 'rubber-preservative' AND started_at >= since AND started_at < until),
there AS (
    SELECT near.* FROM near JOIN meant ON near.position = meant.position AND near.place = meant.place
    WHERE near.position <> 'all'
       OR EXISTS (FROM boots WHERE boots.aircraft = near.aircraft AND boots.place = near.place
                   AND installed_at <= started_at AND started_at < removed_at))
SELECT work_order, aircraft, place AS position, (epoch_us(min(started_at)) - epoch_us(since)) / 3600e6 AS measured
FROM there GROUP BY work_order, aircraft, place, since""",
}
"""Findings by rule: the columns that name a finding, and its figure in hours. The first five are the main rules."""

MAIN_RULES = tuple(RULES)[:5]


def run(
    export: Path, out: Path, form: str = "parquet", rules: Collection[str] = MAIN_RULES, threads: int = 2
) -> dict[str, float]:
    """Judge the export and write `<rule>.csv` files; returns seconds by step."""
    out.mkdir(parents=True, exist_ok=True)
    seconds: dict[str, float] = {}
    with duckdb.connect(config={"threads": threads}) as engine:
        engine.execute("SET TimeZone = 'UTC'")
        started = time.perf_counter()
        for name, columns in COLUMNS.items():
            # A CSV is read once; a Parquet file is as quick to read as a table.
            kind, reader = ("TEMP TABLE", "read_csv") if form == "csv" else ("VIEW", "read_parquet")
            path = str(export / f"{name}.{form}").replace("'", "''")
            engine.execute(f"CREATE {kind} {name} AS SELECT {columns} FROM {reader}('{path}')")
        seconds["read"] = time.perf_counter() - started
        started = time.perf_counter()
        engine.execute(PREPARE)
        seconds["prepare"] = time.perf_counter() - started
        for rule in rules:
            started = time.perf_counter()
            path = str(out / f"{rule}.csv").replace("'", "''")
            engine.execute(f"COPY ({RULES[rule]}) TO '{path}' (HEADER)")
            seconds[rule] = time.perf_counter() - started
    return seconds


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("export", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--form", choices=("parquet", "csv"), default="parquet")
    parser.add_argument("--sixth", action="store_true", help="judge product-before-cure too")
    options = parser.parse_args()
    rules = tuple(RULES) if options.sixth else MAIN_RULES
    seconds = run(options.export, options.out, options.form, rules)
    for step, took in seconds.items():
        print(f"{step:34} {took:6.2f} s")
    print(f"{'all':34} {sum(seconds.values()):6.2f} s")


if __name__ == "__main__":
    main()
