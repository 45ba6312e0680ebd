"""The timeline of an export: everything the rule forms ask, as arrays in one time."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.types import union_categoricals

from audit.intake.chains import UNCLEAR
from audit.intake.export import Export
from audit.intake.names import positions_named
from audit.intake.tables import CORRECTION_STATES, EVERY_POSITION, TABLES
from audit.intake.words import canonical
from audit.timeline.ambiguity import resolve
from audit.timeline.codes import by_name, codes_in, codes_of, names_of
from audit.timeline.components import NONE_KNOWN, Components, build_components, some_time_of, told_again
from audit.timeline.flights import Flights, build_flights
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, expand, group_begins, instant, micros
from audit.timeline.memo import Memo, Value
from audit.timeline.possible_stays import NO_STAYS, PossibleStays, places_told, possible_stays

TASK_TIMES = ("started_at", "finished_at", "signed_at")


@dataclass(frozen=True)
class Timeline:
    """What happened when, up to the as-of time.

    A row number always means a row of one of `tables`. A *place* is a position of an aircraft, as one number: aircraft
    code x (positions + 1) + position code, the last position code of each aircraft standing for "position unknown".
    """

    tables: Mapping[str, pd.DataFrame]
    """The typed frames of the export."""
    as_of: int
    since: int
    """The first start of work, or takeoff, of which the export tells."""
    tasks: pd.DataFrame
    """The audited task records, and behind them (from row `audited` on) those that were set aside."""
    audited: int
    rows: Ints
    """The task records that count as work done: audited, closed, and begun by the as-of time."""
    perhaps: Ints
    """Those that may: still open, or set aside since a required cell of theirs can't be read."""
    aside: Mapping[str, pd.DataFrame]
    """The rows of the other tables that were set aside."""
    times: Mapping[str, Ints]
    """The task times in microseconds UTC, in the one reading of ambiguous times that this timeline stands for. A record
    that was set aside may lack some (NEVER)."""
    aircraft: Ints
    """The aircraft of each task record, by its code."""
    aircraft_names: pd.Index
    position_names: pd.Index
    """What aircraft codes and position codes stand for."""
    flights: Flights
    components: Components
    later: pd.DataFrame
    """Ambiguous times that no record itself decides: columns row, column and later, the later instant."""
    in_play: Bools
    """Which aircraft are judged: all of them, save where an ambiguous time is tried in another reading."""
    other_names: Bools
    """Of which aircraft no position that its records name is one of its boots: others are meant."""
    unread: frozenset[tuple[str, str]] = frozenset()
    """Columns, as (table, column), that nobody asked intake for, or that the rule being judged doesn't declare: to ask
    for one is an InternalError."""
    unreadable: Mapping[tuple[str, str], Ints] = field(default_factory=dict)
    several_names: Mapping[tuple[str, str], Ints] = field(default_factory=dict)
    """See Export."""
    near_names: Mapping[tuple[str, str], frozenset[str]] = field(default_factory=dict)
    """By (kind, table) the names of a kind (aircraft, product, ...) that tasks or flights have and that the table
    nearly knows."""
    alike: Mapping[str, Mapping[str, frozenset[str]]] = field(default_factory=dict)
    """All names that are nearly equal, by kind and name."""
    of: str = "tasks"
    records: Ints | None = None
    """Where rows of another table are looked at in the place of records (see `subjects`): that table, and the task
    record of each row."""
    fleet_habit: int | None = None
    recorded_until: int | None = None
    """In a part of an export, how long a gap between flights is unusual in the whole, and until when the whole has task
    records (see `coverage`)."""
    orders_elsewhere: pd.DataFrame | None = None
    """Work orders (columns work_order, aircraft by number) as records of other parts have them, too."""
    _memo: Memo = field(default_factory=Memo, repr=False)
    _timeless: Memo = field(default_factory=Memo, repr=False)

    def supplied(self, table: str) -> bool:
        """Whether the export holds the table at all."""
        return table in self.tables

    @property
    def unknown_position(self) -> int:
        """The position code that stands for an unknown position."""
        return len(self.position_names)

    def record(self, rows: Ints) -> Ints:
        """The task record of each row, as it is numbered among all of them."""
        return rows if self.records is None else self.records[rows]

    def span(self, tasks: Ints) -> tuple[Ints, Ints]:
        """From when to when each record may have lasted: one that was set aside may lack its start, or its end."""
        start, end = (self.times[name][tasks] for name in ("started_at", "finished_at"))
        return start, np.where(end == NEVER, FOREVER, end)

    def is_open(self, tasks: Ints) -> Bools:
        """Whether the work of each record is still open, by a status that can be read."""
        unreadable = self.unreadable.get(("tasks", "status"), np.empty(0, np.int64))
        open_: Bools = np.isin(tasks, self.perhaps) & (tasks < self.audited) & ~np.isin(tasks, unreadable)
        return open_

    @property
    def places(self) -> int:
        """How many places there are, unknown positions included."""
        return len(self.aircraft_names) * (len(self.position_names) + 1)

    def boot_or_place(self, boot: Ints, place: Ints) -> Ints:
        """One number for each boot; where none is known, or two, one for each place: that is then at least the same."""
        boots, places = self.components.boots, self.places
        return np.where(boot >= 0, boot, boots + np.where(boot == NONE_KNOWN, place, places + place))

    @property
    def boots_and_places(self) -> int:
        """How many numbers `boot_or_place` has."""
        return self.components.boots + 2 * self.places

    def place(self, aircraft: Ints, position: Ints | int) -> Ints:
        """Combine aircraft and position codes."""
        return aircraft * (len(self.position_names) + 1) + position

    def aircraft_of(self, place: Ints) -> Ints:
        """Aircraft code of each place."""
        return place // (len(self.position_names) + 1)

    def position_of(self, place: Ints) -> Ints:
        """Position code of each place."""
        return place % (len(self.position_names) + 1)

    def nowhere(self, place: Ints) -> Bools:
        """Whether the position of each place is unknown."""
        unknown: Bools = self.position_of(place) == self.unknown_position
        return unknown

    def work_orders(self, rows: Ints) -> Ints:
        """The work order of each task record, by number; MISSING where none is known."""
        return codes_of(self.tasks["work_order"])[rows]

    def placed(self, rows: Ints, aircraft: Ints | None = None) -> tuple[Ints, Ints]:
        """Count each record once for every position it names (`all`: every component installed when it began).

        Returns the index into `rows` and the place, record by record. A record without a position, or with `all` where
        no component is known, counts once, at the unknown position. `aircraft` are others than the records name.
        """
        aircraft = self.aircraft[rows] if aircraft is None else aircraft
        if "position" not in self.tasks:
            return np.arange(len(rows)), self.place(aircraft, self.unknown_position)
        # Few texts stand for all lists of positions: each is taken apart once.
        column = self.tasks["position"].cat
        lists = [self._positions(str(text)) for text in column.categories] + [[]]
        codes = column.codes.to_numpy()[rows]
        lengths = np.array([len(one) for one in lists], np.int64)
        firsts = np.cumsum(lengths) - lengths
        flat = np.array([position for one in lists for position in one], np.int64)
        # Where positions have other names in the records than in the history of the boots, none is known.
        index, nth = expand(np.where(np.append(self.other_names, False)[aircraft], 0, lengths[codes]))
        place = self.place(aircraft[index], flat[firsts[codes[index]] + nth])
        # What says `all`, or nothing that is known, has no positions of its own.
        every = [i for i, text in enumerate(column.categories) if str(text) == EVERY_POSITION]
        installed_index, installed_place = self._installed(rows, aircraft, np.flatnonzero(np.isin(codes, every)))
        counted = np.zeros(len(rows), bool)
        counted[index] = True
        counted[installed_index] = True
        nowhere = np.flatnonzero(~counted)
        unknown = self.place(aircraft[nowhere], self.unknown_position)
        if not len(nowhere) and not len(installed_index):
            return index, place
        return self._in_order(
            np.concatenate((index, installed_index, nowhere)), np.concatenate((place, installed_place, unknown))
        )

    def _in_order(self, index: Ints, place: Ints) -> tuple[Ints, Ints]:
        """Pairs in order; both in one number, since such numbers sort many times as fast as pairs.

        Places of a record that does not tell its aircraft (MISSING) are negative.
        """
        unknown = len(self.position_names) + 1
        stride = self.places + unknown
        both = np.sort(index * stride + place + unknown)
        first = both // stride
        return first, both - first * stride - unknown

    def _positions(self, text: str) -> list[int]:
        if text == EVERY_POSITION:
            return []
        parts = {part.strip() for part in text.split(";")} - {""}
        # One that the components know by nearly the same name may be that one, or another; next to that one, and with
        # no more than its case and spaces otherwise, it is that one.
        near = parts & self.near_names.get(("position", "components"), frozenset())
        parts = set(
            {canonical(part): part for part in sorted(parts, key=lambda part: (part not in near, part))}.values()
        )
        near &= parts
        # Not by the index itself: rules judged side by side could meet the table of its first lookup half built.
        known = [code for code, name in enumerate(self.position_names) if name in parts - near]
        return known + [self.unknown_position] * bool(near)

    def _installed(self, rows: Ints, crafts: Ints, which: Ints) -> tuple[Ints, Ints]:
        """Places of the components installed on crafts[which] when the records rows[which] began."""
        history = self.components
        if not len(which) or not len(history.place):
            return np.empty(0, np.int64), np.empty(0, np.int64)
        aircraft = crafts[which]
        first, last = self.place(aircraft, 0), self.place(aircraft + 1, 0)
        case, component = history.all_at(first, last, self.times["started_at"][rows[which]])
        index, place = self._in_order(which[case], history.place[component])
        # Of two components recorded at one position, the position counts once.
        new = group_begins(index, place)
        return index[new], place[new]

    @property
    def has_rows(self) -> Bools:
        """Which aircraft have rows, as not all have in a part of an export; and last whether any row names none."""
        found = np.zeros(len(self.aircraft_names) + 1, bool)
        for craft in (self.aircraft, self.flights.aircraft, self.aircraft_of(self.components.place)):
            found[craft] = True
        return found

    def component_at(self, place: Ints, instant: Ints) -> Ints:
        """Row of the installed component, or NONE_KNOWN, TWO_RECORDED or NOT_CLEAR."""
        found = np.full(len(place), NONE_KNOWN)
        known = np.flatnonzero(~self.nowhere(place))
        found[known] = self.components.at(place[known], instant[known])
        return found

    def read_as(self, times: Mapping[str, Ints], rows: Ints, in_play: Bools) -> Timeline:
        """The same timeline with other task times, judging only `rows` and the aircraft `in_play`."""
        return replace(self, times=times, rows=rows, in_play=in_play, _memo=Memo())

    def memo(self, key: Hashable, compute: Callable[[], Value]) -> Value:
        """The value of a key, computed the first time: rules ask much the same of a timeline."""
        return self._memo.get(key, compute)

    def known(self, key: Hashable) -> bool:
        """Whether the value of a key is computed already, in this reading of the times."""
        return self._memo.known(key)

    def timeless(self, key: Hashable, compute: Callable[[], Value]) -> Value:
        """The value of a key that is the same in every reading of the times."""
        return self._timeless.get(key, compute)


