"""Rules and small exports for the tests of the forms, spelling out only what matters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from pydantic import TypeAdapter

from audit.authoring.examples import as_of_example, example_export
from audit.forms import any_rule
from audit.forms.judging import judge_rule
from audit.forms.outcomes import Outcomes
from audit.language.rule import Example, Rule
from audit.timeline.timeline import build_timeline
from tests.forms.reasons import unknown

RULES: TypeAdapter[Rule] = TypeAdapter(any_rule())


def rule(form: str, **parts: Any) -> dict[str, Any]:
    """The data of a rule file."""
    return {
        "id": "r",
        "title": "t",
        "form": form,
        "level": 2,
        "basis": [{"source": "common practice, no source"}],
        "why": "w",
        "put_right": "p",
        "examples": [{"name": "a", "expect": "complies"}, {"name": "b", "expect": "finding"}],
        **parts,
    }


def outcomes(data: Mapping[str, Any], as_of: str | None = None, **tables: Any) -> Outcomes:
    """What a rule says of an export; rows name what matters, with the defaults of rule examples for the rest."""
    example = Example.model_validate({"name": "n", "expect": "complies", **tables})
    export = example_export(example)
    timeline = build_timeline(export, as_of_example(example, export) if as_of is None else pd.Timestamp(as_of))
    found = judge_rule(RULES.validate_python(data), timeline)
    assert unknown(found.cases["reason"]) == []
    return found


def verdict(data: Mapping[str, Any], as_of: str | None = None, **tables: Any) -> str:
    """The verdicts on all subjects, most serious first, as `1 finding, 2 comply`; `idle` where there is no subject."""
    found = outcomes(data, as_of, **tables)
    said = {"finding": found.findings, "unjudged": found.unjudged, "complies": found.complies}
    return ", ".join(f"{number} {word}" for word, number in said.items() if number) or "idle"
