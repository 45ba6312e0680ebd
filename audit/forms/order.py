"""order: one treatment comes last (or first) among the others. Subject: a work order at a position."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal

import numpy as np
import pandas as pd

from audit.figures import time_span
from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.describing import CLOCK_WENT_BACK, NO_BOOT_KNOWN, NO_POSITION_KNOWN, SAME_START, records
from audit.forms.drawing import (
    AroundSession,
    Case,
    Stretch,
    Stretches,
)
from audit.forms.form import BOOTS_READ, Form, Never
from audit.forms.naming import at_work_order, of_treatment
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_BOOT, NO_POSITION, Treatments, treatments
from audit.language.condition import Conditions
from audit.language.rule import Rule
from audit.timeline.components import TWO_RECORDED
from audit.timeline.instants import Bools, Ints
from audit.timeline.timeline import Timeline


class OrderRule(Rule):
    """Within a work order and position, the treatment in scope comes last (or first) among the others."""

    form: Literal["order"]
    must_be: Literal["last", "first"]
    among: Conditions


TIED = "order tied: both started at the same time"


def evaluate(rule: OrderRule, timeline: Timeline) -> Outcomes:
    """A finding when another treatment starts after the one that must be last (before the one that must be first).

    The latest start of the one counts against the latest start of the others: a treatment done again after the others
    is last. For `first` the earliest count. Each boot is looked at by itself where one was swapped within the work
    order: one finding among them is one of the work order at that position.
    """
    bound = treatments(timeline, rule.scope)
    work_order = timeline.tasks["work_order"].cat.codes.to_numpy()
    shared = np.zeros(int(work_order.max(initial=0)) + 1, bool)
    shared[work_order[bound.task]] = True
    others = treatments(timeline, rule.among, timeline.rows[shared[work_order[timeline.rows]]])
    places = int(max(bound.place.max(initial=0), others.place.max(initial=0))) + 1

    def at_place(treated: Treatments) -> Ints:
        return work_order[treated.task].astype(np.int64) * places + treated.place

    def on_aircraft(treated: Treatments) -> Ints:
        aircraft = timeline.aircraft_of(treated.place)
        return work_order[treated.task].astype(np.int64) * (len(timeline.aircraft_names) + 1) + aircraft

    # Another treatment is another one: a rule whose two selections meet doesn't hold a record against itself.
    surely_bound = bound.those(bound.truth == TRUE)
    others = others.those(
        ~np.isin(others.task * places + others.place, surely_bound.task * places + surely_bound.place)
    )
    sign = 1 if rule.must_be == "last" else -1
    subject, bound_of, other_of = _subjects(timeline, bound, others)
    count = len(subject)
    moment = timeline.times["started_at"] * sign

    sure, _ = _extreme(bound, bound_of, moment, count, bound.truth == TRUE)
    doubtful, _ = _extreme(bound, bound_of, moment, count, bound.truth == UNKNOWN)
    certain = (others.truth == TRUE) & (others.component != TWO_RECORDED)
    rival, rival_row = _extreme(others, other_of, moment, count, certain)
    maybe, maybe_row = _extreme(others, other_of, moment, count, others.truth == UNKNOWN)

    place = np.zeros(count, np.int64)
    place[bound_of] = bound.place
    nowhere = timeline.position_of(place) == timeline.unknown_position
    bootless = _component(bound, bound_of, count) < 0

    def perhaps_here(treated: Treatments, apart: Bools, subjects: Bools, key: Callable[[Treatments], Ints]) -> Ints:
        """The latest treatment of each subject's key that stands apart; for the `subjects` named, of any."""
        alone = treated.those(apart)
        found = _latest(key(alone), moment[alone.task], key(bound), bound_of, count)
        if subjects.any():
            theirs = np.zeros(len(shared), bool)
            theirs[work_order[subject[subjects]]] = True
            near = treated.those(theirs[work_order[treated.task]])
            found = np.where(subjects, _latest(key(near), moment[near.task], key(bound), bound_of, count), found)
        return found

    def of_this_boot(treated: Treatments) -> Ints:
        """Those that may have been of the subject's boot, since one of the two boots isn't known."""
        return perhaps_here(treated, treated.component < 0, bootless, at_place)

    def at_this_position(treated: Treatments) -> Ints:
        """Those that may have been at the subject's position, since one of the two positions isn't known."""
        unplaced = timeline.position_of(treated.place) == timeline.unknown_position
        return perhaps_here(treated, unplaced, nowhere, on_aircraft)

    # A doubtful record may be the bound treatment itself: done again later, it would be last after all.
    late = (sure > _LOWEST) & (rival > sure)
    again = np.maximum(of_this_boot(bound), at_this_position(bound))
    broken = late & (np.maximum(doubtful, again) < rival)
    undecided = sure == _LOWEST
    reason = np.full(count, "", object)
    tied = (sure > _LOWEST) & (rival == sure)
    reason[tied] = TIED
    in_doubt = (sure > _LOWEST) & (maybe >= sure)
    reason[in_doubt] = others.reason[maybe_row[in_doubt]]
    reason[(sure > _LOWEST) & (reason == "") & (of_this_boot(others) >= sure)] = NO_BOOT
    reason[(sure > _LOWEST) & (reason == "") & (at_this_position(others) >= sure)] = NO_POSITION
    doubt_of = np.full(count, "", object)
    doubt_of[bound_of] = bound.reason
    for row in np.flatnonzero(bound.truth == UNKNOWN).tolist():
        doubt_of[bound_of[row]] = bound.reason[row]
    undone = late & ~broken
    reason[undone] = np.where(doubtful >= rival, doubt_of, "whether it was done again can't be told")[undone]
    reason[undecided] = doubt_of[undecided]
    broken &= ~nowhere
    rivals = np.append(others.task, NONE)[rival_row]
    # Boots of one work order and position stand side by side. The first that has a finding speaks for all, else the
    # first in doubt; the lowest task row names them.
    key = work_order[subject].astype(np.int64) * places + place
    new = np.append(True, key[1:] != key[:-1])[:count]
    of = np.cumsum(new) - 1
    when = np.append(timeline.times["started_at"], 0)[rivals]
    speaks = np.lexsort((when, reason == "", ~broken, of))[new]
    if count:
        subject = np.minimum.reduceat(subject, np.flatnonzero(new))[of]
    found = speaks[broken[speaks]]
    open_cases = speaks[~broken[speaks] & (reason[speaks] != "")]
    rows = rivals[found]
    return joined(
        len(speaks),
        cases(
            len(found),
            subject=subject[found],
            task=rows,
            place=place[found],
            component=_component(bound, bound_of, count)[found],
            at=timeline.times["started_at"][rows],
            anchor=(sure * sign)[found],
        ),
        cases(
            len(open_cases),
            finding=False,
            reason=reason[open_cases],
            subject=subject[open_cases],
            task=subject[open_cases],
            place=place[open_cases],
            at=timeline.times["started_at"][subject[open_cases]],
        ),
    )


