"""What the tables and columns of a foreign export may be, by their names and by what is in them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import pyarrow as pa
from rapidfuzz import fuzz, utils

from audit.intake.table_samples import TableSample
from audit.intake.tables import TABLES, Column, Table
from audit.intake.time_formats import UNIX_MILLISECONDS, UNIX_SECONDS, compile_format, read_times

_SURE: Final = 85
_ENOUGH: Final = 62
_CLOSE: Final = 0.9
_OTHER_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "task_id": ("record", "task", "task no", "record number", "job", "job card", "task card", "card no", "id", "no"),
    "work_order": ("w/o", "wo", "order", "job card"),
    "aircraft": ("tail", "registration", "reg", "tail number", "a/c", "ship"),
    "action": ("act", "activity", "type of work", "task", "task type"),
    "station": ("shop", "base", "location", "place", "site", "code"),
    "started_at": ("from", "begin", "start", "started", "start time"),
    "finished_at": ("to", "end", "finish", "finished", "end time", "completed"),
    "position": ("zone", "boot", "boot position"),
    "component_serial": ("s/n", "serial", "serial number", "boot s/n"),
    "product": ("material", "product used", "consumable"),
    "lot": ("batch", "batch number"),
    "performed_by": ("by", "technician", "mechanic", "done by"),
    "certified_by": ("cert by", "inspector", "released by"),
    "certificate_number": ("licence", "licence no"),
    "steps_signed": ("steps",),
    "signed_at": ("signed", "signature date"),
    "ppe_worn": ("ppe", "protective equipment"),
    "ambient_c": ("oat", "temperature", "temp"),
    "humidity_pct": ("rh", "humidity"),
    "flight_id": ("flight", "flight no", "leg"),
    "takeoff_at": ("off", "takeoff", "departure time", "wheels off"),
    "landing_at": ("on", "landing", "arrival time", "wheels on"),
    "origin": ("dep", "departure", "origin", "from"),
    "destination": ("arr", "arrival", "dest", "to"),
    "flight_hours": ("airborne", "hours", "air time", "flight time"),
    "cycles": ("cyc", "landings"),
    "installed_at": ("fitted", "installed"),
    "removed_at": ("removed",),
    "part_number": ("p/n", "part"),
    "timezone": ("zone", "tz", "time zone"),
    "person": ("name", "employee", "staff"),
    "revision": ("rev", "issue"),
    "manual_revision": ("rev", "manual rev"),
    "expires_on": ("expiry", "expires", "use by"),
    "status": ("st", "state"),
    "column": ("field", "cell", "item", "corrected field"),
    "was": ("old", "old value", "before"),
    "now": ("new", "new value", "after"),
    "made_by": ("by", "corrected by", "changed by"),
    "made_at": ("at", "corrected at", "corrected on", "changed at", "changed on"),
}
_VAGUE: Final = (
    *("code", "name", "id", "no", "number", "from", "to", "by", "zone", "material", "place", "site", "base"),
    *("location", "job", "part", "on", "off", "start", "end", "at", "item", "cell", "before", "after"),
)
"""Names that would do for many columns: what is meant by them has to be looked at."""
_TABLE_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "tasks": ("work", "records", "jobs", "task cards", "maintenance"),
    "flights": ("flight log", "log", "legs"),
    "components": ("boots", "installations", "component history"),
    "products": ("materials", "consumables"),
    "stations": ("shops", "bases", "locations"),
    "lots": ("batches",),
    "people": ("staff", "personnel", "employees"),
    "manuals": ("publications", "documents"),
    "corrections": ("amendments", "corrected entries"),
}
_SAME_VALUES: Final[Mapping[tuple[str, str], tuple[str, str]]] = {
    ("tasks", "station"): ("stations", "station"),
    ("tasks", "product"): ("products", "product"),
    ("tasks", "aircraft"): ("flights", "aircraft"),
    ("tasks", "component_serial"): ("components", "component_serial"),
    ("tasks", "lot"): ("lots", "lot"),
    ("tasks", "performed_by"): ("people", "person"),
    ("flights", "origin"): ("stations", "station"),
    ("flights", "destination"): ("stations", "station"),
    ("components", "aircraft"): ("flights", "aircraft"),
    ("lots", "product"): ("products", "product"),
}
_DAYS: Final = (
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%b-%Y",
    "%d %b %Y",
    "%d.%m.%y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%Y%m%d",
)
_CLOCKS: Final = (" %H:%M", " %H:%M:%S", " %I:%M %p", " %H:%M:%S%z", " hhmm")
_TOLD_APART: Final = 0.5
"""A column of which fewer cells differ tells no rows apart."""


@dataclass(frozen=True)
class Match:
    """A canonical column and the column of the export that it may be; `doubt` is blank where there is none. `clock` is
    the column of its time of day, where that stands apart."""

    written: str
    score: float
    doubt: str = ""
    clock: str = ""


@dataclass(frozen=True)
class Taken:
    """What is taken for a table, by which columns, and what is in doubt about that."""

    sample: TableSample
    matches: dict[str, Match]
    doubt: str


def best_table(each: TableSample) -> tuple[str, dict[str, Match], str]:
    """The table that a sample is most like, its columns, and what is in doubt of it; blank where it is like none."""
    scored = []
    for name, table in TABLES.items():
        matches = _matches(table, each)
        required = sum(matches[column].score for column in table.required if column in matches) / len(table.required)
        called = max(
            fuzz.token_set_ratio(each.name, known, processor=utils.default_process)
            for known in (name, *_TABLE_NAMES[name])
        )
        like = required + called / 3 + len(matches)
        # A list of few columns may be found within records of many: what is made of the most is meant.
        used = 100 * len(matches) / max(len(each.columns), 1)
        scored.append((like + used, like, name, called, matches))
    scored.sort(key=lambda one: -one[0])
    (score, like, name, called, matches), (next_score, _, other, *_) = scored[:2]
    if like < _ENOUGH:
        by_name = [
            one for one in scored if fuzz.token_set_ratio(each.name, one[2], processor=utils.default_process) == 100
        ]
        if len(by_name) != 1:
            return "", {}, ""
        [(_, _, name, _, matches)] = by_name
        return name, matches, f"are these {name}? only the name says so"
    if next_score >= _CLOSE * score:
        return name, matches, f"are these {name}, or {other}?"
    return name, matches, "" if called >= _ENOUGH else f"are these {name}? only their columns say so"


def _matches(table: Table, each: TableSample) -> dict[str, Match]:
    scored = sorted(
        (
            (_likeness(header, cells, column, header in each.typed, alone=table.key == (name,)), name, header)
            for name, column in table.columns.items()
            for header, cells in each.columns.items()
        ),
        key=lambda one: (-one[0], _is_vague(one[2]), one[1], one[2]),
    )
    found: dict[str, Match] = {}
    taken: set[str] = set()
    for score, name, header in scored:
        if score < _ENOUGH:
            break
        if name not in found and header not in taken:
            doubt, asked = "", f"is this the {table.columns[name].label}?"
            if score < _SURE:
                doubt = f"{asked} the name is {score:.0f} % alike"
            elif _is_vague(header):
                doubt = asked
            found[name] = Match(header, min(score, 100), doubt)
            taken.add(header)
    for score, name, header in scored:
        if score >= _SURE and header not in taken and not found[name].doubt:
            found[name] = replace(found[name], doubt=f"or is it {header}?")
    return {name: found[name] for name in table.columns if name in found}


def _is_vague(header: str) -> bool:
    return " ".join(header.split()).casefold() in _VAGUE


def _likeness(header: str, cells: Sequence[str], column: Column, is_typed: bool, *, alone: bool) -> float:
    """How like a column is to a canonical one, by its name and its cells; `alone` means that rows are told apart by
    it."""
    by_name = _likeness_of_names(header, column)
    filled = [cell for cell in cells if cell.strip()][:200]
    if not filled:
        return by_name - 5
    match column.kind:
        case "time" | "date":
            fits = bool(formats_of(filled, column)) or (is_typed and share(filled, looks_iso) > 0.5)
        case "number" | "count":
            fits = share(filled, lambda cell: any(sign.isdigit() for sign in cell) and len(cell) < 12) > 0.8
        case "choice":
            known = share(filled, lambda cell: cell.strip().lower() in column.choices)
            return max(by_name + 15 * known, 80 * known)
        case _:
            fits = not share(filled, looks_iso) > 0.8 and not (alone and len(set(filled)) < _TOLD_APART * len(filled))
    if fits:
        return by_name
    # Under its very name a column is taken whatever is in it: what can't be read is told when it is.
    is_named = column.kind in ("time", "date", "number", "count") and header.strip().casefold() == column.name
    return by_name - (10 if is_named else 40)


def _likeness_of_names(header: str, column: Column) -> float:
    names = (column.name.replace("_", " "), column.label, *_OTHER_NAMES.get(column.name, ()))
    return max(fuzz.ratio(header, name, processor=utils.default_process) for name in names)


def share(cells: Sequence[str], holds: Callable[[str], object]) -> float:
    """The share of cells of which something holds."""
    return sum(map(bool, map(holds, cells))) / len(cells)


def looks_iso(cell: str) -> bool:
    """Whether a cell begins as a date of ISO 8601 does."""
    return len(cell) >= 10 and cell[4] == cell[7] == "-" and cell[:4].isdigit()


def formats_of(cells: Sequence[str], column: Column) -> tuple[str, ...]:
    """The formats that read nearly every cell, the best first: a few misprints don't speak against one."""
    return _fitting(tuple(cells), column.kind == "date" or column.name.endswith("ed_at"))


