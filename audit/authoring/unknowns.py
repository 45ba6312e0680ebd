"""What leaves a subject of a rule unjudged, worked out from the rule's form and the columns and tables it reads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from audit.forms import form_of
from audit.forms.describing import NO_BOOT_KNOWN, not_supplied
from audit.language.condition import BootConditions, Conditions, Needed
from audit.language.in_words import name_in_words
from audit.language.rule import Rule, conditions_of
from audit.timeline.records import UNCLEAR_CORRECTION
from audit.timeline.vocabulary import VOCABULARY

_NEVER_BLANK = ("work_date", "work_minutes", "correction.state", "alteration.in_export", "alteration.hours_late")
_PEOPLE = ("performer", "certifier", "corrector")
_KEYS = {"product": "product.product", "lot": "lot.lot", "manual": "manual.revision"}
"""The column of each list that is present exactly where the record's row is listed."""
_NOT_LISTED = {
    "product": "the product is not recorded, or not listed in products",
    "lot": "the lot or its product is not recorded, or not listed in lots",
    "manual": "the manual or its revision is not recorded, or not listed in manuals",
    "performer": "the performer is not recorded, or holds nothing valid on the day of the work",
    "certifier": "the certifier is not recorded, or holds nothing valid on the day of the signature",
    "corrector": "the corrector holds nothing valid on the day of the correction",
}


def unjudged_when(rule: Rule) -> tuple[str, ...]:
    """What can leave a subject of the rule unjudged, a phrase each; none where every subject can be judged."""
    return tuple(dict.fromkeys((*_by_columns(rule), *form_of(rule).unjudged_when(rule))))


def _by_columns(rule: Rule) -> Iterator[str]:
    """What may be missing of the columns that conditions read."""
    given = _surely_given(rule.scope)
    blank: dict[str, None] = {}
    for conditions in conditions_of(rule):
        # Of a boot itself nothing but its own cells can be missing.
        if not isinstance(conditions, BootConditions):
            known = given | _surely_given(conditions)
            yield from _in_lists(conditions)
            yield from _not_listed(sorted(_asked(conditions, known)), known)
        else:
            known = set()
        blank |= dict.fromkeys(name for name in sorted(_asked(conditions, known)) if _may_be_blank(name))
    for name in blank:
        where = "recorded" if VOCABULARY[name].table == "tasks" else f"given in {VOCABULARY[name].table}"
        yield f"{name_in_words(name)} is not {where}"
    selecting = (one for one in conditions_of(rule) if not isinstance(one, BootConditions))
    tables = dict.fromkeys(VOCABULARY[name].table for conditions in selecting for name in sorted(conditions.names()))
    # Whether two boots are recorded in one place isn't even known to be a blank.
    if "components" in tables:
        yield NO_BOOT_KNOWN
    # Without the table that a rule looks at there is nothing to be judged.
    yield from (not_supplied(table) for table in tables if table not in ("tasks", getattr(rule, "of", "tasks")))
    if any("correction.state" in conditions.names() for conditions in conditions_of(rule)):
        yield UNCLEAR_CORRECTION


def _not_listed(names: Iterable[str], known: set[str]) -> Iterator[str]:
    """What may not be found of the lists that columns are joined from."""
    for name in names:
        table = _joined_from(name)
        if table == "component":
            yield NO_BOOT_KNOWN
        elif table in _PEOPLE or (table and _KEYS[table] not in known):
            yield _NOT_LISTED[table]


def _joined_from(name: str) -> str:
    """What a column is joined from; blank for one of the record itself."""
    if name == "product_class":
        return "product"
    prefix, _, own = name.partition(".")
    return prefix if own and prefix not in ("correction", "alteration") else ""


def _in_lists(conditions: Conditions) -> Iterator[str]:
    for name, condition in conditions.columns.items():
        for operator, operand in condition.operators():
            if operator == "includes_all" and not _joined_from(name):
                yield f"{name_in_words(name)}: what is required is recorded, but written otherwise"
            if isinstance(operand, Needed):
                yield f"one of the {name_in_words(operand.column)} is not in the table {operand.by.name}"
    for option in conditions.any_of:
        yield from _in_lists(option)


def _asked(conditions: Conditions, known: set[str]) -> set[str]:
    """The columns whose missing value leaves a condition undecided."""
    asked = set()
    for name, condition in conditions.columns.items():
        operators = dict(condition.operators())
        if set(operators) != {"present"} and name not in known:
            asked.add(name)
        asked |= {operand.column for operand in operators.values() if hasattr(operand, "column")} - known
    return asked.union(*(_asked(option, known | _surely_given(option)) for option in conditions.any_of))


def _surely_given(conditions: Conditions) -> set[str]:
    """The columns that can't be missing where the conditions hold or fail for another reason than a missing value."""
    given = {name for name, condition in conditions.columns.items() if condition.present}
    if "product.product" in given:
        given |= {"product_class", "product"}
    return given


def _may_be_blank(name: str) -> bool:
    column = VOCABULARY[name]
    return name not in _NEVER_BLANK and not column.column.required and _joined_from(name) not in _PEOPLE
