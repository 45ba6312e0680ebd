"""Evidence: the task records that a rule selects, counted once for each position, and how they meet the subjects.

That a record is of a subject's boot may be certain, or in doubt since the boot or the position of one of the two is not
known. `candidates` joins both kinds, each with the number of its reason for doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pandas as pd

from audit.evidence.columns import Columns, matching
from audit.evidence.conditions import FALSE, UNKNOWN, Judged, judge, needs_component, without_component
from audit.evidence.doubt import CERTAIN, Rank, Reasons, Why, first_of, reasons_of
from audit.language.condition import Conditions
from audit.timeline.codes import MISSING, nearly_equal
from audit.timeline.components import NONE_KNOWN
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, Order, expand, take
from audit.timeline.records import WHICH_COMPONENT
from audit.timeline.timeline import Timeline

NONE = -1
"""Stands for no row, no session and no place."""
NO_POSITION: Why = (Rank.POSITION, "position not recorded, or not one of the boots' positions")
NO_BOOT: Why = (Rank.BOOT, WHICH_COMPONENT)
OPEN_RECORD: Why = (Rank.UNREADABLE, "a record of work that is still open may change the result")
UNREADABLE_STATUS: Why = (Rank.UNREADABLE, "can't be read: status")
UNREADABLE_RECORD: Why = (Rank.UNREADABLE, "a record in quarantine may change the result")
NEARLY_THIS: Why = (Rank.NOT_COVERED, "a record of an aircraft of nearly the same name may change the result")
TIED: Why = (Rank.TIED, "which came first is not known: both started at the same time")


@dataclass(frozen=True)
class Treatments(Columns):
    """Selected records by position: a row for each record and place.

    `task` is the row in the tasks frame. `component` is the row of the boot installed there, `boot` the number of its
    serial; both are below 0 where there is no one boot, see `Components.at`. `doubt` is CERTAIN where the record counts
    as work done and is in scope, else the number of the reason why that can't be decided. `done` tells which count as
    work done; the others are open, could not be read, or name an aircraft of nearly the same name.
    """

    task: Ints
    place: Ints
    component: Ints
    boot: Ints
    doubt: Ints
    done: Bools


def treatments(timeline: Timeline, conditions: Conditions, rows: Ints | None = None) -> Treatments:
    """Select the records in scope, surely or perhaps, each once for every position it names.

    `rows` leaves out records of work done that can't matter to the rule anyway (default: none).
    """
    if rows is None:
        key = ("treatments", conditions.model_dump_json())
        return timeline.memo(key, lambda: _select(timeline, conditions, timeline.rows))
    return _select(timeline, conditions, rows)


def _select(timeline: Timeline, conditions: Conditions, rows: Ints) -> Treatments:
    reasons = reasons_of(timeline)
    by_boot = needs_component(conditions)
    if len(timeline.perhaps):
        rows = np.concatenate((rows, timeline.perhaps))
    # What a record itself says comes first: it leaves fewer to be joined with their boots.
    judged = judge(without_component(conditions) if by_boot else conditions, timeline, rows)
    kept = np.flatnonzero(judged.truth != FALSE)
    index, place, elsewhere = _placed(timeline, rows[kept])
    task = rows[kept][index]
    # Of a record that was set aside without its start no boot is known: it may have been changed in the meantime.
    component = timeline.component_at(place, timeline.times["started_at"][task])
    # A record for several positions may meet the conditions at one of them and fail at another.
    if by_boot:
        judged = judge(conditions, timeline, task, component)
        kept = np.flatnonzero(judged.truth != FALSE)
        task, place, component, index = task[kept], place[kept], component[kept], np.arange(len(kept))
        elsewhere = elsewhere[kept]
    boot = timeline.components.boot_of(component, timeline.times["started_at"][task])
    # Three kinds of doubt, the first of which is told: whether it is in scope, whether it was work done, and on which
    # aircraft.
    doubt = doubt_of(reasons, judged, kept)[index]
    done = np.ones(len(task), bool)
    if len(timeline.perhaps):
        done = ~np.isin(task, timeline.perhaps)
        doubt = first_of(
            doubt,
            reasons.where(~done & (task >= timeline.audited), UNREADABLE_RECORD),
            reasons.where(~done & timeline.is_open(task), OPEN_RECORD),
            reasons.where(~done, UNREADABLE_STATUS),
        )
    doubt = first_of(doubt, reasons.where(elsewhere, NEARLY_THIS))
    return Treatments(task, place, component, boot, doubt, done & ~elsewhere)


def _placed(timeline: Timeline, rows: Ints) -> tuple[Ints, Ints, Bools]:
    """Records by place: the index into `rows`, the place, and whether it is on an aircraft that they don't name.

    Work on an aircraft of nearly the same name may have been work on this one, written differently; and a record that
    was set aside for its lack of an aircraft may be of any that its work order is of.
    """
    index, place = timeline.placed(rows)
    own = timeline.aircraft[rows]
    alike = aircraft_alike(timeline)
    nowhere = np.flatnonzero((rows >= timeline.audited) & (own == MISSING))
    if not len(alike) and not len(nowhere):
        return index, place, np.zeros(len(index), bool)
    # Each such record counts at its own aircraft, and again, in doubt, at each that it may be of.
    pair, row = matching(own, alike[:, 0])
    which, of_order = _of_work_order(timeline, rows[nowhere])
    row, craft = np.concatenate((row, nowhere[which])), np.concatenate((alike[pair, 1], of_order))
    again, there = timeline.placed(rows[row], craft)
    # A record without an aircraft has no place of its own.
    named = own[index] != MISSING
    index, place = index[named], place[named]
    elsewhere = np.arange(len(index) + len(again)) >= len(index)
    return np.concatenate((index, row[again])), np.concatenate((place, there)), elsewhere


def _of_work_order(timeline: Timeline, rows: Ints) -> tuple[Ints, Ints]:
    """The aircraft on which the work orders of records are: the index into `rows`, and the aircraft.

    Of a work order that names none it may be any on which there are boots or task records.
    """
    known, crafts = aircraft_of_work_orders(timeline)
    low, high = (np.searchsorted(known, timeline.work_orders(rows), side) for side in ("left", "right"))
    which, nth = expand(high - low)
    none = np.flatnonzero(high == low)
    fleet = _worked_on(timeline)
    return (
        np.concatenate((which, np.repeat(none, len(fleet)))),
        np.concatenate((crafts[low[which] + nth], np.tile(fleet, len(none)))),
    )


def aircraft_of_work_orders(timeline: Timeline) -> tuple[Ints, Ints]:
    """Every work order, by number, with each aircraft that its records name, in order of the work orders."""
    return timeline.timeless("aircraft of work orders", lambda: _aircraft_of_work_orders(timeline))


def _aircraft_of_work_orders(timeline: Timeline) -> tuple[Ints, Ints]:
    order, aircraft = timeline.work_orders(np.arange(len(timeline.tasks))), timeline.aircraft
    # A work order may go on in another part of the export, under aircraft that this part has no records of.
    if (others := timeline.orders_elsewhere) is not None:
        number = timeline.tasks["work_order"].cat.categories.get_indexer(pd.Index(others["work_order"]))
        order, aircraft = np.append(order, number), np.append(aircraft, others["aircraft"])
    said = (order != MISSING) & (aircraft != MISSING)
    fleet = len(timeline.aircraft_names)
    pairs = np.unique(order[said] * fleet + aircraft[said])
    return pairs // fleet, pairs % fleet


def aircraft_alike(timeline: Timeline) -> Ints:
    """Aircraft, by code, each with one of nearly the same name on which there are boots or task records: pairs."""
    pairs = nearly_equal(timeline.aircraft_names, timeline.alike.get("aircraft", {}))
    return pairs[np.isin(pairs[:, 1], _worked_on(timeline))] if len(pairs) else pairs


def _worked_on(timeline: Timeline) -> Ints:
    """The aircraft on which there are boots or task records."""

    def worked_on() -> Ints:
        known = np.union1d(timeline.aircraft, timeline.aircraft_of(timeline.components.place))
        named: Ints = known[known != MISSING]
        return named

    return timeline.timeless("aircraft worked on", worked_on)


def doubt_of(reasons: Reasons, judged: Judged, index: Ints) -> Ints:
    """The numbers of the reasons why conditions can't be decided of the records at `index`."""
    doubt = np.full(len(index), CERTAIN, np.int32)
    unknown = np.flatnonzero(judged.truth[index] == UNKNOWN)
    doubt[unknown] = take(reasons.numbers(Rank.RECORD, judged.reasons), judged.why[index[unknown]], CERTAIN)
    return doubt


