"""One finding, or the whole history of an aircraft, as plain text for a terminal or a pager, oldest first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from audit.figures import figure, quantity, time_span
from audit.findings.result import FINDING_COLUMNS, PLACE_COLUMNS, AuditResult, Recorded, Rule
from audit.report.rows import day_and_time, instant, level_name
from audit.report.visible import visible
from audit.timeline.instants import HOUR, stamp
from audit.timeline.instants import instant as micros

MARK, FAULT, PLAIN = " > ", "!! ", "   "
"""What stands before a line: the finding's own record, what went wrong, anything else."""
LONGEST_RUN: Final = 6
"""So many flights in a row are listed each; of more, the first and last two, and the others counted."""
_WHEN = 28
_NAMES = 18


@dataclass(frozen=True)
class _Line:
    """One line of a timeline: `mark` as above, `flight` hours where it is a flight."""

    at: int
    until: int
    mark: str
    text: str
    flight: float | None = None


def finding_text(result: AuditResult, recorded: Sequence[Recorded], finding_id: str, width: int) -> str:
    """Return a finding with its figures, how it is put right, and what is recorded around it."""
    row = result.findings.loc[result.findings["finding_id"] == finding_id].iloc[0].to_dict()
    finding = {str(name): value for name, value in row.items()}
    told = {name: "" if pd.isna(finding[name]) else finding[name] for name in FINDING_COLUMNS}
    rule = next(rule for rule in result.rules if rule.id == told["rule"])
    lines = [
        f"Finding {told['finding_id']}, {level_name(told['level'])}, {told['state']}",
        *_wrapped(f"{rule.title} ({rule.id})", "", width),
        "",
        *_wrapped(str(told["message"]), "", width),
        "",
        *(line for name, text in _facts(finding, told, rule) if text for line in _named(name, text, width)),
        "",
    ]
    around = _around(recorded, finding, told)
    if around:
        lines += ["Timeline, UTC", *_drawn(_condensed(around), width)]
        lines += ["", f"{FAULT.strip()} what went wrong; {MARK.strip()} the record of the finding"]
    else:
        lines.append("No timeline: nothing is recorded of this aircraft.")
    return _text(lines)


def aircraft_text(result: AuditResult, recorded: Sequence[Recorded], aircraft: str, width: int) -> str:
    """Return all that is `recorded` of an aircraft, with what each finding found where it happened."""
    found = result.findings[result.findings["aircraft"] == aircraft]
    unjudged = int((result.unjudged["aircraft"] == aircraft).sum())
    records = set(found["task_id"].dropna()) | set(found["flight_id"].dropna())
    lines = [_line(event, event.record in records) for event in recorded]
    columns = ("finding_id", "level", "at", "message", "position")
    for finding_id, level, at, message, position in zip(*(found[name] for name in columns), strict=True):
        what = f"{finding_id}, {level_name(level)}: {f'{position}: ' if position else ''}{message}"
        moment = micros(at)
        lines.append(_Line(moment, moment, FAULT, what))
    lines.sort(key=lambda line: (line.at, line.mark == FAULT))
    head = [
        f"{aircraft}, all that is recorded up to {day_and_time(instant(result.as_of))}",
        f"{quantity(len(recorded), 'record')}, {quantity(len(found), 'finding')}, "
        f"{quantity(unjudged, 'check')} that could not be judged",
        "",
        f"{FAULT.strip()} a finding; {MARK.strip()} a record that one is about. Times are UTC.",
        "",
    ]
    return _text([*head, *_drawn(lines, width)])


def _facts(finding: dict[str, Any], told: dict[str, Any], rule: Rule) -> Iterator[tuple[str, str]]:
    boot = f"boot {told['component_serial']}" if told["component_serial"] else ""
    yield "Aircraft", _listed(told["aircraft"], told["position"], boot)
    place = ""
    if finding.get("file"):
        place = f"({finding[PLACE_COLUMNS[0]]}, line {finding[PLACE_COLUMNS[1]]})"
    record = f"record {told['task_id']}" if told["task_id"] else ""
    yield "Work order", f"{_listed(told['work_order'], record)} {place if record else ''}".strip()
    yield "Flight", str(told["flight_id"])
    yield "Station", _listed(told["station"], f"by {told['person']}" if told["person"] else "")
    yield "When", day_and_time(instant(finding["at"]))
    if told["limit"] != "":
        apart = f"{figure(abs(told['measured'] - told['limit']))} {told['unit']}"
        side = "short" if told["measured"] < told["limit"] else "over"
        yield "Measured", f"{figure(told['measured'])} {told['unit']}"
        yield "Limit", f"{figure(told['limit'])} {told['unit']}; {apart} {side}"
    if told["corrected_by"]:
        yield "Corrected", f"by {told['corrected_by']}, {day_and_time(instant(finding['corrected_at']))}"
    yield "Since then", str(told["meanwhile"])
    yield "Warning", str(told["warning"])
    yield "Corrective action", str(told["put_right"])


