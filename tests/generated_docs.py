"""Everything written that is made from the code or the rules: `make docs` writes it.

These are parts of the pages in PAGES, the catalogue page of each rule pack, and the schema of rule files.

`python -m tests.generated_docs` says which pages are out of date and exits with 1 if one is; with `--write` it writes
them.
"""

from __future__ import annotations

import ast
import inspect
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import typer

from audit.authoring import examples
from audit.authoring.editor_schema import editor_schema
from audit.authoring.explaining import explain
from audit.cli import NAME, app
from audit.findings.result import (
    ALTERED_COLUMNS,
    COVERAGE_COLUMNS,
    FINDING_COLUMNS,
    GONE_COLUMNS,
    STANDING_COLUMNS,
    UNJUDGED_COLUMNS,
)
from audit.forms import FORMS
from audit.forms.naming import COMMON
from audit.intake.quarantine import REJECT_COLUMNS
from audit.intake.tables import TABLES, Column, Kind, Table
from audit.language.condition import OPERATORS
from audit.language.rule import Rule
from audit.language.wording import FINDING
from audit.report.explained import as_markdown
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.vocabulary import VOCABULARY

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
EXPORTS = ROOT / "sample_records/README.md"
RULES = ROOT / "rules/README.md"
REPORTS = ROOT / "reports/README.md"
FIGURES = ROOT / "benchmarks/README.md"
MODULES = ROOT / "audit/README.md"
PAGES = (README, DEVELOPERS, EXPORTS, RULES, REPORTS, FIGURES, MODULES)
ROOMS = (
    *(".", "yaml", "intake", "health", "timeline", "language"),
    *(
        "evidence",
        "forms",
        "rulebook",
        "authoring",
        "scenes",
        "due",
        "trends",
        "findings",
        "register",
        "report",
        "sampling",
        "drill",
        "cli",
    ),
)
WIDTH = 100
CATALOGUE = "CATALOGUE.md"
COMMAND = "make docs, or .venv/bin/python -m tests.generated_docs --write"

CELLS: dict[Kind, str] = {
    "id": "text",
    "code": "text",
    "choice": "one of",
    "codes": "list, `;` between",
    "text": "free text",
    "time": "date and time",
    "date": "date",
    "number": "number",
    "count": "whole number",
}


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """A Markdown table."""
    lines = [f"| {' | '.join(row)} |" for row in (head, *rows)]
    return "\n".join([lines[0], "|---" * len(head) + "|", *lines[1:]])


def packs() -> dict[str, list[Rule]]:
    """The rules that ship, by the folder that they are in."""
    book = load_rules(rules_folder())
    found: dict[str, list[Rule]] = {}
    for rule, file in zip(book.rules, book.rule_files, strict=True):
        found.setdefault(file.name.partition("/")[0], []).append(rule)
    return found


def rule_table() -> str:
    """The rules that ship, most serious first, each with a link to its page of the catalogue."""
    rules = sorted(
        ((rule, pack) for pack, listed in packs().items() for rule in listed),
        key=lambda one: (one[0].level, one[0].id),
    )
    rows = [
        (f"[{rule.id}]({pack}/{CATALOGUE}#{rule.id})", rule.title, rule.form, str(rule.level)) for rule, pack in rules
    ]
    return table(("rule", "a finding is", "form", "level"), rows)


def form_table() -> str:
    """Every rule form, with when something is a finding, and what is judged."""
    rows = [(f"`{form.name}`", form.finding, form.subjects, form.pattern) for form in FORMS.values()]
    return table(("form", "a finding when", "subject", "published pattern"), rows)


def message_table() -> str:
    """The names that messages may use, and the kinds of message, form by form."""
    named = [("every form", f"`{{{name}}}`", means) for name, means in COMMON.items()]
    kinds = [("every form", f"`{FINDING}`", "every finding without a message of its kind")]
    for form in FORMS.values():
        named += [(f"`{form.name}`", f"`{{{name}}}`", means) for name, means in form.values.items()]
        kinds += [(f"`{form.name}`", f"`{kind}`", when) for kind, when in form.kinds.items()]
    return f"{table(('form', 'name', 'what it stands for'), named)}\n\n{table(('form', 'kind', 'serves where'), kinds)}"


def identity_table() -> str:
    """What the id of a finding is made from, form by form."""
    rows = [(f"`{form.name}`", form.named_by) for form in FORMS.values()]
    return table(("form", "what the id is made from, besides the rule"), rows)


def column_tables() -> str:
    """Every canonical table with its columns."""
    return "\n\n".join(map(column_table, TABLES.values()))


def column_table(canonical: Table) -> str:
    """One canonical table with its columns."""
    key = " + ".join(f"`{name}`" for name in canonical.key)
    rows = [
        (f"`{column.name}`", "yes" if column.required else "", column.label, cell(column))
        for column in canonical.columns.values()
    ]
    return f"#### {canonical.name}\n\nKey: {key}.\n\n{table(('column', 'required', 'what it is', 'cell'), rows)}"


