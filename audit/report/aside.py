"""Next to the open findings: what was put right, decided, disputed, came back or is gone, and since when."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from audit.figures import abridged, moment
from audit.findings.result import CORRECTED, LEVELS, AuditResult
from audit.report.rows import day_and_time, level_name, texts
from audit.report.standing import is_open
from audit.report.visible import visible

MOST_ROWS: Final = 100
"""Rows that one table shows; its total is exact."""
LONGEST_CELL: Final = 300
FOLLOWED: Final = ("in the export", "applied")
"""The states of a correction that its record follows."""


@dataclass(frozen=True)
class Aside:
    """One table: what is in it, how many there are, and the first of them, cell by cell.

    `struck` are the cells (row, column) that hold what was corrected: struck through, and readable.
    """

    name: str
    title: str
    note: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    total: int
    struck: Collection[tuple[int, int]] = ()


def asides(result: AuditResult) -> list[Aside]:
    """Every table that has rows, in the order in which somebody would ask for them."""
    return [one for one in _asides(result) if one.total]


def _asides(result: AuditResult) -> Iterator[Aside]:
    findings = result.findings
    corrected = findings[findings["state"] == CORRECTED]
    stood = (corrected["corrected_at"] - corrected["at"]).dt.days
    yield _of_findings(
        result,
        corrected,
        (
            "corrected",
            "Put right",
            "The records themselves show it. What happened stays a finding, not counted.",
        ),
        ("put right by", corrected["corrected_by"]),
        ("on", _moments(corrected["corrected_at"])),
        ("stood open", stood.map(lambda days: f"{days:,.0f} days", na_action="ignore")),
    )
    yield corrected_entries(result)
    if result.standing is None:
        return
    decided = findings[(findings["decision"] != "") & (findings["state"] != CORRECTED)]
    yield _of_findings(
        result,
        decided,
        ("decided", "Decided", "Not counted while the decision is in force; one that has expired counts again."),
        ("decision", decided["decided"]),
    )
    disputed = findings[findings["disputed"] != ""]
    yield _of_findings(
        result,
        disputed,
        ("disputed", "Answered done, still open", "The shop says that it was done; the records don't show it."),
        ("answer", disputed["disputed"]),
    )
    back = findings[(findings["change"] == "back") & (findings["state"] != CORRECTED)]
    yield _of_findings(
        result,
        back,
        ("back", "Back", "Put right, cleared or decided before, and open again."),
        ("first found", _moments(back["first_found"])),
    )
    gone = result.standing.gone
    note = "Open before, and not found now. Only what is cleared was judged again, and complies."
    yield _of_findings(
        result, gone, ("gone", "Gone", note), ("why", gone["why"]), ("since the run of", _moments(gone["since"]))
    )
    renamed = pd.Series(result.standing.renamed, dtype="str")
    note = "For somebody to look at: nothing was merged. A decision on the one does not cover the other."
    yield _table(("renamed", "Perhaps only renamed", note), ("which",), [renamed], len(renamed))
    unused = pd.Series(result.standing.unused, dtype="str")
    note = "They let nothing pass, and may be withdrawn."
    yield _table(("unused", "Decisions on what is put right", note), ("which",), [unused], len(unused))
    yield _altered(result.standing.altered)
    yield time_open(result)


def _altered(altered: pd.DataFrame) -> Aside:
    """What has happened to signed records (ALTERED_COLUMNS)."""
    some = altered.head(MOST_ROWS)
    told = [_told(*cells) for cells in some[["column", "was", "now"]].itertuples(index=False, name=None)]
    was, now = (pd.Series([cells[place] for cells in told], some.index, dtype="str") for place in (0, 1))
    columns = (some["task_id"], some["what"], some["column"], was, now)
    head = ("record", "what", "column", "it said", "it says", "first seen")
    note = "What the export says of a record otherwise than when it was first seen signed, or no more."
    words = ("altered", "Signed records that changed", note)
    return _table(words, head, [*columns, _moments(some["first_seen"])], len(altered))


def _told(column: str, was: str, now: str) -> tuple[str, str]:
    """What a record said and says; of one that was entered late that it was not there, and when its work ended."""
    if column:
        return _entry(was), _entry(now)
    return (f"not there as of {moment(was)}", f"its work ended {moment(now)}") if now else ("", "not there")


def corrected_entries(result: AuditResult) -> Aside:
    """What each corrected entry said, what it says, who corrected it, when and why; open where it isn't followed."""
    made = result.corrections
    by = made["made_by"].where(made["signed_by"] == "", made["made_by"] + ", signed " + made["signed_by"])
    values = [made[name].map(lambda text: _entry(str(text))) for name in ("was", "now")]
    columns = (made["task_id"], made["entry"], *values, by, _moments(made["made_at"]), made["reason"], made["state"])
    head = ("record", "entry", "it said", "it says", "corrected by", "on", "why", "state")
    note = "The first value is struck through and stays on record; what is judged is the value as corrected."
    table = _table(("entries", "Corrected entries", note), head, columns, len(made))
    followed = made["state"].isin(FOLLOWED).head(MOST_ROWS)
    return replace(table, struck=frozenset((row, head.index("it said")) for row in np.flatnonzero(followed).tolist()))


