"""A command imports what it uses, and nothing else: what is imported at start is most of a short run."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = """
import sys
import audit.__main__  # which listens for Ctrl-C before all
from audit.cli import main
code = main()
assert code in (0, 1), code
print("imported", *sorted({name.partition(".")[0] for name in sys.modules}))
"""
BASE = {"numpy", "pandas", "pyarrow", "pydantic", "ruamel"}
SELDOM = {
    "alembic",
    "great_expectations",
    "jinja2",
    "pandera",
    "psycopg",
    "python_calamine",
    "rapidfuzz",
    "rich",
    "scipy",
    "sqlalchemy",
    "xlsxwriter",
}


def imported(*arguments: str) -> set[str]:
    """The packages that a command has imported by its end."""
    done = subprocess.run([sys.executable, "-c", PROGRAM, *arguments], capture_output=True, text=True, check=True)
    return set(done.stdout.rpartition("imported")[2].split()) & (BASE | SELDOM)


def test_help_imports_nothing_heavy() -> None:
    """The help of the whole and of a command, and the version, wait for no library but that of the command line."""
    assert imported("--help") == imported("--version") == set()
    assert imported("check", "--help") <= {"pydantic"}  # by which that library reads options


@pytest.mark.parametrize(
    ("options", "more"),
    [
        (("--write", "csv,json"), set[str]()),
        (("--write", "html"), {"jinja2"}),
        (("--write", "xlsx"), {"xlsxwriter"}),
        (("--write", "csv", "--register", "register.sqlite"), {"alembic", "sqlalchemy"}),
    ],
)
def test_a_check_imports_what_its_options_need(
    options: tuple[str, ...], more: set[str], clean_export: Path, tmp_path: Path
) -> None:
    """What makes pages, workbooks and registers is imported where they are wanted; contracts that hold need none."""
    arguments = [str(tmp_path / each) if each.endswith(".sqlite") else each for each in options]
    command = ("check", str(clean_export), "--out", str(tmp_path / "report"), "--skip-health", "--quiet")
    # Where more is found in a week than usual, its chart asks scipy whether chance alone would give that.
    assert imported(*command, *arguments) - {"scipy"} == BASE | more
