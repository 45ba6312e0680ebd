"""Texts of rule files with names in braces, such as `{limit}`, for what is so in this rule or this finding."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from audit.figures import abridged
from audit.yaml.faults import did_you_mean, quoted
from audit.yaml.source import shortened

FINDING = "finding"
"""The kind of message that serves every finding for which there is none of its own kind."""

LONGEST_VALUE = 1_000
"""Characters of a value of the records in a message: the words of the rule around it are never cut."""

_NAME = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True)
class Said:
    """One thing that is wrong in a finding.

    `kinds` are the kinds of message that fit it, the narrowest first; `values` what their names stand for, blank where
    not known; `general` says it where the rule file has no message that fits. `where` goes before either.
    """

    kinds: tuple[str, ...]
    values: Mapping[str, str]
    general: str
    where: str = ""


def names_in(text: str) -> Iterator[str]:
    """The names in braces, in their order."""
    yield from _NAME.findall(text)


def filled(text: str, values: Mapping[str, str]) -> str:
    """The text with values in the place of their names; blank where one of them isn't known."""
    if not all(values.get(name) for name in names_in(text)):
        return ""
    return _NAME.sub(lambda found: values[found[1]], text)


def unknown_names(text: str, known: Iterable[str]) -> Iterator[str]:
    """A sentence for each name that can't stand in the text, and for a brace that belongs to none."""
    listed = sorted(known)
    for name in names_in(text):
        if name not in listed:
            expected = f"expected one of {', '.join(listed)}" if listed else "this rule has none to offer"
            yield f"unknown name {quoted(name)} in braces{did_you_mean(shortened(name), listed)}; {expected}"
    if "{" in _NAME.sub("", text) or "}" in _NAME.sub("", text):
        yield "a brace without its other one; a name stands in two, such as {limit}"


def sentence(message: Mapping[str, str], parts: Sequence[Said], names: Mapping[str, str]) -> str:
    """All that is wrong in a finding, by the rule's messages where they fit, else in general words.

    A message may use the `names` of the finding beside those of the part that it is about. What a message can't say
    for want of a value is left out where another part says enough.
    """
    texts = [_by_message(message, part, names) for part in parts]
    if not any(texts):
        texts = [part.general for part in parts]
    else:
        texts = [part.general if text is None else text for part, text in zip(parts, texts, strict=True)]
    said = [(part.where if text else "", text) for part, text in zip(parts, texts, strict=True) if text]
    return " ".join(f"{where}{text.rstrip('.')}." for where, text in dict.fromkeys(said))


def _by_message(message: Mapping[str, str], part: Said, names: Mapping[str, str]) -> str | None:
    """What the rule's message says of a part: blank for want of a value, None where there is no message for it."""
    for kind in (*part.kinds, FINDING):
        if kind in message:
            values = {**names, **part.values}
            return filled(message[kind], {name: abridged(text, LONGEST_VALUE) for name, text in values.items()})
    return None
