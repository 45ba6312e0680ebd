"""spacing: the pause between consecutive coats is within limits. Subject: a pair of coats."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Literal

import numpy as np

from audit.evidence.columns import matching
from audit.evidence.doubt import CERTAIN, Rank, View, Why, first_of, reasons_of
from audit.evidence.sessions import LONGEST_PAUSE, InSessions, Parts, in_sessions, perhaps_swapped, possible_parts
from audit.evidence.treatments import NO_POSITION
from audit.figures import time_span
from audit.forms import describing
from audit.forms.drawing import AroundSession, Case, Stretch, Stretches
from audit.forms.form import BOOTS_READ, SESSIONS_READ, Form, Never
from audit.forms.margins import margins, tenths
from audit.forms.naming import OF_TREATMENT, at_work_order
from audit.forms.outcomes import Judgement, joined, judged, unbroken
from audit.language.events import Bounds
from audit.language.in_words import duration_in_words
from audit.language.rule import Rule
from audit.language.values import Duration
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import NotPlantable, Planted, Planter, Spot
from audit.timeline.instants import MINUTE, Bools, Ints, micros_of
from audit.timeline.records import whole
from audit.timeline.timeline import Timeline


class PauseLimits(Bounds):
    """How long to wait from the end of one coat to the start of the next, both limits included."""

    at_least: Duration | None = None
    at_most: Duration | None = None


class SpacingRule(Rule):
    """The pause between consecutive coats is neither too short nor too long."""

    form: Literal["spacing"]
    pause: PauseLimits


SAME_START: Why = (Rank.TIED, "which coat came first is not known: same start, no coat number")
SAME_NUMBER: Why = (Rank.TIED, "which coat came first is not known: the same coat number twice")
AT_ONCE: Why = (Rank.RECORD, "a coat ends as it starts: how long it took is not recorded")
BACKWARDS: Why = (Rank.RECORD, "a coat ends before it starts: when it ended isn't known")
NOT_RECORDED: Why = (Rank.RECORD, "a coat in between is not recorded")
UNREAD: Why = (Rank.UNREADABLE, "can't be read: coats")
SEVERAL_COATS: Why = (Rank.RECORD, "one record stands for several coats: the pauses between them are not recorded")


def evaluate(rule: SpacingRule, timeline: Timeline) -> Judgement:
    """A finding when the pause from the end of a coat to the start of the next is outside [min, max].

    Coats follow each other by their number, unnumbered ones by their start. A record that stands for several coats
    shows none of the pauses between them: one unjudged subject. What may have been a coat in between leaves a pause
    unjudged, unless it is too short anyway; and what may have been a coat of a session before or after it, is unjudged.
    """
    found = in_sessions(timeline, rule.scope)
    reasons, treated = reasons_of(timeline), found.treated
    pairs = _consecutive(timeline, found)
    start, end = (timeline.times[name][treated.task] for name in ("started_at", "finished_at"))
    one, two = pairs.one, pairs.two
    pause = start[two] - end[one]
    shortest, longest = _limits(rule.pause)
    short, long = pause < shortest, pause > longest
    outside = short | long
    backwards, instant = ((so[one] | so[two]) for so in (end < start, end == start))
    parts = possible_parts(timeline, found.evidence)
    # Of three coats or more at no position two that follow each other may be of two boots, with longer pauses.
    several = (np.bincount(found.session_of) > 2)[found.session_of[one]]
    apart = timeline.nowhere(treated.place[one]) & (outside | (several & (rule.pause.at_most is not None)))
    doubts = (
        pairs.doubt,
        reasons.where(backwards, BACKWARDS),
        # Of a coat with one time only the pause before or after it was shorter, by as long as it took.
        reasons.where(instant & ~short & (long | (rule.pause.at_least is not None)), AT_ONCE),
        reasons.where(apart, NO_POSITION),
        perhaps_swapped(timeline, treated.place[one], end[one], start[two]),
        # A coat in between would make a pause that is too short no longer.
        np.where(short, CERTAIN, _perhaps_between(found, parts, pairs, start)),
    )

    def broken(view: View, index: Ints) -> Bools:
        return view.open(outside[index], *(doubt[index] for doubt in doubts))

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        first, second = one[index], two[index]
        return {
            "subject": treated.task[first],
            "named_by": treated.task[first],
            "other_subject": treated.task[second],
            "task": treated.task[second],
            "other": treated.task[first],
            "place": treated.place[second],
            "component": treated.component[second],
            "at": start[second],
            "anchor": end[first],
            "measured": pause[index] / MINUTE,
            "limit": np.where(short[index], shortest, longest) / MINUTE,
            "unit": "min",
        }

    pauses = judged(timeline, broken, found.sessions.doubt[found.session_of[one]], shown)
    waited = np.maximum(pause[pauses.doubt == CERTAIN], 0)
    allowed = [(side, micros_of(limit)) for side, limit in rule.pause.sides]
    near = [margins(side, f"{limit / MINUTE:g} min", tenths(side, waited, limit)) for side, limit in allowed]
    pauses = replace(pauses, margins=tuple(near))
    return joined([pauses, _several_coats(timeline, found), _perhaps_coats(timeline, found, parts)])


def _limits(pause: PauseLimits) -> tuple[int, int]:
    """The shortest and longest pause allowed, in microseconds."""
    least = -(2**62) if pause.at_least is None else micros_of(pause.at_least)
    return least, 2**62 if pause.at_most is None else micros_of(pause.at_most)


@dataclass(frozen=True)
class _Pairs:
    """Coats and the next ones, by row of the treatments; `doubt` is why one may not follow the other."""

    one: Ints
    two: Ints
    doubt: Ints


def _consecutive(timeline: Timeline, found: InSessions) -> _Pairs:
    """Each coat with the next of its session."""
    treated, session_of, reasons = found.treated, found.session_of, reasons_of(timeline)
    start = timeline.times["started_at"][treated.task]
    number, known = whole(timeline, "coat", treated.task)
    unnumbered = np.zeros(len(found.sessions), bool)
    unnumbered[session_of[~known]] = True
    # Where one coat has no number, those of the others can't place it: then all go by their start.
    rank = np.where(unnumbered[session_of], 0, number)
    order = np.lexsort((treated.task, start, rank, session_of))
    session = session_of[order]
    follows = session[1:] == session[:-1]
    one, two = order[:-1][follows], order[1:][follows]
    numbered = ~unnumbered[session_of[one]]
    doubt = first_of(
        reasons.where(~numbered & (start[one] == start[two]), SAME_START),
        reasons.where(numbered & (number[two] == number[one]), SAME_NUMBER),
        reasons.where(numbered & (number[two] - number[one] > 1), NOT_RECORDED),
    )
    return _Pairs(one, two, doubt)


def _perhaps_between(found: InSessions, parts: Parts, pairs: _Pairs, start: Ints) -> Ints:
    """Why something that lies between two starts may be a coat; CERTAIN where nothing does."""
    subjects = found.evidence
    pause, pair = matching(parts.of, found.session_of[pairs.one])
    part = parts.part[pair]
    # It may lie in between if it began before the second and ended after the start of the first.
    inside = subjects.start[part] <= start[pairs.two[pause]]
    inside &= subjects.end[part] >= start[pairs.one[pause]]
    doubt = np.full(len(pairs.one), CERTAIN)
    doubt[pause[inside]] = parts.doubt[pair[inside]]
    return doubt


def _several_coats(timeline: Timeline, found: InSessions) -> Judgement:
    """The records that stand for several coats, or may, since their number can't be read: the pauses between them are
    not known."""
    treated, reasons = found.treated, reasons_of(timeline)
    number, _ = whole(timeline, "coats", treated.task)
    unread = np.isin(treated.task, timeline.unreadable.get(("tasks", "coats"), ()))
    rows = np.flatnonzero((number > 1) | unread)
    several = treated.take(rows)
    doubt = np.where(unread[rows], reasons.number(*UNREAD), reasons.number(*SEVERAL_COATS))

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        some = several.take(index)
        return {
            "subject": some.task,
            "task": some.task,
            "place": some.place,
            "component": some.component,
            "at": timeline.times["started_at"][some.task],
        }

    return unbroken(timeline, doubt, shown)


def _perhaps_coats(timeline: Timeline, found: InSessions, parts: Parts) -> Judgement:
    """What may have been a coat of a session: the pause from or to it is not known."""
    subjects = found.evidence
    pair = np.sort(np.stack((subjects.task[parts.of], subjects.task[parts.part])), axis=0)
    # Where neither position is known, or both are, each may be part of the other: that is one pause.
    place = np.maximum(subjects.place[parts.of], subjects.place[parts.part])
    once = np.sort(np.unique(np.stack((*pair, place)), axis=1, return_index=True)[1])
    (first, second), place, of = pair[:, once], place[once], subjects.take(parts.of[once])

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        return {
            "subject": first[index],
            "named_by": first[index],
            "other_subject": second[index],
            "task": second[index],
            "other": first[index],
            "place": place[index],
            "component": of.component[index],
            "at": of.end[index],
        }

    return unbroken(timeline, parts.doubt[once], shown)


def _told(rule: SpacingRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Say how long the pause was and what it should be."""
    measured, asked = case["measured"] * MINUTE, case["limit"] * MINUTE
    pause, limit, off = (time_span(one) for one in (measured, asked, asked - measured))
    short, of = measured < asked, case["product"]
    values = {"measured": pause, "limit": limit, "short_by" if short else "over_by": off}
    if measured < 0:
        general = f"A coat of {of} began {pause} before the coat that it follows had ended."
        yield Said(("overlapping",), values, general)
        return
    allowed = f"at least {limit} required" if short else f"at most {limit} allowed"
    general = f"Waited {pause} between two coats of {of}; {allowed}."
    yield Said(("too_short" if short else "too_long",), values, general)


