"""Export health: the facts of a profile, each as expected, not as expected, or not judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from audit.errors import InternalError
from audit.health.earlier import MOST_RUNS, PROFILE_COLUMNS, Earlier
from audit.health.facts import FACT_COLUMNS
from audit.health.suite import Expectation, Suite
from audit.intake.export import InputFile

AS_EXPECTED: Final = "as expected"
NOT_AS_EXPECTED: Final = "not as expected"
NOT_JUDGED: Final = "not judged"
OUTCOMES: Final = (AS_EXPECTED, NOT_AS_EXPECTED, NOT_JUDGED)

HEALTH_COLUMNS: Final = (
    "expectation",
    "outcome",
    "table",
    "column",
    "fact",
    "value",
    "expected",
    "detail",
    "put_right",
)
"""Columns of health.csv: a row for each fact that an expectation is about; one that is about none has a row too."""

_PROFILE_TYPES: Final = dict.fromkeys(PROFILE_COLUMNS, "str") | {"run": "int64", "value": "float64"}

NO_FACT: Final = "the profile has no such fact"


@dataclass(frozen=True)
class Judged:
    """One expectation and how many facts of each outcome it has; where it is about none, one not judged."""

    expectation: Expectation
    as_expected: int
    not_as_expected: int
    not_judged: int


@dataclass(frozen=True)
class Health:
    """What the suite says of an export.

    `outcomes` (HEALTH_COLUMNS) has a row for each fact and expectation; `profile` (FACT_COLUMNS) what was measured;
    `earlier` the profile it was measured against.
    """

    suite: InputFile
    expectations: tuple[Judged, ...]
    outcomes: pd.DataFrame
    profile: pd.DataFrame
    earlier: Earlier | None

    @classmethod
    def of(cls, suite: Suite, facts: pd.DataFrame, results: list[dict[str, Any]], earlier: Earlier | None) -> Health:
        """Put together what was measured and what the judge says of it, an entry of `results` for each expectation."""
        judged, outcomes = _told(suite, facts, results)
        return cls(suite.file, judged, outcomes, facts, earlier)

    def count(self, outcome: str) -> int:
        """How many facts have an outcome."""
        return int((self.outcomes["outcome"] == outcome).sum())

    def run_by_run(self) -> pd.DataFrame:
        """Return the profile with the rows read in the runs before it (PROFILE_COLUMNS), for the next run to read."""
        before = [
            (run, table, "", "rows_read", rows, "")
            for run, tables in enumerate(self.earlier.counts[:MOST_RUNS] if self.earlier else (), 1)
            for table, rows in tables.items()
        ]
        told = pd.DataFrame(before, columns=list(PROFILE_COLUMNS)).astype(_PROFILE_TYPES)
        return pd.concat([self.profile.assign(run=0)[list(PROFILE_COLUMNS)].astype(_PROFILE_TYPES), told])

    def wrong(self) -> list[tuple[str, str]]:
        """Return for each fact not as expected its expectation's title, and what was measured, in words."""
        titles = {one.expectation.meta.id: one.expectation.meta.title for one in self.expectations}
        rows = self.outcomes[self.outcomes["outcome"] == NOT_AS_EXPECTED]
        columns = (rows[name] for name in ("expectation", "table", "column", "fact", "value", "expected", "detail"))
        return [(titles[name], _in_words(*row)) for name, *row in zip(*columns, strict=True)]

    def why_not_judged(self) -> dict[str, int]:
        """Return how many facts could not be judged for each reason, the most frequent first."""
        reasons = self.outcomes["detail"][self.outcomes["outcome"] == NOT_JUDGED].value_counts(sort=False)
        return {str(why): int(n) for why, n in reasons.sort_values(ascending=False, kind="stable").items()}

    @property
    def failed(self) -> bool:
        """True where a fact is not as expected, or not one could be judged: silence is not a pass."""
        return self.count(NOT_AS_EXPECTED) > 0 or self.count(AS_EXPECTED) == 0


def _in_words(table: str, column: str, fact: str, value: float, limit: str, detail: str) -> str:
    where = f"{table}.{column}" if column else table
    words = f"{where}: {fact.replace('_', ' ')} {value:.10g}, expected {limit}"
    return f"{words}; {detail}" if detail else words


def _told(suite: Suite, facts: pd.DataFrame, results: list[dict[str, Any]]) -> tuple[tuple[Judged, ...], pd.DataFrame]:
    """Outcomes of facts from what the judge says of each expectation; InternalError where it judged other facts."""
    rows = [dict(zip(FACT_COLUMNS, fact, strict=True)) for fact in facts.itertuples(index=False)]
    judged, outcomes = [], []
    for expectation, result in zip(suite.expectations, results, strict=True):
        meant = [index for index, fact in enumerate(rows) if expectation.picks(fact)]
        name, wrong = expectation.meta.id, set(result["wrong"])
        unmeasured = sum(pd.isna(rows[index]["value"]) for index in meant)
        if result["facts"] != len(meant) or not wrong <= set(meant) or result["missing"] not in (0, unmeasured):
            raise InternalError(f"{name} judged {result['facts']} facts, and is about {len(meant)}")
        lines = [_line(expectation, rows[index], index in wrong) for index in meant]
        lines = lines or [_line(expectation, {"value": float("nan"), "detail": NO_FACT}, False)]
        outcomes += lines
        verdicts = [line["outcome"] for line in lines]
        judged.append(Judged(expectation, *map(verdicts.count, (AS_EXPECTED, NOT_AS_EXPECTED, NOT_JUDGED))))
    text = dict.fromkeys((column for column in HEALTH_COLUMNS if column != "value"), "str")
    return tuple(judged), pd.DataFrame(outcomes, columns=list(HEALTH_COLUMNS)).astype(text)


def _line(expectation: Expectation, fact: dict[str, Any], wrong: bool) -> dict[str, Any]:
    # A value that isn't there breaks no limit: the library counts it as a success.
    kept = NOT_JUDGED if pd.isna(fact["value"]) else AS_EXPECTED
    return {
        **dict.fromkeys(("table", "column", "fact"), ""),
        **fact,
        "expectation": expectation.meta.id,
        "outcome": NOT_AS_EXPECTED if wrong else kept,
        "expected": expectation.expected,
        "put_right": expectation.meta.put_right if wrong else "",
    }
