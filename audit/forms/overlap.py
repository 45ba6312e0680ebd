"""overlap: two things that can't both be true overlap in time. Subject: a pair."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.forms.conditions import FALSE, judge
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.rulebook.models import OverlapRule
from audit.timeline.codes import MISSING, codes_in, names_of
from audit.timeline.instants import HOUR, Bools, Ints, Order, running_max, spread
from audit.timeline.timeline import Timeline

_PAIRS_AT_ONCE = 4_000_000


@dataclass(frozen=True)
class Things:
    """Things of one kind with their time: `row` in the kind's table, [start, end), and the columns they share."""

    kind: str
    row: Ints
    start: Ints
    end: Ints
    columns: dict[str, pd.Series]


def evaluate(rule: OverlapRule, timeline: Timeline) -> Outcomes:
    """A finding for each pair that overlaps in time, agrees on `same` and differs in `differing`.

    The first column of `same` must be known; for the others two blanks agree. Something that lasts no time is taken as
    an instant. What contradicts nothing complies; a pair of which a differing value is missing is unjudged.
    """
    one, other = rule.between
    columns = (*rule.same, *rule.differing)
    scope = judge(rule.scope, timeline, timeline.rows)
    rows = timeline.rows[scope.truth != FALSE]
    left = _things(timeline, one, rows, columns)
    right = left if other == one else _things(timeline, other, rows, columns)
    left_key, right_key = _keys(rule.same, left, right)
    first, second = _pairs(left, right, left_key, right_key, one == other)
    first, second, unknown = _apart(rule, left, right, first, second)

    # What takes part in no pair complies, or can't be judged by itself.
    alone = scope.reason(np.flatnonzero(scope.truth != FALSE)) if one == "tasks" else np.full(len(left.row), "", object)
    doubtful = alone != ""
    alone[left_key == NONE] = f"value missing: {rule.same[0]}"
    if not timeline.supplied(_TABLES[other]):
        alone[:] = f"table not supplied: {_TABLES[other]}"
    paired = np.zeros(len(left.row), bool)
    paired[first] = True
    if one == other:
        paired[second] = True
    blank = np.flatnonzero(~paired & (alone != ""))
    start = np.maximum(left.start[first], right.start[second])
    end = np.minimum(left.end[first], right.end[second])
    reason = np.where(unknown, f"value missing: {' or '.join(rule.differing)}", "").astype(object)
    in_doubt = np.flatnonzero(doubtful[first])
    reason[in_doubt] = alone[first[in_doubt]]
    if one == other:
        in_doubt = np.flatnonzero(doubtful[second])
        reason[in_doubt] = alone[second[in_doubt]]
    finding = reason == ""
    return joined(
        int((~paired).sum()) + len(first),
        cases(
            len(first),
            finding=finding,
            reason=reason,
            other=right.row[second],
            at=start,
            measured=np.where(finding, (end - start) / HOUR, np.nan),
            limit=0.0,
            unit="h",
            **_flight_of(right, second, _evidence(left.kind, left.row[first])),
        ),
        cases(
            len(blank),
            finding=False,
            reason=alone[blank],
            at=left.start[blank],
            **_evidence(left.kind, left.row[blank]),
        ),
    )


_TABLES = {"tasks": "tasks", "flights": "flights", "stays": "flights", "components": "components"}


def _evidence(kind: str, rows: Ints) -> dict[str, Ints]:
    """The columns of a case that name a thing of this kind."""
    column = {"tasks": "task", "flights": "flight", "components": "component"}[kind]
    return {"subject": rows, column: rows}


def _flight_of(right: Things, second: Ints, evidence: dict[str, Ints]) -> dict[str, Ints]:
    """The evidence of pairs with the flight that the first thing contradicts, where it is no flight itself."""
    return {"flight": right.row[second], **evidence} if right.kind in ("flights", "stays") else evidence


def _apart(rule: OverlapRule, left: Things, right: Things, first: Ints, second: Ints) -> tuple[Ints, Ints, Bools]:
    """The pairs that differ in every column of `differing`, or may; and which only may."""
    unknown = np.zeros(len(first), bool)
    alike = np.zeros(len(first), bool)
    for name in rule.differing:
        a, b = _codes(name, left, right)
        missing = (a[first] == MISSING) | (b[second] == MISSING)
        unknown |= missing
        alike |= ~missing & (a[first] == b[second])
    return first[~alike], second[~alike], unknown[~alike]


