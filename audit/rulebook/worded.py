"""The words of a rule, with the figures that it has: what a setting changes is said as it is set."""

from __future__ import annotations

from collections.abc import Iterator

from audit.forms import form_of
from audit.forms.naming import COMMON
from audit.language.rule import Rule
from audit.language.wording import FINDING, filled, names_in, unknown_names
from audit.yaml.faults import Misplaced, did_you_mean, quoted
from audit.yaml.source import KeyPath, shortened

TEXTS = ("title", "why", "put_right")
"""The texts in which figures of the rule may be named."""


def worded(rule: Rule) -> Rule:
    """The rule, with its figures in the place of their names in its texts.

    Misplaced: a name, there or in a message, that its form doesn't give.
    """
    if faults := tuple(_faults(rule)):
        raise Misplaced(faults)
    named = [key for key in TEXTS if next(names_in(getattr(rule, key)), None) is not None]
    if not named:
        return rule
    figures = form_of(rule).figures(rule)
    return rule.model_copy(update={key: filled(getattr(rule, key), figures) for key in named})


def message_names(rule: Rule) -> dict[str, str]:
    """The names that a message of the rule may use, each with what it stands for."""
    form = form_of(rule)
    return {**dict.fromkeys(form.columns(rule), "what is recorded there"), **COMMON, **form.values}


def message_kinds(rule: Rule) -> dict[str, str]:
    """The kinds of message that the rule may have, each with when it serves."""
    form = form_of(rule)
    required = dict.fromkeys(form.more_kinds(rule), "this requirement is not met")
    return {FINDING: "whatever else is wrong", **form.kinds, **required}


def _faults(rule: Rule) -> Iterator[tuple[KeyPath, str]]:
    figures = form_of(rule).figures(rule)
    for key in TEXTS:
        yield from (((key,), sentence) for sentence in unknown_names(getattr(rule, key), figures))
    names, kinds = message_names(rule), message_kinds(rule)
    for kind, text in rule.message.items():
        place = ("message", kind) if len(rule.message) > 1 or kind != FINDING else ("message",)
        if kind not in kinds:
            known = did_you_mean(shortened(kind), kinds)
            yield (
                place,
                f"no finding of this rule is of the kind {quoted(kind)}{known}; expected one of {', '.join(kinds)}",
            )
        yield from ((place, sentence) for sentence in unknown_names(text, names))
