"""Drafting a mapping: what the columns of a foreign export may be, by their names and by what is in them.

A draft is a guess that a person reads before it is used. Every doubt is a key beside what it is about, which has to be
decided and taken away: no audit reads by a mapping with an open doubt.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import pyarrow as pa
from rapidfuzz import fuzz, utils

from audit.intake.table_samples import TableSample
from audit.intake.tables import OWN_PLACE, SYNONYMS, TABLES, Column, Table
from audit.intake.time_formats import compile_format, read_times
from audit.intake.words import meant, says_nothing

NOT_FOUND: Final = "?"
"""What stands for a required column that nothing in the export looks like."""

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
_MARKS: Final = re.compile(r"\b(status|state|cancel\w*|void\w*|deleted?|(in)?active)\b")
"""Names of columns that may mark rows which don't count."""
_MOST_SHOWN: Final = 5
_MOST_VALUES: Final = 40
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
class _Taken:
    """What is taken for a table, by which columns, and what is in doubt about that."""

    sample: TableSample
    matches: dict[str, Match]
    doubt: str


@dataclass(frozen=True)
class Draft:
    """A drafted mapping: its text, what is required and wasn't found, and the columns that nothing was made of."""

    text: str
    missing: tuple[str, ...]
    unmatched: tuple[str, ...]


def draft_mapping(title: str, samples: Sequence[TableSample], refused: Sequence[str]) -> Draft:
    """Draft a mapping of what was seen of an export."""
    chosen: dict[str, list[_Taken]] = {}
    left: list[str] = []
    unlike: list[str] = []
    for each in map(_without_placeholders, samples):
        name, matches, doubt = _best_table(each)
        if name:
            chosen.setdefault(name, []).append(_Taken(each, matches, doubt))
        else:
            left += [f"{each.name}: {column}" for column in each.columns]
            unlike += ["# Like no table. If it is one, write it below `tables` under that table's name:"]
            unlike += [f"# {line}" for line in _feed(None, each, {})]
    missing = [] if "tasks" in chosen else ["tasks"]
    lines = [
        "# A draft. Decide what each `doubt` asks, then take that key away: no audit reads by a mapping that has one."
    ]
    lines += [f"# Not read: {_comment(each)}" for each in refused]
    lines += [f"title: {_quoted(title)}", "tables:"]
    for name in (name for name in TABLES if name in chosen):
        lines.append(f"  {name}:")
        for taken in chosen[name]:
            each, matches = taken.sample, taken.matches
            _by_values(name, each, matches, chosen)
            _in_two_columns(TABLES[name], each, matches)
            doubts = filter(None, (taken.doubt, _headless(each), *_placeheld(each), *_marked(each, matches)))
            lines += _feed(TABLES[name], each, matches, "; ".join(doubts))
            missing += [f"{name}.{column}" for column in TABLES[name].required if column not in matches]
            left += [f"{each.name}: {column}" for column in each.columns if column not in _used(matches)]
    lines += unlike
    return Draft("\n".join(lines) + "\n", tuple(dict.fromkeys(missing)), tuple(left))


def _without_placeholders(each: TableSample) -> TableSample:
    """The same with blanks for texts that only say that there is nothing (`NULL`, `-`), and these in a key `blank`:
    a column is known by what else is in it."""
    nothing = {cell for cells in each.columns.values() for cell in set(cells) if cell.strip() and says_nothing(cell)}
    if not nothing:
        return each
    columns = {name: ["" if cell in nothing else cell for cell in cells] for name, cells in each.columns.items()}
    return replace(each, columns=columns, keys={**each.keys, "blank": sorted({cell.strip() for cell in nothing})})


def _placeheld(each: TableSample) -> Iterator[str]:
    """What to ask of texts that the draft takes for blanks."""
    if nothing := each.keys.get("blank"):
        verb = "does" if len(nothing) == 1 else "do each of"
        yield f"{verb} {', '.join(nothing)} stand for a missing value (`blank`)?"


