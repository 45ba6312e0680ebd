"""Judging invented rules: what a test writes down, and what it gets back."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from audit.forms import any_rule
from audit.language.rule import Rule

RULES: TypeAdapter[Rule] = TypeAdapter(any_rule())


def rule(form: str, **parts: Any) -> Rule:
    """A rule of that form, as a rule file would give it."""
    return RULES.validate_python(
        {
            "id": "invented",
            "title": "Invented for a test",
            "form": form,
            "level": 2,
            "basis": [{"source": "common practice, no source"}],
            "why": "To be judged.",
            "put_right": "Nothing.",
            "examples": [{"name": "one", "expect": "complies"}, {"name": "another", "expect": "finding"}],
            **parts,
        }
    )