def possible(timeline: Timeline, conditions: Conditions) -> Ints:
    """The records that may meet the conditions, whatever boot they were done to."""
    first = without_component(conditions) if needs_component(conditions) else conditions

    def rows() -> Ints:
        found: Ints = timeline.rows[np.flatnonzero(judge(first, timeline, timeline.rows).truth != FALSE)]
        return found

    return timeline.memo(("possible", first.model_dump_json()), rows)


def begun_between(timeline: Timeline, rows: Ints, aircraft: Ints, opens: Ints, closes: Ints) -> Ints:
    """Those of the records that began in one of the windows [opens, closes) of their aircraft, and all that end before
    they start, or are of aircraft that have nearly the same name as another."""
    real = np.flatnonzero(opens < closes)
    if not len(real):
        return rows[:0]
    opened, closed = Order.of(aircraft[real], opens[real]), Order.of(aircraft[real], closes[real])
    asked, began = timeline.aircraft[rows], timeline.times["started_at"][rows]
    # Where more windows have opened than closed, one is open.
    inside = opened.until(asked, began) > closed.until(asked, began)
    turned = timeline.times["finished_at"][rows] < began
    return rows[inside | turned | np.isin(asked, aircraft_alike(timeline)[:, 0])]


class Evidence(Protocol):
    """What may be of a subject: a place and a boot each, and a reason for doubt."""

    @property
    def place(self) -> Ints: ...  # noqa: D102
    @property
    def boot(self) -> Ints: ...  # noqa: D102
    @property
    def doubt(self) -> Ints: ...  # noqa: D102