def build_timeline(export: Export, as_of: pd.Timestamp | None = None) -> Timeline:
    """Place an export in time. `as_of` defaults to the latest instant in the export."""
    tables = dict(export.tables)
    if "corrections" in tables and export.correction_states is not None:
        tables["corrections"] = tables["corrections"].assign(state=_states(export.correction_states))
    # Records that were set aside stand behind the audited ones: they are possible evidence, never subjects.
    tasks = stacked(tables["tasks"], export.set_aside.get("tasks"))
    audited = len(tables["tasks"])
    flights = tables.get("flights", _empty("flights"))
    components = tables.get("components", _empty("components"))
    times: Mapping[str, Ints] = {name: micros(tasks[name]) for name in TASK_TIMES if name in tasks}
    aircraft_names = names_of(frame["aircraft"] for frame in (tasks, flights, components))
    position_names = _position_names(tasks, components)
    end = latest_instant(export) if as_of is None else instant(as_of)
    times, later = resolve(times, export.later)
    done, perhaps = _done(tasks, times["started_at"] <= end, audited, export)
    component_aircraft = codes_in(aircraft_names, components["aircraft"])
    component_position = codes_in(position_names, components["position"])
    component_place = component_aircraft * (len(position_names) + 1) + component_position
    # A row of which a cell can't be read, or is a day without a time, is not said to repeat another.
    cells = (*export.date_only.items(), *export.unreadable.items())
    vague = [rows for (table, _), rows in cells if table == "components"]
    timeline = Timeline(
        tables=tables,
        as_of=end,
        since=_earliest([times["started_at"][:audited], micros(flights["takeoff_at"])], end),
        tasks=tasks,
        audited=audited,
        rows=np.flatnonzero(done),
        perhaps=np.flatnonzero(perhaps),
        aside={name: frame for name, frame in export.set_aside.items() if name != "tasks"},
        times=times,
        aircraft=codes_in(aircraft_names, tasks["aircraft"]),
        aircraft_names=aircraft_names,
        position_names=position_names,
        flights=build_flights(flights, codes_in(aircraft_names, flights["aircraft"]), end, export.listed_twice),
        components=build_components(
            components,
            component_place,
            _unclear_stays(export, aircraft_names, position_names),
            export.unreadable.get(("components", "removed_at"), np.empty(0, np.int64)),
            {column: rows for (table, column), rows in export.date_only.items() if table == "components"},
            told_again(components, component_place, np.concatenate([np.empty(0, np.int64), *vague])),
        ),
        later=later,
        in_play=np.ones(len(aircraft_names), bool),
        other_names=_other_names(tasks, components, aircraft_names),
        unreadable=export.unreadable,
        several_names=export.several_names,
        near_names=_near_names(export),
        alike=_alike(export),
        unread=frozenset((table, name) for table, names in export.unread_columns.items() for name in names),
    )
    possible = _possible_stays(timeline, export.set_aside.get("components"))
    return replace(timeline, components=replace(timeline.components, possible=possible))


