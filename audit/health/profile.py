"""The profile of an export: one row for each measured fact, so that judging it costs the same for any export."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.health.earlier import Earlier
from audit.health.facts import FACT_COLUMNS
from audit.intake.export import Export, RowCount
from audit.intake.names import near_pairs, positions_named
from audit.intake.tables import NAMES, TABLES

NO_EARLIER: Final = "no earlier run is known (--previous)"
RUNS_FOR_USUAL: Final = 5
"""So many earlier runs make a usual count; fewer are chance."""

SHORTEST_PAUSE: Final = 7
"""Days that any station may be silent: without it, one that writes daily would be missed on the second day."""

NAMED: Final = 3
NAMED_PAIR: Final = 200

REFERENCES: Final[Mapping[tuple[str, str], tuple[tuple[str, str], ...]]] = {
    ("tasks", "aircraft"): (("components", "aircraft"), ("flights", "aircraft")),
    ("tasks", "station"): (("stations", "station"),),
    ("tasks", "product"): (("products", "product"),),
    ("tasks", "lot"): (("lots", "lot"),),
    ("tasks", "component_serial"): (("components", "component_serial"),),
    ("tasks", "manual"): (("manuals", "manual"),),
    ("tasks", "performed_by"): (("people", "person"),),
    ("tasks", "certified_by"): (("people", "person"),),
    ("flights", "aircraft"): (("components", "aircraft"), ("tasks", "aircraft")),
    ("components", "aircraft"): (("flights", "aircraft"), ("tasks", "aircraft")),
    ("lots", "product"): (("products", "product"),),
}
"""Columns whose values another table has to know, and the columns, of which one is enough, that know them."""

NEWEST: Final[Mapping[str, str]] = {"tasks": "started_at", "flights": "takeoff_at"}
DAY: Final = 86_400_000_000
HOUR: Final = 3_600_000_000

Ints = npt.NDArray[np.int64]
Fact = tuple[str, str, str, float, str]
_UNKNOWN: Final = float("nan")


def profile(export: Export, as_of: pd.Timestamp | None, earlier: Earlier | None) -> pd.DataFrame:
    """Measure the export (FACT_COLUMNS). `as_of` only where the user gave one: the export's own latest says nothing."""
    facts = [
        *(fact for table in TABLES for fact in _row_facts(table, export, earlier)),
        *(fact for table in export.tables for fact in _column_facts(table, export, earlier)),
        *_orphans(export),
        *_doubts(export),
        *_time_facts(export, as_of, earlier),
    ]
    frame = pd.DataFrame(facts, columns=list(FACT_COLUMNS))
    frame["value"] = frame["value"].astype("float64").round(4)
    return frame.astype(dict.fromkeys(("table", "column", "fact", "detail"), "str"))


def _row_facts(table: str, export: Export, earlier: Earlier | None) -> Iterator[Fact]:
    there = table in export.counts
    rows = export.counts.get(table, RowCount(0, 0, 0))
    yield table, "", "supplied", float(there), "" if there else "the export has no such table"
    yield table, "", "rows_read", float(rows.read), ""
    yield table, "", "rows_audited", float(rows.audited), ""
    if there:
        rejects = export.rejects[export.rejects["table"] == table]
        repeated = int(rejects["reason"].str.startswith("duplicate").sum())
        yield table, "", "quarantine_rate", *_share(rows.quarantined, rows.read)
        yield table, "", "duplicate_rate", *_share(repeated, rows.read)
    if not there and (earlier is None or not any(earlier.rows(table))):
        return
    yield table, "", "rows_against_previous", *_against(rows.read, earlier.rows(table)[:1] if earlier else ())
    runs = earlier.rows(table) if earlier else ()
    if earlier is not None and len(runs) < RUNS_FOR_USUAL:
        reason = f"{len(runs)} earlier runs are known, {RUNS_FOR_USUAL} make it usual"
        yield table, "", "rows_against_usual", _UNKNOWN, reason
    else:
        yield table, "", "rows_against_usual", *_against(rows.read, runs)


def _share(part: int, whole: int) -> tuple[float, str]:
    return (part / whole, f"{part:,} of {whole:,}") if whole else (_UNKNOWN, "the table has no rows")


def _against(rows: int, runs: tuple[float, ...]) -> tuple[float, str]:
    if not runs:
        return _UNKNOWN, NO_EARLIER
    usual = float(np.median(runs))
    return (rows / usual, f"{rows:,} against {usual:,.0f}") if usual else (_UNKNOWN, "the earlier run had no rows")


