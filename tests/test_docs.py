"""What the README says is what the code does. `make docs` writes the tables that are made from the code."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from audit.exit_codes import ExitCode
from audit.forms import FORMS
from audit.intake.tables import TABLES, Column, Kind, Table
from audit.report.files import contents
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from tests.report.conftest import make_result

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"

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


def rule_table() -> str:
    """The rules that ship, most serious first."""
    rules = sorted(load_rules(rules_folder()).rules, key=lambda rule: (rule.level, rule.id))
    rows = [f"| {rule.id} | {rule.title} | {rule.form} | {rule.level} |" for rule in rules]
    return "\n".join(["| rule | a finding is | form | level |", "|---|---|---|---|", *rows])


def column_tables() -> str:
    """Every canonical table with its columns."""
    return "\n\n".join(map(column_table, TABLES.values()))


def column_table(table: Table) -> str:
    key = " + ".join(f"`{name}`" for name in table.key)
    rows = [
        f"| `{column.name}` | {'yes' if column.needed else ''} | {column.label} | {cell(column)} |"
        for column in table.columns.values()
    ]
    head = ["| column | needed | what it is | cell |", "|---|---|---|---|"]
    return "\n".join([f"#### {table.name}", "", f"Key: {key}.", "", *head, *rows])


def cell(column: Column) -> str:
    return " ".join([CELLS[column.kind], ", ".join(column.choices)]).strip()


MADE = {"rules": rule_table, "columns": column_tables}


def with_made_text(text: str) -> str:
    """The text of a page, with what stands between its markers made anew."""
    for name, make in MADE.items():
        begin, end = f"<!-- {name}: made by `make docs` -->\n", f"<!-- end of {name} -->"
        before, _, rest = text.partition(begin)
        _, found, after = rest.partition(end)
        assert found, f"the markers of {name} are gone"
        text = f"{before}{begin}\n{make()}\n\n{end}{after}"
    return text


def section(page: Path, title: str) -> str:
    """One section of a page, its subsections included."""
    [found] = re.findall(
        rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", page.read_text("utf-8"), re.DOTALL | re.MULTILINE
    )
    return str(found)


def first_cells(text: str) -> list[str]:
    """The first cells of a section's table rows, without the head."""
    return [cell.strip("` ") for cell in re.findall(r"^\| *([^|\n]+?) *\|", text, re.MULTILINE)][2:]


def test_made_tables_are_up_to_date() -> None:
    """The tables of rules and columns say what the code says; `make docs` writes them."""
    text = README.read_text(encoding="utf-8")
    assert text == with_made_text(text)


def test_every_exit_code_is_explained() -> None:
    """The README lists each exit code once, and no other."""
    assert first_cells(section(README, "Exit codes")) == [str(code.value) for code in ExitCode]


def test_every_output_is_explained() -> None:
    """The README lists each file of a report, and no other."""
    assert sorted(first_cells(section(README, "What comes out"))) == sorted(contents(make_result()))


def test_every_form_is_explained() -> None:
    """The README lists each rule form, and no other."""
    assert first_cells(section(README, "Rule forms")) == list(FORMS)


def targets() -> set[str]:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    return set(re.findall(r"^([a-z-]+):", makefile, re.MULTILINE))


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=lambda page: page.name)
def test_make_targets_exist(page: Path) -> None:
    """No page names a make target that isn't there."""
    named = set(re.findall(r"(?:`|^ {4})make ([a-z-]+)", page.read_text(encoding="utf-8"), re.MULTILINE))
    assert named
    assert named <= targets()


def paths(page: Path) -> Iterator[str]:
    """Everything in code quotes that looks like a place in the checkout, not in the wheel."""
    for quoted in re.findall(r"`([\w.-]+(?:/[\w.-]+)*/?)`", page.read_text(encoding="utf-8")):
        if "shipped_data" not in quoted and quoted.split("/")[0] in {
            "audit",
            "benchmarks",
            "rules",
            "sample_records",
            "tests",
            ".ci",
        }:
            yield quoted


def test_places_in_the_code_exist() -> None:
    """Every file and folder that the contributors' guide names is there."""
    named = set(paths(DEVELOPERS))
    assert len(named) > 10
    assert {name for name in named if not (ROOT / name).exists()} == set()


def test_every_room_is_on_the_map() -> None:
    """The contributors' guide says what each part of the package is for."""
    rooms = {f"{path.parent.name}/" for path in (ROOT / "audit").glob("*/__init__.py")}
    modules = {path.name for path in (ROOT / "audit").glob("[a-z]*.py")}
    assert set(first_cells(section(DEVELOPERS, "The rooms"))) == rooms | modules


if __name__ == "__main__":
    README.write_text(with_made_text(README.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
