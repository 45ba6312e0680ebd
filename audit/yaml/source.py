"""YAML text as plain data, with the line of every value.

YAML is read by its version 1.2 (`12:30` and `NO` are text), and only the part of it that such a file needs: no anchors,
aliases or tags of its own, no key twice.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)
from ruamel.yaml.nodes import ScalarNode
from ruamel.yaml.reader import ReaderError

from audit.errors import AuditError

LONGEST: Final = 1_000_000
"""Bytes a file may have: far more than any needs, far less than what could stall the reader."""

DEEPEST: Final = 30

KeyPath = tuple[str | int, ...]
"""Where a value stands in a file: keys, and numbers of entries counted from 0."""

_TAG = "tag:yaml.org,2002:"
_WHOLE_NUMBER = re.compile(r"-?(0|[1-9][0-9]{0,14})")
_HINTS = {
    "could not find expected ':'": "; is a colon, a quote or an indent missing above?",
    "found unexpected ':'": "; a text with a colon in it needs quotes here",
    "mapping values are not allowed in this context": "; a text with a colon in it needs quotes",
    "mapping values are not allowed here": "; a text with a colon in it needs quotes",
    "found character that cannot start any token": "; indent with spaces, and quote a text that begins with @, % or `",
}


@dataclass(frozen=True)
class Source:
    """The data of one YAML document and the line (from 1) of each of its values, by path."""

    name: str
    data: Any
    lines: Mapping[KeyPath, int]

    def line(self, path: KeyPath) -> int:
        """Line of a value; where there is no such value, of the nearest one around it."""
        while path not in self.lines and path:
            path = path[:-1]
        return self.lines.get(path, 1)

    def below(self, path: KeyPath) -> Source:
        """A part of the document, with the lines of its values."""
        data = self.data
        for part in path:
            data = data[part]
        size = len(path)
        return Source(self.name, data, {at[size:]: line for at, line in self.lines.items() if at[:size] == path})


def written(path: KeyPath) -> str:
    """Write a path as `$.examples[0].name`."""
    return "$" + "".join(f"[{part}]" if isinstance(part, int) else f".{_key(part)}" for part in path)


def _key(word: str) -> str:
    # A key may hold a line break; a sentence may not.
    return shortened(word if word.isprintable() else repr(word))


def read_source(content: bytes, name: str) -> Source:
    """Read the bytes of a file as YAML whose outermost value has keys. AuditError says why they can't be."""
    if len(content) > LONGEST:
        raise AuditError(f"{name}: expected a file of at most 1 MB, got more")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise AuditError(f"{name}, line {line}: expected UTF-8 text") from None
    return read_yaml(text, name)


def read_yaml(text: str, name: str) -> Source:
    """Read one document. AuditError names the file, the line and what was expected."""
    # Events, not nodes: the reader's own tree is built by recursion in C, which a file of brackets alone overflows.
    yaml = YAML(typ="safe", pure=False)
    reader = _Reader(name, yaml.parse(text), yaml.resolver, {})
    try:
        return Source(name, reader.document(), reader.lines)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = 1 if mark is None else mark.line + 1
        problem = error.problem or error.context or "unknown fault"
        hint = _HINTS.get(problem, "")
        raise AuditError(f"{name}, line {line}: not readable as YAML: {problem}{hint}") from None
    except ReaderError as error:
        line = text.encode()[: error.position].count(b"\n") + 1
        raise AuditError(f"{name}, line {line}: expected text, got a control character") from None


@dataclass(frozen=True)
class _Reader:
    """One pass over the events of a document."""

    name: str
    events: Iterator[Any]
    resolver: Any
    lines: dict[KeyPath, int]

    def document(self) -> Any:
        for event in self.events:
            if isinstance(event, DocumentStartEvent):
                break
            if isinstance(event, StreamEndEvent):
                raise AuditError(f"{self.name}: expected keys with values, got an empty file")
        data = self.value(next(self.events), ())
        for event in self.events:
            if isinstance(event, DocumentStartEvent):
                line = event.start_mark.line + 1
                raise AuditError(f"{self.name}, line {line}: a second document begins; expected one in a file")
        return data

    def value(self, event: Any, path: KeyPath) -> Any:
        line = event.start_mark.line + 1
        self.lines.setdefault(path, line)
        self.refuse_what_no_rule_needs(event, path)
        if isinstance(event, ScalarEvent):
            tag = event.tag or self.resolver.resolve(ScalarNode, event.value, event.implicit)
            return _scalar(event.value, str(tag).removeprefix(_TAG))
        if isinstance(event, SequenceStartEvent):
            items: list[Any] = []
            while not isinstance(item := next(self.events), SequenceEndEvent):
                items.append(self.value(item, (*path, len(items))))
            return items
        assert isinstance(event, MappingStartEvent)
        data: dict[str, Any] = {}
        while not isinstance(word := next(self.events), MappingEndEvent):
            self.refuse_what_no_rule_needs(word, path)
            if not isinstance(word, ScalarEvent):
                raise AuditError(f"{self.where(word, path)}: expected a plain word as key")
            place = (*path, word.value)
            if word.value in data:
                where = self.where(word, place)
                raise AuditError(f"{where}: this key stands here twice (first on line {self.lines[place]})")
            self.lines[place] = word.start_mark.line + 1
            data[word.value] = self.value(next(self.events), place)
        return data

    def refuse_what_no_rule_needs(self, event: Any, path: KeyPath) -> None:
        """Expanding aliases is how a small file becomes a huge one; tags make objects; depth exhausts the stack."""
        if isinstance(event, AliasEvent):
            raise AuditError(f"{self.where(event, path)}: an alias (*name) is not allowed; write the value out")
        if event.anchor is not None:
            raise AuditError(f"{self.where(event, path)}: an anchor (&name) is not allowed; write values out")
        # Others say that a text is a number or a truth value, whatever it says.
        if event.tag is not None and not (isinstance(event, ScalarEvent) and str(event.tag) == f"{_TAG}str"):
            tag = str(event.tag).replace(_TAG, "!!")
            raise AuditError(f"{self.where(event, path)}: the tag {shortened(tag)} is not allowed")
        if len(path) > DEEPEST:
            raise AuditError(f"{self.where(event, path[:2])}: nested deeper than {DEEPEST} levels")

    def where(self, event: Any, path: KeyPath) -> str:
        return f"{self.name}, line {event.start_mark.line + 1}: {written(path)}"


def shortened(text: str) -> str:
    """The text, cut where it would make a sentence unreadable."""
    return text if len(text) <= 60 else f"{text[:57]}..."


def _scalar(text: str, tag: str) -> Any:
    # What is not a plain decimal number (007, 0x1F, 1_000, twenty digits) is a code and stays text, as do dates.
    match tag:
        case "int" if _WHOLE_NUMBER.fullmatch(text):
            return int(text)
        case "float" if "_" not in text:
            return float(text.lower().replace(".inf", "inf").replace(".nan", "nan"))
        case "bool":
            return text.lower() == "true"
        case "null":
            return None
        case _:
            return text