_LOWEST = np.iinfo(np.int64).min


def _subjects(timeline: Timeline, bound: Treatments, others: Treatments) -> tuple[Ints, Ints, Ints]:
    """Subjects are the work orders and boots with a bound treatment, named by its lowest task row.

    Returns them, the subject of each bound treatment, and that of each other treatment (NONE where it has none).
    """
    work_order = timeline.tasks["work_order"].cat.codes.to_numpy()
    boots = len(timeline.components.place) + 3

    def key(treated: Treatments) -> Ints:
        places = len(timeline.aircraft_names) * (len(timeline.position_names) + 1)
        whole = work_order[treated.task].astype(np.int64) * places + treated.place
        return whole * boots + treated.component + 2

    bound_key, other_key = key(bound), key(others)
    names, bound_of = np.unique(bound_key, return_inverse=True)
    if not len(names):
        return names, bound_of, np.full(len(other_key), NONE)
    subject = np.full(len(names), np.iinfo(np.int64).max)
    np.minimum.at(subject, bound_of, bound.task)
    place = np.minimum(np.searchsorted(names, other_key), len(names) - 1)
    return subject, bound_of, np.where(names[place] == other_key, place, NONE)


def _latest(key: Ints, moment: Ints, asked: Ints, bound_of: Ints, count: int) -> Ints:
    """The latest moment among those that share a key with a bound treatment of each subject; lowest value if none."""
    latest = np.full(count, _LOWEST)
    if len(key):
        keys, owner = np.unique(key, return_inverse=True)
        best = np.full(len(keys), _LOWEST)
        np.maximum.at(best, owner, moment)
        place = np.minimum(np.searchsorted(keys, asked), len(keys) - 1)
        latest[bound_of] = np.where(keys[place] == asked, best[place], _LOWEST)
    return latest


def _extreme(treated: Treatments, subject_of: Ints, moment: Ints, count: int, wanted: np.ndarray) -> tuple[Ints, Ints]:
    """The latest wanted moment of each subject and the treatment it belongs to; lowest value and NONE where none."""
    best = np.full(count, _LOWEST)
    row = np.full(count, NONE)
    index = np.flatnonzero(wanted & (subject_of != NONE))
    order = index[np.lexsort((-treated.task[index], moment[treated.task[index]]))]
    best[subject_of[order]] = moment[treated.task[order]]
    row[subject_of[order]] = order
    return best, row


def _component(treated: Treatments, subject_of: Ints, count: int) -> Ints:
    component = np.full(count, NONE)
    component[subject_of] = treated.component
    return component


def _identity(
    rule: OrderRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline
) -> list[tuple[str, ...]]:
    return at_work_order(cases, evidence, timeline)


def _sentence(rule: OrderRule, case: Mapping[str, Any]) -> str:
    """Name the treatment that started on the wrong side, and by how much."""
    side = "after" if rule.must_be == "last" else "before"
    apart = time_span(case["at"] - case["anchor"])
    return (
        f"{case['other_product']} (record {case['other_record']}) began {apart} {side} {case['treatment']}, "
        f"which must come {rule.must_be}."
    )


def _wrong_way_round(case: Case) -> Stretches:
    at, anchor = int(case["at"]), int(case["anchor"])
    return None, Stretch(min(anchor, at), max(anchor, at), "the wrong way round") if anchor >= 0 else None


def _demands(rule: OrderRule) -> tuple[str, ...]:
    others = records(rule.among, "records there")
    if rule.must_be == "last":
        return (f"the last of them starts after all other {others}",)
    return (f"the first of them starts before all other {others}",)


ORDER = Form(
    name="order",
    rule=OrderRule,
    finding="another treatment starts after the one that must be last, or before the one that must be first",
    subjects="work order and position",
    named_by="aircraft, position, work order",
    evaluate=evaluate,
    reads=lambda rule: ("tasks.position", "components"),
    may_read=lambda rule: BOOTS_READ,
    identity=_identity,
    facts=of_treatment,
    sentence=_sentence,
    # The record that a finding names may be another than the one in scope.
    dated_by=lambda rule: "subject",
    drawing=lambda rule: AroundSession(_wrong_way_round),
    looks_at=lambda rule: f"Each work order at each position that has {records(rule.scope)}.",
    demands=_demands,
    unjudged_when=lambda rule: (SAME_START, NO_POSITION_KNOWN, NO_BOOT_KNOWN, CLOCK_WENT_BACK),
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
