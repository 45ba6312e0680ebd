"""Stable identity: the same fault in tomorrow's export has the same id."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence

from audit.errors import InternalError

FEWEST_DIGITS = 12


def subject_key(rule: str, subject: Iterable[str]) -> str:
    """Return the full SHA-256 of a rule and the natural keys of a subject.

    It depends on nothing that another export may change without the fault changing: not on row numbers, file names,
    figures or wording, nor on how many other faults there are.
    """
    return hashlib.sha256("\x1f".join((rule, *subject)).encode()).hexdigest()


def finding_ids(keys: Sequence[str]) -> list[str]:
    """Return what outputs show of keys: their first twelve digits, of keys that begin alike as many as tell them
    apart."""
    if len(set(keys)) < len(keys):
        raise InternalError("two findings have one identity")
    ids = [key[:FEWEST_DIGITS] for key in keys]
    alike = Counter(ids)
    for digits in range(FEWEST_DIGITS + 1, 65):
        if len(alike) == len(ids):
            break
        ids = [key[:digits] if alike[shown] > 1 else shown for key, shown in zip(keys, ids, strict=True)]
        alike = Counter(ids)
    return ids