def cell(column: Column) -> str:
    """What a cell of the column holds."""
    return " ".join([CELLS[column.kind], ", ".join(column.choices)]).strip()


def check_help() -> str:
    """What `deicer-audit check --help` prints, on a terminal of a fixed width."""
    command = typer.main.get_command(app).commands["check"]  # type: ignore[attr-defined]
    context = command.context_class(command, info_name=f"{NAME} check", terminal_width=WIDTH)
    lines = command.get_help(context).splitlines()
    return "```text\n" + "\n".join(line.rstrip() for line in lines) + "\n```"


def output_columns() -> str:
    """The columns of every CSV file of a report, in their order."""
    files = {
        "findings.csv": (*FINDING_COLUMNS, *STANDING_COLUMNS),
        "gone.csv": GONE_COLUMNS,
        "altered.csv": ALTERED_COLUMNS,
        "unjudged.csv": UNJUDGED_COLUMNS,
        "coverage.csv": COVERAGE_COLUMNS,
        "quarantine.csv": REJECT_COLUMNS,
    }
    rows = [(f"`{name}`", ", ".join(f"`{column}`" for column in columns)) for name, columns in files.items()]
    return table(("CSV file", "columns"), rows)


def module_map() -> str:
    """Each module with the first line of its docstring, room by room."""
    rows = []
    for room in ROOMS:
        for path in sorted((ROOT / "audit" / room).glob("*.py")):
            if path.name != "__init__.py":
                text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
                rows.append((f"`{path.relative_to(ROOT / 'audit').as_posix()}`", text.splitlines()[0]))
    return table(("module", "what it is"), rows)


def operator_table() -> str:
    """What a condition can ask of which kind of column."""
    rows = [(f"`{name.rstrip('_')}`", ", ".join(kinds)) for name, kinds in OPERATORS.items()]
    return table(("operator", "kinds of column"), rows)


def vocabulary_table() -> str:
    """Every column that a condition may name."""
    rows = [(f"`{name}`", column.kind, column.label, column.table) for name, column in VOCABULARY.items()]
    return table(("column", "kind", "what it is", "from"), rows)


def example_defaults() -> str:
    """What the rows of an example hold unless they say otherwise."""
    return inspect.cleandoc(examples.__doc__ or "").partition("\n\n")[2]


def catalogue_page(pack: str, rules: Sequence[Rule]) -> str:
    """Every rule of a pack explained, as `deicer-audit explain` does."""
    rows = [(f"[{rule.id}](#{rule.id})", rule.title, rule.form, str(rule.level)) for rule in rules]
    sections = "\n".join(as_markdown(explain(rule)) for rule in rules)
    return (
        f"# {pack}\n\nMade from the rule files in this folder by `make docs`; "
        f"`{NAME} explain RULE` prints the same.\n\n"
        f"{table(('rule', 'a finding is', 'form', 'level'), rows)}\n\n{sections}"
    )


def made_whole() -> dict[Path, str]:
    """The files of which every word is made, with their text."""
    pages = {ROOT / "rules" / pack / CATALOGUE: catalogue_page(pack, rules) for pack, rules in packs().items()}
    return {**pages, ROOT / "rules/rule.schema.json": editor_schema()}


MADE: Mapping[Path, Mapping[str, Callable[[], str]]] = {
    REPORTS: {"help": check_help, "output columns": output_columns, "finding ids": identity_table},
    EXPORTS: {"columns": column_tables},
    MODULES: {"modules": module_map},
    RULES: {
        "rules": rule_table,
        "forms": form_table,
        "message names": message_table,
        "operators": operator_table,
        "vocabulary": vocabulary_table,
        "example defaults": example_defaults,
    },
}


def made_anew(page: Path) -> str:
    """The text of a page, with what stands between its markers made anew. ValueError where a marker is gone."""
    text = page.read_text(encoding="utf-8")
    for name, make in MADE[page].items():
        begin, end = f"<!-- {name}: made by `make docs` -->\n", f"<!-- end of {name} -->"
        if text.count(begin) != 1 or text.count(end) != 1 or text.index(begin) > text.index(end):
            raise ValueError(f"{page.name}: expected the markers of {name} once, in order")
        before, _, rest = text.partition(begin)
        after = rest.partition(end)[2]
        text = f"{before}{begin}\n{make()}\n\n{end}{after}"
    return text


def stale() -> dict[Path, str]:
    """The files that don't say what they would if they were made now, with the text they should have."""
    made = {page: made_anew(page) for page in MADE} | made_whole()
    return {page: text for page, text in made.items() if not page.exists() or page.read_text("utf-8") != text}


def main(arguments: list[str]) -> int:
    """Write the pages, or only say which are out of date."""
    if arguments not in ([], ["--write"]):
        print("usage: python -m tests.generated_docs [--write]", file=sys.stderr)
        return 2
    found = stale()
    for page, text in found.items():
        if arguments:
            page.write_text(text, encoding="utf-8", newline="\n")
        print(f"{page.relative_to(ROOT).as_posix()} {'written' if arguments else f'is out of date: {COMMAND}'}")
    return 1 if found and not arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
