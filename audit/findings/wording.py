"""One sentence with the figures, for each form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.rulebook.in_words import list_in_words, presence_in_words
from audit.rulebook.models import (
    Condition,
    Conditions,
    CountRule,
    HoldRule,
    IntervalRule,
    Needed,
    OrderRule,
    OtherColumn,
    OverlapRule,
    PrecedeRule,
    SpacingRule,
    codes_of,
)
from audit.timeline.instants import HOUR, MINUTE
from audit.timeline.vocabulary import VOCABULARY


def time_span(micros: float) -> str:
    """Write a span of time in hours, minutes and seconds: `5 h 12 min`."""
    seconds = round(abs(micros) / 1_000_000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{hours:,} h" if hours else "", f"{minutes} min" if minutes else ""]
    parts.append(f"{seconds} s" if seconds else "")
    return " ".join(part for part in parts if part) or "0 min"


def figure(value: float) -> str:
    """Write a number without noise: at most two decimals."""
    return f"{round(value, 2):,.2f}".rstrip("0").rstrip(".")


def hold_sentence(rule: HoldRule, case: Mapping[str, Any]) -> str:
    """Flew 5 h 12 min after the last coat; 24 h needed; 18 h 48 min short.

    Or, where a treatment ends the hold: flew 5 h 12 min after it was put over that one, without another in between.
    """
    passed = time_span(case["measured"] * HOUR)
    what = "Flew"
    if rule.forbid.where is not None:
        what = f"{case['other_product']} (record {case['other_record']}) began"
    if rule.duration is not None and rule.until is None:
        needed = case["limit"] * HOUR
        return (
            f"{what} {passed} after the last coat of {case['treatment']}; "
            f"{time_span(needed)} needed; {time_span(needed - case['measured'] * HOUR)} short."
        )
    over = "" if rule.over is None else f" was put over {_of_class(rule.over)}"
    again = "" if rule.until is None else f", without {_of_class(rule.until)} in between"
    if over and rule.over == rule.until:
        again = ", without a new one in between"
    return f"{what} {passed} after {case['treatment']}{over}{again}."


def _of_class(conditions: Conditions) -> str:
    """What conditions select, as far as the product class that they name tells."""
    asked = conditions.columns.get("product_class")
    if asked is None or not isinstance(asked.is_, str):
        return "a treatment"
    return f"{'an' if asked.is_[0] in 'aeiou' else 'a'} {asked.is_}"


def order_sentence(rule: OrderRule, case: Mapping[str, Any]) -> str:
    """Name the treatment that started on the wrong side, and by how much."""
    side = "after" if rule.must_be == "last" else "before"
    apart = time_span(case["at"] - case["anchor"])
    return (
        f"{case['other_product']} (record {case['other_record']}) began {apart} {side} {case['treatment']}, "
        f"which must come {rule.must_be}."
    )


def precede_sentence(rule: PrecedeRule, case: Mapping[str, Any]) -> str:
    """Say that the earlier treatment is missing, too old or disturbed."""
    if case["anchor"] < 0:
        return f"No earlier treatment that {case['treatment']} needs is recorded for this boot."
    passed = time_span(case["measured"] * HOUR)
    if rule.or_else:
        return (
            f"None of the treatments of which {case['treatment']} needs one is recorded near enough and undisturbed; "
            f"the last ended {passed} earlier."
        )
    if rule.within is not None and case["measured"] > case["limit"]:
        return (
            f"The treatment needed before {case['treatment']} ended {passed} earlier; "
            f"at most {time_span(case['limit'] * HOUR)} allowed."
        )
    return (
        f"The treatment needed before {case['treatment']} ended {passed} earlier, "
        "and something came in between that undoes it."
    )


def interval_sentence(rule: IntervalRule, case: Mapping[str, Any]) -> str:
    """Say how much passed since the last treatment, and how much was allowed."""
    since = f"since {case['treatment']} on" if case["task"] >= 0 else "without a treatment since"
    over, carried = case["measured"] - case["limit"], case["carried"]
    counted = ""
    if carried:
        counted = f", {figure(abs(carried))} {'more' if carried > 0 else 'less'} counted since it was done "
        counted += "late" if carried > 0 else "early"
    return (
        f"{figure(case['measured'] - carried)} {case['unit']} {since} {case['anchor_day']}{counted}; "
        f"{figure(case['limit'])} allowed; {figure(over) if over >= 0.01 else 'less than 0.01'} over."
    )


def count_sentence(rule: CountRule, case: Mapping[str, Any]) -> str:
    """Say how many coats or sessions there are and how many there should be."""
    side, asked = ("at least", "needed") if case["measured"] < case["limit"] else ("at most", "allowed")
    if rule.sessions is None:
        return (
            f"{several(int(case['measured']), 'coat')} of {case['treatment']} recorded; "
            f"{side} {figure(case['limit'])} {asked}."
        )
    flown = f"Flew {figure(case['hours'])} flight hours in {several(case['flights'], 'flight')}"
    season = f"in the season, from {case['anchor_day']} to {case['last_day']},"
    if not case["measured"]:
        return f"{flown} {season} without {_of_class(rule.scope)}."
    done = several(int(case["measured"]), "treatment")
    return f"{flown} {season} with {done}; {side} {figure(case['limit'])} {asked}."


def several(number: int, thing: str) -> str:
    """A number of things: `1 coat`, `3 coats`."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def spacing_sentence(rule: SpacingRule, case: Mapping[str, Any]) -> str:
    """Say how long the pause was and what it should be."""
    short = case["measured"] < case["limit"]
    if case["measured"] < 0:
        return (
            f"A coat of {case['treatment']} began {time_span(case['measured'] * MINUTE)} before the coat "
            "that it follows had ended."
        )
    return (
        f"Waited {time_span(case['measured'] * MINUTE)} between two coats of {case['treatment']}; "
        f"at {'least' if short else 'most'} {time_span(case['limit'] * MINUTE)} allowed."
    )


