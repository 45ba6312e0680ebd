"""One table: its cells typed, placed in time and checked; every row audited or set aside, every fault told."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from audit.errors import AuditError, InternalError
from audit.intake.cell_faults import PERHAPS_A_TOTAL, Faults
from audit.intake.cells import Cells, Origin
from audit.intake.clocks import TWICE, Clock, Clocked, is_zone, next_day, no_later, of_two_days, station_clock, to_utc
from audit.intake.contracts import breaches
from audit.intake.duplicates import listed_twice, repeated
from audit.intake.export import FileRows, InputFile, RowCount, Rows, later_among, renumbered
from audit.intake.parsing import BLANK, Parsed, joined_times, parse, together, without_blanks
from audit.intake.plausibility import check_flight_hours, check_humidities, check_temperatures, contradicted_hours
from audit.intake.quarantine import list_dropped, list_rejects
from audit.intake.tables import OWN_PLACE, PLACES, Table
from audit.intake.words import of_used_words

MANY_ROWS: Final = 100_000
"""From here on threads save more time than they cost."""


_CELL: Final = re.compile(r'[,;|\t"\r\n]')
_LAID_OUT: Final = re.compile(r"(?i)\.(csv|tsv|txt|xlsx|xlsm)(, sheet |$)")
"""Files that people lay out, with titles and totals."""


@dataclass(frozen=True)
class Resolved:
    """One table, every row accounted for; the fields are as Export has them for each table."""

    frame: pd.DataFrame
    set_aside: pd.DataFrame
    later: pd.DataFrame
    rejects: pd.DataFrame
    faults: pd.DataFrame
    unreadable: Mapping[str, Rows]
    date_only: Mapping[str, Rows]
    listed_twice: Rows
    contradicted_hours: Rows
    dropped: pd.DataFrame
    columns: frozenset[str]
    count: RowCount
    files: tuple[FileRows, ...]
    sources: tuple[InputFile, ...]
    origins: tuple[Origin, ...]
    starts: Rows
    """Where the rows of each origin begin."""
    rows: Rows
    """What the audited rows were numbered as they were read."""

    def places(self, audited: NDArray[np.integer[Any]]) -> pd.DataFrame:
        """In which file, and on which line of it, audited rows stand: columns file, line."""
        rows = self.rows[audited]
        owners = np.searchsorted(self.starts, rows, side="right") - 1
        lines = np.empty(len(rows), dtype=np.int64)
        for owner in np.unique(owners):
            there = owners == owner
            lines[there] = self.origins[owner].lines(rows[there] - self.starts[owner])
        files = [self.origins[owner].file for owner in owners]
        return pd.DataFrame({"file": pd.Series(files, index=range(len(rows)), dtype="str"), "line": lines})


def resolve(typed: Typed) -> Resolved:
    """Check the typed rows of one table; set aside those that lack a required cell or a key of their own."""
    parts, starts = typed.parts, typed.starts
    table = parts[0].table
    not_exported = _not_exported(parts, starts)
    checked = _checked(table, typed, parts[0].file, not_exported)
    total, frame, aside = int(starts[-1]), checked.frame, checked.aside
    rows = np.flatnonzero(~aside)
    ragged = sum(len(cells.ragged) for cells in parts)
    count = RowCount(read=total + ragged, audited=len(rows), quarantined=int(aside.sum()) + ragged)
    if count.read != count.audited + count.quarantined:
        raise InternalError(
            f"{table.name}: {count.read} rows read, but {count.audited} audited and {count.quarantined} quarantined"
        )
    # What is wrong with the rows set aside is why they are in quarantine; in audited rows it is told of the cells.
    told = _with_totals(parts, starts, [fault.among(aside) for fault in checked.faults])
    rejects = list_rejects(parts, told)
    in_cells = [fault.among(~aside) for fault in checked.faults]
    faults = list_rejects([replace(cells, ragged=()) for cells in parts], in_cells)
    # Of the rows set aside those that say nothing, or say again what another says, aren't evidence.
    possible = aside & ~_blank_rows(table, checked.faults, total)
    possible[checked.told] = False
    aside_rows = frame[possible].reset_index(drop=True)
    if ragged:
        aside_rows = pd.concat([aside_rows, _torn_rows(parts, frame)], ignore_index=True)
    audited = of_used_words(frame[~aside].reset_index(drop=True) if aside.any() else frame)
    unreadable = {name: renumbered(them, rows) for name, them in _unreadable(not_exported, in_cells).items()}
    return Resolved(
        frame=audited,
        set_aside=of_used_words(aside_rows),
        later=later_among(typed.later, rows),
        rejects=pd.concat(rejects, ignore_index=True),
        faults=pd.concat(faults, ignore_index=True),
        unreadable={name: them for name, them in unreadable.items() if len(them)},
        date_only={name: found for name, days in typed.days.items() if len(found := renumbered(days, rows))},
        listed_twice=listed_twice(audited) if table.name == "flights" else np.empty(0, dtype=np.intp),
        contradicted_hours=contradicted_hours(audited) if "flight_hours" in audited else np.empty(0, dtype=np.intp),
        dropped=list_dropped(parts),
        columns=frozenset().union(*(cells.present for cells in parts)),
        count=count,
        files=tuple(_files(parts, np.diff(np.searchsorted(rows, starts)), rejects)),
        sources=tuple(cells.source for cells in parts if cells.source),
        origins=tuple(cells.origin for cells in parts),
        starts=starts[:-1],
        rows=rows,
    )


def _files(parts: Sequence[Cells], audited: Rows, rejects: Sequence[pd.DataFrame]) -> Iterator[FileRows]:
    for cells, kept, listed in zip(parts, audited, rejects, strict=True):
        left_out = cells.translated.left_out if cells.translated else 0
        yield FileRows(cells.file, cells.rows + len(cells.ragged), int(kept), listed, left_out)


# Typed


@dataclass(frozen=True)
class Typed:
    """Rows of one table as they were read, typed and placed in time: what couldn't be is missing, and at fault.

    `starts` is where the rows of each part begin, and where the last ends; `later` and `days` as in Export, with rows
    as they were read. `as_utc` are the time columns of which some cells carry no zone and were read as UTC.
    """

    parts: tuple[Cells, ...]
    starts: Rows
    frame: pd.DataFrame
    faults: tuple[Faults, ...]
    later: pd.DataFrame
    days: Mapping[str, Rows]
    as_utc: frozenset[str] = frozenset()


def typed_rows(parts: Sequence[Cells], zones: Mapping[str, str], stations: Mapping[str, str] | None = None) -> Typed:
    """Type the rows of one table and place them in time by the `zones` of stations.

    `stations` names the station of each record, for a table whose times are those of the record that a row names.
    """
    table = parts[0].table
    starts = np.cumsum([0, *(cells.rows for cells in parts)])
    refused = [fault for cells, start in zip(parts, starts, strict=False) for fault in _from(cells, int(start))]
    parsed = _parse(parts, refused)
    clocked = _clocked(parts, starts, parsed, zones, stations)
    frame = _frame({**{name: column.values for name, column in parsed.items()}, **clocked.instants}, table)
    wrong, later = list(refused), clocked.later
    if table.name != "tasks":  # Only the rules about tasks can be judged both ways.
        wrong += [
            Faults((str(column),), rows.to_numpy(dtype=np.intp), TWICE)
            for column, rows in later.groupby("column")["row"]
        ]
        later = no_later()
    wrong += [
        of_two_days(name, column.in_utc, zones.values()) for name, column in parsed.items() if column.in_utc is not None
    ]
    if table.name == "stations":
        wrong.append(_unknown_zones(frame["timezone"]))
    missing = [fault for column in parsed.values() for fault in column.faults]
    return Typed(
        parts=tuple(parts),
        starts=starts,
        frame=without_cells(frame, wrong),
        faults=(*refused, *missing, *clocked.faults, *wrong[len(refused) :]),
        later=later,
        days={name: column.days for name, column in parsed.items() if len(column.days)},
        as_utc=frozenset(name for name, column in parsed.items() if _read_as_utc(parts, starts, name, column)),
    )


def _from(cells: Cells, start: int) -> Iterator[Faults]:
    """What couldn't be read or translated, with rows numbered as in the table."""
    return (replace(fault, rows=fault.rows + start) for fault in cells.faults)


