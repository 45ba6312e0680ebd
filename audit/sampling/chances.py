"""How many records to look at, and what that shows of the others: exact, by the hypergeometric distribution.

A record deviates where the paper says something else, can't be found or can't be read. Of `records`, `deviating` do;
`drawn` are looked at, each set of so many as likely as any other.

Sources, both from memory: W. Hoeffding, On the distribution of the number of successes in independent trials, Annals of
Mathematical Statistics 27 (1956), theorem 4; V. A. Vatutin and V. G. Mikhailov, Limit theorems for the number of empty
cells, Theory of Probability and its Applications 27 (1982): the number found of one stratum is distributed as a sum of
independent trials.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, comb


@dataclass(frozen=True)
class Aim:
    """What a sample is to show: with this `confidence`, fewer than the `tolerable` share of the records deviate.

    It may be shown as long as no more than `expected` of the records looked at deviate. Shares are exact fractions of
    1: as a floating-point number 3.5 % of 400 would be a little more than 14 records, and 15 when rounded up.
    """

    tolerable: Fraction
    confidence: Fraction
    expected: int = 0

    @property
    def risk(self) -> Fraction:
        """The greatest chance of showing it though it is not so."""
        return 1 - self.confidence

    def too_many(self, records: int) -> int:
        """How many of the records would have to deviate for the share not to be tolerable: rounded up, at least 1."""
        return max(ceil(self.tolerable * records), 1)


@dataclass(frozen=True)
class Looked:
    """How many records a stratum has, how many of them were looked at, and how many of those deviate."""

    records: int
    drawn: int
    found: int


def chance_of_at_most(found: int, deviating: int, drawn: int, records: int) -> Fraction:
    """The chance that at most `found` of the drawn records deviate, exact."""
    ways = sum(comb(deviating, each) * comb(records - deviating, drawn - each) for each in range(min(found, drawn) + 1))
    return Fraction(ways, comb(records, drawn))


def size(records: int, aim: Aim) -> int | None:
    """The fewest records to draw, None where even looking at all of them can't show it."""
    deviating = aim.too_many(records)
    if deviating <= aim.expected:
        return None

    def shows(drawn: int) -> bool:
        return chance_of_at_most(aim.expected, deviating, drawn, records) <= aim.risk

    enough = 1  # from small to large: the exact chance of half of many records is a number of as many digits
    while enough < records and not shows(enough):
        enough *= 2
    return _first(1, min(enough, records), shows)


def upper_bound(looked: Looked, confidence: Fraction) -> int:
    """The most records of one stratum that may deviate: any more, and so few would be found in at most `1 - confidence`
    of all draws."""
    most = looked.records - (looked.drawn - looked.found)  # what was seen to agree can't deviate
    excluded = _first(
        looked.found,
        most + 1,
        lambda deviating: (
            deviating > most
            or chance_of_at_most(looked.found, deviating, looked.drawn, looked.records) <= 1 - confidence
        ),
    )
    return max(excluded - 1, looked.found)


def upper_bound_of_all(strata: Sequence[Looked], confidence: Fraction) -> int:
    """The most records that may deviate in all strata together, at this confidence; conservative for several strata.

    What was looked at whole is known. Of the rest, one stratum is judged exactly, several by `_chance_over_strata`.
    """
    known = sum(each.found for each in strata if each.drawn == each.records)
    open_strata = [each for each in strata if each.drawn < each.records]
    if len(open_strata) <= 1:
        return known + sum(upper_bound(each, confidence) for each in open_strata)
    found = sum(each.found for each in open_strata)
    most = sum(each.records - each.drawn + each.found for each in open_strata)
    sizes = [(each.records, each.drawn) for each in open_strata]
    excluded = _first(
        found,
        most + 1,
        lambda deviating: deviating > most or _chance_over_strata(found, deviating, sizes) <= float(1 - confidence),
    )
    return known + max(excluded - 1, found)


def is_shown_by(sizes: Sequence[tuple[int, int]], aim: Aim) -> bool:
    """Whether so many records drawn of so many (records, drawn), stratum by stratum, show the aim if all goes well."""
    records = sum(size for size, _ in sizes)
    deviating = aim.too_many(records)
    if len(sizes) == 1:
        return chance_of_at_most(aim.expected, deviating, sizes[0][1], records) <= aim.risk
    return _chance_over_strata(aim.expected, deviating, sizes) <= float(aim.risk)


def _chance_over_strata(found: int, deviating: int, sizes: Sequence[tuple[int, int]]) -> float:
    """A bound of the chance that at most `found` deviate of all that were drawn, wherever the deviating ones stand.

    The number found in a stratum is distributed as a sum of independent trials (Vatutin, Mikhailov), so all of them
    are, no more trials than records drawn or deviating. Of all such sums with one mean the binomial has the
    greatest chance of a number at least one below it (Hoeffding); the mean is least where the deviating records stand
    in the strata that were looked at least. 1 where the theorem says nothing.
    """
    from scipy.special import bdtr

    trials = min(deviating, sum(drawn for _, drawn in sizes))
    mean, left = Fraction(0), deviating
    for records, drawn in sorted(sizes, key=lambda each: Fraction(each[1], each[0])):
        here = min(left, records)
        mean, left = mean + Fraction(here * drawn, records), left - here
    if mean < found + 1:
        return 1.0
    return float(bdtr(found, trials, min(float(mean / trials), 1.0)))


def _first(low: int, high: int, holds: Callable[[int], bool]) -> int:
    """The first number of [low, high] for which something holds, that holds of all after it; `high` holds."""
    return low + bisect_left(range(low, high), True, key=holds)
