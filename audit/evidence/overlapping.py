"""Things that last, and which of them overlap in time: task records, flights, components, and stays on the ground."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from audit.intake.names import people_named
from audit.intake.tables import NAMES
from audit.timeline.aerodromes import location_indicators
from audit.timeline.codes import MISSING, by_name, codes_in, codes_of, names_of
from audit.timeline.instants import (
    DAY,
    FOREVER,
    MINUTE,
    NEVER,
    Bools,
    Ints,
    Order,
    expand,
    group_begins,
    micros,
    running_max,
)
from audit.timeline.timeline import Timeline

TABLE_OF = {"tasks": "tasks", "flights": "flights", "stays": "flights", "components": "components"}
"""The table of which things of a kind are rows."""
TIMES = {
    "tasks": ("started_at", "finished_at"),
    "flights": ("takeoff_at", "landing_at"),
    "components": ("installed_at", "removed_at"),
}
"""From when to when things of a kind last."""
NONE = -1
"""The key of what agrees with nothing."""

_PAIRS_AT_ONCE = 4_000_000


_NEAR = 2
"""Steps taken one by one before a place is searched for."""


@dataclass(frozen=True)
class Things:
    """Things of one kind with their time: `row` in the kind's table, [start, end), and the columns they share.

    Something that lasts no time, or ends before it starts, is an instant: it lasts one microsecond here. `columns` are
    whole columns of the table, None where it lacks one.
    """

    kind: str
    row: Ints
    start: Ints
    end: Ints
    columns: Mapping[str, pd.Series | None]

    def take(self, index: Ints) -> Things:
        """The things at `index`."""
        return replace(self, row=self.row[index], start=self.start[index], end=self.end[index])

    def cells(self, name: str, index: Ints) -> pd.Series:
        """A column of the things at `index`."""
        column = self.columns[name]
        if column is None:
            return pd.Series([None] * len(index), dtype="category")
        return column.iloc[self.row[index]]


def things(timeline: Timeline, kind: str, rows: Ints, columns: tuple[str, ...]) -> Things:
    """The things of a kind that are in play, with the columns requested."""
    if kind == "tasks":
        frame = timeline.tasks
        start, end = timeline.times["started_at"][rows], timeline.times["finished_at"][rows]
    elif kind == "components":
        frame = timeline.tables.get("components", pd.DataFrame())
        history = timeline.components
        # One that was taken off as it was put on was never there, nor is one yet that comes later.
        there = history.installed < np.minimum(history.recorded, timeline.as_of + 1)
        rows = np.flatnonzero(timeline.in_play[timeline.aircraft_of(history.place)] & there)
        # One whose removal isn't known may have been there until now.
        removed = np.where(history.open_ended, FOREVER, history.recorded)
        start, end = history.installed[rows], np.minimum(removed[rows], timeline.as_of + 1)
    else:
        frame = timeline.tables.get("flights", pd.DataFrame())
        flights = timeline.flights
        mine = timeline.in_play[flights.aircraft]
        start, end = flights.takeoff, flights.landing
        if kind == "stays":
            # From each landing the aircraft stands at the destination until it takes off again.
            again = np.append(flights.takeoff[1:], 0)
            last = np.append(flights.aircraft[1:] != flights.aircraft[:-1], True)
            start, end = end, np.where(last[: len(end)], timeline.as_of + 1, again[: len(end)])
            mine = mine & (start < end)
        rows, start, end = flights.row[mine], start[mine], end[mine]
    found = _columns(timeline, kind, frame, columns)
    if kind == "stays" and "station" in columns:
        found["station"] = _as_stations(timeline, frame["destination"]) if "destination" in frame else None
    return Things(kind, rows, start, np.maximum(end, start + 1), _by_aerodrome(timeline, found))


_AGES = 200 * 366 * DAY
"""Longer than from the first year that is read to the last."""


def set_aside(timeline: Timeline, kind: str, rows: Ints, columns: tuple[str, ...]) -> Things:
    """What was set aside in quarantine and may be of a kind, for as long as it may have lasted; of task records `rows`.

    What lacks its start or its end lasted a day at most, a flight into the next takeoff, a boot's stay for ever.
    """
    if kind == "tasks":
        frame = timeline.tasks
        start, end = timeline.times["started_at"][rows], timeline.times["finished_at"][rows]
    else:
        frame = timeline.aside.get(kind, pd.DataFrame())
        rows = np.arange(len(frame))
        start, end = (micros(frame[name]) if name in frame else np.full(len(frame), NEVER) for name in TIMES[kind])
    longest = _AGES if kind == "components" else DAY
    since, until = np.where(end == NEVER, NEVER, end - longest), np.where(start == NEVER, FOREVER, start + longest)
    if kind == "flights" and len(frame):
        place, again = timeline.flights.next_takeoff(codes_in(timeline.aircraft_names, frame["aircraft"]), start)
        until = np.where((start != NEVER) & (place >= 0), np.minimum(until, again + 1), until)
    start, end = np.where(start == NEVER, since, start), np.where(end == NEVER, until, end)
    found = _columns(timeline, kind, frame, columns)
    if kind == "tasks":
        found |= {
            name: pd.Series(times).where(times != NEVER) for name, times in timeline.times.items() if name in found
        }
    return Things(kind, rows, start, np.maximum(end, start + 1), _by_aerodrome(timeline, found))


def one_by_one(things: Things, index: Ints, name: str) -> Things:
    """The things at an index, each once for every person that its cell of a column names."""
    named = [people_named(str(word)) for word in things.cells(name, index)]
    some = things.take(np.repeat(index, [len(one) for one in named]))
    every = np.arange(len(some.row))
    columns: dict[str, pd.Series | None] = {one: some.cells(one, every).reset_index(drop=True) for one in some.columns}
    columns[name] = pd.Series([person for one in named for person in one], dtype="category")
    return replace(some, row=every, columns=columns)


def perhaps_overlapping(
    timeline: Timeline, same: tuple[str, ...], differing: tuple[str, ...], left: Things, aside: Things
) -> Bools:
    """Which things of the left may overlap one that was set aside, of which cells that it lacks may say anything."""
    found = np.zeros(len(left.row), bool)
    one, other = as_one(timeline, left), as_one(timeline, aside)
    everything = np.arange(len(aside.row))
    # Rows that lack the same columns are compared in those that they have.
    lacks = np.column_stack([other.cells(name, everything).isna() for name in same])
    for pattern in np.unique(lacks, axis=0):
        some = other.take(np.flatnonzero((lacks == pattern).all(axis=1)))
        known = tuple(name for name, lacking in zip(same, pattern, strict=True) if not lacking)
        keys = _keys(known, one, some)[1:] if known else (np.zeros_like(left.row), np.zeros_like(some.row))
        first, second = _pairs(one, some, *keys)
        for name in differing:
            a, b = common_codes(one.cells(name, first), some.cells(name, second))
            apart = (a != b) | (a == MISSING)
            first, second = first[apart], second[apart]
        found[first] = True
    return found


def _columns(timeline: Timeline, kind: str, frame: pd.DataFrame, names: tuple[str, ...]) -> dict[str, pd.Series | None]:
    """Columns of things of a kind, times of task records as this timeline reads the clock."""
    read = timeline.times if kind == "tasks" else {}
    return {name: pd.Series(read[name]) if name in read else frame.get(name) for name in names}


def _as_stations(timeline: Timeline, airports: pd.Series) -> pd.Series:
    """Airports as station codes: a flight may name the station or its location indicator. Others stay unknown."""
    named_by = timeline.tables.get("stations", timeline.tasks)
    known = {str(code): str(code) for code in named_by["station"].cat.categories}
    known |= {indicator: station for station, indicator in location_indicators(timeline).items()}
    return pd.Series(by_name(airports, known.get, None), dtype="category")


def _aerodromes(timeline: Timeline) -> Mapping[str, frozenset[str]]:
    """The stations that share their location indicator with others, each with all of these: they are one place."""

    def shared() -> dict[str, frozenset[str]]:
        places: dict[str, set[str]] = {}
        for station, indicator in location_indicators(timeline).items():
            places.setdefault(indicator, set()).add(station)
        return {station: frozenset(place) for place in places.values() if len(place) > 1 for station in place}

    return timeline.timeless("aerodromes of stations", shared)


def _by_aerodrome(timeline: Timeline, columns: dict[str, pd.Series | None]) -> dict[str, pd.Series | None]:
    """Columns of which stations at one aerodrome have one name."""
    places, column = _aerodromes(timeline), columns.get("station")
    if column is None or not places:
        return columns
    found = sorted({min(places.get(name, {name})) for name in map(str, column.cat.categories)})
    codes = by_name(column, lambda name: found.index(min(places.get(name, {name}))), MISSING)
    return columns | {"station": pd.Series(pd.Categorical.from_codes(codes, pd.Index(found)))}


def nearly_same(names: tuple[str, ...], things: Things, first: Ints, second: Ints) -> Bools:
    """The pairs of which a name that must be the same is only nearly so."""
    found = np.zeros(len(first), bool)
    for name in names:
        a, b = common_codes(things.cells(name, first), things.cells(name, second))
        found |= a != b
    return found


def as_one(timeline: Timeline, things: Things) -> Things:
    """The things with names that are nearly equal written as one; themselves where no two are."""
    found: dict[str, pd.Series | None] = {}
    for name, column in things.columns.items():
        kind = _KINDS.get((TABLE_OF[things.kind], name), "")
        alike, places = timeline.alike.get(kind, {}), _aerodromes(timeline) if kind == "station" else {}
        if alike and column is not None:
            names, known = _written_as_one(alike, places), [str(one) for one in column.cat.categories]
            if not names.keys().isdisjoint(known):
                written = {one: names.get(one, one) for one in known}
                found[name] = pd.Series(by_name(column, written.get, None), dtype="category")
    return replace(things, columns={**things.columns, **found}) if found else things


def _written_as_one(alike: Mapping[str, Collection[str]], places: Mapping[str, Collection[str]]) -> dict[str, str]:
    """The one name for each that is nearly another, or at one aerodrome with such, or nearly one of these in turn."""
    found: dict[str, str] = {}
    for first in sorted(alike):
        reached = [first]
        while reached:
            one = reached.pop()
            if one not in found:
                found[one] = first
                reached += {*alike.get(one, ()), *places.get(one, ())}
    return found


_KINDS = {column: kind for kind, columns in NAMES.items() for column in columns}
"""What kind of name a column (table, column) holds."""


def overlapping(same: tuple[str, ...], left: Things, right: Things) -> tuple[Bools, Ints, Ints]:
    """Which things of the left have the first column of `same`, and the pairs that agree on all of them and overlap.

    An instant overlaps what began before it and ends after it, and another at the same time.
    """
    known, left_key, right_key = _keys(same, left, right)
    pairs = _pairs_of_one_kind(left, left_key) if left is right else _pairs(left, right, left_key, right_key)
    return known, *_more_than_touching(left, right, *pairs)


def _more_than_touching(left: Things, right: Things, first: Ints, second: Ints) -> tuple[Ints, Ints]:
    """The pairs without those of an instant at which the other thing, which lasts, only begins."""
    start, other_start = left.start[first], right.start[second]
    instant, other_instant = left.end[first] - start == 1, right.end[second] - other_start == 1
    overlap = (start != other_start) | (instant == other_instant)
    return first[overlap], second[overlap]


def within_rounding(one: Things, other: Things) -> Bools:
    """Whether two things that last would not overlap if each time to the minute were off by half of one, pair by
    pair."""
    found = np.zeros(len(one.row), bool)
    for first, second in ((one, other), (other, one)):
        end, start = first.end, second.start
        whole = (end % MINUTE == 0) & (start % MINUTE == 0)
        found |= whole & (end - start <= MINUTE) & (end - first.start > 1) & (second.end - start > 1)
    return found


def common_codes(one: pd.Series, two: pd.Series) -> tuple[Ints, Ints]:
    """Two columns on one list of codes; MISSING where a value is missing."""
    if one is two:
        codes = codes_of(one) if isinstance(one.dtype, pd.CategoricalDtype) else pd.factorize(one)[0]
        return codes, codes
    if isinstance(one.dtype, pd.CategoricalDtype) and isinstance(two.dtype, pd.CategoricalDtype):
        names = names_of((one, two))
        return codes_in(names, one), codes_in(names, two)
    codes, _ = pd.factorize(pd.concat([one, two], ignore_index=True))
    return codes[: len(one)], codes[len(one) :]


def _keys(same: tuple[str, ...], left: Things, right: Things) -> tuple[Bools, Ints, Ints]:
    """Whether the first column is known, and one number for the agreement requested, on either side.

    It is NONE where the first column is missing, and where nothing agrees: column by column fewer are left to compare.
    """
    alone = left is right

    def codes(name: str, here: Ints, there: Ints) -> tuple[Ints, Ints]:
        one = left.cells(name, here)
        return common_codes(one, one if alone else right.cells(name, there))

    a, b = codes(same[0], np.arange(len(left.row)), np.arange(len(right.row)))
    known = a != MISSING
    here, there = np.flatnonzero(known), np.flatnonzero(b != MISSING)
    a, b = a[here], b[there]
    for name in same[1:]:
        one, two = codes(name, here, there)
        width = int(max(one.max(initial=0), two.max(initial=0))) + 2
        # Renumbered at each step, the key never outgrows the number of things.
        if alone:
            a, _ = pd.factorize(a * width + one + 1)
            shared = np.bincount(a) > 1  # everything agrees with itself: it takes another to make a pair
            here, a = here[shared[a]], a[shared[a]]
            there, b = here, a
            continue
        whole, _ = pd.factorize(np.concatenate((a * width + one + 1, b * width + two + 1)))
        a, b = whole[: len(a)], whole[len(a) :]
        shared = (np.bincount(a, minlength=len(whole)) > 0) & (np.bincount(b, minlength=len(whole)) > 0)
        here, there, a, b = here[shared[a]], there[shared[b]], a[shared[a]], b[shared[b]]
    left_key, right_key = np.full(len(left.row), NONE), np.full(len(right.row), NONE)
    left_key[here], right_key[there] = a, b
    return known, left_key, right_key


def _pairs_of_one_kind(things: Things, key: Ints) -> tuple[Ints, Ints]:
    """Index pairs that share a key and overlap in time, each once, the later start first."""
    keyed = np.flatnonzero(key != NONE)
    order = Order.of(key[keyed], things.start[keyed])
    row = keyed[order.row]
    owner, start = key[row], things.start[row]
    reach = _reach(owner, things.end[row])
    # Only what starts before the end of something that started earlier has a partner behind it.
    late = 1 + np.flatnonzero((owner[1:] == owner[:-1]) & (start[1:] < reach[:-1]))
    # Partners stand between the first row that reaches beyond its start and the row itself.
    low = Order.of(owner, reach).until(owner[late], start[late])
    return _real(things, things, row[late], row, low, late)


def _pairs(left: Things, right: Things, left_key: Ints, right_key: Ints) -> tuple[Ints, Ints]:
    """Index pairs that share a key and overlap in time."""
    keyed, asked = np.flatnonzero(right_key != NONE), np.flatnonzero(left_key != NONE)
    if not len(keyed):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    order = Order.of(right_key[keyed], right.start[keyed])
    row = keyed[order.row]
    # Asked in the same order, neighbours look at neighbouring places: much faster than at random.
    asked = asked[Order.of(left_key[asked], left.start[asked]).row]
    mine, begin, end = left_key[asked], left.start[asked], left.end[asked]
    owner, start = right_key[row], right.start[row]
    reach = _reach(owner, right.end[row])
    # Candidates of the same key start before the end, and stand no further back than where something still reaches.
    # Most stand right beside the place of the beginning itself.
    at = order.before(mine, begin)

    def starts_before_the_end(which: Ints, place: Ints) -> Bools:
        there = np.minimum(place, len(row) - 1)
        found: Bools = (place < len(row)) & (owner[there] == mine[which]) & (start[there] < end[which])
        return found

    def reached_from_behind(which: Ints, place: Ints) -> Bools:
        found: Bools = (place > 0) & (owner[place - 1] == mine[which]) & (reach[place - 1] > begin[which])
        return found

    def before_the_end(far: Ints) -> Ints:
        return order.before(mine[far], end[far])

    def not_reached(far: Ints) -> Ints:
        return Order.of(owner, reach).until(mine[far], begin[far])

    high = _stepped(at, 1, starts_before_the_end, before_the_end)
    low = _stepped(at, -1, reached_from_behind, not_reached)
    return _real(left, right, asked, row, low, high)


def _stepped(at: Ints, by: int, goes_on: Callable[[Ints, Ints], Bools], search: Callable[[Ints], Ints]) -> Ints:
    """Places reached from `at` step by step as long as it goes on; those that are not near are searched for."""
    place, going = at.copy(), np.arange(len(at))
    for _ in range(_NEAR):
        going = going[goes_on(going, place[going])]
        place[going] += by
    far = going[goes_on(going, place[going])]
    if len(far):
        place[far] = search(far)
    return place


def _reach(owner: Ints, end: Ints) -> Ints:
    """How far anything up to here reaches, owner by owner."""
    return running_max(end, group_begins(owner))


def _real(left: Things, right: Things, asked: Ints, row: Ints, low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """Of the candidates row[low:high] of each thing asked about, those that it overlaps."""
    length = np.maximum(high - low, 0)
    firsts, seconds = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    # So many candidates at once, lest their pairs fill the memory.
    busy = np.flatnonzero(length)
    cuts = np.searchsorted(np.cumsum(length[busy]), np.arange(0, length.sum(), _PAIRS_AT_ONCE))
    for part in np.split(busy, cuts[1:]):
        which, nth = expand(length[part])
        a, b = asked[part[which]], row[low[part[which]] + nth]
        real = right.end[b] > left.start[a]
        firsts.append(a[real])
        seconds.append(b[real])
    return np.concatenate(firsts), np.concatenate(seconds)