def _position_names(tasks: pd.DataFrame, components: pd.DataFrame) -> pd.Index:
    """The positions that boots are at and records name, sorted."""
    positions = set(map(str, components["position"].cat.categories))
    if "position" in tasks:
        for text in tasks["position"].cat.categories:
            if text != EVERY_POSITION:
                positions.update(part.strip() for part in str(text).split(";"))
    return pd.Index(sorted(positions - {""}))


def _states(states: npt.NDArray[np.object_]) -> pd.Categorical:
    """What corrections are to their records; missing where that is unclear."""
    return pd.Categorical(np.where(states == UNCLEAR, None, states), CORRECTION_STATES)  # type: ignore[call-overload]


def stacked(frame: pd.DataFrame, below: pd.DataFrame | None) -> pd.DataFrame:
    """Two frames of one table, one below the other, categories and dtypes kept."""
    if below is None or below.empty:
        return frame
    columns = {}
    for name, column in frame.items():
        other = below[name] if name in below else pd.Series(index=below.index, dtype=column.dtype)
        if isinstance(column.dtype, pd.CategoricalDtype):
            columns[name] = pd.Series(union_categoricals([column, other.astype("category")], ignore_order=True))
        else:
            columns[name] = pd.concat([column, other.astype(column.dtype)], ignore_index=True)
    return pd.DataFrame(columns)


