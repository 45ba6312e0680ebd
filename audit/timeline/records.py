"""Values of any column of the vocabulary, for any task records, as of their own time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.errors import InternalError
from audit.intake.names import entries, names_several_listed
from audit.intake.tables import EVERY_POSITION
from audit.timeline.codes import MISSING, by_name, coded, codes_in, codes_of, names_of
from audit.timeline.components import NONE_KNOWN, NOT_CLEAR, TWO_RECORDED
from audit.timeline.instants import DAY, FOREVER, MINUTE, NEVER, Bools, Ints, Order, micros, take
from audit.timeline.timeline import TASK_TIMES, Timeline
from audit.timeline.vocabulary import ONLY_OF, VOCABULARY

_LARGEST_LOOKUP = 4_000_000
"""Keys for which a row is looked up in a table of all of them; more are searched for."""

_MANY = 0.1
"""The share of all records from which on a column is worked out for all of them."""

NO_COMPONENT = "no boot known at that position and time"
TWO_COMPONENTS = "two boots recorded at that position and time"
WHICH_COMPONENT = "which boot was at that position and time is not known"


@dataclass(frozen=True)
class Values:
    """One column for some records.

    Text kinds carry `codes` into `names` (MISSING where missing); times and dates carry microseconds UTC and numbers
    floats in `numbers`. `missing` marks the missing values; `undecidable` those of which not even that is known (the
    table was not supplied, it is not clear which component it was). `reasons` holds why, by `why` where that differs.
    `shorter` marks the lists among them of which only that is not known whether all that they say held (None: none).
    """

    kind: str
    codes: Ints | None
    names: pd.Index | None
    numbers: npt.NDArray[np.float64] | Ints | None
    missing: Bools
    undecidable: Bools
    reasons: tuple[str, ...]
    why: Ints
    shorter: Bools | None = None

    def __getitem__(self, rows: Ints) -> Values:
        """The values of some of the records."""
        return replace(
            self,
            codes=None if self.codes is None else self.codes[rows],
            numbers=None if self.numbers is None else self.numbers[rows],
            missing=self.missing[rows],
            undecidable=self.undecidable[rows],
            why=self.why[rows],
            shorter=None if self.shorter is None else self.shorter[rows],
        )

    def lacking(self, found: Bools) -> Bools:
        """Where a list surely lacks what wasn't `found` in it, though it isn't known what it says."""
        none = np.zeros(len(found), bool)
        return none if self.shorter is None else self.shorter & ~found

    def so(self, said: Callable[[str], bool]) -> Bools:
        """Where something is so of a text, asked once for each; nowhere where it is missing."""
        assert self.codes is not None
        assert self.names is not None
        table = np.zeros(len(self.names) + 1, bool)
        there = np.flatnonzero(np.bincount(self.codes[self.codes != MISSING]))
        table[there] = [said(str(name)) for name in self.names[there]]
        return table[self.codes]

    def texts(self) -> list[str]:
        """The values as people write them, blank where missing."""
        if self.codes is None or self.names is None:
            return [self.text(index) for index in range(len(self.missing))]
        found = np.full(len(self.missing), "", object)
        there = ~self.missing
        found[there] = self.names.take(self.codes[there]).to_numpy(object)
        return list(map(str, found))

    def text(self, index: int) -> str:
        """One value as people write it, blank where missing."""
        if self.missing[index]:
            return ""
        if self.codes is not None and self.names is not None:
            return str(self.names[self.codes[index]])
        assert self.numbers is not None
        value = self.numbers[index]
        if self.kind == "date":
            return f"{pd.Timestamp(int(value), unit='us'):%Y-%m-%d}"
        if self.kind == "time":
            return f"{pd.Timestamp(int(value), unit='us'):%Y-%m-%dT%H:%M:%SZ}"
        return f"{float(value):.9f}".rstrip("0").removesuffix(".")


def values(timeline: Timeline, name: str, rows: Ints, component: Ints | None = None) -> Values:
    """Return column `name` of the task records `rows`; `component` is the component row joined with each.

    InternalError where the column was not read: that would look as if it were blank.
    """
    column = VOCABULARY[name]
    if (column.table, column.column.name) in timeline.unread:
        raise InternalError(f"{name} was requested and had not been read: what a rule reads has to be declared")
    found = _found(timeline, name, rows, component)
    # What can't be read, or stands in a record that was set aside, is not known to be missing.
    missing = np.flatnonzero(found.missing & ~found.undecidable)
    of_record = ONLY_OF.get(name.partition(".")[0]) is None
    hidden = np.zeros(len(rows), bool)
    hidden[missing] = (timeline.record(rows[missing]) >= timeline.audited) & of_record
    found = _undecidable(found, hidden, name)
    for source in (name, *_CELLS_BEHIND.get(name, ()), *_CELLS_BEHIND.get(name.partition(".")[0], ())):
        unreadable = timeline.unreadable.get(("tasks", source))
        if unreadable is not None:
            found = _undecidable(found, ~found.undecidable & np.isin(rows, unreadable), source)
    return found


def _undecidable(found: Values, hidden: Bools, name: str) -> Values:
    """The values, of which those are not even known to be missing for which a cell can't be read."""
    if not hidden.any():
        return found
    reasons = (*found.reasons, f"can't be read: {name}")
    why = np.where(hidden, len(found.reasons), found.why)
    shorter = None if found.shorter is None else found.shorter & ~hidden
    return replace(found, undecidable=found.undecidable | hidden, reasons=reasons, why=why, shorter=shorter)


