"""What a sample shows of all records: an upper bound of those that deviate, for each stratum and the whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from audit.sampling.chances import Looked, upper_bound, upper_bound_of_all
from audit.sampling.drawing import Draw
from audit.sampling.reading import Compared
from audit.sampling.words import percent, percent_at_most


@dataclass(frozen=True)
class Bound:
    """What was looked at of some records, and the most of them that may deviate at the draw's confidence."""

    name: str
    looked: Looked
    most: int

    @property
    def share(self) -> Fraction:
        """The most that may deviate, as a share of the records."""
        return Fraction(self.most, self.looked.records)


@dataclass(frozen=True)
class Shown:
    """What a complete sheet shows. Each bound holds with the confidence of the draw by itself, not all of them
    together."""

    draw: Draw
    whole: Bound
    strata: tuple[Bound, ...]

    @property
    def tolerable(self) -> bool:
        """Whether fewer records deviate than would be too many, at the draw's confidence."""
        return self.whole.most < self.draw.aim.too_many(self.draw.records)


def shown_by(compared: Compared) -> Shown:
    """Work out what a complete sheet shows."""
    draw = compared.draw
    looked = [compared.looked(stratum) for stratum in draw.strata]
    strata = tuple(
        Bound(stratum.name, each, upper_bound(each, draw.aim.confidence))
        for stratum, each in zip(draw.strata, looked, strict=True)
    )
    together = Looked(draw.records, draw.drawn, sum(each.found for each in looked))
    return Shown(draw, Bound("all", together, upper_bound_of_all(looked, draw.aim.confidence)), strata)


def sentences(shown: Shown) -> Iterator[str]:
    """Say it: the whole in one sentence, whether that is tolerable, then a line a stratum."""
    whole, aim = shown.whole, shown.draw.aim
    most = percent_at_most(whole.share, aim.tolerable)
    yield (
        f"With {percent(aim.confidence)} confidence at most {most} ({whole.most:,}) of the "
        f"{whole.looked.records:,} records differ from the paper: {whole.looked.drawn:,} were looked at, "
        f"{whole.looked.found:,} of them {_deviate(whole.looked)}."
    )
    limit = (
        f"the tolerable share of {percent(aim.tolerable)} ({aim.too_many(whole.looked.records):,} would be too many)"
    )
    yield f"That is {'below' if shown.tolerable else 'not below'} {limit}."
    for each in shown.strata:
        yield (
            f"  {each.name}: {each.looked.found:,} of {each.looked.drawn:,} {_deviate(each.looked)}; at most "
            f"{each.most:,} of {each.looked.records:,} ({percent_at_most(each.share)})"
        )


def _deviate(looked: Looked) -> str:
    return "deviates" if looked.found == 1 else "deviate"
