"""report.html: the audit as a page for screen and paper, made of the result and nothing else."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from audit.findings.result import AuditResult
from audit.report.rows import day_and_time, instant, texts
from audit.report.unjudged import count_reasons
from audit.report.visible import visible
from audit.rulebook.models import LEVELS, AnyRule, Basis, Level

DRAWN_PER_LEVEL = 1_000
DRAWN_QUARANTINE = 200
LONGEST_CELL = 300
"""What the page draws at most: findings a level, quarantined rows, characters of one value.

Totals stay exact."""

LEVEL_NAMES: Mapping[Level, str] = {
    "1": "Level 1",
    "2": "Level 2",
    "observation": "Observations",
}
LEVEL_MEANINGS: Mapping[Level, str] = {
    "1": "lowers safety and may endanger flight",
    "2": "any other non-compliance",
    "observation": "not a non-compliance by itself, but worth acting on",
}


@dataclass(frozen=True)
class RuleFindings:
    """The findings of one rule: how many there are, and those drawn."""

    rule: AnyRule
    total: int
    drawn: list[dict[str, str]]


@dataclass(frozen=True)
class LevelFindings:
    """The findings of one level, rule by rule, in the order of the rulebook."""

    level: Level
    name: str
    meaning: str
    total: int
    drawn: int
    rules: list[RuleFindings]


@dataclass(frozen=True)
class RuleCoverage:
    """What could be judged of one rule, and `verdict`, the same in words."""

    rule: AnyRule
    in_scope: int
    complies: int
    findings: int
    unjudged: int
    unread: int
    idle: bool

    @property
    def judged(self) -> int:
        """How many had a yes or a no."""
        return self.complies + self.findings

    @property
    def verdict(self) -> str:
        """One phrase that never lets silence, or rows that nobody read, pass for compliance."""
        if not self.unread:
            return self._verdict_on_rows_read
        rows = "1 row" if self.unread == 1 else f"{self.unread:,} rows"
        return f"{self._verdict_on_rows_read}; {rows} it would have read in quarantine"

    @property
    def _verdict_on_rows_read(self) -> str:
        if self.idle:
            return "idle: nothing in scope; this is not a pass"
        if not self.judged:
            return "nothing could be judged; this is not a pass"
        if self.findings:
            return "has findings; some could not be judged" if self.unjudged else "has findings"
        return "no finding among those judged" if self.unjudged else "complies"


def render(result: AuditResult) -> str:
    """Return the page for a result: no scripts, nothing loaded, whatever the records hold."""
    style = Markup(_read("report.css"))  # our own, no data in it
    counts: dict[Any, dict[Any, Any]] = result.coverage.set_index("rule").to_dict("index")
    coverage = [RuleCoverage(rule=rule, **counts[rule.id]) for rule in result.rules]
    judged = sum(row.judged for row in coverage)
    in_scope = sum(row.in_scope for row in coverage)
    quarantine = result.quarantine
    return _template().render(
        result=result,
        as_of=instant(result.as_of),
        style=style,
        style_hash=_content_hash(style),
        levels=list(_levels(result)),
        coverage=coverage,
        idle=[row for row in coverage if row.idle],
        unread=[row for row in coverage if row.unread],
        in_scope=in_scope,
        judged=judged,
        judged_share=_share(judged, in_scope),
        reasons=count_reasons(result.unjudged),
        tables=sorted(result.rows.items()),
        rows_read=sum(rows.read for rows in result.rows.values()),
        rows_quarantined=sum(rows.quarantined for rows in result.rows.values()),
        quarantine=_records(quarantine.head(DRAWN_QUARANTINE)),
        quarantine_total=len(quarantine),
        inputs=sorted(result.inputs, key=lambda source: source.name),
        rule_files=sorted(result.rule_files, key=lambda source: source.name),
    )


def _read(name: str) -> str:
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


@cache
def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Every value passes here, so no place in the template can forget it.
        finalize=lambda value: visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value,
    )
    environment.filters |= {
        "basis": _basis,
        "day_and_time": day_and_time,
        "grouped": lambda number: f"{number:,}",
    }
    return environment.get_template("report.html.j2")


def _content_hash(style: str) -> str:
    return base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()


def _levels(result: AuditResult) -> Iterator[LevelFindings]:
    findings = result.findings
    for level in LEVELS:
        found = findings[findings["level"] == level]
        totals = found["rule"].value_counts()
        drawn = _records(found[_fair_share(found["rule"])])
        rules = [
            RuleFindings(
                rule,
                int(totals[rule.id]),
                [finding for finding in drawn if finding["rule"] == rule.id],
            )
            for rule in result.rules
            if rule.id in totals.index
        ]
        yield LevelFindings(level, LEVEL_NAMES[level], LEVEL_MEANINGS[level], len(found), len(drawn), rules)


def _fair_share(rules: pd.Series[str]) -> pd.Series[bool]:
    """Mark the rows to draw: the first of each rule in turn, so that none crowds out another."""
    turn = rules.groupby(rules, observed=True).cumcount()
    return turn.rank(method="first") <= DRAWN_PER_LEVEL


def _records(frame: pd.DataFrame) -> list[dict[str, str]]:
    shown = {str(name): [_shown(text) for text in texts(frame[name])] for name in frame}
    return [dict(zip(shown, row, strict=True)) for row in zip(*shown.values(), strict=True)]


def _shown(text: str | None) -> str:
    """Return a cell as the page shows it: blank where missing, cut where nobody would read on."""
    if text is None:
        return ""
    if len(text) > LONGEST_CELL:
        return f"{text[:LONGEST_CELL]}… ({len(text):,} characters)"
    return text


def _share(part: int, whole: int) -> str:
    """Return a percentage rounded down, so that 100 % means all."""
    if not whole:
        return "0\u00a0%"
    tenths = part * 1000 // whole
    if part and not tenths:
        return "under 0.1\u00a0%"
    return f"{tenths // 10}\u00a0%" if tenths % 10 == 0 else f"{tenths / 10:.1f}\u00a0%"


def _basis(basis: Basis) -> str:
    parts = [basis.source]
    if basis.section:
        parts.append(f", {basis.section}")
    if basis.from_:
        parts.append(f", from {basis.from_.isoformat()}")
    if basis.to:
        parts.append(f", until {basis.to.isoformat()}")
    if basis.note:
        parts.append(f" ({basis.note})")
    return "".join(parts)