def _found(timeline: Timeline, name: str, rows: Ints, component: Ints | None) -> Values:
    if name in TASK_TIMES:
        if name in timeline.times:
            return _instants(name, timeline.times[name][rows])
        return _not_exported(name, len(rows))
    if name in _MADE:
        return _MADE[name](timeline, name, rows)
    prefix, _, of_list = name.partition(".")
    if not of_list:
        return _own(timeline.tasks, name, rows)
    if prefix == "component":
        return _of_component(timeline, name, of_list, component)
    if prefix in _LISTS:
        return _joined(timeline, name, prefix, of_list, rows)
    if prefix == "corrector":
        made = micros(timeline.tasks["correction.made_at"])[rows]
        return _of_person(timeline, name, of_list, "correction.made_by", rows, made)
    if prefix in ONLY_OF:
        return _of_subject(timeline, name, rows)
    return _of_signatory(timeline, name, prefix, of_list, rows)


def whole(timeline: Timeline, name: str, rows: Ints) -> tuple[Ints, Bools]:
    """A column of whole numbers, 0 where one is missing, and where there is one."""
    found = values(timeline, name, rows)
    assert found.numbers is not None
    return np.where(found.missing, 0, found.numbers).astype(np.int64), ~found.missing


def work_day(timeline: Timeline, rows: Ints) -> Ints:
    """Calendar day, counted from 1970-01-01, on which each record started by the clock of its station."""

    def days(rows: Ints) -> Ints:
        return local_day(timeline, rows, timeline.times["started_at"][rows])

    return _shared(timeline, "work_day", rows, days)


_Column = TypeVar("_Column", Values, Ints)


def _shared(timeline: Timeline, name: str, rows: Ints, work_out: Callable[[Ints], _Column]) -> _Column:
    """What is worked out of records: once for all of them where many are asked for, since several rules ask the same.

    A reading of ambiguous times judges a few records only, and works out no more. What is worked out serves the few
    that findings are of as well.
    """
    every = len(timeline.tasks)
    if len(rows) < every * _MANY and not timeline.known(name):
        return work_out(rows)
    whole: _Column = timeline.memo(name, lambda: work_out(np.arange(every)))
    return whole[rows]


def local_day(timeline: Timeline, rows: Ints, instants: Ints) -> Ints:
    """Calendar day, counted from 1970-01-01, of an instant of each record by the clock of the record's station."""
    day = np.floor_divide(instants, DAY)
    if not timeline.supplied("stations"):
        return day
    stations = timeline.tables["stations"]
    zones = dict(zip(stations["station"].astype(str), stations["timezone"].astype(str), strict=True))
    names = sorted(set(zones.values()))
    numbers = by_name(
        timeline.tasks["station"], lambda name: names.index(zones[name]) if name in zones else MISSING, MISSING, rows
    )
    for number, zone in enumerate(names):
        mask = numbers == number
        if mask.any():
            local = pd.DatetimeIndex(instants[mask].view("M8[us]"), tz="UTC").tz_convert(zone)
            day[mask] = np.floor_divide(local.tz_localize(None).to_numpy("datetime64[us]").view(np.int64), DAY)
    return day


