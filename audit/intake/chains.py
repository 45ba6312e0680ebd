"""The corrections of one cell, in order of time: how far the export has followed them, and what the cell had and has.

Each found something there and left something, which the next one found. The export has one of these.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import pandas as pd

from audit.intake.names import near_keys

UNFIT: Final = "a correction of it does not fit"
NEARLY: Final = "a correction of it says nearly the same"
UNTOLD: Final = "the corrections are exported without the values before them"
TIED: Final = "two corrections of it were made at the same time"

IN_EXPORT, APPLIED, DOES_NOT_FIT, UNCLEAR, NOT_YET = (
    "in the export",
    "applied",
    "does not fit",
    "unclear",
    "not yet",
)
"""What a correction is to its record: its value is there already, it was applied, what it says was there is not,
another was made at the same time or no table says what was there or it names nearly what is, or it is of a later
time."""


@dataclass(frozen=True)
class Link:
    """A correction of one cell: its row in the table, when it was made, what it says as text, and what that means."""

    row: int
    at: pd.Timestamp
    was: str
    now: str
    was_means: Hashable
    now_means: Hashable

    def repeats(self, other: Link) -> bool:
        """Whether both say the same, perhaps at another time."""
        return (self.was_means, self.now_means) == (other.was_means, other.now_means)


@dataclass(frozen=True)
class Unreadable:
    """The meaning of a cell that can't be read: its text."""

    text: str


@dataclass(frozen=True)
class Followed:
    """What the corrections of a cell come to: the state of each, the text that the cell had as first made and has as
    corrected (None: as exported), and why that can't be told, where it can't."""

    states: Sequence[str]
    first_made: str | None = None
    corrected: str | None = None
    doubt: str = ""


def followed(chain: Sequence[Link], cell: Hashable, as_of: pd.Timestamp | None) -> Followed:
    """Find how far the export has followed a chain of corrections, and go on, or back, to a time.

    After each correction the cell has a value, which the next one says was there. The export has one of these. One
    that is entered again is what it repeats.
    """
    made = sum(as_of is None or link.at <= as_of for link in chain)
    # A correction entered twice is followed once, and both have the state of it.
    once = [number for number, link in enumerate(chain) if not number or not link.repeats(chain[number - 1])]
    if len(once) < len(chain):
        told = followed([chain[number] for number in once], cell, as_of)
        states = [told.states[bisect_right(once, number) - 1] for number in range(made)]
        return replace(told, states=[*states, *[NOT_YET] * (len(chain) - made)])
    # None had been made by then: where the export has one of them already, the cell is taken back to what was first
    # there.
    if not made:
        states = [NOT_YET] * len(chain)
        fits = _fits(chain)
        then = _place(chain[:fits], cell) if fits else None
        return Followed(states, *([chain[0].was] * 2 if then else (None, None)))
    if any(one.at == other.at for one, other in pairwise(chain[:made])):
        return Followed([UNCLEAR] * made + [NOT_YET] * (len(chain) - made), doubt=TIED)
    fits = _fits(chain)
    # Corrections of a later time are followed too: the export may be ahead of the as-of time.
    there = _place(chain[:fits], cell) if fits >= made else None
    if there is None:
        told = _unplaced(chain[:made], cell, chain[:fits])
        return replace(told, states=[*told.states, *[NOT_YET] * (len(chain) - made)])
    states = [IN_EXPORT if number < there else APPLIED for number in range(made)]
    return Followed(
        [*states, *[NOT_YET] * (len(chain) - made)],
        first_made=chain[0].was if there else None,
        corrected=None if there == made else chain[made - 1].now,
    )


def _unplaced(made: Sequence[Link], cell: Hashable, fitting: Sequence[Link]) -> Followed:
    """What corrections come to that don't all follow each other, or of which the export has none: in doubt, unless it
    has what each of them left."""
    left = [None, *(link.now_means for link in made)]
    states = [
        IN_EXPORT if link.now_means == cell else _unfit(link, cell, before)
        for link, before in zip(made, left, strict=False)
    ]
    begun = _place(fitting, cell)
    if begun is not None:
        states[: len(fitting)] = [IN_EXPORT if number < begun else APPLIED for number in range(len(fitting))]
    doubt = UNFIT if DOES_NOT_FIT in states else NEARLY if UNCLEAR in states else ""
    return Followed(states, doubt=doubt) if doubt else Followed(states, first_made=made[0].was)


def _unfit(link: Link, cell: Hashable, before: Hashable) -> str:
    """What a correction is that found neither what the cell has nor what the one before it left: it may mean either
    where it names that nearly so."""
    near = _nearly(link.was_means, cell) or _nearly(link.now_means, cell) or _nearly(link.was_means, before)
    return UNCLEAR if near else DOES_NOT_FIT


def _nearly(one: Hashable, other: Hashable) -> bool:
    """Whether two meanings are names that differ and are nearly equal."""
    names, others = _names(one), _names(other)
    alike = (near_keys(this) & near_keys(that) for this, that in zip(names, others, strict=False))
    return names != others and len(names) == len(others) and all(alike)


def _names(meaning: Hashable) -> tuple[str, ...]:
    if isinstance(meaning, str):
        return (meaning,)
    return meaning if isinstance(meaning, tuple) else ()


def perhaps_followed(chain: Sequence[Link], cell: Hashable, as_of: pd.Timestamp | None) -> Followed:
    """The same of corrections that are exported without what they found: what the cell had before them isn't known,
    but what it has may be the value that the last of them left."""
    made = sum(as_of is None or link.at <= as_of for link in chain)
    not_yet = [NOT_YET] * (len(chain) - made)
    tied = any(one.at == other.at and not one.repeats(other) for one, other in pairwise(chain[:made]))
    there = chain[made - 1].now_means == cell if made else all(link.now_means != cell for link in chain)
    if there and not tied:
        return Followed([IN_EXPORT] * made + not_yet)
    return Followed([UNCLEAR] * made + not_yet, doubt=TIED if tied else UNTOLD)


def _fits(chain: Sequence[Link]) -> int:
    """How many of the corrections follow each other: each finds what the one before it left."""
    for number in range(1, len(chain)):
        before, link = chain[number - 1], chain[number]
        if link.was_means != before.now_means or link.at == before.at:
            return number
    return len(chain)


def _place(chain: Sequence[Link], cell: Hashable) -> int | None:
    """How many of the corrections the export has already; None where it has neither what one found nor what it left."""
    for number in range(len(chain), 0, -1):
        if cell == chain[number - 1].now_means:
            return number
    # Of a cell that can't be read, a correction need not say what was there.
    found = cell == chain[0].was_means or (isinstance(cell, Unreadable) and not chain[0].was.strip())
    return 0 if found else None
