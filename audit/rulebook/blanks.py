"""The blanks of a rule file: what its author has still to fill in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from audit.errors import AuditError
from audit.rulebook.loading import Rulebook
from audit.yaml.source import KeyPath, written

FILL_IN = "FILL IN"
"""Stands in a new rule file where it waits for its author."""


def refuse_blanks(book: Rulebook) -> None:
    """Raise AuditError, a sentence, where a rule still has blanks: nobody has said yet what it is to find."""
    blank = {
        file.name: places
        for file, data in zip(book.rule_files, book.written, strict=True)
        if (places := list(blanks(data)))
    }
    if blank:
        where = "; ".join(f"{name} at {', '.join(map(written, places))}" for name, places in blank.items())
        raise AuditError(f"Rules are still to be filled in, and nothing was audited: {FILL_IN} stands in {where}.")


def blanks(data: Any, place: KeyPath = ()) -> Iterator[KeyPath]:
    """Each place of a rule file, or of a part of it, whose text still has a blank."""
    if isinstance(data, str):
        if FILL_IN in data:
            yield place
    elif isinstance(data, dict):
        for key, value in data.items():
            yield from blanks(value, (*place, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from blanks(value, (*place, number))