def _of_subject(timeline: Timeline, name: str, rows: Ints) -> Values:
    """A column of the correction or alteration itself."""
    found = _own(timeline.tasks, name, rows)
    made = timeline.tables.get("corrections")
    told = made is None or made.empty or "was" in made
    lacking = "column not supplied: corrections.was"
    if name == "alteration.correction" and not told:
        # Without what was there before nobody knows which of them say the same.
        every = np.ones(len(rows), bool)
        return replace(found, missing=every, undecidable=every, reasons=(lacking,))
    if name == "correction.state":
        return replace(found, undecidable=found.missing, reasons=(UNCLEAR_CORRECTION if told else lacking,))
    return found


UNCLEAR_CORRECTION: Final = (
    "two corrections of one value were made at the same time, or one says nearly what the record does"
)


def _blank(name: str) -> str:
    return f"value missing: {name}"


def _instants(name: str, instants: Ints) -> Values:
    kind = VOCABULARY[name].kind
    missing = instants == NEVER
    return _plain(kind, name, missing, numbers=instants)


def _plain(
    kind: str,
    name: str,
    missing: Bools,
    codes: Ints | None = None,
    names: pd.Index | None = None,
    numbers: npt.NDArray[np.float64] | Ints | None = None,
) -> Values:
    return Values(
        kind=kind,
        codes=codes,
        names=names,
        numbers=numbers,
        missing=missing,
        undecidable=np.zeros(len(missing), bool),
        reasons=(_blank(name),),
        why=np.zeros(len(missing), np.int8),
    )


def _absent(name: str, count: int) -> Values:
    """A column without a single value."""
    kind = VOCABULARY[name].kind
    missing = np.ones(count, bool)
    if kind in ("time", "date", "number", "count"):
        return _plain(kind, name, missing, numbers=np.full(count, NEVER))
    return _plain(kind, name, missing, codes=np.full(count, MISSING), names=pd.Index([], dtype="str"))


def _not_supplied(name: str, table: str, count: int) -> Values:
    absent = _absent(name, count)
    return Values(
        kind=absent.kind,
        codes=absent.codes,
        names=absent.names,
        numbers=absent.numbers,
        missing=absent.missing,
        undecidable=np.ones(count, bool),
        reasons=(f"table not supplied: {table}",),
        why=absent.why,
    )


def _not_exported(name: str, count: int, lacking: str = "") -> Values:
    """A column that the export lacks, or that is made of one it lacks: that says nothing of what was recorded."""
    column = VOCABULARY[lacking or name]
    reason = f"column not supplied: {column.table}.{column.column.name}"
    return replace(_absent(name, count), undecidable=np.ones(count, bool), reasons=(reason,))


def _own(frame: pd.DataFrame, name: str, rows: Ints, column: str | None = None) -> Values:
    """A column of the frame's own rows; row -1 gives a missing value."""
    column = column or name
    if column not in frame:
        return _not_exported(name, len(rows))
    if frame.empty:
        return _absent(name, len(rows))
    kind = VOCABULARY[name].kind
    series = frame[column]
    if kind in ("time", "date"):
        instants = _picked(micros(series), rows, NEVER)
        return _plain(kind, name, instants == NEVER, numbers=instants)
    if kind in ("number", "count"):
        numbers = _picked(series.to_numpy(dtype=np.float64, na_value=np.nan), rows, np.nan)
        return _plain(kind, name, np.isnan(numbers), numbers=numbers)
    if not isinstance(series.dtype, pd.CategoricalDtype):
        series = series.iloc[rows].astype("category")
        codes = series.cat.codes.to_numpy()
    else:
        codes = series.cat.codes.to_numpy()[rows]
    codes = np.where(rows < 0, MISSING, codes)
    return _plain(kind, name, codes == MISSING, codes=codes, names=series.cat.categories)


def _picked(column: npt.NDArray[Any], rows: Ints, missing: float) -> npt.NDArray[Any]:
    """The values of some rows of a column, and what stands for a missing one where there is no row (-1)."""
    found = column[rows]
    found[rows < 0] = missing
    return found


