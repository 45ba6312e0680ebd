"""The summary for the terminal: plain words on one screen, readable without colour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

from audit.figures import quantity
from audit.findings.result import LEVELS, OUTCOMES, AuditResult, Health, Level
from audit.report.rows import day_and_time, instant, level_name
from audit.report.standing import is_open, not_counted, since_last_run
from audit.report.unjudged import count_reasons
from audit.report.visible import visible

SHOWN = 4
"""How many rules or reasons are named; the others are counted."""
SCREEN = (80, 24)
"""Columns and lines that it fits into."""

WHEN: Mapping[Level, str] = {
    "1": ": before the next flight",
    "2": ": within the operator's limit, 3 months at most",
    "observation": "",
}


def summarise(result: AuditResult, report: Path, work_list: Path | None = None) -> str:
    """Return the summary of a result as SCREEN allows; `report` and `work_list` are where those are.

    Only the two paths are never cut: somebody copies them.
    """
    width, _ = SCREEN
    lines = [visible(line) for line in _lines(result)]
    lines = [line if len(line) <= width else f"{line[: width - 3]}..." for line in lines]
    lines.append(visible(_line("Report", str(report))))
    if work_list is not None:
        lines.append(visible(_line("Work list", str(work_list))))
    return "\n".join(lines) + "\n"


def _lines(result: AuditResult) -> Iterator[str]:
    coverage = result.coverage
    in_scope, unjudged = int(coverage["in_scope"].sum()), int(coverage["unjudged"].sum())
    counted = result.findings[is_open(result.findings)]
    levels, aside = counted["level"].value_counts(), not_counted(result.findings)
    as_of = day_and_time(instant(result.as_of))
    yield f"{result.export_name}, as of {as_of}, {quantity(len(coverage), 'rule')}"
    if result.silent_days:
        yield f"AS OF {result.silent_days:,} DAYS AFTER THE LAST RECORD OR FLIGHT: if not meant, set --as-of."
    if result.nothing_judged:
        yield "NOTHING COULD BE JUDGED: this is not a clean result."
    yield _line("Findings", f"{len(counted):,} open; {aside}" if aside else f"{len(counted):,}")
    for level in LEVELS:
        yield _line("", f"{levels.get(level, 0):,} {level_name(level)}{WHEN[level]}")
    changes, *others = since_last_run(result) or ("",)
    yield from (_line(name, text) for name, text in (("Last run", changes), ("", "; ".join(others))) if text)
    yield _line("Judged", f"{in_scope - unjudged:,} of {in_scope:,} checks in scope")
    if unjudged:
        yield _line("Unjudged", f"{unjudged:,}, neither a pass nor a finding")
        reasons: Counter[str] = Counter()
        for of_rule in count_reasons(result.unjudged).values():
            reasons.update(of_rule)
        yield from _first([f"{number:,} {reason}" for reason, number in reasons.most_common()])
    idle = [str(rule) for rule in coverage.loc[coverage["idle"].astype(bool), "rule"]]
    if result.drilled:
        yield _line("Drill", str(result.drilled))
        yield from (_line("", but) for but in (result.drilled.but,) if but)
    if idle:
        yield _line("Idle", f"{len(idle)} of {quantity(len(coverage), 'rule')}: nothing in scope; not a pass")
        yield from _first(idle)
    yield from _export(result)
    yield from _health(result.health)


def _export(result: AuditResult) -> Iterator[str]:
    """What of the export could not be read or is in doubt, and what it lacks."""
    read = sum(rows.read for rows in result.rows.values())
    held = {name: rows.quarantined for name, rows in sorted(result.rows.items())}
    where = ", ".join(f"{name} {number:,}" for name, number in held.items() if number)
    rows = f"{sum(held.values()):,} of {read:,} rows not audited"
    yield _line("Quarantine", f"{rows} ({where})" if where else rows)
    if len(result.faults):
        of_tables = Counter(result.faults["table"])
        cells = ", ".join(f"{name} {number:,}" for name, number in sorted(of_tables.items()))
        yield _line("", f"{quantity(len(result.faults), 'cell')} of audited rows can't be read ({cells})")
    if result.near_names:
        pair = result.near_names[0]
        yield _line("One name?", f"{len(result.near_names):,} nearly equal: {pair}")
    if result.flight_clock:
        wrong = quantity(result.flight_clock.contradictions, "contradiction")
        yield _line("Clock?", f"flight times: {wrong} as UTC, far fewer as local time")
    if result.season_not_set:
        more = _more(len(result.season_not_set) - 1)
        yield _line("Season?", f"{result.season_not_set[0]}{more}: other hemisphere, no base in settings")
    for words in result.other_words:
        required = f"{words.required[0]}{_more(len(words.required) - 1)}"
        yield _line("Words?", f"{words.column}: no record has {required};")
        yield _line("", f"  no rule knows {words.recorded[0]}{_more(len(words.recorded) - 1)}")
    yield from _lacking(result)


def _lacking(result: AuditResult) -> Iterator[str]:
    """What rules read and the export lacks, or has in a file that is not read."""
    absent = [one for one in result.absent if not one.of_register]
    if absent:
        yield _line("Missing", f"{absent[0].name}, read by {absent[0].rules[0]}{_more(len(absent[0].rules) - 1)}")
        if len(absent) > 1:
            yield _line("", f"and {len(absent) - 1} more of what rules read")
    for empty in result.empty:
        yield _line("No rows", f"in {empty.name}, read by {empty.rules[0]}{_more(len(empty.rules) - 1)}")
    if result.beside:
        yield _line("Not read", f"{result.beside[0]}{_more(len(result.beside) - 1)}, called nearly as a table is")
    for altered in (one for one in result.absent if one.of_register):
        yield _line("No register", f"altered records are not seen: {quantity(len(altered.rules), 'rule')} idle")


def _health(health: Health | None) -> Iterator[str]:
    if health is None:
        yield _line("Health", "skipped: nobody looked whether the export is complete")
        return
    as_expected, wrong, unknown = (health.count(outcome) for outcome in OUTCOMES)
    not_judged = f"; {unknown:,} not judged, no pass" if unknown else ""
    yield _line("Health", f"{wrong:,} of {as_expected + wrong:,} facts not as expected{not_judged}")
    if wrong:
        title, words = health.wrong()[0]
        yield _line("", f"  {title}: {words}")
    elif unknown:
        reason, number = next(iter(health.why_not_judged().items()))
        yield _line("", f"  {number:,} {reason}{_more(len(health.why_not_judged()) - 1)}")


def _more(others: int) -> str:
    return f" and {others} more" if others else ""


def _line(name: str, text: str) -> str:
    return f"  {name:<11} {text}"


def _first(texts: list[str]) -> Iterator[str]:
    for text in texts[:SHOWN]:
        yield _line("", f"  {text}")
    if len(texts) > SHOWN:
        yield _line("", f"  and {len(texts) - SHOWN} more")
