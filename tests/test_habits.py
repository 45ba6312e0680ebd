"""Habits that a number can watch."""

from __future__ import annotations

import ast
from collections.abc import Iterator

from tests.generated_docs import ROOT

LONGEST = 60
"""Lines of a function, so that one can be read without turning a page."""


def long_functions() -> Iterator[str]:
    """The functions of the package that are longer."""
    for path in sorted((ROOT / "audit").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and (lines := (node.end_lineno or 0) - node.lineno + 1) > LONGEST:
                yield f"{path.relative_to(ROOT)}: {node.name} has {lines} lines"


def test_no_function_is_longer_than_a_page() -> None:
    """Nowhere in the package."""
    assert list(long_functions()) == []
