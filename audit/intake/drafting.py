"""Drafting a mapping: the lines of its file, with how each column is written.

A draft is a guess that a person reads before it is used. Every doubt is a key beside what it is about, which has to be
decided and taken away: no audit reads by a mapping with an open doubt.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from rapidfuzz import fuzz, utils

from audit.intake.likeness import (
    CLOCK_CELL,
    Match,
    Taken,
    best_table,
    by_values,
    columns_used,
    day_formats,
    first_filled,
    formats_of,
    in_two_columns,
    looks_iso,
    share,
)
from audit.intake.table_samples import TableSample
from audit.intake.tables import OWN_PLACE, SYNONYMS, TABLES, Column, Table
from audit.intake.time_formats import compile_format
from audit.intake.words import meant, says_nothing

NOT_FOUND: Final = "?"
"""What stands for a required column that nothing in the export looks like."""

_MARKS: Final = re.compile(r"\b(status|state|cancel\w*|void\w*|deleted?|(in)?active)\b")
"""Names of columns that may mark rows which don't count."""
_MOST_SHOWN: Final = 5
_MOST_VALUES: Final = 40


@dataclass(frozen=True)
class Draft:
    """A drafted mapping: its text, what is required and wasn't found, and the columns that nothing was made of."""

    text: str
    missing: tuple[str, ...]
    unmatched: tuple[str, ...]


def draft_mapping(title: str, samples: Sequence[TableSample], refused: Sequence[str]) -> Draft:
    """Draft a mapping of what was seen of an export."""
    chosen: dict[str, list[Taken]] = {}
    left: list[str] = []
    unlike: list[str] = []
    for each in map(_without_placeholders, samples):
        name, matches, doubt = best_table(each)
        if name:
            chosen.setdefault(name, []).append(Taken(each, matches, doubt))
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
            by_values(name, each, matches, chosen)
            in_two_columns(TABLES[name], each, matches)
            doubts = filter(None, (taken.doubt, _headless(each), *_placeheld(each), *_marked(each, matches)))
            lines += _feed(TABLES[name], each, matches, "; ".join(doubts))
            missing += [f"{name}.{column}" for column in TABLES[name].required if column not in matches]
            left += [f"{each.name}: {column}" for column in each.columns if column not in columns_used(matches)]
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
        if header not in columns_used(matches):
            yield f"        # not used: {_comment(header)}"


def _headless(each: TableSample) -> str:
    """What to ask where the header has a time or a number in it: read as names, the first record would be lost."""
    told = next((name for name in each.columns if looks_iso(name.strip()) or _FIGURE.fullmatch(name.strip())), "")
    return f"is the first row a record ({told})? then `header_rows: 0`, and columns are called 1, 2, 3" if told else ""


_FIGURE: Final = re.compile(r"\d[\d.,:/-]*")


def _marked(each: TableSample, matches: Mapping[str, Match]) -> Iterator[str]:
    """Which unused columns may mark rows that don't count: without them a cancelled flight would have been flown."""
    taken = columns_used(matches)
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
    clock = next(filter(None, map(CLOCK_CELL.fullmatch, first_filled(each, match.clock))))
    sign, seconds = clock.groups()
    shape = f" %H{sign}%M{f'{sign}%S' if seconds else ''}" if sign else " hhmm"
    format_, *others = (f"{day}{shape}" for day in day_formats(first_filled(each, match.written)))
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
    formats = formats_of(filled[:200], column)
    if formats and formats != ("iso",):
        keys.append(f"formats: {_quoted(formats[0])}")
        doubts += [f"{formats[1]} reads it too"] if len(formats) > 1 else []
    if not formats and not typed:
        doubts.append("no format that is known here reads it")
    zoned = bool(formats) and compile_format(formats[0]).has_zone
    if column.kind == "time" and not zoned and share(filled, lambda cell: cell.endswith("Z") or "+" in cell) < 0.5:
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
        if share(filled, lambda cell: ":" in cell) > 0.5:
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