def _minutes(timeline: Timeline, name: str, rows: Ints, start: str, end: str) -> Values:
    if end not in timeline.times:
        return _not_exported(name, len(rows), end)
    first, last = timeline.times[start][rows], timeline.times[end][rows]
    missing = (first == NEVER) | (last == NEVER)
    minutes = np.where(missing, np.nan, (np.where(missing, 0, last - first)) / MINUTE)
    return _plain("number", name, missing, numbers=minutes)


def _pairs(
    timeline: Timeline, table: str, columns: tuple[str, ...], task_columns: tuple[str, ...]
) -> tuple[Ints, Bools]:
    """Row in `table` that agrees with each record on all columns, -1 where none; and whether the record names one."""
    frame, count = timeline.tables[table], len(timeline.tasks)
    combined_task = np.zeros(count, np.int64)
    combined_row = np.zeros(len(frame), np.int64)
    named = np.ones(count, bool)
    listed = np.ones(len(frame), bool)
    size = 1
    for column, task_column in zip(columns, task_columns, strict=True):
        task_values = timeline.tasks[task_column]
        names = names_of((frame[column], task_values))
        task_codes = codes_in(names, task_values)
        row_codes = codes_in(names, frame[column])
        named &= task_codes != MISSING
        listed &= row_codes != MISSING
        combined_task = combined_task * (len(names) + 1) + task_codes + 1
        combined_row = combined_row * (len(names) + 1) + row_codes + 1
        size *= len(names) + 1
    keys = np.flatnonzero(listed)
    if size <= _LARGEST_LOOKUP:
        row_of = np.full(size, -1)
        row_of[combined_row[keys]] = keys
        return np.where(named, row_of[combined_task], -1), named
    if not len(keys):
        return np.full(count, -1), named
    order = keys[np.argsort(combined_row[keys], kind="stable")]
    place = np.searchsorted(combined_row[order], combined_task)
    place = np.minimum(place, len(order) - 1)
    hit = named & (combined_row[order[place]] == combined_task)
    return np.where(hit, order[place], -1), named


def _joined(timeline: Timeline, name: str, prefix: str, column: str, tasks: Ints) -> Values:
    """A column of the row of a list that each record names."""
    table, columns, task_columns = _LISTS[prefix]
    if not timeline.supplied(table):
        return _not_supplied(name, table, len(tasks))
    if lacking := [one for one in task_columns if one not in timeline.tasks]:
        return _not_exported(name, len(tasks), lacking[0])
    row, names_one = timeline.timeless(("pair", table), lambda: _pairs(timeline, table, columns, task_columns))
    rows, named = row[tasks], names_one[tasks]
    found = _own(timeline.tables[table], name, rows, column)
    if column not in timeline.tables[table]:
        return found
    what = {"lots": "lot", "manuals": "manual revision"}.get(table, table.removesuffix("s"))
    reasons = (
        _blank(name),
        f"{what} not listed in {table}",
        f"{what} {NEARLY} {table}",
        f"can't be read: {name}",
        f"a row of {table} in quarantine may be that {what}",
        f"one cell names several: {' or '.join(task_columns)}",
        *map(_blank, task_columns),
        LATER_REVISION,
    )
    unlisted = named & (rows < 0)
    near = unlisted & _nearly_known(timeline, table, task_columns, tasks)
    several = _several_listed(timeline, table, columns, task_columns, np.where(unlisted, tasks, MISSING))
    unread = _unreadable(timeline, table, column, rows)
    aside = unlisted & _perhaps_listed(timeline, table, columns, task_columns, tasks)
    blank = [codes_of(timeline.tasks[column])[tasks] == MISSING for column in task_columns]
    later = (
        _perhaps_superseded(timeline, tasks, rows, found.missing)
        if name == "manual.superseded_on"
        else np.zeros_like(near)
    )
    choices = [near, several, aside, unread, later, rows >= 0, named, *blank]
    why = np.select(choices, [2, 5, 4, 3, 6 + len(blank), 0, 1, *range(6, 6 + len(blank))]).astype(np.int8)
    undecidable = found.undecidable | near | several | unread | aside | later
    return replace(found, undecidable=undecidable, reasons=reasons, why=why)


LATER_REVISION: Final = "a later revision was in force, and the list does not say when this one was superseded"