def _entry(text: str) -> str:
    """A value of an entry as people read it; one that was blank says so."""
    return moment(text).removesuffix(".0") or "blank"


def time_open(result: AuditResult) -> Aside:
    """How long the findings that are open now have been known, by level and station; only a register knows."""
    known = result.findings[is_open(result.findings)]
    days = (result.as_of - known["first_found"]).dt.total_seconds() / 86_400
    station = known["station"].astype("str").fillna("").replace("", "no station recorded")
    grouped = days.groupby([known["level"].astype("str"), station]).agg(["size", "median", "max"]).reset_index()
    grouped["rank"] = grouped["level"].map({level: rank for rank, level in enumerate(LEVELS)})
    grouped = grouped.sort_values(["rank", "max"], ascending=[True, False], kind="stable")
    columns = (
        grouped["level"].map(level_name),
        grouped["station"],
        grouped["size"].map("{:,}".format),
        grouped["median"].map("{:,.0f}".format),
        grouped["max"].map("{:,.0f}".format),
    )
    note = "Days since the run that first found them, of the findings that are open now and undecided."
    head = ("level", "station", "open", "median, days", "longest, days")
    return _table(("time-open", "How long findings stand open", note), head, columns, len(grouped))


Words = tuple[str, str, str]
"""Name, title and note of a table."""


def _of_findings(result: AuditResult, findings: pd.DataFrame, words: Words, *more: tuple[str, pd.Series[str]]) -> Aside:
    """A table of findings: which, what and where, and what `more` says of each."""
    titles = {rule.id: rule.title for rule in result.rules}
    boot = findings["aircraft"].astype("str").fillna("") + " " + findings["position"].astype("str").fillna("")
    columns = (
        findings["finding_id"].astype("str").str[:12],
        findings["level"].astype("str").map(level_name),
        findings["rule"].astype("str").map(lambda rule: titles.get(rule, rule)),
        boot,
        *(column for _, column in more),
    )
    head = ("finding", "level", "what", "aircraft, position", *(name for name, _ in more))
    return _table(words, head, columns, len(findings))


def _table(words: Words, head: Sequence[str], columns: Sequence[pd.Series[str]], total: int) -> Aside:
    cells = [[_cell(text) for text in texts(column.head(MOST_ROWS))] for column in columns]
    return Aside(*words, tuple(head), tuple(zip(*cells, strict=True)), total)


def _cell(text: str | None) -> str:
    return visible(abridged((text or "").strip(), LONGEST_CELL))


def _moments(instants: pd.Series[pd.Timestamp]) -> pd.Series[str]:
    """Instants as people read them."""
    return pd.Series([day_and_time(text or "") for text in texts(instants)], instants.index, dtype="str")
