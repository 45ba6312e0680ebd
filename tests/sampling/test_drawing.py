"""What is drawn: repeatable, in proportion, enough."""

import hashlib
from fractions import Fraction

import pandas as pd
import pytest

from audit.errors import AuditError
from audit.sampling.chances import Aim, is_shown_by
from audit.sampling.drawing import allocation, draw, frame_hash

AIM = Aim(Fraction(5, 100), Fraction(95, 100))


def frame(**stations: int) -> pd.DataFrame:
    rows = [(f"T-{name}-{n:04}", name, f"2026-0{n % 3 + 1}") for name, count in stations.items() for n in range(count)]
    return pd.DataFrame(sorted(rows), columns=["task_id", "station", "month"])


def test_the_same_seed_draws_the_same_records_and_another_others() -> None:
    records = frame(gull=300, tern=100)
    first, again, other = (draw(records, "x", AIM, seed) for seed in ("a", "a", "b"))
    assert first == again
    assert {task for each in first.strata for task in each.drawn} != {
        task for each in other.strata for task in each.drawn
    }


def test_anybody_can_repeat_the_draw() -> None:
    """By no more than SHA-256 of seed, line feed and task_id."""
    records = frame(gull=300, tern=100)
    made = draw(records, "x", AIM, "dice 4 1 6")
    for stratum in made.strata:
        tasks = records.loc[records["station"] == stratum.station, "task_id"]
        ranked = sorted(tasks, key=lambda task: hashlib.sha256(f"dice 4 1 6\n{task}".encode()).digest())
        assert list(stratum.drawn) == ranked[: len(stratum.drawn)]
    lines = "".join(f"{task}\n" for task in sorted(records["task_id"]))
    assert made.frame == frame_hash(records) == hashlib.sha256(lines.encode()).hexdigest()


def test_every_stratum_is_looked_at_and_larger_ones_more() -> None:
    made = draw(frame(gull=900, tern=90, owl=3), "x", AIM, "s")
    drawn = {stratum.station: len(stratum.drawn) for stratum in made.strata}
    assert drawn["owl"] == 1
    assert drawn["gull"] == pytest.approx(10 * drawn["tern"], abs=10)
    assert [stratum.records for stratum in made.strata] == [900, 3, 90]


def test_strata_by_month() -> None:
    made = draw(frame(gull=90, tern=30), "x", AIM, "s", by="month")
    assert [stratum.name for stratum in made.strata] == [
        f"{station}, 2026-0{month}" for station in ("gull", "tern") for month in (1, 2, 3)
    ]


@pytest.mark.parametrize("sizes", [[5], [1, 1, 1], [4000, 2, 2, 2], [700, 300], [50] * 20, [1000, 999, 1]])
def test_what_is_drawn_is_enough_and_no_stratum_is_drawn_empty(sizes: list[int]) -> None:
    parts = allocation(sizes, AIM)
    assert all(1 <= part <= size for part, size in zip(parts, sizes, strict=True))
    assert parts == sizes or is_shown_by(list(zip(sizes, parts, strict=True)), AIM)


def test_a_sample_that_can_show_nothing_is_refused() -> None:
    with pytest.raises(AuditError, match="2 of them would be too many, and 2 are expected"):
        draw(frame(gull=40), "x", Aim(Fraction(5, 100), Fraction(95, 100), 2), "s")
