"""Which things overlap in time, against plain comparison of every pair."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.authoring.running import timeline_of
from audit.evidence import overlapping as module
from audit.evidence.overlapping import Things, overlapping, perhaps_overlapping, within_rounding
from audit.language.rule import Example
from audit.timeline.instants import MINUTE

Thing = dict[str, Any]

LONG_AGO, FAR_AHEAD = -(2**60), 2**62
CELLS: Mapping[str, Callable[[list[Any]], pd.Series]] = {
    "text": lambda cells: pd.Series([None if cell is None else f"P{cell}" for cell in cells], dtype="category"),
    "number": lambda cells: pd.Series([np.nan if cell is None else cell + 0.5 for cell in cells], dtype="float64"),
    "time": lambda cells: pd.Series([pd.NaT if cell is None else pd.Timestamp(cell, unit="D") for cell in cells]),
}
"""Columns of each kind, as intake makes them."""


def some(chance: random.Random) -> list[Thing]:
    """Things whose times and cells are few, so that many of them meet, touch or begin together."""
    return [
        {
            "start": chance.choice([*range(8), *range(8), LONG_AGO]),
            "lasts": chance.choice([1, 1, 1, 2, 3, 4, FAR_AHEAD]),
            "text": chance.choice([None, 0, 0, 0, 1]),
            "number": chance.choice([None, 0, 1]),
            "time": chance.choice([None, 0, 0, 1]),
        }
        for _ in range(chance.randrange(13))
    ]


def end(thing: Thing) -> int:
    return int(thing["start"]) + int(thing["lasts"])


def as_things(some: list[Thing], kind: str = "tasks") -> Things:
    """The things with their columns, of which row 0 is another one's."""
    cells = {name: [9, *(one[name] for one in some)] for name in CELLS}
    return Things(
        kind,
        np.arange(1, len(some) + 1),
        np.array([one["start"] for one in some], np.int64),
        np.array([end(one) for one in some], np.int64),
        {name: made(cells[name]) for name, made in CELLS.items()},
    )


def agree(same: tuple[str, ...], one: Thing, other: Thing) -> bool:
    """Whether two things agree: the first column is known, of the others two blanks agree."""
    return one[same[0]] is not None and all(one[name] == other[name] for name in same)


def in_time(one: Thing, other: Thing) -> bool:
    return bool(one["start"] < end(other) and other["start"] < end(one))


def overlap(one: Thing, other: Thing) -> bool:
    """An instant is none of a thing that begins with it and lasts."""
    touching = one["start"] == other["start"] and (one["lasts"] == 1) != (other["lasts"] == 1)
    return in_time(one, other) and not touching


SAME = [("text",), ("text", "number"), ("number", "text", "time"), ("time",), ("text", "time")]


@pytest.mark.parametrize("same", SAME, ids="-".join)
def test_pairs_of_two_kinds(same: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """All pairs that agree and overlap are found, each once, however many are looked at together."""
    for seed in range(20):
        chance = random.Random(seed)
        one, other = some(chance), some(chance)
        monkeypatch.setattr(module, "_PAIRS_AT_ONCE", chance.choice([4_000_000, 3]))
        known, first, second = overlapping(same, as_things(one), as_things(other, "flights"))
        assert known.tolist() == [thing[same[0]] is not None for thing in one]
        expected = [
            (a, b)
            for (a, left), (b, right) in product(enumerate(one), enumerate(other))
            if agree(same, left, right) and overlap(left, right)
        ]
        assert sorted(zip(first.tolist(), second.tolist(), strict=True)) == expected


@pytest.mark.parametrize("same", SAME, ids="-".join)
def test_pairs_of_one_kind(same: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """All pairs of different things are found, each once, first the one that began later."""
    for seed in range(20):
        chance = random.Random(seed)
        drawn = some(chance)
        monkeypatch.setattr(module, "_PAIRS_AT_ONCE", chance.choice([4_000_000, 3]))
        things = as_things(drawn)
        known, first, second = overlapping(same, things, things)
        assert known.tolist() == [thing[same[0]] is not None for thing in drawn]
        found = list(zip(first.tolist(), second.tolist(), strict=True))
        assert all(drawn[a]["start"] >= drawn[b]["start"] for a, b in found)
        expected = [
            [a, b]
            for (a, left), (b, right) in product(enumerate(drawn), enumerate(drawn))
            if a < b and agree(same, left, right) and overlap(left, right)
        ]
        assert sorted(map(sorted, found)) == expected


NAMED_SO = timeline_of(Example(name="x", expect="complies", tasks=({"started_at": "2025-06-02T09:00:00Z"},)))


@pytest.mark.parametrize("differing", [(), ("number",), ("text", "time")], ids=str)
@pytest.mark.parametrize("same", SAME, ids="-".join)
def test_what_may_overlap_something_that_lacks_cells(same: tuple[str, ...], differing: tuple[str, ...]) -> None:
    """A cell that the one set aside lacks may say anything; one that the other lacks is no other's, but may differ."""

    def may(one: Thing, other: Thing) -> bool:
        agrees = all(other[name] is None or one[name] == other[name] for name in same)
        apart = all(one[name] is None or one[name] != other[name] for name in differing)
        return agrees and apart and in_time(one, other)

    for seed in range(8):
        chance = random.Random(seed)
        left, aside = some(chance), some(chance)
        found = perhaps_overlapping(NAMED_SO, same, differing, as_things(left), as_things(aside))
        assert found.tolist() == [any(may(one, other) for other in aside) for one in left]


def test_times_to_the_minute() -> None:
    """Of two things that last, one may end, and the other begin, half a minute off where both are whole minutes."""

    def rounded(start: int, end: int, other_start: int, other_end: int) -> bool:
        if end - start <= 1 or other_end - other_start <= 1:
            return False
        sides = ((end, other_start), (other_end, start))
        off = MINUTE // 2
        return any(a % MINUTE == b % MINUTE == 0 and a - off <= b + off for a, b in sides)

    times = [0, 1, MINUTE // 2, MINUTE, MINUTE + 1, 3 * MINUTE // 2, 2 * MINUTE, 3 * MINUTE]
    spans = [(a, max(b, a + 1), c, max(d, c + 1)) for a, b, c, d in product(times, repeat=4)]
    columns = [np.array([span[side] for span in spans], np.int64) for side in range(4)]
    one, other = (Things("tasks", np.arange(len(spans)), start, end, {}) for start, end in (columns[:2], columns[2:]))
    assert within_rounding(one, other).tolist() == [rounded(*span) for span in spans]
