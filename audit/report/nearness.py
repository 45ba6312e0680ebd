"""What nearly went wrong: how near to each limit the judged subjects came, as bars to be drawn."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from audit.findings.result import LIMIT, Margins, Rule
from audit.report.visible import visible

STEP = 26
BASE, TALLEST = 58, 40
Kind = Literal["broken", "near", "kept"]


@dataclass(frozen=True)
class Column:
    """The subjects of one bin: a bar, and its number above."""

    kind: Kind
    x: int
    y: float
    height: float
    number: int
    says: str

    @property
    def short(self) -> str:
        """The number as it fits above a bar."""
        if self.number < 1_000:
            return str(self.number)
        return f"{self.number / 1_000:.1f}k" if self.number < 9_950 else f"{self.number / 1_000:,.0f}k"


@dataclass(frozen=True)
class Nearness:
    """One limit of a rule: bars from nothing to the last bin, the limit's place, and the same in words."""

    rule_id: str
    title: str
    kind: str
    limit: str
    columns: tuple[Column, ...]
    limit_x: int
    end_x: int
    beyond: int
    total: int
    near: int
    broken: int
    says: str


def nearness(rules: tuple[Rule, ...], margins: Mapping[str, tuple[Margins, ...]]) -> list[Nearness]:
    """Draw every limit that something was measured against."""
    return [_one(rule, counted) for rule in rules for counted in margins.get(rule.id, ()) if counted.total]


def _one(rule: Rule, counted: Margins) -> Nearness:
    most = max(counted.counts)
    columns = tuple(
        Column(
            _kind(counted, place),
            place * STEP + 2,
            round(BASE - _height(number, most), 1),
            round(_height(number, most), 1),
            number,
            f"{_between(counted, place)} of the limit: {number:,}",
        )
        for place, number in enumerate(counted.counts)
        if number
    )
    return Nearness(
        rule_id=rule.id,
        title=rule.title,
        kind=f"at {counted.kind}",
        limit=visible(counted.limit),
        columns=columns,
        limit_x=LIMIT * STEP,
        end_x=len(counted.counts) * STEP,
        beyond=counted.beyond,
        total=counted.total,
        near=counted.near,
        broken=counted.broken,
        says=" ".join(_in_words(rule, counted)),
    )


def _height(number: int, most: int) -> float:
    return max(number / most * TALLEST, 1.5)


def _kind(counted: Margins, place: int) -> Kind:
    if (place < LIMIT) == (counted.kind == "least"):
        return "broken"
    return "near" if place == (LIMIT if counted.kind == "least" else LIMIT - 1) else "kept"


def _between(counted: Margins, place: int) -> str:
    """A bin in words; the edge that belongs to it is named first."""
    low, high = f"{place * 10} %", f"{place * 10 + 10} %"
    return f"from {low} to below {high}" if counted.kind == "least" else f"above {low} to {high}"


def _in_words(rule: Rule, counted: Margins) -> Iterator[str]:
    yield f"{visible(rule.title)}: at {counted.kind} {visible(counted.limit)}."
    yield f"{counted.total:,} measured, {counted.broken:,} broke it, {counted.near:,} came within 10 % of the limit."
    yield "; ".join(f"{_between(counted, place)}: {number:,}" for place, number in enumerate(counted.counts) if number)
