"""Other work on the boots of sessions: when it began or ended, as far as it counts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from audit.evidence.doubt import BACKWARDS, first_of, reasons_of
from audit.evidence.sessions import InSessions, Sessions
from audit.evidence.treatments import NONE, Candidates, Counted, Span, Treatments, candidates, first_start
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, group_begins, running_max, take
from audit.timeline.timeline import Timeline


@dataclass(frozen=True)
class OtherWork:
    """Treatments that may be of the boots of the sessions found, and from when to when each may have lasted.

    Each question is asked of some of these sessions, and of the treatments that count for them.
    """

    timeline: Timeline
    treated: Treatments
    found: InSessions
    span: Span

    @classmethod
    def of(cls, timeline: Timeline, treated: Treatments, found: InSessions) -> OtherWork:
        """The treatments; those that end before they start once more, with the two times the other way round."""
        started, ended = timeline.span(treated.task)
        turned = np.flatnonzero(ended < started)
        again = treated.take(turned)
        doubt = first_of(again.doubt, np.full(len(turned), reasons_of(timeline).number(*BACKWARDS)))
        span = (np.append(started, ended[turned]), np.append(ended, started[turned]))
        return cls(timeline, treated.followed_by(replace(again, doubt=doubt)), found, span)

    @cached_property
    def own(self) -> Ints:
        """The session of which each treatment is itself a record, by number; NONE where it is of none."""
        treated, records = self.treated, self.found.treated
        # A record and a place as one number, looked up among those of the sessions' own records.
        width = 1 + max(int(side.place.max(initial=0)) for side in (treated, records))
        key, asked = (side.task.astype(np.int64) * width + side.place for side in (records, treated))
        if not len(key):
            return np.full(len(asked), NONE)
        order = np.argsort(key, kind="stable")
        place = np.minimum(np.searchsorted(key[order], asked), len(key) - 1)
        return np.where(key[order[place]] == asked, self.found.session_of[order[place]], NONE)

    def first_start(self, of: Sessions, counted: Counted, after: Ints, *, at_once: bool = True) -> tuple[Ints, Ints]:
        """When the first that isn't a record of the session starts at an instant (`at_once`) or later, and its task
        row; FOREVER and NONE where none does."""
        at, row = first_start(self._joined(of, counted), self.span, after, self._own_of(of), at_once=at_once)
        return at, take(self.treated.task, row, NONE)

    def last_end(self, of: Sessions, counted: Counted, before: Ints) -> Ints:
        """When the last to end ended of those that were over by an instant of each session; NEVER if none was."""
        started, ended = self.span
        best = np.full(len(before), NEVER)
        for every in self._joined(of, counted):
            part, last, _ = every.at_any_time(started, ended)
            best = np.maximum(best, last)
            if not len(part.rows):
                continue
            order = part.order(self._over)
            owner = part.key[order.row]
            # How late all that was over by then had ended, key by key.
            latest = running_max(ended[part.rows][order.row], group_begins(owner))
            place = order.until(part.asked, before) - 1
            found = (place >= 0) & (take(owner, place, NONE) == part.asked) & (part.asked != NONE)
            best = np.where(found, np.maximum(best, take(latest, place, NEVER)), best)
        return best

    def went_on(self, of: Sessions, counted: Counted, moment: Ints) -> Bools:
        """Whether one that had begun before a moment of each session was not over by then."""
        found = np.zeros(len(moment), bool)
        for every in self._joined(of, counted):
            part, *_ = every.at_any_time(*self.span)
            begun, over = part.order(self.span[0]), part.order(self._over)
            found |= begun.before(part.asked, moment) > over.until(part.asked, moment)
        return found

    def started_between(self, of: Sessions, counted: Counted, opens: Ints, closes: Ints) -> Bools:
        """Whether one started in [opens, closes) of each session."""
        found = np.zeros(len(opens), bool)
        for every in self._joined(of, counted):
            part, last, perhaps = every.at_any_time(*self.span)
            found |= (last >= opens) & (perhaps != NONE) & (opens < closes)
            order = part.order(self.span[0])
            found |= order.before(part.asked, closes) > order.before(part.asked, opens)
        return found

    def started_at(self, of: Sessions, counted: Counted, moment: Ints) -> Bools:
        """Whether one, other than the session's own records, started at a moment of each session."""
        (started, _), found = self.span, np.zeros(len(moment), bool)
        own = self._own_of(of)
        for every in self._joined(of, counted):
            part, *_ = every.at_any_time(*self.span)
            order = part.order(started)
            count = order.until(part.asked, moment) - order.before(part.asked, moment)
            # The session's own records that started then are among those counted, and are taken off.
            whose = own[part.rows]
            mine = whose[(whose != NONE) & (started[part.rows] == take(moment, whose, NEVER))]
            found |= count > np.bincount(mine, minlength=len(found))
        return found

    def _own_of(self, of: Sessions) -> Ints:
        """The session of which each treatment is itself a record, by its row among some of them."""
        row = np.full(int(of.number.max(initial=0)) + 1, NONE)
        row[of.number] = np.arange(len(of))
        return take(row, self.own, NONE)

    @cached_property
    def _over(self) -> Ints:
        """From when on each treatment may be over: what lasts no time not before it began, nor what lacks its end."""
        started, ended = self.span
        return np.where((started < ended) & (ended < FOREVER), ended, started + 1)

    def _joined(self, of: Sessions, counted: Counted) -> Iterable[Candidates]:
        return candidates(self.timeline, self.treated, of, counted)
