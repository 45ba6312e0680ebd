"""spacing: the pause between consecutive coats is within limits. Subject: a pair of coats."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.forms.conditions import UNKNOWN
from audit.forms.margins import margins, tenths
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_POSITION, Sessions, in_sessions, kin
from audit.rulebook.models import SpacingRule
from audit.timeline.instants import MINUTE, Ints, spread
from audit.timeline.records import values
from audit.timeline.timeline import Timeline


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
