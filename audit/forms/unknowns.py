"""What leaves a subject of a rule unjudged, worked out from the rule's form and the columns and tables it reads."""

from __future__ import annotations

from collections.abc import Iterator

from audit.forms.conditions import needs_component
from audit.forms.reads import conditions_of
from audit.intake.tables import TABLES
from audit.rulebook.in_words import name_in_words
from audit.rulebook.models import (
    AnyRule,
    Conditions,
    CountRule,
    HoldRule,
    IntervalRule,
    Needed,
    OrderRule,
    OverlapRule,
    PrecedeRule,
    RecordRule,
    SpacingRule,
)
from audit.timeline.timeline import TASK_TIMES
from audit.timeline.vocabulary import VOCABULARY

CLOCK_WENT_BACK = (
    "a time falls into the hour that the clock went through twice, and the verdict hangs on which is meant"
)
_BOOT = "no boot is known at that position and time, or two are recorded there"
_POSITION = "the position is not recorded"
_NEVER_BLANK = ("work_date", "work_minutes")
_BY_TIME = (*TASK_TIMES, *_NEVER_BLANK, "signed_after_minutes")
_KEYS = {"product": "product.product", "lot": "lot.lot", "manual": "manual.revision"}
"""The column of each list that is present exactly where the record's row is listed."""
_NOT_LISTED = {
    "product": "the product is not recorded, or not listed in products",
    "lot": "the lot or its product is not recorded, or not listed in lots",
    "manual": "the manual or its revision is not recorded, or not listed in manuals",
    "performer": "the performer is not recorded, or holds nothing valid on the day of the work",
    "certifier": "the certifier is not recorded, or holds nothing valid on the day of the signature",
}


def unjudged_when(rule: AnyRule) -> tuple[str, ...]:
    """What can leave a subject of the rule unjudged, a phrase each; none where every subject can be judged."""
    return tuple(dict.fromkeys((*_by_columns(rule), *_by_form(rule), *_by_clock(rule))))


def _by_columns(rule: AnyRule) -> Iterator[str]:
    """What may be missing of the columns that conditions read."""
    given = _surely_given(rule.scope)
    blank: dict[str, None] = {}
    tables: dict[str, None] = {}
    for conditions in conditions_of(rule):
        if isinstance(rule, IntervalRule | CountRule) and conditions is rule.boots:
            # Of a boot itself nothing but its own cells can be missing.
            blank |= dict.fromkeys(sorted(name for name in _asked(conditions, set()) if _may_be_blank(name)))
            continue
        known = given | _surely_given(conditions)
        for name in sorted(conditions.names()):
            if (table := VOCABULARY[name].table) != "tasks":
                tables[table] = None
        yield from _not_in_tables(conditions)
        for name in sorted(_asked(conditions, known)):
            prefix = "product" if name == "product_class" else name.partition(".")[0] if "." in name else ""
            if prefix == "component":
                yield _BOOT
            elif prefix in ("performer", "certifier") or (prefix and _KEYS[prefix] not in known):
                yield _NOT_LISTED[prefix]
            if prefix not in ("performer", "certifier") and _may_be_blank(name):
                blank[name] = None
    for name in blank:
        where = "recorded" if VOCABULARY[name].table == "tasks" else f"given in {VOCABULARY[name].table}"
        yield f"{name_in_words(name)} is not {where}"
    # Whether two boots are recorded in one place isn't even known to be a blank.
    if "components" in tables:
        yield _BOOT
    for table in tables:
        yield f"the table {table} is not supplied"


def _not_in_tables(conditions: Conditions) -> Iterator[str]:
    for condition in conditions.columns.values():
        for _, operand in condition.operators():
            if isinstance(operand, Needed):
                yield f"one of the {name_in_words(operand.column)} is not in the table {operand.by.name}"
    for option in conditions.any_of:
        yield from _not_in_tables(option)


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
    return name not in _NEVER_BLANK and not column.column.needed


def _by_form(rule: AnyRule) -> Iterator[str]:
    match rule:
        case RecordRule():
            pass
        case HoldRule():
            yield "the table flights is not supplied" if rule.forbid.where is None else _POSITION
            yield _BOOT
            if rule.until is not None or rule.over is not None:
                yield from ("both started at the same time", _POSITION)
        case OrderRule():
            yield "both started at the same time"
            yield from (_POSITION, _BOOT)
        case PrecedeRule():
            yield "both started at the same time"
            yield from (_POSITION, _BOOT)
            if any(event.where is None for way in rule.precedents for event in way.broken_by):
                yield "the table flights is not supplied"
        case IntervalRule():
            yield "a record that may have been the treatment lies in the stretch"
            yield from (_POSITION, _BOOT, "the table components is not supplied")
            if rule.at_most.flight_hours is not None or rule.at_most.cycles is not None:
                yield "the table flights is not supplied"
        case CountRule() if rule.sessions is not None:
            yield "the season is not over, or began before the first record or flight of the export"
            yield "a record that may be one of those counted lies in the season"
            yield from (_POSITION, _BOOT, "the table flights is not supplied")
        case CountRule():
            yield "a record gives neither its coat nor a number of coats, and the verdict hangs on it"
            yield "another record may be one of the coats on which the verdict hangs, its product or position not known"
        case SpacingRule():
            yield "two coats without numbers started at the same time, or have the same number"
            yield "a coat in between is not recorded"
            yield "one record stands for several coats"
            yield "another record may be a coat in between, its product or position not known"
            yield _POSITION
        case OverlapRule():
            yield from _of_pairs(rule)


def _of_pairs(rule: OverlapRule) -> Iterator[str]:
    one, other = rule.between
    kinds = ("flights" if kind == "stays" else kind for kind in rule.between)
    for kind in dict.fromkeys(kinds):
        columns = TABLES[kind].columns
        # A stay's station is the destination of its flight, which may be blank.
        for name in (rule.same[0], *rule.differing):
            if name not in columns or not columns[name].needed:
                yield f"{columns[name].label if name in columns else name} is not recorded for one of the two"
    if other != one:
        yield f"the table {'flights' if other == 'stays' else other} is not supplied"


def _by_clock(rule: AnyRule) -> Iterator[str]:
    """Whether the verdict may hang on the reading of an ambiguous time of a task record."""
    match rule:
        case RecordRule():
            names = rule.scope.names() | rule.require.names()
            dated = any(name.partition(".")[0] in ("performer", "certifier") for name in names)
            by_boot = needs_component(rule.scope) or needs_component(rule.require)
            timed = (_compared(rule.scope) | _compared(rule.require)) & set(_BY_TIME)
            if dated or by_boot or (timed and not (timed == {"work_minutes"} and _asks_its_direction(rule))):
                yield CLOCK_WENT_BACK
        case OverlapRule():
            if "tasks" in rule.between:
                yield CLOCK_WENT_BACK
        case CountRule() if rule.sessions is None:
            pass
        case _:
            yield CLOCK_WENT_BACK


def _compared(conditions: Conditions) -> set[str]:
    """The columns whose values are compared; that there is one doesn't hang on how it is read."""
    names = set()
    for name, condition in conditions.columns.items():
        if any(operator != "present" for operator, _ in condition.operators()):
            names |= {name, *condition.others()}
    return names.union(*(_compared(option) for option in conditions.any_of))


def _asks_its_direction(rule: RecordRule) -> bool:
    """Whether all that is asked of the length of the work is that it isn't negative: the record itself decides that."""
    asked = [conditions.columns.get("work_minutes") for conditions in (rule.scope, rule.require)]
    return all(dict(one.operators()) == {"at_least": 0} for one in asked if one is not None)