@lru_cache(maxsize=256)
def _fitting(cells: tuple[str, ...], has_none: bool) -> tuple[str, ...]:
    if share(cells, looks_iso) > 0.9:
        return ("iso",)
    for digits, unit in ((r"1\d{9}", UNIX_SECONDS), (r"1\d{12}", UNIX_MILLISECONDS)):
        if share(cells, re.compile(digits).fullmatch) > 0.9:
            return (unit,)
    if share(cells, lambda cell: sum(sign.isdigit() for sign in cell) >= 4) < 0.5:
        return ()
    text = pa.array([cell.strip() for cell in cells], pa.string())
    scored = []
    for shape in (f"{day}{clock}" for day in _DAYS for clock in (*_CLOCKS, *(("",) if has_none else ()))):
        format_ = compile_format(shape)
        if len(read_times(text[:5], [format_])[1]) < len(text[:5]):
            odd = len(read_times(text, [format_])[1])
            if odd <= len(cells) * 0.1:
                scored.append((odd, shape))
    return tuple(shape for _, shape in sorted(scored, key=lambda one: one[0]))


def by_values(
    name: str,
    each: TableSample,
    matches: dict[str, Match],
    chosen: Mapping[str, Sequence[Taken]],
) -> None:
    """Columns that no name gave away, by values that are those of another table."""
    taken = {match.written for match in matches.values()}
    for (table, column), (other, key) in _SAME_VALUES.items():
        if table != name or column in matches:
            continue
        known = {
            cell.strip()
            for there in chosen.get(other, ())
            if key in there.matches
            for cell in there.sample.columns[there.matches[key].written]
        } - {""}
        for header, cells in each.columns.items():
            values = {cell.strip() for cell in cells} - {""}
            if header not in taken and len(values) > 1 and len(values & known) >= 0.9 * len(values):
                matches[column] = Match(header, _ENOUGH, f"by its values, which are those of {other}.{key}")
                taken.add(header)
                break


