"""The explanation of a rule as plain text for a terminal, and as Markdown for the catalogue of rules."""

from __future__ import annotations

import re
from collections.abc import Iterator
from textwrap import wrap

from audit.findings.result import ExampleTable, Explanation, ShownExample
from audit.report.visible import visible

_MARKUP = re.compile(r"([\\`*_<>|\[\]])")
UNLESS = "It is a finding unless all of this holds:"
ALWAYS_JUDGED = "Nothing: every subject can be judged."
GAPS = "What it is known to judge wrongly"
CORRECTED_BY = "Later records that show that it was done"
PUT_RIGHT = "Corrective action, never by altering a record"
WARNING = "Warning, before anything else"
MESSAGES = "What a finding says"


def as_text(explanation: Explanation, width: int) -> str:
    """The explanation in plain text, its lines no longer than `width`."""
    return "\n".join(_lines(explanation, width)) + "\n"


def _lines(found: Explanation, width: int) -> Iterator[str]:
    yield found.rule_id
    yield from wrap(visible(found.title), width)
    yield f"Level {found.level}: {found.level_means}. Form: {found.form}."
    yield from _section("What it checks", width, found.looks_at, UNLESS)
    yield from _items(found.demands, width)
    if found.set_values:
        yield from _section("What settings have changed", width)
        yield from _items(found.set_values, width)
    yield from _section("Why it matters", width, found.why)
    yield from _section("Sources", width)
    yield from _items(found.sources, width)
    for heading, example in _examples(found):
        yield from _section(heading, width, _named(example))
        for table in example.tables:
            yield from _table(table, width)
    if found.messages:
        yield from _section(MESSAGES, width)
        yield from _items(found.messages, width)
    yield from _section(WARNING, width)
    yield from _items(found.warnings, width)
    yield from _section(PUT_RIGHT, width, found.put_right)
    if found.corrected_by:
        yield from _section(CORRECTED_BY, width)
        yield from _items(found.corrected_by, width)
    yield from _section("What leaves it unjudged", width, *(() if found.unjudged_when else (ALWAYS_JUDGED,)))
    yield from _items(found.unjudged_when, width)
    if found.known_gaps:
        yield from _section(GAPS, width)
        yield from _items(found.known_gaps, width)


def _examples(found: Explanation) -> tuple[tuple[str, ShownExample], ...]:
    return ("An example that complies", found.complies), ("An example that is a finding", found.finding)


def _named(example: ShownExample) -> str:
    return "; ".join((example.name, *example.notes))


def _section(title: str, width: int, *paragraphs: str) -> Iterator[str]:
    yield ""
    yield title.upper()
    for paragraph in paragraphs:
        yield from _wrapped(paragraph, width, "  ", "  ")


def _items(items: tuple[str, ...], width: int) -> Iterator[str]:
    for item in items:
        yield from _wrapped(item, width, "  - ", "    ")


def _wrapped(text: str, width: int, first: str, others: str) -> list[str]:
    # An id has hyphens, and is one word.
    return wrap(visible(text), width, initial_indent=first, subsequent_indent=others, break_on_hyphens=False)


def _table(table: ExampleTable, width: int) -> Iterator[str]:
    """The table in columns, or, where that is too wide, a paragraph for each row."""
    yield f"    {table.name}:"
    rows = [[visible(cell) or "-" for cell in row] for row in table.rows]
    lines = [list(table.columns), *rows]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    if sum(widths) + 2 * len(widths) + 4 <= width:
        for line in lines:
            yield ("      " + "  ".join(cell.ljust(wide) for cell, wide in zip(line, widths, strict=True))).rstrip()
        return
    for row in rows:
        cells = ", ".join(f"{name} {cell}" for name, cell in zip(table.columns, row, strict=True))
        yield from _wrapped(cells, width, "      ", "        ")


def as_markdown(explanation: Explanation) -> str:
    """The explanation as a section of a Markdown page, headed by the rule's id."""
    return "\n".join(_markdown(explanation))


def _markdown(found: Explanation) -> Iterator[str]:
    yield f"## {found.rule_id}\n"
    yield f"{_plain(found.title)}. Level {found.level}: {found.level_means}. Form: `{found.form}`.\n"
    yield f"**What it checks.** {_plain(found.looks_at)} {UNLESS}\n"
    yield from _bullets(found.demands)
    yield f"**Why it matters.** {_plain(found.why)}\n"
    yield "**Sources.**\n"
    yield from _bullets(found.sources)
    for heading, example in _examples(found):
        yield f"**{heading}:** {_plain(_named(example))}.\n"
        for table in example.tables:
            head = [f"{table.name}: `{table.columns[0]}`", *(f"`{name}`" for name in table.columns[1:])]
            yield f"| {' | '.join(head)} |"
            yield f"|{'---|' * len(head)}"
            for row in table.rows:
                yield f"| {' | '.join(_plain(cell) for cell in row)} |"
            yield ""
    if found.messages:
        yield f"**{MESSAGES}.**\n"
        yield from _bullets(found.messages)
    yield f"**{WARNING}.**\n"
    yield from _bullets(found.warnings)
    yield f"**{PUT_RIGHT}.** {_plain(found.put_right)}\n"
    if found.corrected_by:
        yield f"**{CORRECTED_BY}.**\n"
        yield from _bullets(found.corrected_by)
    yield f"**What leaves it unjudged.**{'' if found.unjudged_when else f' {ALWAYS_JUDGED}'}\n"
    yield from _bullets(found.unjudged_when)
    if found.known_gaps:
        yield f"**{GAPS}.**\n"
        yield from _bullets(found.known_gaps)


def _bullets(items: tuple[str, ...]) -> Iterator[str]:
    if items:
        yield "\n".join(f"- {_plain(item)}" for item in items) + "\n"


def _plain(text: str) -> str:
    """Text that Markdown shows as it is."""
    return _MARKUP.sub(r"\\\1", visible(text))
