"""YAML text as plain data, with the line of every value.

YAML is read by its version 1.2 (`12:30` and `NO` are text), and only the part of it that a rule needs: no aliases
or tags of its own, no key twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from audit.errors import AuditError

LONGEST = 1_000_000
"""Bytes a rule file may have: far more than any rule needs, far less than what could stall the reader."""
DEEPEST = 30

Path = tuple[str | int, ...]
_TAG = "tag:yaml.org,2002:"


@dataclass(frozen=True)
class Source:
    """The data of one YAML document and the line (from 1) of each of its values, by path."""

    name: str
    data: Any
    lines: Mapping[Path, int]

    def line(self, path: Path) -> int:
        """Line of a value; where there is no such value, of the nearest one around it."""
        while path not in self.lines and path:
            path = path[:-1]
        return self.lines.get(path, 1)


def written(path: Path) -> str:
    """Write a path as `$.examples[0].name`."""
    return "$" + "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)


def read_yaml(text: str, name: str) -> Source:
    """Read one document. AuditError names the file, the line and what was expected."""
    if len(text) > LONGEST:
        raise AuditError(f"{name}: expected a rule file of at most 1 MB, got {len(text) / 1e6:.1f} MB")
    try:
        node = YAML(typ="safe", pure=False).compose(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = 1 if mark is None else mark.line + 1
        problem = error.problem or error.context or "unknown fault"
        hint = "; a text with a colon in it needs quotes here" if problem.endswith("':'") else ""
        raise AuditError(f"{name}, line {line}: not readable as YAML: {problem}{hint}") from None
    except (YAMLError, RecursionError) as error:
        raise AuditError(f"{name}: not readable as YAML: {error}") from None
    if node is None:
        raise AuditError(f"{name}: expected a rule, got an empty file")
    lines: dict[Path, int] = {}
    seen: set[int] = set()
    return Source(name, _value(node, (), name, lines, seen), lines)


def _value(node: Node, path: Path, name: str, lines: dict[Path, int], seen: set[int]) -> Any:
    line = node.start_mark.line + 1
    lines[path] = line
    where = f"{name}, line {line}: {written(path)}"
    # An alias gives the same node again; expanding it is how a small file becomes a huge one.
    if id(node) in seen:
        raise AuditError(f"{where}: an alias (*name) is not allowed in a rule file; write the value out")
    seen.add(id(node))
    if len(path) > DEEPEST:
        raise AuditError(f"{where}: nested deeper than {DEEPEST} levels")
    tag = str(node.tag).removeprefix(_TAG)
    if isinstance(node, ScalarNode):
        return _scalar(node.value, tag, where)
    if isinstance(node, SequenceNode):
        return [_value(item, (*path, index), name, lines, seen) for index, item in enumerate(node.value)]
    assert isinstance(node, MappingNode)
    data: dict[str, Any] = {}
    keys: dict[str, int] = {}
    for key_node, value_node in node.value:
        key_line = key_node.start_mark.line + 1
        if not isinstance(key_node, ScalarNode):
            raise AuditError(f"{name}, line {key_line}: {written(path)}: expected a plain word as key")
        key = str(key_node.value)
        if key in keys:
            where = f"{name}, line {key_line}: {written((*path, key))}"
            raise AuditError(f"{where}: this key stands here twice (first on line {keys[key]})")
        keys[key] = key_line
        data[key] = _value(value_node, (*path, key), name, lines, seen)
        lines[(*path, key)] = key_line
    return data


def _scalar(text: str, tag: str, where: str) -> Any:
    match tag:
        case "str" | "timestamp":
            return text
        case "int":
            return _whole(text)
        case "float":
            return float(text.replace("_", "").replace(".inf", "inf").replace(".nan", "nan"))
        case "bool":
            return text.lower() == "true"
        case "null":
            return None
        case _:
            raise AuditError(f"{where}: the tag !{tag} is not allowed in a rule file")


def _whole(text: str) -> int | str:
    """A number; with leading zeros (`007`) it is a code, and stays text."""
    try:
        return int(text, 0)
    except ValueError:
        return text
