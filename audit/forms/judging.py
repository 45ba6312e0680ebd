"""Judging a rule: its form, in every reading of the ambiguous times."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.evidence.doubt import CERTAIN
from audit.forms import form_of
from audit.forms.coming import in_every_reading
from audit.forms.naming import aircraft_of, common
from audit.forms.outcomes import NONE, Judgement, Outcomes, cases, figures_where, subject_keys, together
from audit.forms.reads import reading_only, tables_read
from audit.forms.weeks import by_week
from audit.language.rule import Rule
from audit.language.wording import sentence
from audit.timeline.instants import Bools, Ints
from audit.timeline.readings import Owner, other_readings
from audit.timeline.timeline import Timeline

AMBIGUOUS = "ambiguous time: the clock went back, and the verdict depends on which hour is meant"


def judge_rule(rule: Rule, timeline: Timeline) -> Outcomes:
    """Judge by the rule's form; a subject whose verdict depends on the reading of an ambiguous time is unjudged."""
    if not timeline.audited:
        # An export without a single record that can be read is broken; that nothing was done can't be read from it.
        return Outcomes(0, cases())
    return _judged(rule, timeline)[1]


def judge_by_week(rule: Rule, timeline: Timeline) -> tuple[Outcomes, pd.DataFrame]:
    """As `judge_rule`; and what was judged, complying subjects included, counted by station and week (WEEK_COLUMNS)."""
    if not timeline.audited:
        return judge_rule(rule, timeline), by_week({}, 0, cases(), set(), timeline)
    return judge_part_by_week(rule, timeline)


def judge_part_by_week(rule: Rule, timeline: Timeline) -> tuple[Outcomes, pd.DataFrame]:
    """As `judge_by_week`, also where there is no record: a part of an export may have none."""
    judgement, outcomes, complying = _judged(rule, timeline)
    found = outcomes.cases[outcomes.cases["finding"]]
    shown = judgement.shown(complying, np.zeros(len(complying), bool))
    kinds = {margin.kind for margin in outcomes.margins}
    return outcomes, by_week(shown, len(complying), found, kinds, timeline)


def what_comes(rule: Rule, timeline: Timeline) -> pd.DataFrame:
    """What falls due, or must not happen yet, by a rule, in any reading of the ambiguous times: see `coming`."""
    form = form_of(rule)
    readings = _readings(rule, timeline)
    parts = [form.coming(rule, reading_only(rule, one)) for one in (timeline, *readings)]
    if not readings:
        return parts[0]

    def judged(one: Timeline, rows: pd.DataFrame) -> Bools:
        found: Bools = one.in_play[timeline.aircraft_of(rows["place"].to_numpy(np.int64))]
        return found

    # Of other aircraft a reading has what may have been done, and not what surely was.
    parts = [rows[judged(one, rows)] for one, rows in zip((timeline, *readings), parts, strict=True)]
    every = pd.concat(parts)
    tried = [judged(reading, every) for reading in readings]
    return in_every_reading(parts, np.add.reduce(tried, dtype=np.int64) + 1, AMBIGUOUS)


def _readings(rule: Rule, timeline: Timeline) -> list[Timeline]:
    """The further readings of the ambiguous times, shared by all rules of one owner, with all that they work out."""
    if "tasks" not in tables_read(rule):
        return []
    owner = form_of(rule).owner(rule)
    return timeline.memo(("readings", owner), lambda: list(other_readings(timeline, owner)))