def _pause(pause: PauseLimits, case: Case) -> Stretches:
    """The time within which the next coat had to begin, and by how much it missed that."""
    at, anchor = int(case["at"]), int(case["anchor"])
    low = 0 if pause.at_least is None else micros_of(pause.at_least)
    high = None if pause.at_most is None else micros_of(pause.at_most)
    allowed = None if high is None else Stretch(anchor + low, anchor + high, "next coat within this time")
    due = anchor + (low if at < anchor + low or high is None else high)
    way = "too early" if at < due else "too late"
    return allowed, Stretch.between(at, due, f"{time_span(at - due)} {way}")


def _planter(rule: SpacingRule, timeline: Timeline) -> Planter:
    """The next coat, and all after it, begun exactly when it may begin first or last, in turn, or a second off."""
    started, finished = timeline.times["started_at"], timeline.times["finished_at"]

    def plant(spot: Spot) -> Planted:
        first, second = spot["subject"], spot["other_subject"]
        if second < 0:
            raise NotPlantable("one record stands for several coats")
        side, limit = rule.pause.sides[spot.turn % len(rule.pause.sides)]
        ended, begun = int(finished[first]), int(started[second])
        at = planting.beyond(spot, ended + micros_of(limit), later=side == "most")
        found = in_sessions(timeline, rule.scope)
        here = np.flatnonzero((found.treated.task == first) & (found.treated.place == spot["place"]))
        rows = found.records(found.session_of[here])
        later = np.unique(rows[(started[rows] >= begun) & (rows != first)])
        if not len(later):
            raise NotPlantable("it is not known that both are coats")
        window = (int(started[first]), int(max(finished[later].max(), at)) + abs(at - begun))
        what = f"the next coat {planting.span(at - ended)} after the first"
        return Planted(what, planting.moved(timeline, later, at - begun), window)

    return plant


