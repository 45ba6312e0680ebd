"""The same rules as hand-written SQL for an embedded analytical engine: the yardstick of the benchmark.

It reads the same files, applies the same definitions (closed records, position lists and `all`, half-open component
intervals, sessions that end with a takeoff or a day's pause, holds and hours that go with a boot by its serial,
seasons) and writes one CSV a rule: findings, and with a reason what is unjudged, since the flight log doesn't cover it,
a hold still runs, a job may still be going on, or a record in an order is still open. It assumes a sound export
otherwise: no quarantine, no duplicate keys, no blank text, no wall-clock times, no boot at two places at once, no two
boots of one visit both at fault, no flights listed twice and no legs missing in the log, more than eight flights of
each aircraft that is in it, no report.

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

CREATE TEMP TABLE horizon AS
SELECT min(first) AS since, max(last) AS as_of FROM (
    SELECT min(started_at) AS first, greatest(max(finished_at), max(signed_at)) AS last FROM tasks
    UNION ALL SELECT min(takeoff_at), max(landing_at) FROM flights
    UNION ALL SELECT NULL, greatest(max(installed_at), max(removed_at)) FROM components);

-- Where flights may be missing in the log: all of an aircraft that it doesn't know; where it has none for more than 14
-- days and four times what is usual for the aircraft (nine of ten gaps); and after the as-of time.
CREATE TEMP TABLE unlogged AS
WITH landed AS (
    SELECT aircraft, takeoff_at AS closes, lag(landing_at) OVER (PARTITION BY aircraft ORDER BY takeoff_at) AS opens
    FROM flights),
known AS MATERIALIZED (
    SELECT aircraft, (list(closes - opens ORDER BY closes - opens)
                      FILTER (WHERE opens IS NOT NULL))[(count(*) - 1) * 9 // 10 + 1] AS habit
    FROM landed GROUP BY aircraft),
gap AS (
    FROM landed UNION ALL
    SELECT aircraft, as_of + INTERVAL 1 MICROSECOND, max(landing_at) FROM flights, horizon GROUP BY ALL)
SELECT aircraft, coalesce(opens, since) AS opens, closes,
       'no flights of this aircraft in the log for an unusually long time' AS reason
FROM gap JOIN known USING (aircraft), horizon
WHERE closes - coalesce(opens, since) > greatest(INTERVAL 14 DAY, 4 * habit)
UNION ALL
SELECT DISTINCT aircraft, '-infinity'::TIMESTAMPTZ, as_of + INTERVAL 1 MICROSECOND,
       'no flights of this aircraft in the log'
FROM boots ANTI JOIN known USING (aircraft), horizon
UNION ALL
SELECT DISTINCT aircraft, as_of + INTERVAL 1 MICROSECOND, 'infinity'::TIMESTAMPTZ, 'still running at the as-of time'
FROM boots, horizon;

-- The last takeoffs of the day before the as-of time: a job that ended in it and was not flown since may go on.
CREATE TEMP TABLE flown_lately AS
SELECT aircraft, max(takeoff_at) AS last_takeoff FROM flights, horizon
WHERE takeoff_at > as_of - INTERVAL 24 HOUR GROUP BY aircraft;

CREATE TEMP MACRO may_go_on(ended, last_takeoff, as_of) AS
ended > as_of - INTERVAL 24 HOUR AND coalesce(last_takeoff < ended, true);

CREATE TEMP TABLE used AS
SELECT task_id, work_order, aircraft, product_class, action, position, started_at, finished_at,
       coalesce(status, 'closed') = 'closed' AS done
FROM tasks JOIN products USING (product)
WHERE coalesce(status, 'closed') IN ('closed', 'open') AND action IN ('apply', 'clean', 'prepare', 'repair');

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
FROM placed WHERE done AND action IN ('apply', 'repair') AND product_class = 'rubber-preservative';

CREATE TEMP TABLE treated AS
FROM placed WHERE done AND action = 'apply' AND product_class = 'ice-adhesion-treatment';

-- What is done to one boot under one work order is done at one go until its aircraft takes off or a day passes.
CREATE TEMP MACRO at_one_go(treatments) AS TABLE
WITH so_far AS (
    SELECT *, coalesce(component_serial, aircraft || ' ' || place) AS boot,
           max(finished_at) OVER (PARTITION BY work_order, boot ORDER BY started_at, task_id
                                  ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS reached
    FROM query_table(treatments)),
gap AS (
    SELECT DISTINCT aircraft, reached, started_at,
           unnest([epoch_us(reached) // 86_400_000_000, epoch_us(reached) // 86_400_000_000 + 1]) AS day
    FROM so_far WHERE reached < started_at AND reached >= started_at - INTERVAL 24 HOUR),
flown AS (
    SELECT DISTINCT gap.aircraft, reached, started_at
    FROM gap JOIN flights ON gap.aircraft = flights.aircraft AND day = epoch_us(takeoff_at) // 86_400_000_000
    WHERE takeoff_at >= reached AND takeoff_at < started_at)
SELECT so_far.*,
       count(*) FILTER (WHERE flown.reached IS NOT NULL OR so_far.started_at - so_far.reached > INTERVAL 24 HOUR)
           OVER (PARTITION BY work_order, boot ORDER BY so_far.started_at, task_id) AS part
FROM so_far LEFT JOIN flown
  ON flown.aircraft = so_far.aircraft AND flown.reached = so_far.reached AND flown.started_at = so_far.started_at;

-- Sessions of preservative, and where their boots are while they cure: a row for each stay, and for each UTC day of it.
CREATE TEMP TABLE held AS
SELECT session.*, unnest([epoch_us(opens) // 86_400_000_000, epoch_us(opens) // 86_400_000_000 + 1]) AS day
FROM (
    SELECT session.* EXCLUDE component_serial, component_serial AS serial,
           coalesce(boots.aircraft, session.aircraft) AS carrier, coalesce(boots.place, session.place) AS mounting,
           greatest(since, installed_at) AS opens, least(since + INTERVAL 24 HOUR, removed_at) AS until
    FROM (SELECT work_order, boot, part, any_value(component_serial) AS component_serial, max(finished_at) AS since,
                 arg_max(aircraft, finished_at) AS aircraft, arg_max(place, finished_at) AS place
          FROM at_one_go('preserved') GROUP BY ALL) AS session
    LEFT JOIN boots USING (component_serial)) AS session
WHERE opens < until;
"""