def _done(tasks: pd.DataFrame, begun: Bools, audited: int, export: Export) -> tuple[Bools, Bools]:
    """Which records count as work done, and which may: still open, with a status that can't be read, or set aside."""
    aside = np.arange(len(tasks)) >= audited
    open_, void = (np.zeros(len(tasks), bool) for _ in range(2))
    if "status" in tasks:
        void = by_name(tasks["status"], lambda name: name == "void", False)
        open_ = by_name(tasks["status"], lambda name: name not in ("closed", "void"), False)
        open_[export.unreadable.get(("tasks", "status"), np.empty(0, np.int64))] = True
    return begun & ~aside & ~open_ & ~void, begun & (aside | open_) & ~void


def _other_names(tasks: pd.DataFrame, components: pd.DataFrame, aircraft_names: pd.Index) -> Bools:
    """Which aircraft have boots, none of them at a position that one of their records names."""
    named, boots = positions_named("tasks", tasks), positions_named("components", components)
    other = {name for name in named.keys() & boots.keys() if named[name] and named[name].isdisjoint(boots[name])}
    return np.array([name in other for name in aircraft_names], bool)


def _near_names(export: Export) -> Mapping[tuple[str, str], frozenset[str]]:
    """The names that a table nearly knows, by (kind, table)."""
    found: dict[tuple[str, str], set[str]] = {}
    for kind, _, _, name, other_table, _, _ in export.near_names.itertuples(index=False):
        found.setdefault((str(kind), str(other_table)), set()).add(str(name))
    return {key: frozenset(names) for key, names in found.items()}


