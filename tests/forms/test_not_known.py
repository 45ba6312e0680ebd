"""What was not exported, or can't be read, is doubt: nothing is found, or passed, by what an export doesn't say."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache

import pytest

from audit.authoring.examples import as_of_example, example_rows
from audit.findings.collect import evidence_of
from audit.forms import FORMS, form_of
from audit.forms.judging import every_subject
from audit.forms.reads import columns_needed, columns_read
from audit.intake.reading import read_rows
from audit.intake.tables import TABLES
from audit.language.rule import Rule
from audit.timeline.timeline import Timeline, build_timeline
from audit.timeline.vocabulary import VOCABULARY
from tests.forms.rules import RULES, rule
from tests.shapes import ASKED, FLEET

ROWS: Mapping[str, Sequence[Mapping[str, str]]] = {
    table: [dict.fromkeys(TABLES[table].columns, "") | dict(row) for row in rows]
    for table, rows in example_rows(FLEET).items()
}
"""A fleet with every column that each of its tables may have."""
AS_OF = as_of_example(FLEET, read_rows(ROWS))


def asking(name: str) -> Rule:
    """A rule that asks whether a column is there."""
    of = {"correction": "corrections", "corrector": "corrections"}.get(name.partition(".")[0], "tasks")
    return RULES.validate_python(rule("record", of=of, require={name: {"present": True}}))


def needed() -> Iterator[tuple[str, str, str]]:
    """Every column of the vocabulary, with each column that an export may lack and without which it isn't known."""
    for name in VOCABULARY:
        if not name.startswith("alteration."):
            yield from (
                (name, table, column)
                for table, column in sorted(columns_needed(asking(name)))
                if column and not TABLES[table].columns[column].required
            )


@pytest.mark.parametrize(("name", "table", "column"), list(needed()))
def test_what_was_not_exported_is_not_known(name: str, table: str, column: str) -> None:
    rows = {**ROWS, table: [{key: cell for key, cell in row.items() if key != column} for row in ROWS.get(table, ())]}
    found = every_subject(asking(name), build_timeline(read_rows(rows)))
    assert set(found["outcome"]) <= {"unjudged"}
    assert set(found["reason"]) <= {f"column not supplied: {table}.{column}"}


BY_DEFAULT = {("tasks", "status"), ("flights", "cycles"), ("flights", "origin"), ("flights", "destination")}
"""What an export need not have: a record without a status is closed, a flight without cycles is one, and without its
stations no leg is missed."""
OTHER_STRETCHES = {("tasks", "product"), ("tasks", "position")}
"""Where nobody knows which records are treatments, a stretch goes on until one that surely is."""


@cache
def without(table: str = "", column: str = "") -> Timeline:
    """The fleet without a column of a table."""
    return placed(
        {
            name: [{key: cell for key, cell in row.items() if (name, key) != (table, column)} for row in of]
            for name, of in ROWS.items()
        }
    )


def placed(rows: Mapping[str, Sequence[Mapping[str, str]]]) -> Timeline:
    return build_timeline(read_rows(rows), AS_OF)


def verdicts(asked: Rule, timeline: Timeline) -> dict[tuple[str, ...], str]:
    """The outcome of each subject of a rule, by the keys that name it."""
    cases = every_subject(asked, timeline)
    keys = form_of(asked).identity(asked, cases, evidence_of(cases, timeline), timeline)
    return dict(zip(keys, cases["outcome"], strict=True))


@cache
def as_written(name: str) -> dict[tuple[str, ...], str]:
    """What a rule says of the whole fleet."""
    return verdicts(ASKED[name], without())


@pytest.mark.parametrize("name", ASKED)
def test_a_verdict_stands_whatever_was_not_exported(name: str) -> None:
    """What is judged without a column is judged the same with it: one is what the other may have been."""
    asked = ASKED[name]
    every, read = as_written(name), columns_read(asked) - BY_DEFAULT
    if asked.form == "interval":
        read -= OTHER_STRETCHES
    for table, column in sorted(read):
        if table in ROWS and column and not TABLES[table].columns[column].required:
            for key, outcome in verdicts(asked, without(table, column)).items():
                assert outcome == "unjudged" or outcome == every.get(key, outcome), (table, column, key)


UNREADABLE = dict.fromkeys(("time", "date", "number", "count", "choice"), "?")
"""What no cell of a kind of column can say; of other kinds one that is required can't be blank."""
CELLS = [
    (table, name, UNREADABLE.get(column.kind, ""))
    for table in ROWS
    for name, column in TABLES[table].columns.items()
    if (column.kind in UNREADABLE or column.required) and any(row[name] for row in ROWS[table])
]
SOME = [name for name in ASKED if name.split(":")[0] in {f"{form} {number}" for form in FORMS for number in (1, 4, 7)}]
"""Three rules of each form."""

SHOWS_NO_LEG = ("flights", "aircraft")
"""Of a flight that doesn't tell whose it was nobody knows that a leg is missing before or after it."""


@pytest.mark.parametrize(("table", "column", "cell"), CELLS)
def test_a_verdict_stands_whatever_can_not_be_read(table: str, column: str, cell: str) -> None:
    """What is judged beside a cell that can't be read, or a row that is set aside, is judged the same where it can."""
    # Some rows of each column, others of the next one: all of them take minutes.
    step = 1 + len(ROWS[table]) // 3
    for row in range(CELLS.index((table, column, cell)) % step, len(ROWS[table]), step):
        spoiled = [cells | ({column: cell} if number == row else {}) for number, cells in enumerate(ROWS[table])]
        timeline = placed({**ROWS, table: spoiled})
        for name in SOME:
            read = columns_read(ASKED[name]) | {("tasks", "status")}
            # A row that lacks a required cell is set aside: that matters to all that read the table.
            if (table, "" if TABLES[table].columns[column].required else column) in read:
                every = as_written(name)
                for key, outcome in verdicts(ASKED[name], timeline).items():
                    # A stretch without its treatment goes on, and may be too long, until another that surely is one.
                    apart = table != "flights" and name.startswith("interval") and outcome == "finding"
                    apart |= (table, column) == SHOWS_NO_LEG and every.get(key) == "unjudged"
                    assert apart or outcome in ("unjudged", every.get(key, outcome)), (name, row, key)
