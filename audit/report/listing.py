"""The findings as the page carries them: packed for its script, and as rows for paper and for readers without one."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from audit.figures import abridged
from audit.findings.result import FINDING_COLUMNS, AuditResult, Rule
from audit.report.rows import texts
from audit.report.standing import marked
from audit.report.visible import all_visible, visible
from audit.timeline.instants import Ints

MOST_FINDINGS = 100_000
"""How many findings the page carries at most, the most serious first; every one is in findings.csv."""
STATIC_FINDINGS = 300
"""How many stand in the page as rows, for paper and for readers without a script; the script adds the others."""
LONGEST_CELL = 300
"""Characters of one value that are shown."""


@dataclass(frozen=True)
class RuleRows:
    """The findings of one rule that stand in the page as rows."""

    rule: Rule
    total: int
    rows: list[dict[str, str]]

    @property
    def held(self) -> int:
        """How many stand in the page."""
        return len(self.rows)


def carried(result: AuditResult) -> pd.DataFrame:
    """The findings that the page carries."""
    return marked(result.findings.head(MOST_FINDINGS))


def packed(result: AuditResult, matter: Ints) -> str:
    """Return the findings as base64 of gzipped JSON, column by column: the different values, and which a row has.

    `matter` numbers the matter of each finding; `off` says how far it is from its limit, in thousandths of the limit.
    """
    findings = carried(result)
    # Column by column, each different value once, since most columns repeat few.
    document = {
        "findings": {name: _column(findings[name], _cell_of(name)) for name in FINDING_COLUMNS},
        "matter": matter[: len(findings)].tolist(),
        "off": np.minimum(result.distances[: len(findings)] * 1000, 1e9).round().astype("int64").tolist(),
        "total": len(result.findings),
        "rules": {
            rule.id: {
                "title": visible(rule.title),
                "why": visible(rule.why),
                "put_right": visible(rule.put_right),
            }
            for rule in result.rules
        },
    }
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"))
    # The time that gzip writes into its head would make each page differ.
    return base64.b64encode(gzip.compress(text.encode("utf-8", "backslashreplace"), 3, mtime=0)).decode()


RULE_TEXTS = ("message", "warning", "put_right", "basis")
"""Columns of findings in the words of the rule: who reads on reads all of them. Values of records are cut in them."""


def _cell_of(name: str) -> Callable[[str], str]:
    """How the cells of a column are shown."""
    return visible if name in RULE_TEXTS else shown


def _column(column: pd.Series[Any], cell: Callable[[str], str]) -> list[list[Any]]:
    codes, different = pd.factorize(np.array([text or "" for text in texts(column)], object))
    texts_shown = different.tolist()
    # Most columns have nothing to hide: one look at all their texts is much quicker than one at each.
    if not all_visible("".join(texts_shown)) or max(map(len, texts_shown), default=0) > LONGEST_CELL:
        texts_shown = [cell(text) for text in texts_shown]
    return [texts_shown, codes.tolist()]


def standing(result: AuditResult) -> list[RuleRows]:
    """Return the findings that stand in the page, rule by rule in the order of their level."""
    findings = result.findings
    totals = findings["rule"].value_counts()
    rules = {rule.id: rule for rule in result.rules}
    first: dict[str, list[dict[str, str]]] = {}
    for record in records(marked(findings[_fair_share(findings["rule"], STATIC_FINDINGS)])):
        first.setdefault(record["rule"], []).append(record)
    return [
        RuleRows(rules[str(name)], int(totals[name]), first.get(str(name), []))
        for name in findings["rule"].drop_duplicates()
    ]


def _fair_share(rules: pd.Series[str], most: int) -> pd.Series[bool]:
    """Mark the rows to show: the first of each rule in turn, so that none crowds out another."""
    turn = rules.groupby(rules, observed=True).cumcount()
    return turn.rank(method="first") <= most


def records(frame: pd.DataFrame) -> list[dict[str, str]]:
    """The rows of a frame as the page shows their cells."""
    columns = {str(name): [_cell_of(str(name))(text or "") for text in texts(frame[name])] for name in frame}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def shown(text: str) -> str:
    """A cell as the page shows it: made safe to look at, and cut where nobody would read on."""
    return visible(abridged(text, LONGEST_CELL))