class Subjects(Protocol):
    """What evidence is looked for: a boot at a place each."""

    @property
    def place(self) -> Ints: ...  # noqa: D102
    @property
    def boot(self) -> Ints: ...  # noqa: D102


class Records(Subjects, Protocol):
    """Subjects that task records name."""

    @property
    def task(self) -> Ints: ...  # noqa: D102


@dataclass(frozen=True)
class Candidates:
    """Evidence rows, each with its reason for doubt, and the subjects that they may be of: those of which `asked` is
    the row's `key`."""

    rows: Ints
    doubt: Ints
    key: Ints
    asked: Ints

    def order(self, instants: Ints) -> Order:
        """The rows by key and instant (of all evidence)."""
        return Order.of(self.key, instants[self.rows])

    def at_any_time(self, started: Ints, ended: Ints) -> tuple[Candidates, Ints, Ints]:
        """The rows whose start is known, and of those whose isn't the last to end of each subject: when it did, and the
        row. It may have begun at any time until then. NEVER and NONE for subjects that meet none."""
        timeless = started[self.rows] == NEVER
        if not timeless.any():
            return self, np.full(len(self.asked), NEVER), np.full(len(self.asked), NONE)
        rows, key = self.rows[timeless], self.key[timeless]
        # In order of (key, end) the last of each key is the last to end.
        order = np.lexsort((ended[rows], key))
        rows, key = rows[order], key[order]
        place = np.searchsorted(key, self.asked, "right") - 1
        met = (take(key, place, _NOBODY) == self.asked) & (self.asked != _NOBODY)
        row = np.where(met, take(rows, place, NONE), NONE)
        known = ~timeless
        part = replace(self, rows=self.rows[known], doubt=self.doubt[known], key=self.key[known])
        return part, take(ended, row, NEVER), row


Counted = Callable[[Ints], Bools]
"""Which evidence counts, by the numbers of its reasons for doubt: `View.against`, `View.favour` or `everything`."""


def everything(doubt: Ints) -> Bools:
    """All evidence counts, whatever its doubt."""
    return np.ones(len(doubt), bool)


_NOBODY = -1
"""A key that no evidence has."""


def candidates(timeline: Timeline, evidence: Treatments, subjects: Records, counted: Counted) -> Iterator[Candidates]:
    """Join evidence with subjects: of the same boot; where the boot or position of one is not known, perhaps."""
    still_open = timeline.is_open(evidence.task)
    for join in (of_one_boot, perhaps_of_one_boot, where_the_boot_was, of_boots_that_may_be_there):
        yield from join(timeline, evidence, subjects, counted, ~still_open)
        if still_open.any():
            # Work that is still open may be evidence for its own job only.
            group = (timeline.work_orders(evidence.task), timeline.work_orders(subjects.task))
            yield from join(timeline, evidence, subjects, counted, still_open, group)