def _alike(export: Export) -> Mapping[str, Mapping[str, frozenset[str]]]:
    """The names that are nearly equal, each with the others, by kind."""
    found: dict[str, dict[str, set[str]]] = {}
    for kind, _, _, name, _, _, other in export.near_names.itertuples(index=False):
        of_kind = found.setdefault(str(kind), {})
        of_kind.setdefault(str(name), set()).add(str(other))
        of_kind.setdefault(str(other), set()).add(str(name))
    return {kind: {name: frozenset(others) for name, others in names.items()} for kind, names in found.items()}


def _unclear_stays(export: Export, aircraft_names: pd.Index, position_names: pd.Index) -> pd.DataFrame:
    """Where and when it isn't clear which boot is installed: columns place, start and end (excluded), in µs UTC."""
    # The place codes of Timeline, of which there is none yet.
    width = len(position_names) + 1
    found: list[tuple[int, int, int]] = []
    for rows, opens, closes in _unclear_times(
        export.tables.get("components"), export.set_aside.get("components"), export
    ):
        places = places_told(rows, aircraft_names, position_names)
        for its, start, end in zip(places, opens.tolist(), closes.tolist(), strict=True):
            found += [(place, start, end) for place in its.tolist()]
    # An aircraft whose name the components nearly know may have the boots of that one.
    for name in sorted(_near_names(export).get(("aircraft", "components"), ())):
        if name in aircraft_names:
            first = int(codes_in(aircraft_names, pd.Series([name], dtype="category"))[0]) * width
            found += [(first + position, NEVER, FOREVER) for position in range(len(position_names))]
    return pd.DataFrame(found, columns=["place", "start", "end"], dtype="int64")


def _unclear_times(
    frame: pd.DataFrame | None, aside: pd.DataFrame | None, export: Export
) -> Iterator[tuple[pd.DataFrame, Ints, Ints]]:
    """Rows of components that leave a time unclear, with its start and end."""
    if aside is not None:
        yield aside, *_lasted(aside)
    if frame is None:
        return
    for column in ("installed_at", "removed_at"):
        rows = export.date_only.get(("components", column))
        if rows is not None:
            yield frame.iloc[rows], *some_time_of(micros(frame[column])[rows])


def _lasted(stays: pd.DataFrame) -> tuple[Ints, Ints]:
    """From when to when (excluded) each stay may have lasted by what its row says."""
    removed = micros(stays["removed_at"]) if "removed_at" in stays else np.full(len(stays), NEVER)
    return micros(stays["installed_at"]), np.where(removed == NEVER, FOREVER, removed)


def _possible_stays(timeline: Timeline, aside: pd.DataFrame | None) -> PossibleStays:
    """Where boots may have been by rows of components that were set aside, on aircraft of which there are other rows
    (those of another part of the export are of no matter here)."""
    if aside is None or aside.empty:
        return NO_STAYS
    history, here = timeline.components, timeline.has_rows
    told = places_told(aside, timeline.aircraft_names, timeline.position_names)
    places = [its[here[timeline.aircraft_of(its)]] for its in told]
    serials = timeline.tables["components"]["component_serial"].cat.categories
    return possible_stays(aside, places, _lasted(aside), serials, history.sure, history.place)


def latest_instant(export: Export) -> int:
    """The latest instant of which an export tells, of task records that were set aside too."""
    aside = export.set_aside.get("tasks")
    frames = [*export.tables.items(), *([] if aside is None else [("tasks", aside)])]
    instants = [micros(frame[name]) for table, frame in frames for name in _INSTANTS.get(table, ()) if name in frame]
    instants.append(micros(export.later["later"]))
    return max((int(values.max()) for values in instants if len(values)), default=NEVER)


_INSTANTS = {
    "tasks": TASK_TIMES,
    "flights": ("takeoff_at", "landing_at"),
    "components": ("installed_at", "removed_at"),
    "corrections": ("made_at",),
}
"""The times, by table, of which the latest is the as-of time where none is given."""


def _earliest(instants: list[Ints], default: int) -> int:
    return min((int(values.min()) for values in instants if len(values)), default=default)


@cache
def _empty(table: str) -> pd.DataFrame:
    """Frame without rows that stands in for a table that was not supplied."""
    dtypes = {"time": "datetime64[us, UTC]", "number": "float64", "count": "Int64"}
    return pd.DataFrame(
        {
            name: pd.Series([], dtype=dtypes.get(column.kind, "category"))
            for name, column in TABLES[table].columns.items()
        }
    )
