"""Deciding on findings of a register, between the runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from audit.errors import AuditError
from audit.intake.words import says_nothing
from audit.register.decisions import Decision, check_decision, last_decisions
from audit.register.schema import DECISIONS
from audit.register.seal import add_seal
from audit.register.states import Known, audits, known_findings, meant
from audit.register.store import Register, refusing
from audit.register.writing import add_rows, begin_run


def decide(register: Register, written: Sequence[str], decision: Decision, today: date) -> list[Known]:
    """Add one decision on each of the findings whose ids begin so, uncommitted; return what was known of them.

    AuditError where one of them can't be decided so; then none is. `today` is the day by the clock; where the last run
    looked back from a later one, that counts.
    """
    with refusing(register.name):
        connection = register.connection
        known = known_findings(connection)
        ids = dict.fromkeys(meant(list(known), each, register.name) for each in written)
        today = max([today, *(run.as_of.date() for run in audits(connection))])
        before = last_decisions(connection)
        named = _named(decision)
        for finding in ids:
            if named.kind == "withdrawn" and getattr(before.get(finding), "kind", "withdrawn") == "withdrawn":
                raise AuditError(f"there is no decision on {finding[:12]} that could be withdrawn")
            found = known[finding]
            check_decision(replace(named, finding=finding), found.level, found.first_found.date(), today)
        names = ("kind", "decided_by", "approved_by", "reason", "until")
        row = {name: getattr(named, name) for name in names}
        number = begin_run(connection, "decide")
        add_rows(connection, DECISIONS, number, [row | {"finding": finding} for finding in ids])
        add_seal(connection, number)
        return [known[finding] for finding in ids]


def _named(decision: Decision) -> Decision:
    """The decision with its names and reason in plain text, a dash or `n/a` as a blank. AuditError where nobody, or no
    reason, is named."""
    given = [" ".join(text.split()) for text in (decision.decided_by, decision.approved_by, decision.reason)]
    by, approved_by, reason = ("" if says_nothing(text) else text for text in given)
    if not by or not reason:
        raise AuditError("a decision needs who decides (--by) and why (--reason)")
    return replace(decision, decided_by=by, approved_by=approved_by, reason=reason)