def _listed(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _around(events: Sequence[Recorded], finding: dict[str, Any], told: dict[str, Any]) -> list[_Line]:
    """The lines from what the finding counts from to where it went wrong, and a little on either side."""
    if not events:
        return []
    positions = str(told["position"]).split(";")
    own = [event for event in events if event.record in (told["task_id"], told["flight_id"]) and event.record]
    fault = micros(finding["at"])
    marks = [fault, *(when for event in own for when in (event.start, event.end))]
    lines = [_Line(fault, fault, FAULT, str(told["message"]))]
    if not pd.isna(finding["since"]):
        since = micros(finding["since"])
        marks.append(since)
        if told["limit"] != "" and told["unit"] == "h" and told["measured"] < told["limit"]:
            due = since + round(told["limit"] * HOUR)
            marks.append(due)
            lines.append(_Line(due, due, PLAIN, f"{time_span(due - since)} after the last coat: not before"))
    start, end = min(marks), max(marks)
    pad = max((end - start) // 12, HOUR)
    own_records = {event.record for event in own}
    near = [event for event in events if event.start <= end + pad and event.end >= start - pad]
    before = [event for event in events if event.kind == "installed" and event.start < start - pad]
    later = [event for event in events if event.about and event.about == told["task_id"] and event not in near]
    lines += [_line(event, event.record in own_records) for event in (*before[-len(positions) :], *near, *later)]
    return sorted(lines, key=lambda line: (line.at, line.mark == FAULT))


def _line(event: Recorded, marked: bool) -> _Line:
    flown = f", {figure(event.hours)} h" if event.kind == "flight" else ""
    doubt = " (in the hour that came twice)" if event.twice else ""
    text = f"{event.record} {event.what}{flown}{doubt}"
    flight = event.hours if event.kind == "flight" and not marked else None
    return _Line(event.start, event.end, MARK if marked else PLAIN, text, flight)


def _condensed(lines: Sequence[_Line]) -> list[_Line]:
    """Long runs of flights between which nothing happened, counted instead of listed."""
    kept: list[_Line] = []
    run: list[_Line] = []
    for line in (*lines, None):
        if line is not None and line.flight is not None:
            run.append(line)
            continue
        if len(run) > LONGEST_RUN:
            middle = run[2:-2]
            hours = figure(sum(flown.flight or 0.0 for flown in middle))
            counted = _Line(middle[0].at, middle[-1].until, PLAIN, f"{len(middle):,} more flights, {hours} h")
            run = [*run[:2], counted, *run[-2:]]
        kept += run
        run = []
        if line is not None:
            kept.append(line)
    return kept


def _drawn(lines: Sequence[_Line], width: int) -> Iterator[str]:
    for line in lines:
        began, ended = stamp(line.at), stamp(line.until)
        when = f"{began:%Y-%m-%d %H:%M}"
        if line.until > line.at:
            when += f" - {ended:%H:%M}" if began.date() == ended.date() else f" - {ended:%m-%d %H:%M}"
        yield from _wrapped(line.text, f"{line.mark}{when:<{_WHEN - len(line.mark)}}", width, _WHEN)


def _named(name: str, text: str, width: int) -> list[str]:
    return _wrapped(text, f"{name:<{_NAMES}}", width)


def _wrapped(text: str, head: str, width: int, indent: int = 0) -> list[str]:
    blank = " " * (indent or len(head))
    head = head if len(head) <= len(blank) else f"{head} "
    return textwrap.wrap(
        visible(text), width, initial_indent=visible(head), subsequent_indent=blank, break_on_hyphens=False
    ) or [head.rstrip()]


def _text(lines: Sequence[str]) -> str:
    return "".join(f"{visible(line)}\n" for line in lines)