def _parse(parts: Sequence[Cells], refused: Sequence[Faults]) -> dict[str, Parsed]:
    table = parts[0].table
    names = [name for name in table.columns if any(name in cells.columns for cells in parts)]

    def parsed(name: str) -> Parsed:
        column, day_alone = table.columns[name], table.name == "components"
        there = [cells.columns.get(name, pa.chunked_array([pa.nulls(cells.rows, pa.string())])) for cells in parts]
        done = [parse(cells, column, day_alone=day_alone) for cells in together(there, column)]
        whole = done[0] if len(done) == 1 else joined_times(done)
        return without_blanks(whole, [fault.rows for fault in refused if fault.columns == (name,)])

    if sum(cells.rows for cells in parts) < MANY_ROWS:
        return {name: parsed(name) for name in names}
    # As many as there are cores: each holds a column as it was written.
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return dict(zip(names, pool.map(parsed, names), strict=True))


def _clocked(
    parts: Sequence[Cells],
    starts: Rows,
    parsed: Mapping[str, Parsed],
    zones: Mapping[str, str],
    station_of: Mapping[str, str] | None,
) -> Clocked:
    """Times in UTC: by the clock of the station (OWN_PLACE), others as UTC, unless a mapping says otherwise."""
    table = parts[0].table
    times = {name: column for name, column in parsed.items() if column.wall is not None}
    places = [name for name in PLACES.get(table.name, ()) if name in parsed]
    stations = {name: parsed[name].values for name in places}
    if station_of is not None:
        stations = {
            name: pd.Categorical([station_of.get(each) for each in records]) for name, records in stations.items()
        }
    by_station = {name: station_clock(stations[name], zones, name) for name in places}
    clocks = {}
    # By the column of a station, by a zone that the mapping names, or, without either, as UTC; files may differ in
    # that.
    for name, column in times.items():
        default = OWN_PLACE.get(table.name, "")
        told = [cells.translated.zones.get(name, default) if cells.translated else default for cells in parts]
        _refuse_unsaid(parts, starts, name, column)
        if len(set(told)) == 1 and told[0] in by_station:
            clocks[name] = by_station[told[0]]
        elif any(told):
            clocks[name] = _mixed_clock(told, starts, by_station)
    clocked = to_utc(times, clocks, stations)
    # A time of day written beside a date may be of the next day, where it would lie before the time it follows.
    not_before = [cells.translated.not_before if cells.translated else {} for cells in parts]
    for name in dict.fromkeys(name for others in not_before for name in others):
        early = np.zeros(int(starts[-1]), dtype=bool)
        for others, start, end in zip(not_before, starts[:-1], starts[1:], strict=True):
            if name in others:
                early[start:end] = (clocked.instants[name] < clocked.instants[others[name]])[start:end]
        clocked = next_day(clocked, name, early, times, clocks, stations)
    return clocked


