"""count [bounded existence]: a session has the right number of coats. Subject: a session."""

from __future__ import annotations

import numpy as np

from audit.forms.conditions import UNKNOWN
from audit.forms.outcomes import Outcomes, cases
from audit.forms.treatments import sessions, treatments
from audit.rulebook.models import CountRule
from audit.timeline.instants import Bools, Ints
from audit.timeline.records import values
from audit.timeline.timeline import Timeline


def evaluate(rule: CountRule, timeline: Timeline) -> Outcomes:
    """A finding when a session has fewer or more coats than allowed.

    A record with `coats` stands for that many, one with `coat` for that coat; the same coat entered twice is one coat.
    A record with neither stands for one coat or more.
    """
    treated = treatments(timeline, rule.scope)
    subjects = sessions(timeline, treated)
    count = len(subjects.task)
    coat, has_coat = _whole(timeline, "coat", treated.task)
    coats, has_coats = _whole(timeline, "coats", treated.task)

    total = np.zeros(count, np.int64)
    np.add.at(total, subjects.session_of[has_coats], coats[has_coats])
    numbered = np.unique(np.stack((subjects.session_of, coat))[:, has_coat & ~has_coats], axis=1)
    np.add.at(total, numbered[0], 1)
    blank = ~has_coat & ~has_coats
    open_ended = np.zeros(count, bool)
    open_ended[subjects.session_of[blank]] = True
    np.add.at(total, subjects.session_of[blank], 1)

    few, many = rule.coats.at_least, rule.coats.at_most
    too_few = total < few if few else np.zeros(count, bool)
    too_many = total > many if many else np.zeros(count, bool)
    reason = np.full(count, "", object)
    # There may be more coats than can be counted: that may mend too few, or make too many.
    reason[open_ended & (too_few | (many is not None)) & ~too_many] = "value missing: coat"
    undecided = subjects.truth == UNKNOWN
    reason[undecided] = subjects.reason[undecided]
    finding = (too_few | too_many) & (reason == "")
    index = np.flatnonzero(finding | (reason != ""))
    return Outcomes(
        count,
        cases(
            len(index),
            finding=finding[index],
            reason=np.where(finding, "", reason)[index],
            subject=subjects.task[index],
            task=subjects.last[index],
            place=subjects.place[index],
            component=subjects.component[index],
            at=subjects.end[index],
            measured=np.where(finding, total, np.nan)[index],
            limit=np.where(too_few, float(few or 0), float(many or 0))[index],
            unit="coats",
        ),
    )


def _whole(timeline: Timeline, name: str, rows: Ints) -> tuple[Ints, Bools]:
    found = values(timeline, name, rows)
    assert found.numbers is not None
    return np.where(found.missing, 0, found.numbers).astype(np.int64), ~found.missing