def _column_facts(table: str, export: Export, earlier: Earlier | None) -> Iterator[Fact]:
    frame = export.tables[table]
    rejects = pd.concat([export.rejects, export.faults])
    rejects = rejects[rejects["table"] == table]
    for name, column in TABLES[table].columns.items():
        if column.kind == "text":
            continue  # only read where a rule asks
        if name not in frame:
            if not column.required:
                yield table, name, "null_rate", _UNKNOWN, "the export has no such column"
            if earlier is not None and earlier.facts.get((table, name, "null_rate"), _UNKNOWN) >= 0:
                yield table, name, "null_rate_rise", 1.0, "the column is gone"
            continue
        if not column.required:
            rate, words = _share(_missing(frame[name]), len(frame))
            yield table, name, "null_rate", rate, words
            before = earlier.facts.get((table, name, "null_rate"), _UNKNOWN) if earlier else _UNKNOWN
            if earlier is None:
                words = NO_EARLIER
            elif np.isnan(before):
                words = "the earlier run has no such figure"
            yield table, name, "null_rate_rise", rate - before, words
        if column.choices:
            listed = rejects["column"].eq(name) & rejects["reason"].str.startswith("not one of ")
            rate, words = _share(int(listed.sum()), export.counts[table].read)
            yield table, name, "outside_list_rate", rate, _first(rejects["value"][listed].unique()) or words


def _missing(cells: pd.Series[Any]) -> int:
    if isinstance(cells.dtype, pd.CategoricalDtype):
        return int((cells.cat.codes.to_numpy() < 0).sum())
    return int(cells.isna().sum())


def _orphans(export: Export) -> Iterator[Fact]:
    for (table, name), known in REFERENCES.items():
        frame = export.tables.get(table)
        if frame is None or name not in frame:
            continue
        there = [(other, column) for other, column in known if other in export.tables]
        if not there:
            names = " and no ".join(dict.fromkeys(other for other, _ in known))
            yield table, name, "orphan_rate", _UNKNOWN, f"the export has no {names} to look in"
            continue
        words = frame[name].cat.categories
        listed: set[str] = set().union(*(export.tables[other][column].cat.categories for other, column in there))
        unknown = np.array([word not in listed for word in words] + [False])
        codes = frame[name].cat.codes.to_numpy()
        orphans, filled = int(unknown[codes].sum()), int((codes >= 0).sum())
        if not filled:
            yield table, name, "orphan_rate", _UNKNOWN, "the column is blank in every row"
        else:
            share, text = _share(orphans, filled)
            yield table, name, "orphan_rate", share, _first(words[unknown[:-1]]) or text


def _doubts(export: Export) -> Iterator[Fact]:
    """What the export leaves in doubt, counted; the first of it is named."""
    for table in export.tables:
        faults = export.faults[export.faults["table"] == table]
        rate, words = _share(len(faults), export.counts[table].read)
        yield table, "", "unreadable_rate", rate, _first((faults["column"] + " " + faults["value"]).unique()) or words
    for kind, columns in NAMES.items():
        if len({table for table, _ in columns} & set(export.tables)) > 1:
            pairs = [str(pair) for pair in near_pairs(export.near_names[export.near_names["kind"] == kind])]
            yield *columns[0], "near_names", float(len(pairs)), _first(pairs, each=NAMED_PAIR)
    if "tasks" in export.tables and "components" in export.tables:
        tasks = export.tables["tasks"]
        put_on = positions_named(
            "tasks", tasks.filter(("aircraft", "position"))[(tasks["action"] == "apply").to_numpy()]
        )
        boots = positions_named("components", export.tables["components"])
        bare = sorted(f"{craft} {one}" for craft, names in put_on.items() for one in names - boots.get(craft, names))
        yield "tasks", "position", "without_boot", float(len(bare)), _first(bare)
    if "flights" not in export.tables:
        return
    flights = export.tables["flights"]
    known = set(flights["aircraft"].cat.categories)
    others = [export.tables[table]["aircraft"] for table in ("tasks", "components") if table in export.tables]
    unknown = sorted(set().union(*(cells.cat.categories for cells in others)) - known)
    yield "flights", "aircraft", "without_flights", float(len(unknown)), _first(unknown)
    clock = export.flight_clock if export.flight_clock and export.flight_clock.doubtful else None
    yield "flights", "", "contradicted_clock", float(clock.contradictions) if clock else 0.0, str(clock or "")
    names = flights["flight_id"]
    for fact, rows in (("listed_twice", export.listed_twice), ("contradicted_hours", export.contradicted_hours)):
        yield "flights", "", fact, float(len(rows)), _first(names.iloc[rows].tolist()) if len(rows) else ""


