"""report.html: the audit as a page for screen and paper, made of the result and nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from markupsafe import Markup

from audit.findings.result import LEVELS, REMOVED, WHO_GOVERNS, AuditResult, Level, Rule
from audit.report.ahead import ahead, drift
from audit.report.aside import asides
from audit.report.listing import carried, packed, records, standing
from audit.report.nearness import nearness
from audit.report.overview import station_weeks
from audit.report.pages import content_hash, own_text, page_template
from audit.report.pictures import NARROW, DrawnScene, DrawnUsage, draw
from audit.report.rows import instant
from audit.report.standing import is_open, not_counted, open_first, since_last_run
from audit.report.unjudged import count_reasons
from audit.timeline.instants import Ints

Drawn = DrawnScene | DrawnUsage
URGENT = 6
DRAWN_QUARANTINE = 200
"""What the page lists at most: matters on the first screen, quarantined rows. Totals stay exact."""

LEVEL_MEANINGS: Mapping[Level, str] = {
    "1": "lowers safety and may endanger flight: before the next flight",
    "2": "any other non-compliance: within the operator's limit, 3 months at most",
    "observation": "no non-compliance by itself, but worth acting on",
}


@dataclass(frozen=True)
class LevelCount:
    """The open findings of one level, and the matters that they make up."""

    level: Level
    meaning: str
    findings: int
    matters: int


@dataclass(frozen=True)
class Urgent:
    """One matter that must be dealt with before the next flight."""

    finding_id: str
    aircraft: str
    title: str
    findings: int


@dataclass(frozen=True)
class RuleCoverage:
    """What could be judged of one rule, and `verdict`, the same in words."""

    rule: Rule
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
    """Return the page for a result: one file that loads nothing, whatever the records hold."""
    result = replace(result, findings=open_first(result.findings))
    style, script = own_text("report.css"), own_text("report.js")
    counts: dict[Any, dict[Any, Any]] = result.coverage.set_index("rule").to_dict("index")
    coverage = [RuleCoverage(rule=rule, **counts[rule.id]) for rule in result.rules]
    judged = sum(row.judged for row in coverage)
    in_scope = sum(row.in_scope for row in coverage)
    quarantine = result.quarantine
    matter = result.matters
    return page_template("page.html.j2").render(
        result=result,
        as_of=instant(result.as_of),
        style=style,
        style_hash=content_hash(style),
        script=script,
        script_hash=content_hash(script),
        levels=list(_levels(result, matter)),
        urgent=list(_urgent(result, matter)),
        stations=station_weeks(result.findings),
        nearness=nearness(result.rules, result.margins),
        ahead=ahead(result),
        drift=drift(result),
        pictures=list(_pictures(result)),
        matters=int(matter.max(initial=-1)) + 1,
        titles={rule.id: rule.title for rule in result.rules},
        packed=Markup(packed(result, matter)),  # base64
        carried=len(carried(result)),
        standing=standing(result),
        since=since_last_run(result),
        not_counted=not_counted(result.findings),
        asides=asides(result),
        coverage=coverage,
        explained=list(zip(coverage, result.explanations, strict=True)),
        for_all=(WHO_GOVERNS,),
        idle=[row for row in coverage if row.idle],
        unread=[row for row in coverage if row.unread],
        in_scope=in_scope,
        judged=judged,
        judged_share=_share(judged, in_scope),
        reasons=count_reasons(result.unjudged),
        tables=sorted(result.rows.items()),
        rows_read=sum(rows.read for rows in result.rows.values()),
        rows_quarantined=sum(rows.quarantined for rows in result.rows.values()),
        quarantine=records(quarantine.head(DRAWN_QUARANTINE)),
        quarantine_total=len(quarantine),
        faults=records(result.faults.head(DRAWN_QUARANTINE)),
        dropped=records(result.dropped.head(20)),
        faults_total=len(result.faults),
        inputs=sorted(result.inputs, key=lambda source: source.name),
        rule_files=sorted(result.rule_files, key=lambda source: source.name),
    )


def _levels(result: AuditResult, matter: Ints) -> Iterator[LevelCount]:
    for level in LEVELS:
        here = (is_open(result.findings) & (result.findings["level"] == level)).to_numpy()
        matters = len(np.unique(matter[here]))
        yield LevelCount(level, LEVEL_MEANINGS[level], int(here.sum()), matters)


def _urgent(result: AuditResult, matter: Ints) -> Iterator[Urgent]:
    """The first open matters of level 1; a count of the others is next to them."""
    urgent = np.flatnonzero(is_open(result.findings) & (result.findings["level"] == "1"))
    titles = {rule.id: rule.title for rule in result.rules}
    numbers, first, sizes = np.unique(matter[urgent], return_index=True, return_counts=True)
    for place in range(min(URGENT, len(numbers))):
        finding = result.findings.iloc[urgent[first[place]]]
        removed = str(finding["meanwhile"]).startswith(REMOVED)
        title = titles[str(finding["rule"])] + (" (boot removed: before it is installed again)" if removed else "")
        yield Urgent(str(finding["finding_id"]), str(finding["aircraft"] or ""), title, int(sizes[place]))


def _pictures(result: AuditResult) -> Iterator[tuple[dict[str, str], Drawn, Drawn]]:
    """Each picture, broad and narrow, with the finding that it is of."""
    told = {story.finding_id: story for story in result.stories}
    findings = result.findings[result.findings["finding_id"].isin(list(told))].drop_duplicates("finding_id")
    known = {finding["finding_id"]: finding for finding in records(findings)}
    for name, story in told.items():
        yield known[name], draw(story), draw(story, NARROW)


def _share(part: int, whole: int) -> str:
    """Return a percentage rounded down, so that 100 % means all."""
    if not whole:
        return "0\u00a0%"
    tenths = part * 1000 // whole
    if part and not tenths:
        return "under 0.1\u00a0%"
    return f"{tenths // 10}\u00a0%" if tenths % 10 == 0 else f"{tenths / 10:.1f}\u00a0%"
