"""Treatments: task records selected by a rule, counted once for each position, and their sessions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.forms.conditions import (
    FALSE,
    TRUE,
    UNKNOWN,
    Truth,
    judge,
    needs_component,
    without_component,
)
from audit.forms.outcomes import NONE
from audit.language.condition import Conditions
from audit.timeline.codes import MISSING
from audit.timeline.components import TWO_RECORDED
from audit.timeline.instants import Bools, Ints, Order, spread
from audit.timeline.records import values
from audit.timeline.timeline import Timeline

NO_POSITION = "value missing: position"
NO_BOOT = "no component known at that position and time, or two"


@dataclass(frozen=True)
class Treatments:
    """Selected records by position: one row a record and place.

    `task` is the row in the tasks frame, `place` and `component` (row, or a negative code) tell which boot; `truth` is
    TRUE where the record is in scope and UNKNOWN where that can't be decided, for the `reason`.
    """

    task: Ints
    place: Ints
    component: Ints
    truth: Truth
    reason: npt.NDArray[np.object_]

    def those(self, index: Ints | Bools) -> Treatments:
        """The rows at `index`."""
        return Treatments(
            self.task[index],
            self.place[index],
            self.component[index],
            self.truth[index],
            self.reason[index],
        )


def treatments(timeline: Timeline, conditions: Conditions, rows: Ints | None = None) -> Treatments:
    """Select the records in scope (surely or perhaps), each once for every position it names.

    `rows` leaves out records that can't matter to the rule anyway (default: none).
    """
    if rows is None:
        key = ("treatments", conditions.model_dump_json())
        return timeline.once(key, lambda: _select(timeline, conditions, timeline.rows))
    return _select(timeline, conditions, rows)


def _select(timeline: Timeline, conditions: Conditions, rows: Ints) -> Treatments:
    asks_component = needs_component(conditions)
    first = without_component(conditions) if asks_component else conditions
    judged = judge(first, timeline, rows)
    kept = np.flatnonzero(judged.truth != FALSE)
    index, place = timeline.placed(rows[kept])
    task = rows[kept][index]
    component = timeline.component_at(place, timeline.times["started_at"][task])
    if asks_component:
        judged = judge(conditions, timeline, task, component)
        kept = np.flatnonzero(judged.truth != FALSE)
        task, place, component = task[kept], place[kept], component[kept]
        return Treatments(task, place, component, judged.truth[kept], judged.reason(kept))
    return Treatments(task, place, component, judged.truth[kept][index], judged.reason(kept)[index])


def candidates(timeline: Timeline, conditions: Conditions) -> Ints:
    """The records that may meet the conditions, whatever boot they were done to."""
    first = without_component(conditions) if needs_component(conditions) else conditions
    kept: Ints = timeline.rows[np.flatnonzero(judge(first, timeline, timeline.rows).truth != FALSE)]
    return kept


def begun_between(timeline: Timeline, rows: Ints, aircraft: Ints, opens: Ints, closes: Ints) -> Ints:
    """Those of the records that began in one of the windows [opens, closes) of their aircraft."""
    real = np.flatnonzero(opens < closes)
    if not len(real):
        return rows[:0]
    opened, closed = Order.of(aircraft[real], opens[real]), Order.of(aircraft[real], closes[real])
    asked, began = timeline.aircraft[rows], timeline.times["started_at"][rows]
    return rows[opened.count(asked, began, "until") > closed.count(asked, began, "until")]


@dataclass(frozen=True)
class Sessions:
    """Treatments of one work order, position and product class: one row a session, in order of (place, start).

    `first` and `last` are the task rows that begin and end it; `start` and `end` its first start and last end; `task`
    is the lowest task row, which names the session whatever the order of its rows; `component` is the boot treated
    last,
    which flies on where another was swapped in between; `session_of` tells the session of each treatment given
    to `sessions`.
    """

    task: Ints
    first: Ints
    last: Ints
    place: Ints
    component: Ints
    start: Ints
    end: Ints
    truth: Truth
    reason: npt.NDArray[np.object_]
    session_of: Ints

    def those(self, index: Ints) -> Sessions:
        """The sessions at `index`; a treatment of another is one of NONE."""
        place = np.full(len(self.task) + 1, NONE)
        place[index] = np.arange(len(index))
        return Sessions(
            self.task[index],
            self.first[index],
            self.last[index],
            self.place[index],
            self.component[index],
            self.start[index],
            self.end[index],
            self.truth[index],
            self.reason[index],
            place[self.session_of],
        )


def in_sessions(timeline: Timeline, conditions: Conditions) -> tuple[Treatments, Sessions]:
    """The records in scope and their sessions."""
    treated = treatments(timeline, conditions)
    return treated, timeline.once(("sessions", conditions.model_dump_json()), lambda: sessions(timeline, treated))


def sessions(timeline: Timeline, treated: Treatments) -> Sessions:
    """Group treatments into sessions. A session is surely in scope if every row of it is."""
    tasks = timeline.tasks
    work_order = tasks["work_order"].cat.codes.to_numpy()[treated.task].astype(np.int64)
    product_class = _classes(timeline, treated.task)
    start = timeline.times["started_at"][treated.task]
    end = timeline.times["finished_at"][treated.task]
    if not len(treated.task):
        none = np.empty(0, np.int64)
        return Sessions(none, none, none, none, none, none, none, treated.truth, treated.reason, none)
    classes = int(product_class.max()) + 2
    places = int(treated.place.max()) + 1
    key = (work_order * classes + product_class + 1) * places + treated.place
    order = np.argsort(key, kind="stable")
    new = np.append(True, np.diff(key[order]) != 0)
    begins = np.flatnonzero(new)
    closes = np.append(begins[1:], len(order)) - 1
    number = np.cumsum(new) - 1
    # Within a session by end, so that its last row closes it; the task row decides between equals. Most sessions have
    # one row, and sorting by all of that is the costly step.
    several = np.flatnonzero((closes > begins)[number])
    rows = order[several]
    order[several] = rows[np.lexsort((treated.task[rows], start[rows], end[rows], key[rows]))]

    def first_row(wanted: Bools) -> Ints:
        """The row of lowest task among the wanted ones of each session (one of them is wanted)."""
        named = np.where(wanted, treated.task[order], np.iinfo(np.int64).max)
        return order[np.flatnonzero(named == np.minimum.reduceat(named, begins)[number])]

    began = np.minimum.reduceat(start[order], begins)
    opening = first_row(start[order] == began[number])
    truth = np.minimum.reduceat(treated.truth[order], begins)
    # Of a session in doubt, the first row in doubt gives the reason.
    doubt = first_row(treated.truth[order] == truth[number])
    place = treated.place[opening]
    by_place = np.lexsort((treated.task[opening], began, place))
    rank = np.empty(len(by_place), np.int64)
    rank[by_place] = np.arange(len(by_place))
    session_of = np.empty(len(order), np.int64)
    session_of[order] = rank[number]
    return Sessions(
        task=np.minimum.reduceat(treated.task[order], begins)[by_place],
        first=treated.task[opening][by_place],
        last=treated.task[order][closes][by_place],
        place=place[by_place],
        component=treated.component[order][closes][by_place],
        start=began[by_place],
        end=end[order][closes][by_place],
        truth=truth[by_place],
        reason=np.where(truth == TRUE, "", treated.reason[doubt])[by_place],
        session_of=session_of,
    )


@dataclass(frozen=True)
class Kin:
    """Pairs of sessions of one work order and aircraft that may be one: one surely in scope, and one that may be of it.

    `reason` says why that can't be told.
    """

    one: Ints
    other: Ints
    reason: npt.NDArray[np.object_]


def kin(timeline: Timeline, subjects: Sessions) -> Kin:
    """The sessions that may be one, since of one of the two the product is not known, or the position."""
    unplaced = timeline.position_of(subjects.place) == timeline.unknown_position
    product_class = _classes(timeline, subjects.task)
    doubtful = unplaced | (product_class == MISSING)
    sure = subjects.truth == TRUE
    work_order = timeline.tasks["work_order"].cat.codes.to_numpy()[subjects.task].astype(np.int64)
    key = work_order * (len(timeline.aircraft_names) + 1) + timeline.aircraft_of(subjects.place)
    sides = (
        _sharing(key, np.flatnonzero(sure), np.flatnonzero(doubtful)),
        _sharing(key, np.flatnonzero(sure & doubtful), np.flatnonzero(~doubtful)),
    )
    one, other = (np.concatenate(side) for side in zip(*sides, strict=True))
    nowhere = unplaced[one] | unplaced[other]
    anything = (product_class[one] == MISSING) | (product_class[other] == MISSING)
    may = (one != other) & (nowhere | (subjects.place[one] == subjects.place[other]))
    may &= anything | (product_class[one] == product_class[other])
    reason = np.where(nowhere, NO_POSITION, "value missing: product").astype(object)
    in_doubt = subjects.truth[other] == UNKNOWN
    reason[in_doubt] = subjects.reason[other][in_doubt]
    return Kin(one[may], other[may], reason[may])


def _sharing(key: Ints, one: Ints, other: Ints) -> tuple[Ints, Ints]:
    """All pairs of the two that share a key."""
    other = other[np.argsort(key[other], kind="stable")]
    low, high = (np.searchsorted(key[other], key[one], side) for side in ("left", "right"))
    which, nth = spread(high - low)
    return one[which], other[low[which] + nth]


def own_session(others: Treatments, treated: Treatments, subjects: Sessions) -> Ints:
    """The session that each other treatment is itself a record of, NONE where it isn't."""
    width = 1 + max(int(side.place.max(initial=0)) for side in (others, treated))
    key, asked = (side.task.astype(np.int64) * width + side.place for side in (treated, others))
    if not len(key):
        return np.full(len(asked), NONE)
    order = np.argsort(key, kind="stable")
    place = np.minimum(np.searchsorted(key[order], asked), len(key) - 1)
    return np.where(key[order[place]] == asked, subjects.session_of[order[place]], NONE)


