"""The timeline of an export: everything the rule forms ask, as arrays in one time."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pandas as pd

from audit.intake.export import Export
from audit.intake.tables import EVERY_POSITION, TABLES
from audit.timeline.ambiguity import settle
from audit.timeline.codes import codes_in, names_of
from audit.timeline.components import NONE_KNOWN, Components, build_components
from audit.timeline.flights import Flights, build_flights
from audit.timeline.instants import NEVER, Bools, Ints, expand, instant, micros
from audit.timeline.memo import Memo, Value

TASK_TIMES = ("started_at", "finished_at", "signed_at")


@dataclass(frozen=True)
class Timeline:
    """What happened when, up to the as-of time.

    `tables` are the typed frames of the export; a row number always means a row of one of them. `rows` are the task
    records that count as work done: closed, and begun by the as-of time. `times` are the task times in microseconds
    UTC, in the one reading ("world") that this timeline stands for. `aircraft_names` and `position_names` decode
    aircraft codes and positions. A *place* is an aircraft's position: aircraft code x (positions + 1) + position
    code, the last position code of each aircraft standing for "position unknown". `in_play` tells which aircraft are
    judged (all of them, save where an ambiguous time is tried in another reading). `unread` are columns, as
    (table, column), that nobody asked intake for, or that the rule being judged doesn't declare: to ask for one is an
    InternalError.
    """

    tables: Mapping[str, pd.DataFrame]
    as_of: int
    since: int
    rows: Ints
    times: Mapping[str, Ints]
    aircraft: Ints
    aircraft_names: pd.Index
    position_names: pd.Index
    flights: Flights
    components: Components
    later: pd.DataFrame
    in_play: Bools
    unread: frozenset[tuple[str, str]] = frozenset()
    _memo: Memo = field(default_factory=Memo, repr=False)

    @property
    def tasks(self) -> pd.DataFrame:
        """The task records, all of them, in file order."""
        return self.tables["tasks"]

    def supplied(self, table: str) -> bool:
        """Whether the export holds the table at all."""
        return table in self.tables

    @property
    def unknown_position(self) -> int:
        """The position code that stands for an unknown position."""
        return len(self.position_names)

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
        return aircraft.astype(np.int64) * (len(self.position_names) + 1) + position

    def aircraft_of(self, place: Ints) -> Ints:
        """Aircraft code of each place."""
        return place // (len(self.position_names) + 1)

    def position_of(self, place: Ints) -> Ints:
        """Position code of each place."""
        return place % (len(self.position_names) + 1)

    def placed(self, rows: Ints) -> tuple[Ints, Ints]:
        """Count each record once for every position it names (`all`: every component installed when it began).

        Returns the index into `rows` and the place, record by record. A record without a position, or with `all` where
        no component is known, counts once, at the unknown position.
        """
        aircraft = self.aircraft[rows].astype(np.int64)
        if "position" not in self.tasks:
            return np.arange(len(rows)), self.place(aircraft, self.unknown_position)
        column = self.tasks["position"].cat
        lists = [self._positions(str(text)) for text in column.categories] + [[]]
        codes = column.codes.to_numpy()[rows]
        lengths = np.array([len(one) for one in lists], np.int64)
        firsts = np.cumsum(lengths) - lengths
        flat = np.array([position for one in lists for position in one], np.int64)
        index, nth = expand(lengths[codes])
        place = self.place(aircraft[index], flat[firsts[codes[index]] + nth])
        every = [i for i, text in enumerate(column.categories) if str(text) == EVERY_POSITION]
        installed_index, installed_place = self._installed(rows, np.flatnonzero(np.isin(codes, every)))
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
        """Pairs in order; both in one number, since such numbers sort many times as fast as pairs."""
        places = len(self.aircraft_names) * (len(self.position_names) + 1)
        both = np.sort(index * places + place)
        first = both // places
        return first, both - first * places

    def _positions(self, text: str) -> list[int]:
        if text == EVERY_POSITION:
            return []
        parts = {part.strip() for part in text.split(";")} - {""}
        # Not by the index itself: rules judged side by side could meet the table of its first lookup half built.
        return [code for code, name in enumerate(self.position_names) if name in parts]

    def _installed(self, rows: Ints, which: Ints) -> tuple[Ints, Ints]:
        """Places of the components installed on the aircraft of rows[which] when those records began."""
        history = self.components
        if not len(which) or not len(history.place):
            return np.empty(0, np.int64), np.empty(0, np.int64)
        aircraft = self.aircraft[rows[which]].astype(np.int64)
        first = history.by_installation.ahead(self.place(aircraft, 0))
        end = history.by_installation.ahead(self.place(aircraft + 1, 0))
        case, nth = expand(end - first)
        component = history.by_installation.row[first[case] + nth]
        began = self.times["started_at"][rows[which[case]]]
        there = (history.installed[component] <= began) & (began < history.removed[component])
        index, place = self._in_order(which[case[there]], history.place[component[there]])
        # Of two components recorded at one position, the position counts once.
        new = np.append(True, (np.diff(index) != 0) | (np.diff(place) != 0))[: len(index)]
        return index[new], place[new]

    def component_at(self, place: Ints, instant: Ints) -> Ints:
        """Row of the installed component, or NONE_KNOWN or TWO_RECORDED."""
        found = np.full(len(place), NONE_KNOWN, np.int64)
        known = np.flatnonzero(self.position_of(place) != self.unknown_position)
        if len(self.components.place):
            found[known] = self.components.at(place[known], instant[known])
        return found

    def read_as(self, times: Mapping[str, Ints], rows: Ints, in_play: Bools) -> Timeline:
        """The same timeline with other task times, judging only `rows` and the aircraft `in_play`."""
        return replace(self, times=times, rows=rows, in_play=in_play, _memo=Memo())

    def memo(self, key: Hashable, compute: Callable[[], Value]) -> Value:
        """The value of a key, computed the first time: rules ask much the same of a timeline."""
        return self._memo.get(key, compute)


def build_timeline(export: Export, as_of: pd.Timestamp | None = None) -> Timeline:
    """Place an export in time. `as_of` defaults to the latest instant in the export."""
    tables = dict(export.tables)
    tasks = tables["tasks"]
    flights = tables.get("flights", _empty("flights"))
    components = tables.get("components", _empty("components"))
    times: Mapping[str, Ints] = {name: micros(tasks[name]) for name in TASK_TIMES if name in tasks}
    aircraft_names = names_of(frame["aircraft"] for frame in (tasks, flights, components))
    positions = set(map(str, components["position"].cat.categories))
    if "position" in tasks:
        for text in tasks["position"].cat.categories:
            if text != EVERY_POSITION:
                positions.update(part.strip() for part in str(text).split(";"))
    position_names = pd.Index(sorted(positions - {""}), dtype="str")

    component_times = [micros(components["installed_at"])]
    if "removed_at" in components:
        component_times.append(micros(components["removed_at"]))
    takeoffs, landings = micros(flights["takeoff_at"]), micros(flights["landing_at"])
    instants = [*times.values(), takeoffs, landings, *component_times, micros(export.later["later"])]
    end = _latest(instants) if as_of is None else instant(as_of)
    times, later = settle(times, export.later)
    begun = times["started_at"] <= end
    done = begun
    if "status" in tasks:
        status = tasks["status"].cat
        open_or_void = [i for i, name in enumerate(status.categories) if name != "closed"]
        done = begun & ~np.isin(status.codes.to_numpy(), open_or_void)
    component_aircraft = codes_in(aircraft_names, components["aircraft"])
    component_position = codes_in(position_names, components["position"])
    return Timeline(
        tables=tables,
        as_of=end,
        since=_earliest([times["started_at"], takeoffs], end),
        rows=np.flatnonzero(done),
        times=times,
        aircraft=codes_in(aircraft_names, tasks["aircraft"]),
        aircraft_names=aircraft_names,
        position_names=position_names,
        flights=build_flights(flights, codes_in(aircraft_names, flights["aircraft"]), end),
        components=build_components(
            components,
            component_aircraft.astype(np.int64) * (len(position_names) + 1) + component_position,
        ),
        later=later,
        in_play=np.ones(len(aircraft_names), bool),
        unread=frozenset((table, name) for table, names in export.unread_columns.items() for name in names),
    )


def _latest(instants: list[Ints]) -> int:
    return max((int(values.max()) for values in instants if len(values)), default=NEVER)


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