def of_one_boot(
    timeline: Timeline,
    evidence: Evidence,
    subjects: Subjects,
    counted: Counted,
    among: Bools | bool = True,
    group: tuple[Ints, Ints] | None = None,
) -> Iterator[Candidates]:
    """Join evidence with the subjects of the same boot, or place where none is known.

    `among` tells which evidence to join (default: all), `group` numbers what both must have in common besides, such as
    their work order.
    """
    rows = np.flatnonzero(~timeline.nowhere(evidence.place) & (evidence.boot >= NONE_KNOWN) & among)
    rows = rows[counted(evidence.doubt[rows])]
    key, asked = (timeline.boot_or_place(side.boot, side.place) for side in (evidence, subjects))
    if len(rows):
        yield _grouped(timeline, group, Candidates(rows, evidence.doubt[rows], key[rows], asked))


def perhaps_of_one_boot(
    timeline: Timeline,
    evidence: Evidence,
    subjects: Subjects,
    counted: Counted,
    among: Bools | bool = True,
    group: tuple[Ints, Ints] | None = None,
) -> Iterator[Candidates]:
    """Join evidence with subjects that may be of one boot: the boot, or the position, of one of them is not known.

    `among` and `group` as in `of_one_boot`.
    """
    reasons = reasons_of(timeline)
    no_boot, no_position = reasons.number(*NO_BOOT), reasons.number(*NO_POSITION)
    if not counted(np.array([no_boot, no_position])).any() and not counted(evidence.doubt[evidence.doubt != 0]).any():
        return
    here = ~timeline.nowhere(evidence.place)
    placed = ~timeline.nowhere(subjects.place)
    places = (evidence.place, subjects.place)
    aircraft = (timeline.aircraft_of(evidence.place), timeline.aircraft_of(subjects.place))
    for of, (key, asked), who, reason in (
        # Evidence whose boot is not known: of any subject at its place.
        (here & (evidence.boot < 0), places, placed, no_boot),
        # Subjects whose boot is not known: all evidence at their place.
        (here, places, placed & (subjects.boot < 0), no_boot),
        # Evidence whose position is not known: of any subject on its aircraft.
        (~here, aircraft, np.ones(len(placed), bool), no_position),
        # Subjects whose position is not known: all evidence on their aircraft.
        (np.ones(len(here), bool), aircraft, ~placed, no_position),
    ):
        rows, doubt = _that_count(evidence, of & among & who.any(), reason, counted)
        if len(rows):
            yield _grouped(timeline, group, Candidates(rows, doubt, key[rows], np.where(who, asked, _NOBODY)))


def _that_count(evidence: Evidence, among: Bools, why: Ints | int, counted: Counted) -> tuple[Ints, Ints]:
    """The rows among the evidence that count, and the reason for doubt of each: its own, else `why` it may be of
    another boot."""
    rows = np.flatnonzero(among)
    doubt = first_of(evidence.doubt[rows], np.broadcast_to(why, len(among))[rows])
    taken = counted(doubt)
    return rows[taken], doubt[taken]


def where_the_boot_was(
    timeline: Timeline,
    evidence: Treatments,
    subjects: Subjects,
    counted: Counted,
    among: Bools | bool = True,
    group: tuple[Ints, Ints] | None = None,
) -> Iterator[Candidates]:
    """Join evidence whose boot isn't known with subjects whose boot was there, wherever they were treated themselves:
    one of two recorded at its position, or anywhere on its aircraft if it names none.

    `among` and `group` as in `of_one_boot`.
    """
    reasons, history = reasons_of(timeline), timeline.components
    no_boot, no_position = reasons.number(*NO_BOOT), reasons.number(*NO_POSITION)
    why = np.where(timeline.nowhere(evidence.place), no_position, no_boot)
    rows, doubt = _that_count(evidence, (evidence.boot < 0) & among, why, counted)
    if not len(rows) or not history.boots:
        return
    case, boot = boots_there(timeline, evidence.place[rows], evidence.task[rows])
    asked = timeline.boot_or_place(subjects.boot, subjects.place)
    yield _grouped(timeline, group, Candidates(rows[case], doubt[case], boot, asked))


