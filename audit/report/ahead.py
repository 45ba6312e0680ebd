"""The report's look ahead: the most urgent of what comes next, and where it drifts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice, takewhile
from typing import Final

from audit.findings.result import AuditResult, DueList, Signal
from audit.report.due_page import Line, bands_in_words, lines
from audit.report.due_words import CAUTION
from audit.report.trend_pictures import Picture, pictures

MOST_LINES: Final = 8
"""Lines of each kind that the page lists; counts stay exact."""
MOST_SIGNALS: Final = 8
MOST_PICTURES: Final = 4


@dataclass(frozen=True)
class Group:
    """What comes of one kind: `rows` boots or names in `total` lines, of which `lines` are listed."""

    title: str
    rows: int
    total: int
    lines: Sequence[Line]


@dataclass(frozen=True)
class Ahead:
    """What comes next: the groups that have rows, the most urgent first; how many rows come after the `days`."""

    days: int
    groups: Sequence[Group]
    later: int
    bands: Sequence[str]
    caution: str


@dataclass(frozen=True)
class Drift:
    """Where it drifts: the days that set the limits, the first signals of `total`, and pictures of some.

    `changed` are the rules that were changed, with the day since which each is as it is; of the charts so many are
    `without` limits; `unable` is as in Trends.
    """

    frozen: str
    signals: Sequence[Signal]
    total: int
    pictures: Sequence[Picture]
    changed: Mapping[str, date]
    charts: int
    without: int
    unable: str


def ahead(result: AuditResult) -> Ahead | None:
    """What comes next, None where nobody wants to know."""
    due = result.coming
    if due is None:
        return None
    return Ahead(
        days=due.within.days,
        groups=[group for group in _groups(due) if group.rows],
        later=due.later,
        bands=list(bands_in_words(due)),
        caution=CAUTION,
    )


def _groups(due: DueList) -> list[Group]:
    """The rows by how they stand: a hold that runs, overdue, dated, without a date."""
    rows = due.rows
    hold, known = rows["kind"] == "hold", rows["due"].notna() | rows["likely"].notna()
    overdue = ~hold & (rows["due"] <= due.as_of)
    titles = {
        "Must not happen yet": hold,
        "Overdue": overdue,
        f"Falls due within {due.within.days} days": ~hold & ~overdue & known,
        "Date not known": ~hold & ~known,
    }
    found = []
    for title, chosen in titles.items():
        of_kind = lines(due, rows[chosen])
        found.append(Group(title, int(chosen.sum()), len(of_kind), of_kind[:MOST_LINES]))
    return found


def drift(result: AuditResult) -> Drift | None:
    """Where it drifts, None where nobody wants to know or there is nothing to chart."""
    trends = result.trends
    if trends is None or not trends.every:
        return None
    signalled = takewhile(lambda picture: picture.signals, pictures(trends))
    return Drift(
        frozen=trends.frozen.text,
        signals=trends.signals[:MOST_SIGNALS],
        total=len(trends.signals),
        pictures=list(islice(signalled, MOST_PICTURES)),
        changed=trends.changed,
        charts=len(trends.every),
        without=trends.without_limits,
        unable=trends.unable,
    )