@dataclass(frozen=True)
class Meeting:
    """Treatments (`rows`) and sessions that are of one boot, surely or perhaps, where their keys agree."""

    sure: bool
    rows: Ints
    key: Ints
    asked: Ints
    who: Bools


def meetings(timeline: Timeline, others: Treatments, subjects: Sessions) -> Iterator[Meeting]:
    """How treatments meet sessions: on the same boot; perhaps, where a boot or a position is not known."""
    everyone = np.ones(len(subjects.task), bool)
    here = timeline.position_of(others.place) != timeline.unknown_position
    placed = timeline.position_of(subjects.place) != timeline.unknown_position
    certain = (others.truth == TRUE) & (others.component != TWO_RECORDED)
    boot, asked = (_boot_key(timeline, side.place, side.component) for side in (others, subjects))
    aircraft, flown = timeline.aircraft_of(others.place), timeline.aircraft_of(subjects.place)
    for sure, wanted, key, sought, who in (
        (True, here & certain, boot, asked, everyone),
        (False, here & ~certain, boot, asked, everyone),
        (False, here & (others.component < 0), others.place, subjects.place, everyone),
        (False, here, others.place, subjects.place, subjects.component < 0),
        (False, ~here, aircraft, flown, everyone),
        (False, np.ones(len(here), bool), aircraft, flown, ~placed),
    ):
        rows = np.flatnonzero(wanted)
        if len(rows) and who.any():
            yield Meeting(sure, rows, key[rows], sought, who)