def _best_table(each: TableSample) -> tuple[str, dict[str, Match], str]:
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
            fits = bool(_formats(filled, column)) or (is_typed and _share(filled, _looks_iso) > 0.5)
        case "number" | "count":
            fits = _share(filled, lambda cell: any(sign.isdigit() for sign in cell) and len(cell) < 12) > 0.8
        case "choice":
            known = _share(filled, lambda cell: cell.strip().lower() in column.choices)
            return max(by_name + 15 * known, 80 * known)
        case _:
            fits = not _share(filled, _looks_iso) > 0.8 and not (alone and len(set(filled)) < _TOLD_APART * len(filled))
    if fits:
        return by_name
    # Under its very name a column is taken whatever is in it: what can't be read is told when it is.
    is_named = column.kind in ("time", "date", "number", "count") and header.strip().casefold() == column.name
    return by_name - (10 if is_named else 40)


def _likeness_of_names(header: str, column: Column) -> float:
    names = (column.name.replace("_", " "), column.label, *_OTHER_NAMES.get(column.name, ()))
    return max(fuzz.ratio(header, name, processor=utils.default_process) for name in names)


def _share(cells: Sequence[str], holds: Any) -> float:
    return sum(map(bool, map(holds, cells))) / len(cells)


def _looks_iso(cell: str) -> bool:
    return len(cell) >= 10 and cell[4] == cell[7] == "-" and cell[:4].isdigit()


def _formats(cells: Sequence[str], column: Column) -> tuple[str, ...]:
    """The formats that read nearly every cell, the best first: a few misprints don't speak against one."""
    return _fitting(tuple(cells), column.kind == "date" or column.name.endswith("ed_at"))


@lru_cache(maxsize=256)
def _fitting(cells: tuple[str, ...], has_none: bool) -> tuple[str, ...]:
    if _share(cells, _looks_iso) > 0.9:
        return ("iso",)
    if _share(cells, lambda cell: sum(sign.isdigit() for sign in cell) >= 4) < 0.5:
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


