"""Nobody but the forms asks which form a rule has: a new form can't be forgotten where nobody lists them."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest

from audit.forms import FORMS
from tests.generated_docs import ROOT

MODELS = {form.rule.__name__ for form in FORMS.values()}


def places(source: str) -> Iterator[tuple[int, str]]:
    """Where code asks for a rule's form: by a model's name, by comparing `form`, or by a list of forms of its own."""
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.alias(name=name) if name in MODELS:
                yield getattr(node, "lineno", 0), f"names the model {name}"
            case ast.Compare(left=left, comparators=others) if any(map(_is_form, (left, *others))):
                yield node.lineno, "compares a form"
            case ast.Match(subject=subject) if _is_form(subject):
                yield node.lineno, "matches a form"
            case ast.Subscript(value=ast.Dict(), slice=asked) if _is_form(asked):
                yield node.lineno, "looks a form up in a table of its own"
            case ast.List(elts=items) | ast.Tuple(elts=items) | ast.Set(elts=items) if _name_forms(items):
                yield node.lineno, "lists forms"
            case ast.Dict(keys=keys) if _name_forms([key for key in keys if key is not None]):
                yield node.lineno, "lists forms"
            case _:
                pass


def _is_form(node: ast.expr) -> bool:
    return isinstance(node, ast.Attribute) and node.attr == "form"


def _name_forms(items: list[ast.expr]) -> bool:
    """Whether two or more forms are named, and nothing else is."""
    texts = [item.value for item in items if isinstance(item, ast.Constant)]
    return len(items) == len(texts) > 1 and all(text in FORMS for text in texts)


def test_no_other_room_knows_a_form() -> None:
    """Nowhere outside `audit/forms` does code depend on a rule's form."""
    known = {
        f"{path.relative_to(ROOT)}:{line}: {what}"
        for path in sorted((ROOT / "audit").rglob("*.py"))
        if path.parent.name != "forms"
        for line, what in places(path.read_text(encoding="utf-8"))
    }
    assert known == set()


@pytest.mark.parametrize(
    "source",
    [
        "if isinstance(rule, HoldRule): pass",
        "from audit.forms.hold import HoldRule",
        "match rule:\n    case HoldRule(): pass",
        "wait = rule.form == 'hold'",
        "wait = rule.form in KINDS",
        "match rule.form:\n    case 'hold': pass",
        "words = {'hold': 1, 'order': 2}",
        "Form = Literal['hold', 'order']",
        "if one.form != other.form: pass",
    ],
)
def test_each_way_of_asking_is_noticed(source: str) -> None:
    """The count above would see any of them."""
    assert list(places(source))


@pytest.mark.parametrize("source", ["print(rule.form)", "form_of(rule).evaluate(rule)", "('record', 'flight')"])
def test_showing_a_form_is_no_question(source: str) -> None:
    """A form's name may be shown, and its value asked."""
    assert not list(places(source))