def _read_as_utc(parts: Sequence[Cells], starts: Rows, name: str, times: Parsed) -> bool:
    """Whether some times of a column carry no zone and are read as UTC."""
    if times.wall is None or parts[0].table.name in OWN_PLACE:
        return False
    wall = times.wall & ~np.isnat(times.values)
    zones = (cells.translated.zones.get(name, "") if cells.translated else "" for cells in parts)
    return any(
        zone in ("", "UTC") and bool(wall[start:end].any())
        for zone, start, end in zip(zones, starts[:-1], starts[1:], strict=True)
    )


def _refuse_unsaid(parts: Sequence[Cells], starts: Rows, name: str, times: Parsed) -> None:
    """AuditError where a mapping leaves open by which clock a time is written that carries no zone."""
    for cells, start, end in zip(parts, starts[:-1], starts[1:], strict=True):
        if cells.translated is None or name in cells.translated.zones or name not in cells.columns:
            continue
        assert times.wall is not None
        if (times.wall[start:end] & ~np.isnat(times.values[start:end])).any():
            places = [place for place in PLACES.get(cells.table.name, ()) if place in cells.columns]
            among = f", or one of {', '.join(places)}" if places else ""
            raise AuditError(
                f"{cells.translated.places[name]}: the times of {cells.file} carry no zone; say with `zone` by which "
                f"clock they are written: a time zone of the IANA database{among}"
            )


