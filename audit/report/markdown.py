"""summary.md: the outcome on one page, for the summary page of a CI run."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from audit.figures import abridged
from audit.findings.result import LEVELS, AuditResult
from audit.report.rows import day_and_time, instant, level_name, texts
from audit.report.standing import is_open, marked, not_counted, open_first, since_last_run
from audit.report.unjudged import count_reasons
from audit.report.visible import visible

LISTED: Final = 20
"""How many findings, and reasons, are listed; their number is exact."""
LONGEST_TEXT: Final = 200

# Whatever Markdown, HTML or a code host could read as more than text: mark-up, mentions, references, links.
_ALIVE = re.compile(r"[\\`*_{}\[\]<>#+!|~@:&$\"=^]|(?<=[wW]{3})\.")


def markdown_text(result: AuditResult) -> str:
    """Return a short summary in Markdown; text from the records stays text."""
    return "\n".join(_lines(result)) + "\n"


def _lines(result: AuditResult) -> Iterator[str]:
    coverage = result.coverage
    in_scope, unjudged = int(coverage["in_scope"].sum()), int(coverage["unjudged"].sum())
    open_ones, others = result.findings[is_open(result.findings)], not_counted(result.findings)
    levels = open_ones["level"].value_counts()
    counted = [f"{levels.get(level, 0):,} {level_name(level)}" for level in LEVELS]
    yield "## Audit of maintenance records"
    yield ""
    yield f"Export {_text(result.export_name)}, as of {day_and_time(instant(result.as_of))}."
    yield ""
    if result.nothing_judged:
        yield "**Nothing could be judged. This is not a clean result.**"
        yield ""
    yield f"**{len(open_ones):,} {'open ' if others else ''}findings**: {', '.join(counted)}."
    if others:
        yield f"Not counted: {others}."
    yield from (f"Since the last run: {sentence}." for sentence in since_last_run(result)[:1])
    yield from (f"{sentence}." for sentence in since_last_run(result)[1:])
    yield f"{in_scope - unjudged:,} of {in_scope:,} checks in scope were judged; the other {unjudged:,} do not pass."
    idle = int(coverage["idle"].astype(bool).sum())
    if idle:
        yield f"{idle} of {len(coverage)} rules had nothing in scope."
    held, read = sum(r.quarantined for r in result.rows.values()), sum(r.read for r in result.rows.values())
    yield f"{held:,} of {read:,} rows were set aside and not audited."
    yield ""
    titles = {rule.id: (rule.title, rule.level) for rule in result.rules}
    counts = [coverage[name] for name in ("rule", "in_scope", "complies", "findings", "unjudged", "unread")]
    rows = [
        (_rule_text(titles[rule][0]), level_name(titles[rule][1]), *(f"{number:,}" for number in numbers))
        for rule, *numbers in zip(*counts, strict=True)
    ]
    yield from _table(("rule", "level", "in scope", "complies", "findings", "unjudged", "rows not read"), rows)
    if len(result.findings):
        first = open_first(marked(result.findings) if result.standing is None else result.findings).head(LISTED)
        standing = ("change", "decided") if result.standing is not None else ()
        names = ("level", *standing, "aircraft", "position", "work_order", "message", "finding_id")
        shown = ((_rule_text if name == "message" else _text, texts(first[name])) for name in names)
        cells = zip(*([how(cell or "") for cell in column] for how, column in shown), strict=True)
        yield ""
        yield "### Most serious first"
        yield ""
        marks = ("since the last run", "decided") if standing else ()
        heads = ("level", *marks, "aircraft", "position", "work order", "what is wrong", "finding")
        yield from _table(heads, list(cells))
        if len(result.findings) > LISTED:
            yield ""
            yield f"The other {len(result.findings) - LISTED:,} are in the report."
    reasons = [
        (_rule_text(titles[rule][0]), _text(reason), f"{number:,}")
        for rule, of_rule in count_reasons(result.unjudged).items()
        for reason, number in of_rule.items()
    ]
    if reasons:
        yield ""
        yield "### What could not be judged"
        yield ""
        yield from _table(("rule", "reason", "checks"), reasons[:LISTED])
        if len(reasons) > LISTED:
            yield ""
            yield f"{len(reasons) - LISTED:,} more reasons are in the report."


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield "|---" * len(head) + "|"
    for row in rows:
        yield f"| {' | '.join(row)} |"


def _text(text: str) -> str:
    """Text from records."""
    return _rule_text(abridged(text, LONGEST_TEXT))


def _rule_text(text: str) -> str:
    """Text of a rule, which is never cut."""
    return _ALIVE.sub(lambda sign: f"&#{ord(sign[0])};", visible(text))