_THINGS = {"tasks": "Record", "flights": "Flight", "components": "Component", "stays": "Stay"}


def overlap_sentence(rule: OverlapRule, case: Mapping[str, Any]) -> str:
    """Name both things and how long they overlap."""
    one, other = rule.between
    second = _THINGS[other].lower()
    agree = " and ".join(_label(name) for name in rule.same)
    apart = f" at different {' and '.join(_label(name) + 's' for name in rule.differing)}" if rule.differing else ""
    span = time_span(case["measured"] * HOUR) if case["measured"] * HOUR > 1 else "an instant"
    return (
        f"{_THINGS[one]} {case['first_name']} and {second} {case['second_name']} have the same {agree}"
        f"{apart} and overlap by {span}."
    )


def _label(name: str) -> str:
    return VOCABULARY[name].label if name in VOCABULARY else name


@dataclass(frozen=True)
class Broken:
    """A requirement that a record breaks, what was recorded (blank where missing), and the columns compared with."""

    column: str
    condition: Condition
    recorded: str
    others: Mapping[str, str]


def record_sentence(broken: Sequence[Broken], position: str = "") -> str:
    """Say of each requirement that broke what was recorded and what was asked, at the position, where one is given."""
    parts = [part for one in broken for part in _of_requirement(one)]
    if position:
        parts[0] = f"at {position}: {parts[0]}"
    text = ". ".join(part[:1].upper() + part[1:] for part in parts)
    return f"{text}."


def _of_requirement(broken: Broken) -> Iterator[str]:
    asked = broken.condition.includes_all
    if isinstance(asked, Needed):
        for items, codes in asked.lacking(broken.recorded, broken.others[asked.column]).items():
            verb = "asks" if len(codes) == 1 else "ask"
            by = f"{list_in_words(codes, 'and')} {verb} for it" if codes else "it is always asked for"
            yield f"{list_in_words(items, 'or')} not recorded as worn; {by}"
    elif not broken.recorded:
        yield presence_in_words(broken.column, False)
    elif missing := [item for item in asked or () if item not in codes_of(broken.recorded)]:
        yield f"{list_in_words(missing, 'and')} not among the {_label(broken.column)} ({broken.recorded})"
    else:
        yield f"{_label(broken.column)} is {broken.recorded}; {_asked(broken)}"


def _asked(broken: Broken) -> str:
    words = {
        "is_": "{} asked for",
        "not_": "{} not allowed",
        "in_": "one of {} asked for",
        "not_in": "none of {} allowed",
        "includes_all": "all of {} asked for",
        "at_least": "at least {} asked for",
        "at_most": "at most {} allowed",
        "before": "before {} asked for",
        "after": "after {} asked for",
    }
    parts = []
    for operator, operand in broken.condition.operators():
        if operator == "present":
            if not operand:
                parts.append("none may be recorded")
            continue
        if isinstance(operand, OtherColumn):
            shown = f"the {_label(operand.column)} ({broken.others[operand.column]})"
        elif isinstance(operand, tuple):
            shown = ", ".join(str(one) for one in operand)
        else:
            shown = str(operand)
        parts.append(words[operator].format(shown))
    return " and ".join(parts)
