"""spacing: the pause between consecutive coats is within limits. Subject: a pair of coats."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any, Literal, Self

import numpy as np
import numpy.typing as npt
import pandas as pd
from pydantic import model_validator

from audit.figures import time_span
from audit.forms.conditions import UNKNOWN
from audit.forms.describing import (
    CLOCK_WENT_BACK,
    NO_POSITION_KNOWN,
    SESSION,
    limits,
    records,
)
from audit.forms.drawing import (
    AroundSession,
    Case,
    Stretch,
    Stretches,
)
from audit.forms.form import SESSIONS_READ, Form
from audit.forms.margins import margins, tenths
from audit.forms.naming import at_work_order, cells, of_treatment
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_POSITION, Sessions, in_sessions, kin
from audit.language.events import check_limits
from audit.language.in_words import (
    duration_in_words,
)
from audit.language.rule import Rule
from audit.language.values import Duration
from audit.timeline.instants import MINUTE, Ints, spread
from audit.timeline.records import values
from audit.timeline.timeline import Timeline
from audit.yaml.faults import Part


class PauseLimits(Part):
    """How long to wait from the end of one coat to the start of the next, both limits included."""

    at_least: Duration | None = None
    at_most: Duration | None = None

    @model_validator(mode="after")
    def _can_be_met(self) -> Self:
        check_limits(self.at_least, self.at_most)
        return self


class SpacingRule(Rule):
    """The pause between consecutive coats is neither too short nor too long."""

    form: Literal["spacing"]
    pause: PauseLimits


def evaluate(rule: SpacingRule, timeline: Timeline) -> Outcomes:
    """A finding when the pause from the end of a coat to the start of the next is outside [min, max].

    Coats follow each other by their number, unnumbered ones by their start. A record that stands for several coats
    shows none of the pauses between them: one unjudged subject. What may have been a coat in between leaves a pause
    unjudged, unless it is too short anyway.
    """
    treated, subjects = in_sessions(timeline, rule.scope)
    start = timeline.times["started_at"][treated.task]
    end = timeline.times["finished_at"][treated.task]
    coat = values(timeline, "coat", treated.task)
    coats = values(timeline, "coats", treated.task)
    assert coat.numbers is not None
    assert coats.numbers is not None
    number = np.where(coat.missing, 0, coat.numbers).astype(np.int64)
    several = ~coats.missing & (np.where(coats.missing, 0, coats.numbers) > 1)

    unnumbered = np.zeros(len(subjects.task), bool)
    unnumbered[subjects.session_of[coat.missing]] = True
    rank = np.where(unnumbered[subjects.session_of], 0, number) if len(number) else number
    order = np.lexsort((treated.task, start, rank, subjects.session_of))
    session = subjects.session_of[order]
    one = order[:-1][session[1:] == session[:-1]]
    two = order[1:][session[1:] == session[:-1]]

    pause = start[two] - end[one]
    low = rule.pause.at_least
    high = rule.pause.at_most
    shortest = None if low is None else round(low.total_seconds() * 1_000_000)
    longest = None if high is None else round(high.total_seconds() * 1_000_000)
    short = pause < shortest if shortest is not None else np.zeros(len(pause), bool)
    long = pause > longest if longest is not None else np.zeros(len(pause), bool)
    of = subjects.session_of
    reason = np.full(len(pause), "", object)
    reason[unnumbered[of[one]] & (start[one] == start[two])] = "order tied: same start, no coat number"
    again = ~unnumbered[of[one]] & (number[two] == number[one])
    reason[again] = "order tied: the same coat number twice"
    gap = ~unnumbered[of[one]] & (number[two] - number[one] > 1)
    reason[gap] = "value missing: a coat in between is not recorded"
    between, why = _perhaps_between(timeline, subjects, of[one], start[one], start[two])
    open_ended = np.flatnonzero((unnumbered[of[one]] & ~short & (reason == ""))[between])
    reason[between[open_ended]] = why[open_ended]
    nowhere = timeline.position_of(treated.place[one]) == timeline.unknown_position
    reason[nowhere & (short | long) & (reason == "")] = NO_POSITION
    undecided = subjects.truth[of[one]] == UNKNOWN
    reason[undecided] = subjects.reason[of[one]][undecided]
    finding = (short | long) & (reason == "")
    index = np.flatnonzero(finding | (reason != ""))
    limit = np.where(short, (shortest or 0) / MINUTE, (longest or 0) / MINUTE)
    whole = np.flatnonzero(several)
    waited = np.maximum(pause[reason == ""], 0)
    near = []
    if shortest is not None:
        near.append(margins("least", f"{shortest / MINUTE:g} min", tenths("least", waited, shortest)))
    if longest is not None:
        near.append(margins("most", f"{longest / MINUTE:g} min", tenths("most", waited, longest)))
    return joined(
        len(pause) + len(whole),
        cases(
            len(index),
            finding=finding[index],
            reason=reason[index],
            subject=treated.task[one[index]],
            task=treated.task[two[index]],
            other=treated.task[one[index]],
            place=treated.place[two[index]],
            component=treated.component[two[index]],
            at=start[two[index]],
            anchor=end[one[index]],
            measured=np.where(finding, pause / MINUTE, np.nan)[index],
            limit=limit[index],
            unit="min",
        ),
        cases(
            len(whole),
            finding=False,
            reason="value missing: pauses inside a record of several coats",
            subject=treated.task[whole],
            task=treated.task[whole],
            other=NONE,
            place=treated.place[whole],
            component=treated.component[whole],
            at=start[whole],
        ),
        margins=tuple(near),
    )


def _perhaps_between(
    timeline: Timeline, subjects: Sessions, session: Ints, start: Ints, end: Ints
) -> tuple[Ints, npt.NDArray[np.object_]]:
    """The pauses of sessions, each between two starts, in which something lies that may be a coat, and why it may."""
    related = kin(timeline, subjects)
    order = np.argsort(related.one, kind="stable")
    low, high = (np.searchsorted(related.one[order], session, side) for side in ("left", "right"))
    pause, nth = spread(high - low)
    pair = order[low[pause] + nth]
    other = related.other[pair]
    inside = (subjects.start[other] <= end[pause]) & (subjects.end[other] >= start[pause])
    return pause[inside], related.reason[pair[inside]]


def _identity(
    rule: SpacingRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline
) -> list[tuple[str, ...]]:
    first = cells(timeline.tasks, "task_id", cases["subject"].to_numpy())
    return at_work_order(cases, evidence, timeline, first, evidence["task_id"])


def _sentence(rule: SpacingRule, case: Mapping[str, Any]) -> str:
    """Say how long the pause was and what it should be."""
    short = case["measured"] < case["limit"]
    if case["measured"] < 0:
        return (
            f"A coat of {case['treatment']} began {time_span(case['measured'] * MINUTE)} before the coat "
            "that it follows had ended."
        )
    return (
        f"Waited {time_span(case['measured'] * MINUTE)} between two coats of {case['treatment']}; "
        f"at {'least' if short else 'most'} {time_span(case['limit'] * MINUTE)} allowed."
    )


def _pause(pause: PauseLimits, case: Case) -> Stretches:
    """The time within which the next coat had to begin, and by how much it missed that."""
    at, anchor = int(case["at"]), int(case["anchor"])
    low = 0 if pause.at_least is None else round(pause.at_least.total_seconds() * 1_000_000)
    high = None if pause.at_most is None else round(pause.at_most.total_seconds() * 1_000_000)
    allowed = None if high is None else Stretch(anchor + low, anchor + high, "next coat within this time")
    due = anchor + (low if at < anchor + low or high is None else high)
    way = "too early" if at < due else "too late"
    return allowed, Stretch(min(at, due), max(at, due), f"{time_span(at - due)} {way}")


def _demands(rule: SpacingRule) -> tuple[str, ...]:
    low, high = (
        None if limit is None else duration_in_words(limit) for limit in (rule.pause.at_least, rule.pause.at_most)
    )
    return (f"from the end of the one to the start of the next {limits(low, high)} pass",)


SPACING = Form(
    name="spacing",
    rule=SpacingRule,
    finding="the pause between two coats is too short or too long",
    subjects="pair of coats",
    named_by="aircraft, position, work order, both task records",
    evaluate=evaluate,
    reads=lambda rule: ("tasks.position",),
    may_read=lambda rule: (*SESSIONS_READ, "tasks.coat", "tasks.coats"),
    subject=lambda rule: "pair",
    identity=_identity,
    facts=of_treatment,
    sentence=_sentence,
    drawing=lambda rule: AroundSession(partial(_pause, rule.pause)),
    looks_at=lambda rule: f"Each coat and the next one in a session of {records(rule.scope)}. {SESSION}",
    demands=_demands,
    unjudged_when=lambda rule: (
        "two coats without numbers started at the same time, or have the same number",
        "a coat in between is not recorded",
        "one record stands for several coats",
        "another record may be a coat in between, its product or position not known",
        NO_POSITION_KNOWN,
        CLOCK_WENT_BACK,
    ),
    settable=("pause",),
    skeleton="""\
pause: {at_least: PT5M, at_most: PT15M}
examples:
  - name: exactly 5 minutes
    expect: complies
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T09:15:00Z'}
  - name: a second too soon
    expect: finding
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T09:14:59Z'}
  - name: a second too late
    expect: finding
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T09:25:01Z'}
  - name: the second coat is not recorded
    expect: unjudged
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T09:10:00Z'}
      - {product: gloss-coating, coat: 3, started_at: '2025-06-02T09:30:00Z'}
""",
)
