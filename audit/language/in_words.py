"""What a rule file says, in words for people who don't read rule files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from typing import Any

from audit.figures import quantity
from audit.language.condition import Condition, Conditions, Needed, OtherColumn
from audit.language.rule import Basis
from audit.timeline.vocabulary import VOCABULARY

MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_LABELS = Counter(column.label for column in VOCABULARY.values())
_LISTED = {
    "product.product": "the product is {}listed in products",
    "component.component_serial": "a boot is {}known at that position and time",
    "lot.lot": "the lot is {}listed in lots",
    "manual.revision": "the manual and its revision are {}listed in manuals",
    "performer.authorisation": "the performer holds {}authorisation valid on the day of the work",
    "certifier.authorisation": "the certifier holds {}authorisation valid on the day of the signature",
    "performer.certificates": "the performer holds {}certificate valid on the day of the work",
    "corrector.authorisation": "the corrector holds {}authorisation valid on the day of the correction",
    "corrector.certificates": "the corrector holds {}certificate valid on the day of the correction",
    "alteration.correction": "{}correction says the same",
    "certifier.certificates": "the certifier holds {}certificate valid on the day of the signature",
}
"""What it means that the joined row is there, or not."""


def name_in_words(column: str) -> str:
    """What people call a column; a column of a list says of which, where the record has one of that name too."""
    found = VOCABULARY[column]
    if _LABELS[found.label] > 1 and "." in column:
        return f"{found.label} in {found.table}"
    return found.label


def conditions_in_words(conditions: Conditions) -> tuple[str, ...]:
    """A phrase for each condition, all of which must hold: `action is apply`."""
    phrases = [
        phrase for name, condition in conditions.columns.items() for phrase in _condition_in_words(name, condition)
    ]
    if conditions.any_of:
        options = [all_of(conditions_in_words(option)) for option in conditions.any_of]
        # Within alternatives, brackets show how far an `and` reaches.
        options = [f"({option})" if " and " in option and len(options) > 1 else option for option in options]
        phrases.append(f"either {' or '.join(options)}" if len(options) > 1 else options[0])
    return tuple(phrases)


def all_of(phrases: Iterable[str]) -> str:
    """The phrases as one: `a`, `a and b`, `a, b and c`."""
    return list_in_words(tuple(phrases), "and")


def list_in_words(words: Sequence[str], last: str) -> str:
    """`a`, `a and b`, `a, b and c`, with `last` before the last."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"


def _condition_in_words(name: str, condition: Condition) -> Iterator[str]:
    said = []
    for operator, operand in condition.operators():
        if operator == "present" and name in _LISTED:
            yield presence_in_words(name, bool(operand))
        else:
            said.append(_asked_in_words(name, operator, operand))
    if said:
        yield f"{name_in_words(name)} {' and '.join(said)}"


def _asked_in_words(name: str, operator: str, operand: Any) -> str:
    ordered = VOCABULARY[name].kind in ("time", "date")
    value = _value_in_words(_named_in_words(name, operand), "and" if operator == "includes_all" else "or")
    match operator:
        case "present":
            return _presence(name, bool(operand))
        case "in_" if isinstance(operand, OtherColumn):
            return f"is one of {value}"
        case "is_" | "in_":
            return f"is {value}"
        case "not_in" if isinstance(operand, OtherColumn) or len(operand) > 1:
            return f"is none of {value}"
        case "not_" | "not_in":
            return f"is not {value}"
        case "includes_all":
            return f"includes {value}"
        case "at_least":
            return f"is not before {value}" if ordered else f"is at least {value}"
        case "at_most":
            return f"is not after {value}" if ordered else f"is at most {value}"
        case "before" | "after":
            return f"is {operator} {value}"
        case _:
            raise AssertionError(f"no words for the operator {operator}")


def _named_in_words(name: str, operand: Any) -> Any:
    """An operand that names columns, by what people call these; any other as it is."""
    if name not in ("correction.column", "alteration.column"):
        return operand
    return tuple(map(label_of, operand)) if isinstance(operand, tuple) else label_of(str(operand))


def _presence(name: str, wanted: bool) -> str:
    where = "recorded" if VOCABULARY[name].table == "tasks" else f"given in {VOCABULARY[name].table}"
    return f"is {'' if wanted else 'not '}{where}"


def presence_in_words(name: str, wanted: bool) -> str:
    """That a value is there, or that it isn't: `approval for use on boots is not given in products`."""
    if name not in _LISTED:
        return f"{name_in_words(name)} {_presence(name, wanted)}"
    if name == "alteration.correction":
        return _LISTED[name].format("a " if wanted else "no ")
    if "holds" in _LISTED[name]:
        article = "a " if name.endswith("certificates") else "an "
        return _LISTED[name].format(article if wanted else "no ")
    return _LISTED[name].format("" if wanted else "not ")


def _value_in_words(operand: Any, last: str) -> str:
    if isinstance(operand, OtherColumn):
        return f"the {name_in_words(operand.column)}"
    if isinstance(operand, Needed):
        asked = f"what the {name_in_words(operand.column)} require by the table {operand.by.name}"
        return list_in_words((*operand.always, asked), last)
    if isinstance(operand, tuple):
        return list_in_words(tuple(str(one) for one in operand), last)
    return str(operand)


def duration_in_words(duration: timedelta) -> str:
    """`24 hours`, `1 hour 30 minutes`."""
    minutes, seconds = divmod(duration.total_seconds(), 60)
    hours, minutes = divmod(int(minutes), 60)
    parts = [quantity(hours, "hour"), quantity(minutes, "minute"), quantity(seconds, "second")]
    return " ".join(part for part in parts if not part.startswith("0 ")) or "0 minutes"


def day_of_year_in_words(day: tuple[int, int]) -> str:
    """`1 October` for (10, 1)."""
    return f"{day[1]} {MONTHS[day[0] - 1]}"


def basis_in_words(basis: Basis) -> str:
    """A source with its section, the days on which it was in force, and what is to be said of it."""
    text = basis.source if basis.section is None else f"{basis.source}, {basis.section}"
    if basis.from_ is not None and basis.to is not None:
        text += f" (in force {basis.from_} to {basis.to})"
    elif basis.from_ is not None:
        text += f" (in force from {basis.from_})"
    elif basis.to is not None:
        text += f" (in force until {basis.to})"
    return text if basis.note is None else f"{text}: {basis.note}"


def label_of(name: str) -> str:
    """What a column is called; one that only a table has stays as it is written."""
    return VOCABULARY[name].label if name in VOCABULARY else name