RULES = {
    "preservative-on-wrong-material": """
SELECT task_id, string_agg(place, '; ' ORDER BY place) AS position, NULL AS reason
FROM preserved WHERE material <> 'chloroprene' OR finish <> 'black'
GROUP BY ALL""",
    "flight-before-cure": """
WITH early AS MATERIALIZED (
    SELECT work_order, boot, part, held.aircraft, place AS position, arg_min(flight_id, takeoff_at) AS flight_id,
           (epoch_us(min(takeoff_at)) - epoch_us(min(since))) / 3600e6 AS measured
    FROM held JOIN flights ON held.carrier = flights.aircraft AND day = epoch_us(takeoff_at) // 86_400_000_000
    WHERE takeoff_at >= opens AND takeoff_at < until
    GROUP BY ALL)
SELECT * EXCLUDE (boot, part), NULL AS reason FROM early
UNION ALL BY NAME
SELECT work_order, held.aircraft, place AS position, min(reason) AS reason
FROM held JOIN unlogged ON held.carrier = unlogged.aircraft AND unlogged.opens < until AND closes > held.opens
ANTI JOIN early USING (work_order, boot, part)
GROUP BY work_order, boot, part, held.aircraft, place""",
    "ice-adhesion-treatment-not-last": """
WITH involved AS MATERIALIZED (
    FROM placed WHERE work_order IN (SELECT work_order FROM treated)
                  AND (action = 'apply' OR product_class <> 'ice-adhesion-treatment')),
job AS MATERIALIZED (
    SELECT *, product_class = 'ice-adhesion-treatment' AS bound FROM at_one_go('involved')),
-- What is still open may have been done: a treatment that would be the last, or a product over it.
last AS (
    SELECT work_order, boot, part, max(started_at) FILTER (WHERE done) AS last_done, max(started_at) AS last_perhaps,
           arg_min(aircraft, started_at) FILTER (WHERE done) AS aircraft,
           arg_min(place, started_at) FILTER (WHERE done) AS place
    FROM job WHERE bound GROUP BY ALL HAVING bool_or(done)),
ended AS (SELECT work_order, boot, part, max(finished_at) AS ended FROM job GROUP BY ALL),
going_on AS (
    SELECT last.*, may_go_on(ended, last_takeoff, as_of) AS goes_on
    FROM last JOIN ended USING (work_order, boot, part) CROSS JOIN horizon LEFT JOIN flown_lately USING (aircraft)),
late AS (
    SELECT work_order, boot, part, arg_max(task_id, started_at) FILTER (WHERE done) AS task_id,
           coalesce(max(started_at) FILTER (WHERE done) > any_value(last_perhaps), false) AS surely
    FROM job JOIN last USING (work_order, boot, part)
    WHERE NOT bound AND started_at > last_done
    GROUP BY ALL)
SELECT work_order, aircraft, place AS position, CASE WHEN surely AND NOT goes_on THEN task_id END AS task_id,
       CASE WHEN NOT surely THEN 'a record of work that is still open may change the result'
            WHEN goes_on THEN 'the job may still be going on at the as-of time' END AS reason
FROM going_on LEFT JOIN late USING (work_order, boot, part)
WHERE surely IS NOT NULL OR goes_on""",
    "ppe-sign-off-missing": """
SELECT task_id, NULL AS reason FROM tasks
WHERE product IS NOT NULL AND coalesce(status, 'closed') = 'closed'
  AND (ppe_signed_by IS NULL OR ppe_worn IS NULL
    OR NOT (regexp_matches(ppe_worn, '(^|;)\\s*eye-protection\\s*(;|$)')
        AND regexp_matches(ppe_worn, '(^|;)\\s*chemical-gloves\\s*(;|$)')))""",
    "ice-adhesion-treatment-overdue": """
WITH season AS (
    SELECT make_timestamptz(year, 10, 1, 0, 0, 0, 'UTC') AS opens,
           make_timestamptz(year + 1, 5, 1, 0, 0, 0, 'UTC') AS closes
    FROM (SELECT unnest(range(year(since) - 1, year(as_of) + 1)) AS year FROM horizon)),
stay AS MATERIALIZED (
    SELECT component_serial, aircraft, place, opens, greatest(installed_at, opens) AS start,
           least(removed_at, closes) AS finish
    FROM boots, season, horizon
    WHERE greatest(installed_at, opens) < least(removed_at, closes)
      AND greatest(installed_at, opens) <= as_of AND least(removed_at, closes) > since),
-- A boot's time, season by season, whether it stayed on or came off and back; the as-of time itself belongs to it.
stretch AS MATERIALIZED (
    SELECT row_number() OVER () AS stretch, component_serial, arg_max(aircraft, start) AS aircraft,
           arg_max(place, start) AS place, greatest(min(start), any_value(since)) AS start,
           least(max(finish), any_value(as_of) + INTERVAL 1 MICROSECOND) AS finish
    FROM stay, horizon GROUP BY component_serial, opens),
session AS (
    SELECT work_order, component_serial, max(finished_at) AS done FROM at_one_go('treated')
    WHERE component_serial IS NOT NULL GROUP BY work_order, component_serial, part),
cut AS (
    FROM (SELECT stretch, component_serial, aircraft, place, start, finish, NULL AS work_order FROM stretch)
    UNION ALL
    SELECT stretch, component_serial, aircraft, place, done, finish, session.work_order
    FROM stretch JOIN session USING (component_serial)
    WHERE done >= start AND done < finish),
segment AS MATERIALIZED (
    SELECT * EXCLUDE finish, row_number() OVER () AS segment,
           lead(start, 1, finish) OVER (PARTITION BY stretch ORDER BY start, work_order NULLS FIRST) AS finish
    FROM cut),
-- On which aircraft the boot was in a segment, and from when to when.
carried AS MATERIALIZED (
    SELECT segment, boots.aircraft, greatest(start, installed_at) AS opens,
           least(segment.finish, removed_at) AS closes
    FROM segment JOIN boots USING (component_serial)
    WHERE greatest(start, installed_at) < least(segment.finish, removed_at)),
-- Running hours, of the months of the season only: what is flown in the others is in no segment.
flown AS (
    SELECT aircraft, takeoff_at,
           sum(coalesce(round(flight_hours * 3600e6)::BIGINT, epoch_us(landing_at) - epoch_us(takeoff_at)))
               OVER (PARTITION BY aircraft ORDER BY takeoff_at) AS total
    FROM flights WHERE month(takeoff_at) NOT BETWEEN 5 AND 9),
moment AS (
    SELECT aircraft, opens AS instant FROM carried UNION SELECT aircraft, closes FROM carried),
meter AS MATERIALIZED (
    SELECT moment.aircraft, instant, coalesce(total, 0) AS total
    FROM moment ASOF LEFT JOIN flown ON moment.aircraft = flown.aircraft AND takeoff_at < instant),
used_up AS (
    SELECT segment, sum(ended.total - begun.total) AS total
    FROM carried
    JOIN meter AS begun ON begun.aircraft = carried.aircraft AND begun.instant = opens
    JOIN meter AS ended ON ended.aircraft = carried.aircraft AND ended.instant = closes
    GROUP BY segment),
unsure AS (
    SELECT segment, min(reason) AS reason
    FROM carried JOIN unlogged USING (aircraft)
    WHERE unlogged.opens < carried.closes AND unlogged.closes > carried.opens
    GROUP BY segment)
SELECT work_order, aircraft, place AS position, component_serial, total / 3600e6 AS measured,
       CASE WHEN total <= 50 * 3_600_000_000 THEN reason END AS reason
FROM segment JOIN used_up USING (segment) LEFT JOIN unsure USING (segment)
WHERE total > 50 * 3_600_000_000 OR reason IS NOT NULL""",
    "product-before-cure": """
WITH near AS MATERIALIZED (
    SELECT held.* EXCLUDE day, task_id, position, started_at
    FROM held JOIN used ON held.carrier = used.aircraft AND day = epoch_us(started_at) // 86_400_000_000
    WHERE done AND product_class <> 'rubber-preservative' AND started_at >= opens AND started_at < until),
-- Where the boot is, `all` means it too; of a position without a boot, `all` means nothing.
there AS (
    SELECT near.* FROM near JOIN meant ON near.position = meant.position AND near.mounting = meant.place
    WHERE near.position <> 'all' OR serial IS NOT NULL),
early AS MATERIALIZED (
    SELECT work_order, boot, part, aircraft, place AS position, min(since) AS ended,
           (epoch_us(min(started_at)) - epoch_us(min(since))) / 3600e6 AS measured
    FROM there GROUP BY ALL)
-- It may turn out to have been in the midst of the job.
SELECT early.* EXCLUDE (boot, part, ended),
       CASE WHEN may_go_on(ended, last_takeoff, as_of)
            THEN 'the job may still be going on at the as-of time' END AS reason
FROM early CROSS JOIN horizon LEFT JOIN flown_lately USING (aircraft)
UNION ALL BY NAME
SELECT DISTINCT work_order, aircraft, place AS position, 'still running at the as-of time' AS reason
FROM held JOIN horizon ON until > as_of + INTERVAL 1 MICROSECOND
ANTI JOIN early USING (work_order, boot, part)""",
}
"""By rule: the columns that name a finding, its figure in hours, and the reason of what is unjudged. The first five are
the main rules."""

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