def _things(timeline: Timeline, kind: str, rows: Ints, columns: tuple[str, ...]) -> Things:
    """The things of a kind that are in play, with the columns asked for."""
    if kind == "tasks":
        frame = timeline.tasks
        start, end = timeline.times["started_at"][rows], timeline.times["finished_at"][rows]
    elif kind == "components":
        frame = timeline.tables.get("components", pd.DataFrame())
        history = timeline.components
        rows = np.flatnonzero(timeline.in_play[timeline.aircraft_of(history.place)])
        start, end = history.installed[rows], history.removed[rows]
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
    found = {}
    for name in columns:
        source = "destination" if kind == "stays" and name == "station" else name
        if kind == "tasks" and source in timeline.times:
            # In the reading at hand, which the frame doesn't know.
            series = pd.Series(timeline.times[source][rows].view("M8[us]"))
        elif source in frame:
            series = frame[source].iloc[rows].reset_index(drop=True)
        else:
            series = pd.Series([None] * len(rows), dtype="category")
        if kind == "stays" and name == "station":
            series = _as_stations(timeline, series)
        found[name] = series
    return Things(kind, rows, start, np.maximum(end, start + 1), found)


def _as_stations(timeline: Timeline, airports: pd.Series) -> pd.Series:
    """Airports as station codes: a flight may name the station or its location indicator. Others stay unknown."""
    named_by = timeline.tables.get("stations", timeline.tasks)
    known = {str(code): str(code) for code in named_by["station"].cat.categories}
    if timeline.supplied("stations") and "icao" in timeline.tables["stations"]:
        stations = timeline.tables["stations"]
        listed = stations.loc[stations["icao"].notna(), ["icao", "station"]].astype("str")
        known |= dict(zip(listed["icao"], listed["station"], strict=True))
    names = [known.get(str(name)) for name in airports.cat.categories]
    table = np.array([*names, None], dtype=object)
    return pd.Series(table[airports.cat.codes.to_numpy()], dtype="category")


def _codes(name: str, left: Things, right: Things) -> tuple[Ints, Ints]:
    """A column of both kinds on one list of codes."""
    one, two = left.columns[name], right.columns[name]
    if isinstance(one.dtype, pd.CategoricalDtype) and isinstance(two.dtype, pd.CategoricalDtype):
        names = names_of((one, two))
        first = codes_in(names, one).astype(np.int64)
        return first, first if left is right else codes_in(names, two).astype(np.int64)
    if left is right:
        codes, _ = pd.factorize(one)
        return codes, codes
    codes, _ = pd.factorize(pd.concat([one, two], ignore_index=True))
    return codes[: len(one)], codes[len(one) :]


def _keys(same: tuple[str, ...], left: Things, right: Things) -> tuple[Ints, Ints]:
    """One number for the agreement asked for, NONE where its first column is missing."""
    first_left, first_right = _codes(same[0], left, right)
    a, b = first_left, first_right
    for name in same[1:]:
        one, two = _codes(name, left, right)
        width = int(max(one.max(initial=0), two.max(initial=0))) + 2
        # Renumbered at each step, the key never outgrows the number of things.
        if left is right:
            a, _ = pd.factorize(a * width + one + 1)
            b = a
        else:
            dense, _ = pd.factorize(np.concatenate((a * width + one + 1, b * width + two + 1)))
            a, b = dense[: len(one)], dense[len(one) :]
    return np.where(first_left != MISSING, a, NONE), np.where(first_right != MISSING, b, NONE)


def _pairs(left: Things, right: Things, left_key: Ints, right_key: Ints, one_kind: bool) -> tuple[Ints, Ints]:
    """Index pairs that share a key and overlap in time; of one kind, each pair once, the later start first."""
    keyed = np.flatnonzero(right_key != NONE)
    if one_kind and len(keyed):
        # What shares its key with nothing else needs no sorting.
        keyed = keyed[np.bincount(right_key[keyed])[right_key[keyed]] > 1]
    asked = keyed if one_kind else np.flatnonzero(left_key != NONE)
    none = np.empty(0, np.int64)
    if not len(keyed) or not len(asked):
        return none, none
    order = Order.of(right_key[keyed], right.start[keyed])
    row = keyed[order.row]
    key = right_key[row]
    first_of_key = np.append(True, key[1:] != key[:-1])
    reach = Order.of(key, running_max(right.end[row], first_of_key))
    # Candidates of the same key start before the end, and stand no further back than where something still reaches.
    high = order.count(left_key[asked], left.end[asked], "before")
    low = reach.count(left_key[asked], left.start[asked], "until")
    if one_kind:
        rank = np.empty(len(right.row), np.int64)
        rank[row] = np.arange(len(row))
        high = np.minimum(high, rank[asked])
    length = np.maximum(high - low, 0)
    firsts, seconds = [none], [none]
    busy = np.flatnonzero(length)
    cuts = np.searchsorted(np.cumsum(length[busy]), np.arange(0, length.sum(), _PAIRS_AT_ONCE))
    for part in np.split(busy, cuts[1:]):
        which, nth = spread(length[part])
        a, b = asked[part[which]], row[low[part[which]] + nth]
        real = right.end[b] > left.start[a]
        firsts.append(a[real])
        seconds.append(b[real])
    return np.concatenate(firsts), np.concatenate(seconds)
