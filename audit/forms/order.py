"""order [absence after or before]: one treatment comes last (or first) among the others.

Subject: a work order at a position.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any, Literal

import numpy as np

from audit.evidence.columns import Columns, first_of_each, least_of, matching, most_of
from audit.evidence.doubt import CERTAIN, PLAIN, View, first_of, reasons_for_doubt, reasons_of
from audit.evidence.sessions import at_one_go, earliest, flown_unseen, may_go_on, perhaps_swapped, runs
from audit.evidence.treatments import (
    NO_POSITION,
    Treatments,
    everything,
    of_one_boot,
    perhaps_of_one_boot,
    ties,
    treatments,
    where_the_boot_was,
)
from audit.figures import time_span
from audit.forms import describing
from audit.forms.drawing import AroundSession, Case, Stretch, Stretches
from audit.forms.form import BOOTS_READ, SESSIONS_READ, Form, Never
from audit.forms.naming import OF_TREATMENT, at_work_order
from audit.forms.outcomes import NONE, Judgement
from audit.language.condition import Conditions
from audit.language.rule import Rule
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import NotPlantable, Planted, Planter, Spot
from audit.timeline.codes import MISSING
from audit.timeline.instants import FOREVER, HOUR, NEVER, SECOND, Bools, Ints, group_begins, take
from audit.timeline.timeline import Timeline


class OrderRule(Rule):
    """Within a work order and position, the treatment in scope comes last (or first) among the others."""

    form: Literal["order"]
    must_be: Literal["last", "first"]
    among: Conditions


def evaluate(rule: OrderRule, timeline: Timeline) -> Judgement:
    """A finding when another treatment starts after the one that must be last (before the one that must be first).

    The latest start of the one counts against the latest start of the others: a treatment done again after the others
    is last. For `first` the earliest count. A work order that was flown in between, or went on much later, is several
    jobs, and each boot is looked at by itself.
    """
    bound, others = _selected(rule, timeline)
    jobs = _jobs(timeline, bound, others)
    sign = 1 if rule.must_be == "last" else -1
    start, end = timeline.span(np.arange(len(timeline.tasks)))
    # Of a record that lacks its start, the one that goes furthest.
    begun = np.where(start == NEVER, end if sign == 1 else FOREVER, start * sign)

    def latest(met: _Met, treated: Treatments, counted: Bools) -> tuple[Ints, Ints]:
        """The latest start of each job's treatments that count, and the first record of it; NEVER and NONE without."""
        job, task = met.job[counted], treated.task[met.row[counted]]
        best = most_of(job, begun[task], len(jobs))
        first = begun[task] == best[job]
        record = least_of(job[first], task[first], len(jobs))
        return best, np.where(record == FOREVER, NONE, record)

    # All treatments that must be last, and all others, of each job, surely or perhaps.
    own, rivals = jobs.met(timeline, bound, jobs.bound_in), jobs.met(timeline, others, jobs.other_in)
    several = jobs.perhaps_several(timeline)
    rivals = replace(rivals, doubt=first_of(rivals.doubt, several[rivals.job]))
    # The first of them is of the job that is looked at, and one done again may be of another.
    again = _done_again(own, begun[bound.task[own.row]], len(jobs))
    own = replace(own, doubt=first_of(own.doubt, np.where(again, several[own.job], CERTAIN)))
    unfinished = may_go_on(timeline, jobs.place, jobs.end)

    def broken(view: View, index: Ints) -> Bools:
        last, _ = latest(own, bound, view.favour(own.doubt))
        rival, _ = latest(rivals, others, view.against(rivals.doubt))
        late: Bools = (rival >= last) if ties(timeline, view.against) else (rival > last)
        late &= (last != NEVER) & (rival != NEVER)
        return view.open(late[index], unfinished[index]) if rule.must_be == "last" else late[index]

    plain = broken(PLAIN, np.arange(len(jobs)))
    doubt = reasons_for_doubt(timeline, broken, plain, jobs.doubt)
    last, _ = latest(own, bound, own.doubt == CERTAIN)
    rival, record = latest(rivals, others, rivals.doubt == CERTAIN)
    started = timeline.times["started_at"]
    # A work order at a position is one subject, however many boots were there: one of its jobs speaks for it.
    speaks = _speaking(jobs.subject, plain, doubt, take(started, record, FOREVER))
    lowest = least_of(jobs.subject, jobs.task, len(speaks))

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        job = speaks[index]
        return {
            "subject": lowest[index],
            "named_by": jobs.first[job],
            "task": np.where(finding, record[job], lowest[index]),
            "place": jobs.place[job],
            "component": np.where(finding, jobs.component[job], NONE),
            "at": np.where(finding, rival[job] * sign, started[lowest[index]]),
            "anchor": np.where(last[job] == NEVER, NONE, last[job] * sign),
        }

    return Judgement(plain[speaks], doubt[speaks], reasons_of(timeline), shown)


def _done_again(own: _Met, begun: Ints, count: int) -> Bools:
    """Which treatments of each job began after the first that is surely of it (for one that must be first: before)."""
    sure = own.doubt == CERTAIN
    again: Bools = begun > least_of(own.job[sure], begun[sure], count)[own.job]
    return again