def _perhaps_superseded(timeline: Timeline, tasks: Ints, rows: Ints, blank: Bools) -> Bools:
    """Of which records the revision, of no known day of supersession, had a later one of its manual by the day of the
    work."""
    manuals = timeline.tables["manuals"]
    manual, since = codes_of(manuals["manual"]), micros(manuals["effective_from"])
    order, cited, began = Order.of(manual, since), take(manual, rows, MISSING), take(since, rows, NEVER)
    by_then = order.until(cited, work_day(timeline, tasks) * DAY)
    found: Bools = (rows >= 0) & blank & (by_then > order.until(cited, began))
    return found


def _several_listed(
    timeline: Timeline, table: str, columns: tuple[str, ...], task_columns: tuple[str, ...], tasks: Ints
) -> Bools:
    """Which records (MISSING: not asked about) name several things of a list in one cell."""
    found = np.zeros(len(tasks), bool)
    for column, task_column in zip(columns, task_columns, strict=True):
        listed = frozenset(map(str, timeline.tables[table][column].cat.categories))
        cells = timeline.tasks[task_column].cat
        codes = np.where(tasks == MISSING, MISSING, cells.codes.to_numpy()[tasks])
        asked = np.setdiff1d(codes, [MISSING])
        found |= np.isin(codes, [code for code in asked if names_several_listed(str(cells.categories[code]), listed)])
    return found


def _unreadable(timeline: Timeline, table: str, column: str, rows: Ints) -> Bools:
    """Of which rows of a table (-1: none) a cell can't be read."""
    unreadable = timeline.unreadable.get((table, column))
    if unreadable is None:
        return np.zeros(len(rows), bool)
    found: Bools = np.isin(rows, unreadable)
    return found


def _perhaps_listed(
    timeline: Timeline, table: str, columns: tuple[str, ...], task_columns: tuple[str, ...], tasks: Ints
) -> Bools:
    """Which records may name a row that was set aside: it agrees in all cells of its key that can be read."""
    found = np.zeros(len(tasks), bool)
    aside = timeline.aside[table]
    if aside.empty:
        return found
    lacks = aside[list(columns)].isna().to_numpy()
    for pattern in np.unique(lacks, axis=0):
        some = aside[(lacks == pattern).all(axis=1)]
        key, asked = np.zeros(len(some), np.int64), np.zeros(len(tasks), np.int64)
        for column, task_column, lacking in zip(columns, task_columns, pattern, strict=True):
            if not lacking:
                names = names_of((some[column], timeline.tasks[task_column]))
                key = key * (len(names) + 1) + codes_in(names, some[column]) + 1
                asked = asked * (len(names) + 1) + codes_in(names, timeline.tasks[task_column])[tasks] + 1
        found |= np.isin(asked, key)
    return found


NEARLY = "is not listed, but one of nearly the same name is in"


def _nearly_known(timeline: Timeline, table: str, columns: tuple[str, ...], tasks: Ints) -> Bools:
    """Which records have a name that a list nearly knows."""
    found = np.zeros(len(tasks), bool)
    for column in columns:
        near = timeline.near_names.get((column, table), frozenset())
        if near:
            found |= by_name(timeline.tasks[column], near.__contains__, False, tasks)
    return found


def _of_component(timeline: Timeline, name: str, column: str, component: Ints | None) -> Values:
    assert component is not None, f"{name} asked without the component joined"
    if not timeline.supplied("components"):
        return _not_supplied(name, "components", len(component))
    found = _own(timeline.tables["components"], name, np.maximum(component, -1), column)
    if column not in timeline.tables["components"]:
        return found
    kinds = (NONE_KNOWN, TWO_RECORDED, NOT_CLEAR)
    why = np.select([component == kind for kind in kinds], [1, 2, 3], 0)
    unread = _unreadable(timeline, "components", column, component)
    nowhere = (component == NONE_KNOWN) & ("position" not in timeline.tasks)
    return Values(
        kind=found.kind,
        codes=found.codes,
        names=found.names,
        numbers=found.numbers,
        missing=found.missing,
        undecidable=np.isin(component, kinds[1:]) | unread | nowhere,
        reasons=(
            _blank(name),
            NO_COMPONENT,
            TWO_COMPONENTS,
            WHICH_COMPONENT,
            f"can't be read: {name}",
            "column not supplied: tasks.position",
        ),
        why=np.select([unread, nowhere], [4, 5], why).astype(np.int8),
    )


