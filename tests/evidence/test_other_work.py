"""Other work on the boots of sessions, against plain loops over all records, in small fleets drawn by chance."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from audit.evidence.other_work import OtherWork
from audit.evidence.sessions import in_sessions
from audit.evidence.treatments import Counted, treatments
from audit.language.condition import Conditions
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints
from audit.timeline.timeline import Timeline
from tests.evidence.fleets import GRID, doubts, fleet, why_perhaps

GLOSS = Conditions.model_validate({"product_class": {"is": "gloss-coating"}})
ANYTHING = Conditions.model_validate({"action": {"is": "apply"}})
SEEDS = range(4)


class Plainly:
    """What each question is answered by looking at every record for each session."""

    def __init__(self, seed: int) -> None:
        self.timeline: Timeline = fleet(seed)
        self.found = in_sessions(self.timeline, GLOSS)
        self.work = treatments(self.timeline, ANYTHING)
        self.other = OtherWork.of(self.timeline, self.work, self.found)
        self.of = self.found.evidence
        self.span = list(zip(*(times.tolist() for times in self.timeline.span(self.work.task)), strict=True))
        still_open = self.timeline.is_open(self.work.task)
        orders, asked = self.timeline.work_orders(self.work.task), self.timeline.work_orders(self.of.task)
        every = range(len(self.of))
        self.why = [
            [
                set()
                if still_open[row] and orders[row] != asked[subject]
                else set(why_perhaps(self.timeline, self.work, row, self.of, subject, int(self.of.task[subject])))
                for row in range(len(self.work))
            ]
            for subject in every
        ]
        mine = self.found.treated
        records = {
            (int(task), int(place)): int(number)
            for task, place, number in zip(mine.task, mine.place, self.found.session_of, strict=True)
        }
        self.own = [
            records.get((int(task), int(place))) for task, place in zip(self.work.task, self.work.place, strict=True)
        ]

    def views(self) -> Iterator[tuple[frozenset[int], Counted]]:
        """What counts in each view, as the reasons and as it is asked for."""
        for counted in doubts(self.timeline, self.work):

            def counts(doubt: Ints, counted: frozenset[int] = counted) -> Bools:
                return np.isin(doubt, list(counted))

            yield counted, counts

    def rows(self, subject: int, counted: frozenset[int]) -> list[int]:
        """The records that may be of a session's boot, as far as that counts."""
        return [row for row, why in enumerate(self.why[subject]) if why & counted]


@pytest.fixture(params=SEEDS)
def plainly(request: pytest.FixtureRequest) -> Plainly:
    return Plainly(request.param)


def test_whose_record_it_is(plainly: Plainly) -> None:
    """Each treatment that a session is made of is known as its own."""
    assert plainly.other.own.tolist() == [-1 if own is None else own for own in plainly.own]
    assert len({*plainly.own} - {None}) > 3


@pytest.mark.parametrize("at_once", [True, False])
def test_the_first_to_start(plainly: Plainly, at_once: bool) -> None:
    """At an instant or later, or later only: not of the session's own records, and at any time if it has no start."""
    for counted, counts in plainly.views():
        for after in GRID[::3]:
            found, task = plainly.other.first_start(
                plainly.of, counts, np.full(len(plainly.of), after), at_once=at_once
            )
            for subject, (when, which) in enumerate(zip(found.tolist(), task.tolist(), strict=True)):
                starts: dict[int, list[int]] = {}
                for row in plainly.rows(subject, counted):
                    began, ended = plainly.span[row]
                    if began == NEVER and ended >= after:
                        starts.setdefault(after, []).append(int(plainly.work.task[row]))
                    elif (began >= after if at_once else began > after) and plainly.own[row] != subject:
                        starts.setdefault(began, []).append(int(plainly.work.task[row]))
                first = min(starts, default=FOREVER)
                assert when == first
                assert which in starts.get(first, [-1])


def test_what_was_over(plainly: Plainly) -> None:
    """Of what began before an instant, or at a time that is not known, how late it ended by then, and whether it went
    on; what has no end may have been over."""
    for counted, counts in plainly.views():
        for before in GRID[::3]:
            asked = (plainly.of, counts, np.full(len(plainly.of), before))
            ended, on = plainly.other.last_end(*asked), plainly.other.went_on(*asked)
            for subject in range(len(plainly.of)):
                spans = [plainly.span[row] for row in plainly.rows(subject, counted)]
                begun = [(began, end) for began, end in spans if began < before]
                over = [end for began, end in begun if end <= before or end == FOREVER or began == NEVER]
                assert ended[subject] == max(over, default=NEVER)
                assert on[subject] == (len(over) < len(begun))


def test_started_between(plainly: Plainly) -> None:
    """From an instant, included, to another, excluded; at any time until its end if it has no start."""
    for counted, counts in plainly.views():
        for opens, closes in zip(GRID[::4], (*GRID[3::4], GRID[0], GRID[2]), strict=False):
            size = len(plainly.of)
            found = plainly.other.started_between(plainly.of, counts, np.full(size, opens), np.full(size, closes))
            spans = [[plainly.span[row] for row in plainly.rows(subject, counted)] for subject in range(size)]
            assert found.tolist() == [
                any(
                    opens < closes and ended >= opens if began == NEVER else opens <= began < closes
                    for began, ended in some
                )
                for some in spans
            ]


def test_started_at_a_moment(plainly: Plainly) -> None:
    """Other work that started at the very moment; the session's own records don't count."""
    starts = sorted({began for began, _ in plainly.span if began != NEVER})
    for counted, counts in plainly.views():
        for moment in starts[::4]:
            found = plainly.other.started_at(plainly.of, counts, np.full(len(plainly.of), moment))
            for subject, there in enumerate(found.tolist()):
                others = [row for row in plainly.rows(subject, counted) if plainly.span[row][0] == moment]
                assert there == any(plainly.own[row] != subject for row in others)
