"""Since when rules are as they are now, as far as a register knows: by the digests with which its runs found faults."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from audit.findings.standing import CLEARED
from audit.language.rule import Rule
from audit.register.comparing import rule_digest
from audit.register.schema import FINDINGS, RUNS, VERDICTS
from audit.register.states import AUDITS
from audit.register.store import Register, refusing


def changed_rules(register: Register, rules: Sequence[Rule], as_of: datetime) -> dict[str, datetime]:
    """The as-of time of the first run known to have judged by a rule as it is, of each that an earlier run judged by
    otherwise; `as_of` where that is tonight's run. Rules that never found anything can't be told.

    A new version of the program is not another rule: each digest is compared with that of the rule as it is under the
    version of its run.
    """
    query = (
        sa.select(RUNS.c.run, RUNS.c.as_of, RUNS.c.version, FINDINGS.c.rule, VERDICTS.c.rule_digest)
        .join(VERDICTS, VERDICTS.c.run == RUNS.c.run)
        .join(FINDINGS, FINDINGS.c.finding == VERDICTS.c.finding)
        # What a run did not find keeps the digest by which it was last found.
        .where(RUNS.c.kind.in_(AUDITS), VERDICTS.c.state != CLEARED, VERDICTS.c.why == "")
        .distinct()
        .order_by(RUNS.c.run)
    )
    with refusing(register.name):
        rows = register.connection.execute(query).all()
    now = {rule.id: rule for rule in rules}
    changed: dict[str, datetime] = {}
    other: set[str] = set()
    for _, then, version, rule, digest in rows:
        if rule not in now:
            continue
        if digest != rule_digest(now[rule], version):
            other.add(rule)
            changed[rule] = as_of
        elif rule in other:
            other.discard(rule)
            changed[rule] = then
    return changed