def _mixed_clock(told: Sequence[str], starts: Rows, by_station: Mapping[str, Clock]) -> Clock:
    """A clock for parts that are each read by another; a part without one is in UTC."""
    fixed = {zone or "UTC" for zone in told if zone not in by_station}
    # The zones of all parts on one list, each part by its own clock.
    names = tuple(sorted({*fixed, *(name for clock in by_station.values() for name in clock.names)}))
    zone = np.full(int(starts[-1]), -1, dtype=np.int16)
    told_by = next((place for place in told if place in by_station), "")
    for place, start, end in zip(told, starts[:-1], starts[1:], strict=True):
        if place in by_station:
            clock = by_station[place]
            new = np.array([*(names.index(name) for name in clock.names), -1], dtype=np.int16)
            zone[start:end] = new[clock.zone[start:end]]
        else:
            zone[start:end] = names.index(place or "UTC")
    return Clock(names, zone, told_by)


def _frame(values: Mapping[str, object], table: Table) -> pd.DataFrame:
    columns = {}
    for name, column in table.columns.items():
        if name in values:
            series = pd.Series(values[name], copy=False)
            columns[name] = series.dt.tz_localize("UTC") if column.kind == "time" else series
    return pd.DataFrame(columns, copy=False)


def _unknown_zones(names: pd.Series[Any]) -> Faults:
    words = names.cat
    unknown = [not is_zone(name) for name in words.categories]
    rows = np.flatnonzero(np.array([*unknown, False])[words.codes])
    return Faults(("timezone",), rows, "not a time zone of the IANA database")


# Checked


@dataclass(frozen=True)
class _Checked:
    """Typed rows with all that is wrong with them. `aside` marks those set aside; of those `told` are not evidence."""

    frame: pd.DataFrame
    faults: tuple[Faults, ...]
    aside: NDArray[np.bool_]
    told: Rows


def _checked(table: Table, typed: Typed, file: str, not_exported: Mapping[str, Rows]) -> _Checked:
    frame = typed.frame
    if table.name == "flights":
        check_flight_hours(frame, file)
    if table.name == "tasks":
        check_temperatures(frame, file)
        check_humidities(frame, file)
    aside = np.zeros(len(frame), dtype=bool)
    _mark(aside, (fault for fault in typed.faults if not set(table.required).isdisjoint(fault.columns)))
    for name in table.required:
        if table.columns[name].kind == "time":  # Its clock may not be known for a fault of another, unneeded cell.
            aside |= frame[name].isna().to_numpy()
    # In this order: what is typed is checked against the contract, what holds is compared for duplicates.
    broken = _breaches(table, frame, aside)
    frame = without_cells(frame, broken)
    _mark(aside, (fault for fault in broken if not set(table.required).isdisjoint(fault.columns)))
    again = repeated(table, frame, not_exported)
    frame = without_cells(frame, again.cells)
    _mark(aside, again.rows)
    return _Checked(frame, (*typed.faults, *broken, *again.rows, *again.cells), aside, again.told)


def _mark(rows: NDArray[np.bool_], faults: Iterable[Faults]) -> None:
    for fault in faults:
        rows[fault.rows] = True