def _by_values(
    name: str,
    each: TableSample,
    matches: dict[str, Match],
    chosen: Mapping[str, Sequence[_Taken]],
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


def _in_two_columns(table: Table, each: TableSample, matches: dict[str, Match]) -> None:
    """Required times that no column has, where one column has days and another, by its name, their times of day."""
    free = {
        header: filled for header in each.columns if header not in _used(matches) and (filled := _filled(each, header))
    }
    days = [header for header, filled in free.items() if _day_formats(filled)]
    clocks = [header for header, filled in free.items() if _share(filled, _CLOCK_CELL.fullmatch) > _CLOSE]
    for column in table.columns.values():
        if column.kind != "time" or not column.required or column.name in matches or not days:
            continue
        likely = max(clocks, key=lambda header: _likeness_of_names(header, column), default="")
        if likely and _likeness_of_names(likely, column) >= _ENOUGH:
            clocks.remove(likely)
            day = max(days, key=lambda header: _likeness_of_names(header, column))
            matches[column.name] = Match(day, _ENOUGH, f"is this the {column.label}?", likely)


_CLOCK_CELL: Final = re.compile(r"\d{1,2}([:.])[0-5]\d(\1[0-5]\d)?|\d{3,4}")


def _day_formats(filled: Sequence[str]) -> tuple[str, ...]:
    """The formats of dates without a time of day that read them, the best first."""
    if _share(filled, lambda cell: _looks_iso(cell) and len(cell) == len("2000-01-01")) > _CLOSE:
        return ("%Y-%m-%d",)
    return tuple(format_ for format_ in _fitting(tuple(filled), True) if format_ in _DAYS)


def _filled(each: TableSample, header: str) -> list[str]:
    """The first cells of a column that are not blank."""
    return [cell.strip() for cell in each.columns[header] if cell.strip()][:200]


def _used(matches: Mapping[str, Match]) -> set[str]:
    """The columns of the export that something is made of."""
    return {header for match in matches.values() for header in (match.written, match.clock)}


def _feed(table: Table | None, each: TableSample, matches: Mapping[str, Match], doubt: str = "") -> Iterator[str]:
    """The lines of a feed; without a table, the columns that there are."""
    first = True
    for key, value in each.keys.items():
        shown = (
            _quoted(_literal(value))
            if isinstance(value, str) and key in ("files", "sheet")
            else json.dumps(value, ensure_ascii=False)
        )
        yield f"    {'- ' if first else '  '}{key}: {shown}"
        first = False
    if doubt:
        yield f"      doubt: {_quoted(doubt)}"
    yield "      columns:"
    for name, column in table.columns.items() if table else ():
        if table and name in matches:
            yield from _line(table, column, matches[name], each)
        elif column.required:
            joined = ", or `{join: [DAY, TIME]}`" if column.kind == "time" else ""
            yield f"        {name}: {_quoted(NOT_FOUND)}  # not found: write the column's name here{joined}"
    for header in each.columns:
        if header not in _used(matches):
            yield f"        # not used: {_comment(header)}"


def _headless(each: TableSample) -> str:
    """What to ask where the header has a time or a number in it: read as names, the first record would be lost."""
    told = next((name for name in each.columns if _looks_iso(name.strip()) or _FIGURE.fullmatch(name.strip())), "")
    return f"is the first row a record ({told})? then `header_rows: 0`, and columns are called 1, 2, 3" if told else ""


_FIGURE: Final = re.compile(r"\d[\d.,:/-]*")


def _marked(each: TableSample, matches: Mapping[str, Match]) -> Iterator[str]:
    """Which unused columns may mark rows that don't count: without them a cancelled flight would have been flown."""
    taken = _used(matches)
    for header, cells in each.columns.items():
        if header not in taken and _MARKS.search(re.sub(r"[\W_]+", " ", header).casefold()):
            values = list(dict.fromkeys(cell.strip() for cell in cells if cell.strip()))[:_MOST_SHOWN]
            shown = f" ({', '.join(values)})" if values else ""
            yield f"does {header}{shown} mark rows that don't count, such as cancelled ones? then add `only`"


def _line(table: Table, column: Column, match: Match, each: TableSample) -> Iterator[str]:
    if match.clock:
        yield _joined_line(table, column, match, each)
        return
    filled = [cell.strip() for cell in each.columns[match.written] if cell.strip()]
    keys, doubts = _how_written(table, column, match.written, filled, match.written in each.typed)
    doubts = [match.doubt, *doubts] if match.doubt else doubts
    if doubts:
        keys.append(f"doubt: {_quoted('; '.join(doubts).replace('?; ', '? '))}")
    written = _quoted(" ".join(match.written.split()))
    yield (
        f"        {column.name}: {{column: {written}, {', '.join(keys)}}}"
        if keys
        else f"        {column.name}: {written}"
    )


def _joined_line(table: Table, column: Column, match: Match, each: TableSample) -> str:
    """The line of a time whose day and time of day stand in two columns."""
    clock = next(filter(None, map(_CLOCK_CELL.fullmatch, _filled(each, match.clock))))
    sign, seconds = clock.groups()
    shape = f" %H{sign}%M{f'{sign}%S' if seconds else ''}" if sign else " hhmm"
    format_, *others = (f"{day}{shape}" for day in _day_formats(_filled(each, match.written)))
    zone = OWN_PLACE.get(table.name, "UTC")
    names = ", ".join(_quoted(" ".join(name.split())) for name in (match.written, match.clock))
    keys = [f"join: [{names}]", f"formats: {_quoted(format_)}", f"zone: {zone}"]
    if column.name in _AFTER:
        keys.append(f"not_before: {_AFTER[column.name]}")
    doubt = f"{match.doubt}{f' {others[0]} reads it too;' if others else ''} by which clock? {zone} is a guess"
    return f"        {column.name}: {{{', '.join(keys)}, doubt: {_quoted(doubt)}}}"


_AFTER: Final[Mapping[str, str]] = {"finished_at": "started_at", "landing_at": "takeoff_at"}
"""Times of a record that come after another: with a day in common they may be of the next."""


def _how_written(
    table: Table, column: Column, header: str, filled: Sequence[str], typed: bool
) -> tuple[list[str], list[str]]:
    """How the cells of a column are written, as keys of a mapping, and what is in doubt about it."""
    if not filled:
        return [], []
    match column.kind:
        case "time" | "date":
            return _how_times(table, column, filled, typed)
        case "number" | "count":
            return _how_numbers(column, header, filled, typed)
        case "choice":
            return _how_choices(column, filled)
        case "codes":
            return _how_lists(filled)
        case _:
            return [], []


def _how_times(table: Table, column: Column, filled: Sequence[str], typed: bool) -> tuple[list[str], list[str]]:
    keys, doubts = [], []
    formats = _formats(filled[:200], column)
    if formats and formats != ("iso",):
        keys.append(f"formats: {_quoted(formats[0])}")
        doubts += [f"{formats[1]} reads it too"] if len(formats) > 1 else []
    if not formats and not typed:
        doubts.append("no format that is known here reads it")
    if column.kind == "time" and _share(filled, lambda cell: cell.endswith("Z") or "+" in cell) < 0.5:
        zone = OWN_PLACE.get(table.name, "UTC")
        keys.append(f"zone: {zone}")
        clock = {"station": "that of the station", "task_id": "that of the record's station"}.get(zone, zone)
        doubts.append(f"by which clock? {clock} is a guess")
    return keys, doubts


def _how_numbers(column: Column, header: str, filled: Sequence[str], typed: bool) -> tuple[list[str], list[str]]:
    keys, doubts = [], []
    if not typed and any("," in cell for cell in filled):
        keys.append('decimal: ","')
        doubts.append("is the comma a decimal sign?")
    if column.name == "flight_hours":
        if _share(filled, lambda cell: ":" in cell) > 0.5:
            keys.append("unit: hours-and-minutes")
        elif all(part[:1] in "012345" for cell in filled for part in _DECIMALS.findall(cell)):
            example = next((cell for cell in filled if _DECIMALS.search(cell)), filled[0])
            doubts.append(f"is {example} in hours, hours.minutes or minutes (key: unit)?")
    if column.name == "ambient_c":
        if _FAHRENHEIT.search(header):
            keys.append("unit: fahrenheit")
        elif not _CELSIUS.search(header):
            doubts.append("°C, or °F (unit: fahrenheit)?")
    return keys, doubts


_DECIMALS: Final = re.compile(r"[.,](\d+)$")
_FAHRENHEIT: Final = re.compile(r"(?i)fahrenheit|(?<![a-z])[°º]?f(?![a-z])")
_CELSIUS: Final = re.compile(r"(?i)celsius|centigrade|(?<![a-z])[°º]?c(?![a-z])")


def _how_choices(column: Column, filled: Sequence[str]) -> tuple[list[str], list[str]]:
    values = sorted(set(filled))[:_MOST_VALUES]
    synonyms = SYNONYMS.get(column.name, {})
    unknown = [value for value in values if meant(value, column.choices, synonyms) is None]
    if not unknown:
        return [], []
    names = {value: _nearest(value, column.choices) for value in values}
    listed = ", ".join(f"{_quoted(value)}: {name}" for value, name in names.items() if name)
    doubts = [f"{value} is {names[value]}?" if names[value] else f"what is {value}?" for value in unknown]
    return [f"values: {{{listed}}}"], doubts


def _how_lists(filled: Sequence[str]) -> tuple[list[str], list[str]]:
    """What stands between the entries of a list, where it is not what canonical text has."""
    for sign in _BETWEEN:
        if any(sign in cell for cell in filled) and not any(";" in cell for cell in filled):
            return [f"separator: {_quoted(sign)}"], [f"does {sign} stand between the entries of a list?"]
    return [], []


_BETWEEN: Final = (",", "|", "/", "+")


def _nearest(value: str, choices: Sequence[str]) -> str:
    scored = [(fuzz.WRatio(value, choice, processor=utils.default_process), choice) for choice in choices]
    score, choice = max(scored)
    return choice if score >= 75 else ""


def _literal(pattern: str) -> str:
    """A name as a pattern that matches it alone."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in pattern)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=not text.isprintable())


def _comment(text: str) -> str:
    return _quoted(text)[1:-1]