def _judged(rule: Rule, timeline: Timeline) -> tuple[Judgement, Outcomes, Ints]:
    """The judgement on the timeline as it stands, what of it stands in every other reading as well, and the subjects of
    it, by number, that comply in all."""
    form, readings = form_of(rule), _readings(rule, timeline)
    judgement = form.evaluate(rule, reading_only(rule, timeline))
    plain = judgement.outcomes
    if not readings:
        return judgement, plain, _complying(rule, judgement, plain.cases)
    others = [form.evaluate(rule, reading_only(rule, reading)).outcomes for reading in readings]
    verdicts = pd.concat(
        [plain.cases, *(outcome.cases for outcome in others)],
        keys=range(len(others) + 1),
        names=["reading", "case"],
    ).reset_index("reading")
    tried = _times_tried(timeline, readings, verdicts, form.owner(rule))
    subject = verdicts.groupby(subject_keys(verdicts, len(verdicts)), sort=False).ngroup()
    grouped = verdicts.groupby(subject.to_numpy(), sort=False)
    # A verdict stands that comes out in every reading in which the subject was judged.
    agreed = (grouped["finding"].transform("sum") == tried) | (
        (grouped["finding"].transform("size") == tried) & ~grouped["finding"].transform("any")
    )
    first = verdicts.assign(agreed=agreed.to_numpy())[~subject.duplicated().to_numpy()].copy()
    open_again = ~first["agreed"].to_numpy()
    first["finding"] &= ~open_again
    first["reason"] = np.where(open_again, AMBIGUOUS, first["reason"])
    found = figures_where(first[list(plain.cases.columns)], ~open_again).reset_index(drop=True)
    complying = _complying(rule, judgement, found)
    return judgement, Outcomes(len(complying) + len(found), found, plain.margins), complying


def every_subject(rule: Rule, timeline: Timeline) -> pd.DataFrame:
    """A case for every subject in scope, with its `outcome`: complies, finding or unjudged."""
    if not timeline.audited:
        return cases().assign(outcome="")
    judgement, outcomes, complying = _judged(rule, timeline)
    found = outcomes.cases
    found["outcome"] = np.where(found["finding"], "finding", "unjudged")
    return together((found, judgement.cases(complying).assign(outcome="complies")))


def _complying(rule: Rule, judgement: Judgement, found: pd.DataFrame) -> Ints:
    """The subjects of a judgement, by number, that comply in every reading of the times: none is, or is part of, one
    that was found."""
    index = np.flatnonzero(~judgement.broken & (judgement.doubt == CERTAIN))
    if len(found) == len(judgement.broken) - len(index):
        return index  # another reading added no subject to those that don't comply in this one
    # A reading may have made a subject of what is none in this one, or the other way round: they are matched by name.
    theirs = subject_keys(found, len(found))
    mine = subject_keys(judgement.shown(index, np.zeros(len(index), bool)), len(index))
    # Most are told apart by their first number alone.
    perhaps = np.flatnonzero(np.isin(mine[0], theirs[0]))
    known = set(zip(*(column.tolist() for column in theirs), strict=True))
    same = [key in known for key in zip(*(column[perhaps].tolist() for column in mine), strict=True)]
    # What meets nothing in one reading may be one of two that meet in another.
    rows = form_of(rule).rows(rule)
    of_pairs = theirs[: 2 if rows["subject"] == rows.get("other_subject") else 1]
    paired = np.concatenate([column[theirs[1] != NONE] for column in of_pairs])
    met = np.flatnonzero((mine[1] == NONE) & np.isin(mine[0], paired))
    return np.delete(index, np.append(perhaps[same], met))


def sentences(rule: Rule, cases: pd.DataFrame, timeline: Timeline) -> list[str]:
    """What is wrong in each of these findings of the rule, with the figures: in the rule's words, else the form's."""
    form = form_of(rule)
    facts, shared = form.facts(rule, cases, timeline), common(cases, timeline)
    told_as_they_are = {*form.values, *form.columns(rule)} & set(facts)
    found = []
    for row, known in zip(zip(*facts.values(), strict=True), zip(*shared.values(), strict=True), strict=True):
        case, names = dict(zip(facts, row, strict=True)), dict(zip(shared, known, strict=True))
        names |= {name: case[name] for name in told_as_they_are if isinstance(case[name], str)}
        found.append(sentence(rule.message, list(form.told(rule, case)), names))
    return found


def _times_tried(timeline: Timeline, readings: list[Timeline], verdicts: pd.DataFrame, owner: Owner) -> Ints:
    """In how many readings, the plain one included, each case's subject was judged."""
    task = np.where(verdicts["task"] >= 0, verdicts["task"], verdicts["subject"]).astype(np.int64)
    if owner == "aircraft":
        aircraft = aircraft_of(timeline, verdicts["place"].to_numpy(), task)
        tried = [reading.in_play[aircraft] for reading in readings]
    else:
        tried = [np.isin(task, reading.rows) for reading in readings]
    times: Ints = np.add.reduce(tried, dtype=np.int64)
    return times + 1
