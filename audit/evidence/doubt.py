"""Doubt, decided once for all forms: a verdict stands only where it is the same however what is in doubt is taken.

A form judges plainly, as if all it looks at were certain. It says of each kind of evidence whether it speaks *against*
the subject (a takeoff during a cure) or in its *favour* (the coat that was required). Evidence in doubt carries the
number of a reason. The plain verdict leaves it out. The harsh verdict counts what is in doubt wherever it speaks
against the subject, the lenient one wherever it speaks in its favour. What is a finding under the lenient verdict too
is a finding, what complies under the harsh one complies, and everything else is unjudged.

The reason that is told follows from a written priority, `Rank`: doubts are admitted one after another, the most
fundamental first, and the one that turns the verdict is the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from functools import partial
from threading import Lock
from typing import Literal

import numpy as np
import numpy.typing as npt

from audit.timeline.coverage import WHY, Missing, uncovered
from audit.timeline.instants import Bools, Ints
from audit.timeline.timeline import Timeline

CERTAIN = 0
"""The reason number of what is not in doubt."""


class Rank(IntEnum):
    """Which of several reasons is told: the lowest rank, and the alphabet decides between equals."""

    NOT_SUPPLIED = 0  # a table or column that the export doesn't have
    NOT_COVERED = 1  # a time of which the export doesn't tell
    RECORD = 2  # what a record lacks: its product, its lot, ...
    UNREADABLE = 3  # a cell or row that can't be read
    TIED = 4  # which of two came first
    BOOT = 5  # which boot it was
    POSITION = 6  # which position it was
    RUNNING = 7  # what is not over yet: time will tell


Why = tuple[Rank, str]
"""A reason for doubt, with its rank."""


class Reasons:
    """The reasons for doubt met so far, each with a small number. Rules judged side by side share them."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._numbers: dict[tuple[Rank, str], int] = {}
        self._texts = [""]

    def number(self, rank: Rank, text: str) -> int:
        """The number of a reason, the same for the same reason."""
        with self._lock:
            number = self._numbers.setdefault((rank, text), len(self._texts))
            if number == len(self._texts):
                self._texts.append(text)
        return number

    def where(self, so: Bools, why: Why) -> Ints:
        """The number of a reason where something is so, CERTAIN elsewhere."""
        return np.where(so, self.number(*why), CERTAIN)

    def numbers(self, rank: Rank, texts: Iterable[str]) -> Ints:
        """The numbers of several reasons of one rank."""
        return np.array([self.number(rank, text) for text in texts], np.int32)

    def texts(self, numbers: Ints) -> npt.NDArray[np.object_]:
        """What the numbers stand for; blank for CERTAIN."""
        return np.array(self._texts, object)[numbers]

    def by_priority(self) -> list[int]:
        """All numbers, in the order in which the reasons are told."""
        with self._lock:
            return [number for _, number in sorted(self._numbers.items())]


def reasons_of(timeline: Timeline) -> Reasons:
    """The reasons met in judging a timeline."""
    return timeline.memo("reasons", Reasons)


def first_of(*doubts: Ints) -> Ints:
    """Of several doubts of each subject the first that there is."""
    found, *others = doubts
    for other in others:
        # Most of them are of nobody: that is told sooner than who has one.
        if other.any():
            found = np.where(found == CERTAIN, other, found)
    return found


RECORDS_END: Why = (Rank.NOT_COVERED, "no task records at all for an unusually long time before the as-of time")
BACKWARDS: Why = (Rank.RECORD, "the record ends before it starts: when its work was done isn't known")
JOB_RUNNING: Why = (Rank.RUNNING, "the job may still be going on at the as-of time")


def coverage_doubt(reasons: Reasons, missing: Missing) -> int:
    """The number of the reason for doubt where flights may be missing."""
    ranks = {Missing.TABLE: Rank.NOT_SUPPLIED, Missing.AFTER: Rank.RUNNING}
    return reasons.number(ranks.get(missing, Rank.NOT_COVERED), WHY[missing])