def _position_count(timeline: Timeline, name: str, rows: Ints) -> Values:
    """How many positions a record names; `all` names none by itself."""
    if "position" not in timeline.tasks:
        return _not_exported(name, len(rows), "position")

    def count(text: str) -> float:
        named = {part.strip() for part in text.split(";")} - {""}
        return np.nan if named == {EVERY_POSITION} else float(len(named))

    numbers = by_name(timeline.tasks["position"], count, np.nan, rows)
    return _plain("count", name, np.isnan(numbers), numbers=numbers)


def _certificate(timeline: Timeline, name: str, rows: Ints) -> Values:
    """Number and kind of the certificate that a record gives, as one; missing where either is."""
    return _shared(timeline, name, rows, lambda rows: _number_and_kind(timeline, name, rows))


def _number_and_kind(timeline: Timeline, name: str, rows: Ints) -> Values:
    parts = [_own(timeline.tasks, part, rows) for part in ("certificate_number", "certificate_kind")]
    number, kind = parts
    assert number.codes is not None
    assert number.names is not None
    assert kind.codes is not None
    assert kind.names is not None
    several = _lists(number.codes, number.names) | _lists(kind.codes, kind.names)
    missing = number.missing | kind.missing | several
    width = len(kind.names) + 1
    pairs, distinct = pd.factorize(np.where(missing, MISSING, number.codes.astype(np.int64) * width + kind.codes))
    numbers, kinds = number.names.tolist(), kind.names.tolist()
    texts = [
        "" if pair == MISSING else certificates(str(numbers[pair // width]), str(kinds[pair % width]))
        for pair in distinct.tolist()
    ]
    of_pair, names = coded(texts)
    codes = of_pair[pairs]
    reasons = (*number.reasons, *kind.reasons, "one cell names several: certificate_number or certificate_kind")
    why = np.select([number.missing, kind.missing], [0, len(number.reasons)], len(reasons) - 1).astype(np.int8)
    found = _plain("code", name, codes == MISSING, codes=codes, names=names)
    undecidable = number.undecidable | kind.undecidable | several
    return replace(found, undecidable=undecidable, reasons=reasons, why=why)


def _lists(codes: Ints, names: pd.Index) -> Bools:
    """Where a cell has several entries."""
    found: Bools = np.array([*(len(entries(str(name))) > 1 for name in names), False])[codes]
    return found


def certificates(numbers: str, kinds: str) -> str:
    """Certificates as they are written in lists: `TW-7 (airframe); TW-8 (repairman)`.

    Of several numbers and kinds in two cells each goes with the other in its place; one goes with each.
    """
    number, kind = (entries(cell) for cell in (numbers, kinds))
    if not number or not kind:
        return ""
    if len(number) != len(kind) and 1 not in (len(number), len(kind)):
        return f"{numbers} ({kinds})".replace(";", ",")
    longest = max(len(number), len(kind))
    pairs = zip(number * (longest // len(number)), kind * (longest // len(kind)), strict=True)
    return "; ".join(f"{one} ({other})" for one, other in pairs)


def signed(timeline: Timeline, rows: Ints) -> Ints:
    """When each record was signed; where it doesn't say, when its work ended."""
    finished = timeline.times["finished_at"][rows]
    if "signed_at" not in timeline.times:
        return finished
    signed = timeline.times["signed_at"][rows]
    return np.where(signed == NEVER, finished, signed)


def _of_signatory(timeline: Timeline, name: str, prefix: str, column: str, rows: Ints) -> Values:
    """What the people table says of the performer or certifier of each record."""

    def looked_up(rows: Ints) -> Values:
        if prefix == "performer":
            return _of_person(timeline, name, column, "performed_by", rows, timeline.times["started_at"][rows])
        when = signed(timeline, rows)
        unreadable = np.isin(rows, timeline.unreadable.get(("tasks", "signed_at"), ()))
        latest = np.where(unreadable, np.maximum(when, timeline.as_of), when) if unreadable.any() else None
        return _of_person(timeline, name, column, "certified_by", rows, when, latest)

    return _shared(timeline, name, rows, looked_up)


def _of_person(
    timeline: Timeline,
    name: str,
    column: str,
    signature: str,
    rows: Ints,
    instants: Ints,
    latest: Ints | None = None,
) -> Values:
    """What the people table says of the signatory on the day of an instant, by the clock of the record's station.

    Several valid entries are joined by `; `. Where the day may be a later one, up to `latest`, and what is held changes
    until then, it is undecidable.
    """
    if not timeline.supplied("people"):
        return _not_supplied(name, "people", len(rows))
    if signature not in timeline.tasks:
        return _not_exported(name, len(rows), signature)
    people = timeline.tables["people"]
    for part in _parts(column):
        if part not in people:
            return _not_exported(name, len(rows), f"{name.partition('.')[0]}.{part}")
    names = names_of((people["person"], timeline.tasks[signature]))
    person = codes_in(names, timeline.tasks[signature])[rows]
    history = _Holdings.of(people, codes_in(names, people["person"]), column)
    day = local_day(timeline, rows, instants)
    codes = history.on(person, day)
    changes = history.changes(person, day, day if latest is None else local_day(timeline, rows, latest))
    several = np.isin(rows, timeline.several_names.get(("tasks", signature), ()))
    near = timeline.near_names.get(("person", "people"), frozenset())
    alike = np.array([*(str(one) in near for one in names), False])[person]
    reasons = (
        f"value missing: {signature}",
        f"{signature} holds nothing valid on that day",
        f"{signature} {NEARLY} people",
        f"{signature} names several people",
        "column not supplied: people.valid_to",
        "can't be read: signed_at",
        "an entry of people that can't be read may say otherwise",
    )
    unread, aside = _unreadable_entries(timeline, _parts(column)), timeline.aside["people"]
    unclear = _valid_then(names, unread, person, day) | _valid_then(names, aside, person, day)
    # Without the last day of validity nobody knows whether what began still held.
    endless = (codes != MISSING) & ("valid_to" not in people)
    ended = _valid_then(names, _unreadable_entries(timeline, ["valid_to"]), person, day)
    otherwise = several | alike | unclear | changes
    return Values(
        kind=VOCABULARY[name].kind,
        codes=codes,
        names=history.names,
        numbers=None,
        missing=(codes == MISSING) | several | alike,
        undecidable=otherwise | endless | ended,
        reasons=reasons,
        why=np.select(
            [several, alike, person == MISSING, unclear | ended, endless, changes], [3, 2, 0, 6, 4, 5], 1
        ).astype(np.int8),
        shorter=(endless | ended) & ~otherwise,
    )


def _unreadable_entries(timeline: Timeline, columns: Iterable[str]) -> pd.DataFrame:
    """The entries of people of which one of the columns can't be read."""
    none: Ints = np.empty(0, np.int64)
    rows = [timeline.unreadable.get(("people", column), none) for column in columns]
    return timeline.tables["people"].iloc[np.unique(np.concatenate(rows)).astype(np.int64)]


def _valid_then(names: pd.Index, entries: pd.DataFrame, person: Ints, day: Ints) -> Bools:
    """Whether one of the entries is of each person, or may be since it names nobody, and valid on a day."""
    owner = codes_in(names, entries["person"])
    # Of somebody whom nothing else names it says nothing of those who are asked about.
    told = np.flatnonzero((owner != MISSING) | entries["person"].isna())
    first, after = _valid(entries.iloc[told])
    owner = owner[told] + 1  # nobody is 0
    begun, ended = Order.of(owner, first), Order.of(owner, after)
    found = np.zeros(len(person), bool)
    for who in (person + 1, np.zeros(len(person), np.int64)):
        found |= begun.until(who, day) > ended.until(who, day)
    found[person == MISSING] = False
    return found


def _valid(people: pd.DataFrame) -> tuple[Ints, Ints]:
    """The first day of each entry, and the day after its last."""
    after = np.full(len(people), FOREVER)
    if "valid_to" in people:
        valid_to = micros(people["valid_to"])
        after = np.where(valid_to == NEVER, FOREVER, np.floor_divide(valid_to, DAY) + 1)
    return np.floor_divide(micros(people["valid_from"]), DAY), after


@dataclass(frozen=True)
class _Holdings:
    """What people hold from each day on which that changes, in order of (person, day).

    `held` are codes into `names`; the last of them, of no turn, is MISSING.
    """

    turns: Order
    owner: Ints
    held: Ints
    names: pd.Index

    @classmethod
    def of(cls, people: pd.DataFrame, owner: Ints, column: str) -> _Holdings:
        """A column of the people table, each row of which is of an `owner`, by code; several valid ones as one text."""
        first, after = _valid(people)
        said = _entries(people, column)
        by_owner: dict[int, list[int]] = {}
        for row, code in enumerate(owner.tolist()):
            by_owner.setdefault(code, []).append(row)
        ends = np.flatnonzero(after != FOREVER)
        turns = Order.of(np.concatenate((owner, owner[ends])), np.concatenate((first, after[ends])))
        turn_owner = np.concatenate((owner, owner[ends]))[turns.row]
        turn_day = np.concatenate((first, after[ends]))[turns.row]
        texts = [
            "; ".join(sorted({said[row] for row in by_owner[code] if first[row] <= day < after[row]} - {""}))
            for code, day in zip(turn_owner.tolist(), turn_day.tolist(), strict=True)
        ]
        return cls(turns, turn_owner, *coded(texts))

    def on(self, person: Ints, day: Ints) -> Ints:
        """What each person held on a day, MISSING where nothing."""
        turn = self.turns.until(person, day) - 1
        inside = np.maximum(turn, 0)
        none = (turn < 0) | (np.append(self.owner, MISSING)[inside] != person) | (person == MISSING)
        return np.where(none, MISSING, self.held[inside]).astype(np.int32)

    def changes(self, person: Ints, day: Ints, until: Ints) -> Bools:
        """Whether what each person held on a day became something else until a later one."""
        held, found = self.on(person, day), np.zeros(len(person), bool)
        first, last = (self.turns.until(person, one) for one in (day, until))
        for row in np.flatnonzero(last > first).tolist():
            found[row] = (self.held[first[row] : last[row]] != held[row]).any()
        return found


def _parts(column: str) -> tuple[str, ...]:
    """The columns of the people table of which one is made: `certificates` are numbers with their kinds."""
    return ("certificate_number", "certificate_kind") if column == "certificates" else (column,)


def _entries(people: pd.DataFrame, column: str) -> list[str]:
    """A column of the people table, blank where missing."""
    parts = [people[name].astype("str").where(people[name].notna(), "").tolist() for name in _parts(column)]
    return [certificates(*pair) for pair in zip(*parts, strict=True)] if len(parts) > 1 else parts[0]


_LISTS: Final[Mapping[str, tuple[str, tuple[str, ...], tuple[str, ...]]]] = {
    "product": ("products", ("product",), ("product",)),
    "lot": ("lots", ("lot", "product"), ("lot", "product")),
    "manual": ("manuals", ("manual", "revision"), ("manual", "manual_revision")),
}
"""The lists that a record is joined with: table, the columns that name its rows, and those of the record."""

_CELLS_BEHIND: Final[Mapping[str, tuple[str, ...]]] = {
    **{prefix: task_columns for prefix, (_, _, task_columns) in _LISTS.items()},
    "certificate": ("certificate_number", "certificate_kind"),
    "certifier": ("certified_by",),
    "component": ("position",),
    "performer": ("performed_by",),
    "position_count": ("position",),
    "product_class": ("product",),
    "signed_after_minutes": ("signed_at",),
}
"""The cells of a record by which a column, or those with its prefix, is found, or of which it is made: where one can't
be read, it may be anything."""

_MADE: Final[Mapping[str, Callable[[Timeline, str, Ints], Values]]] = {
    "work_date": lambda timeline, name, rows: _instants(name, work_day(timeline, rows) * DAY),
    "work_minutes": lambda timeline, name, rows: _minutes(timeline, name, rows, "started_at", "finished_at"),
    "signed_after_minutes": lambda timeline, name, rows: _minutes(timeline, name, rows, "finished_at", "signed_at"),
    "position_count": _position_count,
    "certificate": _certificate,
    "product_class": lambda timeline, name, rows: _joined(timeline, name, "product", name, rows),
}
"""Columns that no table has as they stand, and how each is made."""