def _breaches(table: Table, frame: pd.DataFrame, incomplete: NDArray[np.bool_]) -> list[Faults]:
    """What breaks the contract, in rows that lack a required cell too: they may be evidence."""
    if not incomplete.any():
        return breaches(table, frame)
    found = []
    for complete, marked in ((True, ~incomplete), (False, incomplete)):
        rows = np.flatnonzero(marked)
        there = breaches(table, frame.iloc[rows].reset_index(drop=True), complete=complete)
        found += [replace(fault, rows=rows[fault.rows]) for fault in there]
    return found


def without_cells(frame: pd.DataFrame, faults: Sequence[Faults]) -> pd.DataFrame:
    """The same, with the cells at fault missing."""
    changed: dict[str, Any] = {}
    for fault in faults:
        for name in fault.columns if len(fault.rows) else ():
            series = changed[name] if name in changed else frame[name].copy()
            series.iloc[fault.rows] = None
            changed[name] = series
    return frame.assign(**changed) if changed else frame


def _blank_rows(table: Table, faults: Sequence[Faults], total: int) -> NDArray[np.bool_]:
    """Rows that are blank in every required column: they say nothing."""
    blank = np.zeros(total, dtype=np.int8)
    for fault in faults:
        if fault.reason == BLANK:
            blank[fault.rows] += 1
    return np.asarray(blank == len(table.required))


def _with_totals(parts: Sequence[Cells], starts: Rows, faults: Sequence[Faults]) -> Iterator[Faults]:
    """The faults, of which the first of a row that may be a total says so: the last of its file, in which most of the
    required cells are blank, and not all."""
    required = len(parts[0].table.required)
    left = set()
    for cells, end in zip(parts, starts[1:], strict=True):
        blank = sum(end - 1 in fault.rows for fault in faults if fault.reason == BLANK)
        if max(required / 2, 2) <= blank < required and _LAID_OUT.search(cells.file):
            left.add(end - 1)
    for fault in faults:
        total = np.isin(fault.rows, list(left)) & (fault.reason == BLANK)
        left -= set(fault.rows[total].tolist())
        yield replace(fault, rows=fault.rows[total], reason=f"{BLANK}{PERHAPS_A_TOTAL}")
        yield replace(fault, rows=fault.rows[~total], first=None if fault.first is None else fault.first[~total])


def _torn_rows(parts: Sequence[Cells], frame: pd.DataFrame) -> pd.DataFrame:
    """Rows with too few or too many cells: what they say isn't known, save the aircraft where one cell names it."""
    texts = [row.text for cells in parts for row in cells.ragged]
    torn = frame.iloc[:0].reindex(range(len(texts)))
    if "aircraft" in frame:
        names = frame["aircraft"].cat.categories
        known = {str(name): code for code, name in enumerate(names)}
        found = [{known[cell] for cell in map(str.strip, _CELL.split(text)) if cell in known} for text in texts]
        codes = np.array([one.pop() if len(one) == 1 else -1 for one in found], dtype=np.int64)
        torn["aircraft"] = pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(names))
    return torn


def _not_exported(parts: Sequence[Cells], starts: Rows) -> dict[str, Rows]:
    """By column that some files have, the rows of the others."""
    found: dict[str, Rows] = {}
    if len(parts) > 1:
        for name in frozenset().union(*(cells.columns for cells in parts)):
            spans = zip(parts, starts[:-1], starts[1:], strict=True)
            lacking = [np.arange(start, end) for cells, start, end in spans if name not in cells.columns]
            if lacking:
                found[name] = np.concatenate(lacking)
    return found


def _unreadable(not_exported: Mapping[str, Rows], faults: Sequence[Faults]) -> dict[str, Rows]:
    """By column, the rows in which a cell is missing that may have had a value: at fault, or not exported there."""
    found = {name: [rows] for name, rows in not_exported.items()}
    for fault in faults:
        for name in fault.columns:
            found.setdefault(name, []).append(fault.rows)
    return {name: np.unique(np.concatenate(rows)) for name, rows in sorted(found.items())}