def _first(words: Any, each: int = 60) -> str:
    """The first of some words, none longer than `each`; the others are counted."""
    named = [str(word)[:each] for word in words[:NAMED]]
    more = f" and {len(words) - NAMED:,} more" if len(words) > NAMED else ""
    return ", ".join(named) + more


def _time_facts(export: Export, as_of: pd.Timestamp | None, earlier: Earlier | None) -> Iterator[Fact]:
    times = {
        table: export.tables[table][column].to_numpy("datetime64[us]").astype(np.int64)
        for table, column in NEWEST.items()
        if table in export.tables and len(export.tables[table])
    }
    if not times:
        return
    newest = {table: int(instants.max()) for table, instants in times.items()}
    end = max(newest.values())
    first = min(int(instants.min()) for instants in times.values()) // DAY
    busy = {table: np.bincount(instants // DAY - first) > 0 for table, instants in times.items()}
    for table, instant in newest.items():
        at = f"{pd.Timestamp(instant, unit='us'):%Y-%m-%dT%H:%M:%SZ}"
        hours = round(instant / HOUR, 4)
        yield table, "", "newest", hours, at
        yield table, "", "newest_hours_behind_export", (end - instant) / HOUR, at
        if as_of is None:
            yield table, "", "newest_hours_behind_as_of", _UNKNOWN, "no as-of time was given (--as-of)"
        else:
            asked = as_of.tz_localize("UTC") if as_of.tzinfo is None else as_of
            behind = (asked - pd.Timestamp(instant, unit="us", tz="UTC")) / pd.Timedelta(hours=1)
            yield table, "", "newest_hours_behind_as_of", behind, at
        before = earlier.facts.get((table, "", "newest"), _UNKNOWN) if earlier else _UNKNOWN
        words = NO_EARLIER if earlier is None else "the earlier run has no such figure" if np.isnan(before) else at
        yield table, "", "newest_hours_since_previous", hours - before, words
        days = np.flatnonzero(busy[table])
        if len(days) > 1:
            yield table, "", "newest_alone_days", float(days[-1] - days[-2]), at
        other = next((name for name in NEWEST if name != table and name in times), None)
        if other:
            yield table, "", "longest_gap_days", *_longest_gap(busy[table], busy[other], first)
    if "tasks" in times:
        yield (
            "tasks",
            "station",
            "longest_station_silence",
            *_silence(export.tables["tasks"]["station"], times["tasks"]),
        )
    if "flights" in times:
        yield (
            "flights",
            "aircraft",
            "longest_grounded",
            *_silence(export.tables["flights"]["aircraft"], times["flights"]),
        )


def _longest_gap(busy: npt.NDArray[np.bool_], other: npt.NDArray[np.bool_], first: int) -> tuple[float, str]:
    """The longest run of days without records, and how many of its days the other table has some on."""
    span = max(len(busy), len(other))
    here = np.flatnonzero(np.pad(busy, (0, span - len(busy))))
    edges = np.concatenate(([-1], here, [span]))
    quiet = np.concatenate(([0], np.cumsum(np.pad(other, (0, span - len(other))))))
    lost = quiet[edges[1:]] - quiet[edges[:-1] + 1]
    worst = int(lost.argmax())
    if not lost[worst]:
        return 0.0, ""
    days = [str(np.datetime64(int(first + day), "D")) for day in (edges[worst] + 1, edges[worst + 1] - 1)]
    return float(lost[worst]), f"{days[0]} to {days[1]}"


def _silence(names: pd.Series[Any], times: Ints) -> tuple[float, str]:
    """Of the stations or aircraft that records name, the one that has been silent longest for its ways."""
    days = times // DAY
    days = days - days.min()
    span = int(days.max()) + 1
    stations = names.cat
    seen = np.zeros(len(stations.categories) * span, bool)
    seen[stations.codes.to_numpy().astype(np.int64) * span + days] = True
    station, day = np.nonzero(seen.reshape(-1, span))
    same = station[1:] == station[:-1]
    pause = np.full(len(stations.categories), SHORTEST_PAUSE, np.int64)
    np.maximum.at(pause, station[1:][same], np.diff(day)[same])
    last = np.zeros(len(stations.categories), np.int64)
    np.maximum.at(last, station, day)
    silence = (span - 1 - last) / pause
    worst = int(silence.argmax())
    if not silence[worst]:
        return 0.0, ""
    return float(silence[worst]), f"{stations.categories[worst]}: {span - 1 - last[worst]} days, {pause[worst]} before"