def of_boots_that_may_be_there(
    timeline: Timeline,
    evidence: Treatments,
    subjects: Records,
    counted: Counted,
    among: Bools | bool = True,
    group: tuple[Ints, Ints] | None = None,
) -> Iterator[Candidates]:
    """Join evidence with subjects whose boot isn't known, though it may be the one that was treated elsewhere.

    `among` and `group` as in `of_one_boot`.
    """
    no_boot = reasons_of(timeline).number(*NO_BOOT)
    rows, doubt = _that_count(evidence, (evidence.boot >= 0) & among, no_boot, counted)
    unknown = np.flatnonzero((subjects.boot < 0) & ~timeline.nowhere(subjects.place))
    if not len(rows) or not len(unknown):
        return
    case, boot = boots_there(timeline, subjects.place[unknown], subjects.task[unknown])
    pair, place = matching(evidence.boot[rows], boot)
    # A subject may be of several boots: what was done to any of them has the subject for its key.
    rows, doubt, subject = rows[place], doubt[place], unknown[case[pair]]
    if group is not None:
        together = group[0][rows] == group[1][subject]
        rows, doubt, subject = rows[together], doubt[together], subject[together]
    asked = np.full(len(subjects.place), _NOBODY)
    asked[unknown] = unknown
    yield Candidates(rows, doubt, subject, asked)


def boots_there(timeline: Timeline, place: Ints, task: Ints) -> tuple[Ints, Ints]:
    """The boots recorded where, and when, each record was made, or perhaps there by a row set aside; anywhere on its
    aircraft if it names no position: the index of the record, in order, and the boot."""
    history = timeline.components
    # The unknown position is the last one of an aircraft.
    first, last = np.where(timeline.nowhere(place), timeline.place(timeline.aircraft_of(place), 0), place), place + 1
    case, stay = history.by_installation.rows(first, last)
    again, perhaps = history.possible.at(first, last)
    case = np.append(case, again)
    boot = np.append(history.boot[stay], history.possible.boot[perhaps])
    installed = np.append(history.installed[stay], history.possible.start[perhaps])
    removed = np.append(history.removed[stay], history.possible.end[perhaps])
    # A boot was there if it had come by the latest, and had not gone by the earliest, that the work can have begun.
    began, ended = timeline.span(task[case])
    there = (installed <= np.where(began == NEVER, ended, began)) & (began < removed)
    case, boot = np.unique(np.stack((case[there], boot[there])), axis=1)
    return case, boot


def _grouped(timeline: Timeline, group: tuple[Ints, Ints] | None, joined: Candidates) -> Candidates:
    """The join, narrowed to what has the number of its group in common."""
    if group is None:
        return joined
    # Group and key become one number, so that equal numbers agree in both.
    width = timeline.boots_and_places
    asked = np.where(joined.asked == _NOBODY, _NOBODY, group[1] * width + joined.asked)
    return replace(joined, key=group[0][joined.rows] * width + joined.key, asked=asked)


Span = tuple[Ints, Ints]
"""From when to when each of the evidence may have lasted: see `Timeline.span`."""


def first_start(
    joined: Iterable[Candidates], span: Span, after: Ints, own: Ints, *, at_once: bool = True
) -> tuple[Ints, Ints]:
    """When the first evidence of each subject starts, and its row; FOREVER and NONE where none does.

    It starts at `after` or later (`at_once`), or later. `own` is the row of the subject of which a row is itself a
    record.
    """
    started, _ = span
    best, found = np.full(len(after), FOREVER), np.full(len(after), NONE)
    for every in joined:
        # What tells no start, and had not ended by then, may have started just then.
        part, last, perhaps = every.at_any_time(*span)
        at_once_perhaps = (last >= after) & (perhaps != NONE) & (after < best)
        best, found = np.where(at_once_perhaps, after, best), np.where(at_once_perhaps, perhaps, found)
        if not len(part.rows):
            continue
        order = part.order(started)
        index = (order.before if at_once else order.until)(part.asked, after)
        # A subject's own records aren't evidence for or against it: they are stepped over.
        while True:
            row = part.rows[take(order.row, index, 0)]
            there = (index < len(order.row)) & (take(part.key, take(order.row, index, 0), NONE) == part.asked)
            mine = there & (own[row] == np.arange(len(after)))
            if not mine.any():
                break
            index = index + mine
        sooner = there & (started[row] < best)
        best, found = np.where(sooner, started[row], best), np.where(sooner, row, found)
    return best, found


def ties(timeline: Timeline, counted: Callable[[Ints], Bools]) -> bool:
    """Whether evidence that started at the very same time as its subject counts in a view."""
    return bool(counted(np.array([reasons_of(timeline).number(*TIED)]))[0])
