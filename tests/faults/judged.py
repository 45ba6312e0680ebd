"""What comes of an export: every subject's outcome, and what is told of rows, cells and names."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from audit.findings.collect import outcomes_now
from audit.forms.reads import columns_read
from audit.intake.export import Export
from audit.intake.names import near_pairs
from audit.intake.tables import TABLES
from audit.language.rule import Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline
from tests.faults.clean_export import Tables

IDLE = {
    "build-up-soak-not-timed",
    "cleaner-soak-not-timed",
    "gloss-coats-badly-spaced",
    "gloss-coats-wrong",
    "gloss-over-unstripped",
}
"""Rules for work that nobody does in the clean export."""
RULES = [rule for rule in load_rules(rules_folder()).rules if rule.id not in IDLE]

RECORDS = ("ppe-sign-off-missing", "preservative-on-wrong-material", "lot-expired", "component-serial-differs")

Outcomes = Mapping[tuple[str, str], str]
"""The outcome of each subject, by rule and key."""


@dataclass(frozen=True)
class Judged:
    """The outcome of each subject, and a line for each thing that is told."""

    outcomes: Outcomes
    told: tuple[str, ...]


def judged(export: Export, rules: Sequence[Rule] = RULES) -> Judged:
    """Judge an export by some of the rules that ship."""
    timeline = build_timeline(export)
    outcomes = {(rule.id, key): now for rule in rules for key, now in outcomes_now(rule, timeline).items()}
    wrong = pd.concat([export.rejects, export.faults])
    lines = [
        f"{table}.{column} {value}: {reason}"
        for table, column, value, reason in wrong[["table", "column", "value", "reason"]].itertuples(index=False)
    ]
    return Judged(outcomes, (*lines, *map(str, near_pairs(export.near_names))))


def touched(clean: Tables, faulty: Tables) -> list[Rule]:
    """The rules that read anything in which two exports differ; the others can't know of it.

    A row more or less, or one that may be set aside, touches every column of its table.
    """
    columns: set[tuple[str, str]] = set()
    for name, rows in clean.items():
        now = faulty.get(name)
        if now is None or len(now) != len(rows):
            columns |= {(name, column) for column in ("", *TABLES[name].columns)}
            continue
        # Whether a record counts as work done is asked of each, whatever the rule.
        needed = {*TABLES[name].required, "status"}
        for before, after in zip(rows, now, strict=True):
            differ = {column for column in before if before[column] != after.get(column)}
            columns |= {(name, column) for column in differ} | ({(name, "")} if differ & needed else set())
    read = [rule for rule in RULES if columns_read(rule) & columns]
    # What asks one record at a time is asked of the record itself: a few of these rules stand for all.
    return read if ("tasks", "") not in columns else [one for one in read if one.form != "record" or one.id in RECORDS]


def changes(clean: Outcomes, faulty: Outcomes) -> dict[str, set[str]]:
    """By change of outcome, such as `finding to unjudged`, the rules that have it.

    A subject that only one of the two has is `nothing` in the other; where a rule has as many new ones for those that
    are gone, they go by `another name` (of a boot that isn't known any more, say). What complies is of no interest
    where it is new or gone.
    """
    found: dict[str, set[str]] = {}
    counts: dict[str, Counter[tuple[str, str]]] = {}
    for subject in clean.keys() | faulty.keys():
        before, now = clean.get(subject, "nothing"), faulty.get(subject, "nothing")
        if before != now and {before, now} != {"complies", "nothing"}:
            counts.setdefault(subject[0], Counter())[before, now] += 1
    for rule, count in counts.items():
        gone = count["finding", "nothing"]
        for now in ("finding", "unjudged"):
            if 0 < gone <= count["nothing", now]:
                count["finding", "nothing"] = count["nothing", now] = gone = 0
                found.setdefault(f"finding to {now} by another name", set()).add(rule)
        for (before, after), number in count.items():
            if number:
                found.setdefault(f"{before} to {after}", set()).add(rule)
    return found
