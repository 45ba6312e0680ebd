"""Stable identity: the same fault in tomorrow's export has the same id."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

_DIGITS = 12


def finding_id(rule: str, subject: Iterable[str]) -> str:
    """Return an id from the rule and the natural keys of its subject.

    It hangs on nothing that another export may change without the fault changing: not on row numbers, file names,
    figures or wording.
    """
    text = "\x1f".join((rule, *subject))
    return hashlib.sha256(text.encode()).hexdigest()[:_DIGITS]
