"""What a register says of the findings, in the words that several outputs use."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import pandas as pd

from audit.figures import quantity
from audit.findings.result import CLEARED, CORRECTED, AuditResult
from audit.report.rows import day_and_time, texts

IN_FORCE: Final = ("accepted", "deferred")
WORDS: Final = {"new": "new", "still": "still there", "back": "back", "": ""}


def is_open(findings: pd.DataFrame) -> pd.Series[bool]:
    """Marks the findings that nothing has put right and no decision in force covers: those that fail a check."""
    marked = findings["state"] != CORRECTED
    if "decision" in findings:
        marked &= ~findings["decision"].isin(IN_FORCE)
    return marked


def open_first(findings: pd.DataFrame) -> pd.DataFrame:
    """The findings, those that count first, then what was decided, then what was put right; else in their order."""
    rank = (~is_open(findings)).astype("int64") + (findings["state"] == CORRECTED)
    return findings.loc[rank.sort_values(kind="stable").index]


def not_counted(findings: pd.DataFrame) -> str:
    """`36 put right, 2 decided`: the findings that are not counted as open; blank where there are none."""
    corrected = int((findings["state"] == CORRECTED).sum())
    decided = int((~is_open(findings)).sum()) - corrected
    told = ((corrected, "put right"), (decided, "decided"))
    return ", ".join(f"{number:,} {words}" for number, words in told if number)


def changed(findings: pd.DataFrame) -> str:
    """`2 new, 1 back, 30 still there`; blank where nobody keeps a register."""
    if "change" not in findings:
        return ""
    counts = findings["change"].value_counts()
    return ", ".join(f"{counts[name]:,} {WORDS[name]}" for name in ("new", "back", "still") if counts.get(name, 0))


def since_last_run(result: AuditResult) -> Sequence[str]:
    """Sentences on what has changed since the run before: findings, decisions, answers; none without a register."""
    standing, findings = result.standing, result.findings
    if standing is None:
        return ()
    why = standing.gone["why"].value_counts()
    not_found = ", ".join(f"{number:,} {reason}" for reason, number in why.items() if reason != CLEARED)
    decided = findings.loc[findings["state"] != CORRECTED, "decision"].value_counts()
    in_force = sum(int(decided.get(kind, 0)) for kind in IN_FORCE)
    disputed = int((findings["disputed"] != "").sum())
    records = standing.altered.tail(standing.altered_now).drop_duplicates(["task_id", "what"])["what"].value_counts()
    altered = ", ".join(f"{number:,} {what}" for what, number in records.items())
    told = (
        (True, f"{changed(findings) or 'nothing found'}; {why.get(CLEARED, 0):,} cleared"),
        (bool(not_found), f"not found and not cleared: {not_found}"),
        (bool(altered), f"signed records: {altered}"),
        (in_force > 0, f"{in_force:,} decided, not counted"),
        (decided.get("expired", 0) > 0, f"{decided.get('expired', 0):,} expired, counted again"),
        (disputed > 0, f"{disputed:,} answered done, still open"),
        (bool(standing.unused), f"{quantity(len(standing.unused), 'decision')} on what is put right"),
        (bool(standing.renamed), f"{len(standing.renamed):,} perhaps only renamed"),
    )
    return tuple(sentence for there, sentence in told if there)


def marked(findings: pd.DataFrame) -> pd.DataFrame:
    """The findings with what is known of each after its sentence: that it is put right, back, decided, disputed."""
    corrected = findings["state"] == CORRECTED
    if "change" not in findings and not corrected.any():
        return findings
    days = [day_and_time(text or "")[:10] for text in texts(findings["corrected_at"])]
    right = pd.Series(
        [f"put right by {by} on {day}" if by else "" for by, day in zip(findings["corrected_by"], days, strict=True)],
        findings.index,
        dtype="str",
    ).where(corrected, "")
    told: list[pd.Series[str]] = [right]
    if "change" in findings:
        back = findings["change"].where(findings["change"] == "back", "")
        told += [back, findings["decided"], findings["disputed"]]
    marks = ["; ".join(part for part in row if part) for row in zip(*told, strict=True)]
    messages = [
        f"{message} [{mark}]" if mark else message for message, mark in zip(findings["message"], marks, strict=True)
    ]
    return findings.assign(message=pd.Series(messages, index=findings.index, dtype="str"))