def unlogged(timeline: Timeline, aircraft: Ints, opens: Ints, closes: Ints, kinds: Sequence[Missing]) -> Ints:
    """Why flights of each aircraft may be missing in its time [opens, closes), of several of these kinds the first."""
    stretches, found = uncovered(timeline), np.full(len(aircraft), CERTAIN)
    for missing in reversed(kinds):
        at = stretches.first_from(aircraft, opens, partial(np.equal, missing))
        found[at < closes] = coverage_doubt(reasons_of(timeline), missing)
    return found


Side = Literal["plain", "harsh", "lenient"]


@dataclass(frozen=True)
class View:
    """One way to take what is in doubt.

    `admitted` limits it to some reasons (None: all of them, which are then noted in `met`).
    """

    side: Side
    admitted: frozenset[int] | None = None
    met: set[int] = field(default_factory=set, compare=False)

    def against(self, reason: Ints) -> Bools:
        """Whether evidence that speaks against its subject counts, by the number of its reason for doubt."""
        return self._counted(reason, "harsh")

    def favour(self, reason: Ints) -> Bools:
        """Whether evidence that speaks in favour of its subject counts."""
        return self._counted(reason, "lenient")

    def open(self, broken: Bools, *reasons: Ints) -> Bools:
        """A verdict that is itself in doubt where a reason is given: the worse or the better one, as the view has
        it."""
        for reason in reasons:
            in_doubt: Bools = (reason != CERTAIN) & self._counted(reason, self.side)
            broken = broken & ~in_doubt if self.side == "lenient" else broken | in_doubt
        return broken

    def excused(self, broken: Bools, *reasons: Ints) -> Bools:
        """A verdict that may be the better one where a reason is given."""
        return self.open(broken, *reasons) if self.side == "lenient" else broken

    def suspected(self, broken: Bools, reason: Ints) -> Bools:
        """A verdict that may be the worse one where a reason is given."""
        return self.open(broken, reason) if self.side == "harsh" else broken

    def _counted(self, reason: Ints, side: Side) -> Bools:
        certain: Bools = reason == CERTAIN
        if self.side != side or side == "plain" or certain.all():
            return certain
        if self.admitted is not None:
            return certain | np.isin(reason, list(self.admitted))
        self.met.update(np.unique(reason[~certain]).tolist())
        return np.ones(len(reason), bool)


PLAIN = View("plain")

Verdict = Callable[[View, Ints], Bools]
"""Whether each subject at an index breaks the rule, in a view."""


def reasons_for_doubt(timeline: Timeline, verdict: Verdict, broken: Bools, doubt: Ints) -> Ints:
    """Why each subject is unjudged, CERTAIN where its verdict stands.

    `broken` is the plain verdict on all subjects, `doubt` the reason why each may not be in scope: those that have one
    keep it.
    """
    found = doubt.copy()
    certain = doubt == CERTAIN
    sides: tuple[tuple[Side, Bools], ...] = (("lenient", certain & broken), ("harsh", certain & ~broken))
    for side, asked in sides:
        index = np.flatnonzero(asked)
        found[index] = turning_reasons(timeline, verdict, side, index, broken[index])
    return found


def in_scope(timeline: Timeline, belongs: Verdict, side: Side, doubt: Ints) -> tuple[Ints, Ints]:
    """The subjects that a rule is about, surely or perhaps, with their `doubt`: else why they may not be."""
    sure = belongs(PLAIN, np.arange(len(doubt))).copy()
    unsure = np.flatnonzero(~sure)
    perhaps = turning_reasons(timeline, belongs, side, unsure, sure[unsure])
    doubt = doubt.copy()
    doubt[unsure] = first_of(doubt[unsure], perhaps)
    sure[unsure] = perhaps != CERTAIN
    kept = np.flatnonzero(sure)
    return kept, doubt[kept]


def turning_reasons(timeline: Timeline, verdict: Verdict, side: Side, index: Ints, plain: Bools) -> Ints:
    """The first reason, by priority, whose doubts turn the `plain` verdict of each subject; CERTAIN where none does."""
    found = np.zeros(len(index), np.int64)
    everything = View(side)
    left = np.flatnonzero(verdict(everything, index) != plain) if len(index) else index
    admitted: set[int] = set()
    for number in reasons_of(timeline).by_priority() if len(left) else ():
        if number in everything.met and len(left):
            admitted.add(number)
            turned = verdict(View(side, frozenset(admitted)), index[left]) != plain[left]
            found[left[turned]] = number
            left = left[~turned]
    return found
