"""Stable identity: the same fault in tomorrow's export has the same id."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence

_DIGITS = 12


def finding_id(rule: str, subject: Iterable[str]) -> str:
    """Return an id from the rule and the natural keys of its subject.

    It hangs on nothing that another export may change without the fault changing: not on row numbers, file names,
    figures or wording.
    """
    text = "\x1f".join((rule, *subject))
    return hashlib.sha256(text.encode()).hexdigest()[:_DIGITS]


def finding_ids(rule: str, subjects: Sequence[tuple[str, ...]], at: Sequence[int]) -> list[str]:
    """Return the ids of a rule's findings; of several on one subject the later ones, by their instants, count on."""
    nth: Counter[tuple[str, ...]] = Counter()
    ids = [""] * len(subjects)
    for place in sorted(range(len(subjects)), key=at.__getitem__):
        subject = subjects[place]
        nth[subject] += 1
        ids[place] = finding_id(rule, subject if nth[subject] == 1 else (*subject, str(nth[subject])))
    return ids