def _speaking(subject: Ints, broken: Bools, doubt: Ints, moment: Ints) -> Ints:
    """The job that speaks for each work order and position, of several boots there: the first that is a finding, else
    one in doubt."""
    return first_of_each(subject, np.where(doubt != CERTAIN, 1, np.where(broken, 0, 2)), moment)


def _selected(rule: OrderRule, timeline: Timeline) -> tuple[Treatments, Treatments]:
    """The treatments that must be last (or first), and the others of their work orders."""
    bound = treatments(timeline, rule.scope)
    shared = np.isin(timeline.work_orders(timeline.rows), timeline.work_orders(bound.task))
    others = treatments(timeline, rule.among, timeline.rows[shared])
    # Another treatment is another one: a rule whose two selections meet doesn't hold a record against itself.
    surely = bound.take(bound.doubt == CERTAIN)
    chosen = np.zeros(len(timeline.tasks), bool)
    chosen[surely.task] = True
    both = np.flatnonzero(chosen[others.task])
    same = np.zeros(len(others.task), bool)
    same[both] = np.isin(
        others.task[both] * timeline.places + others.place[both],
        surely.task * timeline.places + surely.place,
    )
    return bound, others.take(~same)


@dataclass(frozen=True)
class _Met(Columns):
    """Treatments that are of a job, or may be: the job, the row of the treatment, and the reason for doubt."""

    job: Ints
    row: Ints
    doubt: Ints


@dataclass(frozen=True)
class _Jobs:
    """What was done to a boot at one go under a work order, where it has a treatment that must be last (or first).

    `task` is the lowest task row of those, `first` that of the first to start; `start` and `end` those of the whole
    job. `subject` numbers the work orders at a position, of which a boot that was swapped makes two jobs. `bound_in`
    and `other_in` tell the job of each treatment, NONE where it is of none. `doubt` is CERTAIN where one that must be
    last is surely in scope.
    """

    task: Ints
    first: Ints
    place: Ints
    boot: Ints
    component: Ints
    subject: Ints
    start: Ints
    end: Ints
    doubt: Ints
    interrupted: Ints
    bound_in: Ints
    other_in: Ints

    def __len__(self) -> int:
        return len(self.task)

    def perhaps_several(self, timeline: Timeline) -> Ints:
        """Why what was done in each job may be several: what names no position may have been done at several; and a
        flight that the log lacks, or another boot, may have come in between. CERTAIN where it is one."""
        nowhere = reasons_of(timeline).where(timeline.nowhere(self.place), NO_POSITION)
        return first_of(nowhere, self.interrupted, perhaps_swapped(timeline, self.place, self.start, self.end))

    def met(self, timeline: Timeline, treated: Treatments, job: Ints) -> _Met:
        """The treatments of each job, surely and perhaps."""
        start, end = timeline.span(treated.task)
        own = np.flatnonzero(job != NONE)
        met = _Met(job[own], own, treated.doubt[own])
        # What may be of the job, though the boot or the position is not known, must be of its work order and its time.
        group = (timeline.work_orders(treated.task), timeline.work_orders(self.task))
        jobless = group[0] == MISSING
        asked = (timeline, treated, self, everything)
        joined = [join(*asked, ~jobless, group) for join in (perhaps_of_one_boot, where_the_boot_was)]
        # A record that was set aside for its lack of a work order may be of any.
        joined += [join(*asked, jobless) for join in (of_one_boot, perhaps_of_one_boot, where_the_boot_was)]
        for part in chain(*joined):
            which, place = matching(part.key, part.asked)
            row, aircraft = part.rows[place], timeline.aircraft_of(self.place[which])
            near = at_one_go(timeline, aircraft, (self.start[which], self.end[which]), (start[row], end[row]))
            more = _Met(which, row, part.doubt[place])
            met = met.followed_by(more.take(near & (job[row] != which)))
        return met