def in_two_columns(table: Table, each: TableSample, matches: dict[str, Match]) -> None:
    """Required times that no column has, where one column has days and another, by its name, their times of day."""
    used = columns_used(matches)
    free = {header: filled for header in each.columns if header not in used and (filled := first_filled(each, header))}
    days = [header for header, filled in free.items() if day_formats(filled)]
    clocks = [header for header, filled in free.items() if share(filled, CLOCK_CELL.fullmatch) > _CLOSE]
    for column in table.columns.values():
        if column.kind != "time" or not column.required or column.name in matches or not days:
            continue
        likely = max(clocks, key=lambda header: _likeness_of_names(header, column), default="")
        if likely and _likeness_of_names(likely, column) >= _ENOUGH:
            clocks.remove(likely)
            day = max(days, key=lambda header: _likeness_of_names(header, column))
            matches[column.name] = Match(day, _ENOUGH, f"is this the {column.label}?", likely)


CLOCK_CELL: Final = re.compile(r"\d{1,2}([:.])[0-5]\d(\1[0-5]\d)?|\d{3,4}")


def day_formats(filled: Sequence[str]) -> tuple[str, ...]:
    """The formats of dates without a time of day that read them, the best first."""
    if share(filled, lambda cell: looks_iso(cell) and len(cell) == len("2000-01-01")) > _CLOSE:
        return ("%Y-%m-%d",)
    return tuple(format_ for format_ in _fitting(tuple(filled), True) if format_ in _DAYS)


def first_filled(each: TableSample, header: str) -> list[str]:
    """The first cells of a column that are not blank."""
    return [cell.strip() for cell in each.columns[header] if cell.strip()][:200]


def columns_used(matches: Mapping[str, Match]) -> set[str]:
    """The columns of the export that something is made of."""
    return {header for match in matches.values() for header in (match.written, match.clock)}