def _never(rule: SpacingRule) -> Iterator[Never]:
    if rule.pause.at_most is not None and micros_of(rule.pause.at_most) >= LONGEST_PAUSE:
        yield Never(
            ("pause", "at_most"), "coats more than 24 hours apart are of two sessions: no pause is ever too long"
        )


SPACING = Form(
    name="spacing",
    pattern="minimum and maximum duration (Konrad, Cheng 2005)",
    rule=SpacingRule,
    finding="the pause between two coats is too short or too long",
    subjects="pair of coats",
    named_by="aircraft, position, work order, both task records",
    evaluate=evaluate,
    plant=_planter,
    reads=lambda rule: ("tasks.position",),
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ, "tasks.coat", "tasks.coats"),
    identity=lambda rule, cases, evidence, timeline: at_work_order(cases, evidence, timeline, evidence["task_id"]),
    told=_told,
    values={
        **OF_TREATMENT,
        "measured": "how long the pause was: 4 min",
        "limit": "how long it must be, or may be",
        "short_by": "by how much it was too short",
        "over_by": "by how much it was too long",
    },
    kinds={
        "too_short": "the pause was too short",
        "too_long": "the pause was too long",
        "overlapping": "the next coat began before the one before it had ended",
    },
    figures=lambda rule: {"limit": describing.range_in_words(rule.pause, duration_in_words)},
    drawing=lambda rule: AroundSession(partial(_pause, rule.pause)),
    looks_at=lambda rule: (
        f"Each coat and the next one in a session of {describing.records(rule.scope)}. {describing.SESSION}"
    ),
    demands=lambda rule: (
        f"from the end of the one to the start of the next {describing.limits(rule.pause, duration_in_words)} pass",
    ),
    unjudged_when=lambda rule: (
        "two coats without numbers started at the same time, or have the same number",
        "a coat in between is not recorded",
        "one record stands for several coats, or may: how many can't be read",
        "another record may be a coat in between, its product or position not known",
        describing.PERHAPS_SWAPPED,
        describing.MAY_BE_WORK,
        describing.NO_POSITION_KNOWN,
        describing.CLOCK_WENT_BACK,
    ),
    never=_never,
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