def _classes(timeline: Timeline, rows: Ints) -> Ints:
    """Codes of the product classes of records, MISSING where the product is not known."""
    if not timeline.supplied("products") or "product" not in timeline.tasks:
        return np.full(len(rows), MISSING, np.int64)
    found = values(timeline, "product_class", rows)
    assert found.codes is not None
    return found.codes.astype(np.int64)


def _boot_key(timeline: Timeline, place: Ints, component: Ints) -> Ints:
    """One small number a boot; where none is known, or two, one a position and case. Small, to be sorted with times."""
    known = len(timeline.components.place)
    return np.where(component >= 0, component, known + 2 * place - component - 1)


def tied(timeline: Timeline, others: Treatments, treated: Treatments, subjects: Sessions, moment: Ints) -> Bools:
    """Whether another treatment of its boot, not one of the session's own records, began at a moment of each."""
    start = timeline.times["started_at"][others.task]
    own = own_session(others, treated, subjects)
    found = np.zeros(len(subjects.task), bool)
    for meeting in meetings(timeline, others, subjects):
        order = Order.of(meeting.key, start[meeting.rows])
        count = order.count(meeting.asked, moment, "until") - order.count(meeting.asked, moment, "before")
        mine = own[meeting.rows]
        mine = mine[(mine != NONE) & (start[meeting.rows] == moment[mine])]
        found |= meeting.who & (count > np.bincount(mine, minlength=len(found)))
    return found