def _jobs(timeline: Timeline, bound: Treatments, others: Treatments) -> _Jobs:
    """The jobs of the work orders and boots that have a treatment which must be last (or first)."""
    # Both kinds together: what makes one job doesn't depend on which of them a record is.
    treated = bound.followed_by(others)
    work_order = timeline.work_orders(treated.task)
    start, end = timeline.span(treated.task)
    by_boot = work_order * timeline.boots_and_places + timeline.boot_or_place(treated.boot, treated.place)
    order, begins = runs(timeline, by_boot, treated)
    run = _numbered(order, begins)
    at_position = _numbered(*runs(timeline, work_order * timeline.places + treated.place, treated))
    # Whatever else is in doubt of a record, a flight before it that the log lacks leaves it open whose job goes on.
    certain = replace(treated, doubt=np.full(len(run), CERTAIN))
    seen_as = flown_unseen(timeline, certain, order, begins).doubt
    is_bound = np.arange(len(run)) < len(bound.task)
    number = np.full(int(run.max(initial=-1)) + 1, NONE)
    # Work that may not have been done makes no job of its own.
    is_bound &= treated.done
    with_bound = np.unique(run[is_bound])
    number[with_bound] = np.arange(len(with_bound))
    job = number[run]
    mine = np.flatnonzero(job != NONE)
    # What is surely in scope stands for the job before what may be.
    bound_rows = np.flatnonzero(is_bound)
    bound_rows = bound_rows[np.lexsort((start[bound_rows], treated.doubt[bound_rows] != CERTAIN, job[bound_rows]))]
    firsts = np.flatnonzero(group_begins(job[bound_rows]))
    first = bound_rows[earliest(timeline, treated.task[bound_rows], start[bound_rows], firsts)]
    count = len(first)
    interrupted = np.full(count, CERTAIN)
    unseen = mine[seen_as[mine] != CERTAIN]
    interrupted[job[unseen]] = seen_as[unseen]
    return _Jobs(
        task=least_of(job[is_bound], treated.task[is_bound], count),
        first=treated.task[first],
        place=treated.place[first],
        boot=treated.boot[first],
        component=treated.component[first],
        subject=np.unique(at_position[first], return_inverse=True)[1],
        start=least_of(job[mine], start[mine], count),
        end=most_of(job[mine], end[mine], count),
        doubt=treated.doubt[first],
        interrupted=interrupted,
        bound_in=job[: len(bound.task)],
        other_in=job[len(bound.task) :],
    )


def _numbered(order: Ints, begins: Bools) -> Ints:
    """The number of the run that each treatment is part of."""
    run = np.empty(len(order), np.int64)
    run[order] = np.cumsum(begins) - 1
    return run


def _told(rule: OrderRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Name the treatment that started on the wrong side, and by how much."""
    apart = time_span(case["at"] - case["anchor"])
    side = "after" if rule.must_be == "last" else "before"
    other = f"{case['other_product']} (task {case['other_task']}) used {apart} {side}"
    general = f"{other} {case['product']}, which must come {rule.must_be}."
    yield Said((), {"measured": apart}, general)


def _demands(rule: OrderRule) -> tuple[str, ...]:
    others = describing.records(rule.among, "records there")
    side = "after" if rule.must_be == "last" else "before"
    return (f"the {rule.must_be} of them starts {side} all other {others}",)


def _wrong_way_round(case: Case) -> Stretches:
    at, anchor = int(case["at"]), int(case["anchor"])
    return None, Stretch.between(anchor, at, "the wrong way round") if anchor >= 0 else None


def _planter(rule: OrderRule, timeline: Timeline) -> Planter:
    """Another treatment of the work order, begun a second after the last (before the first) of those in scope, or a
    second before (after) it."""
    bound, others = (planting.surely(timeline, conditions).task for conditions in (rule.scope, rule.among))
    others = np.setdiff1d(others, bound)

    def plant(spot: Spot) -> Planted:
        anchor = spot["anchor"]
        if anchor < 0:
            raise NotPlantable("it is not sure that the treatment in scope was done")
        late = spot.outside == (rule.must_be == "last")
        at = anchor + (SECOND if late else -SECOND)
        order = planting.cell(timeline, "tasks", "work_order", spot["subject"])
        event = planting.new_record(timeline, spot, planting.nearest(timeline, others, at), at, work_order=order)
        what = f"another treatment of the work order, begun 1 s {'after' if late else 'before'}"
        return Planted(what, (event,), (anchor - HOUR, anchor + HOUR))

    return plant


ORDER = Form(
    name="order",
    pattern="absence after, or before, an event (Dwyer, Avrunin, Corbett 1999)",
    rule=OrderRule,
    finding="another treatment starts after the one that must be last, or before the one that must be first",
    subjects="work order and position",
    named_by="aircraft, position, work order, the first record of the treatment in scope",
    evaluate=evaluate,
    plant=_planter,
    reads=lambda rule: ("tasks.position", "components"),
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ),
    identity=lambda rule, cases, evidence, timeline: at_work_order(cases, evidence, timeline),
    told=_told,
    values={**OF_TREATMENT, "measured": "how long before or after it came: 25 min"},
    # The record that a finding names may be another than the one in scope.
    dated_by=lambda rule: "subject",
    drawing=lambda rule: AroundSession(_wrong_way_round),
    looks_at=lambda rule: f"Each work order at each position that has {describing.records(rule.scope)}.",
    demands=_demands,
    unjudged_when=lambda rule: (
        *describing.WHICH_CAME_FIRST,
        describing.PERHAPS_SWAPPED,
        *((describing.JOB_RUNNING, describing.RECORDS_END) if rule.must_be == "last" else ()),
        describing.CLOCK_WENT_BACK,
    ),
    never=lambda rule: (
        Never(
            ("among",), "all of these are in scope themselves: nothing can ever be a finding", rule.among, rule.scope
        ),
    ),
    skeleton="""\
must_be: last
among:
  product: {present: true}
  product_class: {not: gloss-coating}
examples:
  - name: last of the work order
    expect: complies
    tasks:
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
  - name: another product a minute later
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T10:01:00Z'}
  - name: both started at the same time
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T10:00:00Z'}
""",
)
