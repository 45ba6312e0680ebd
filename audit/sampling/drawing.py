"""The draw: which records are held beside the paper.

Anybody can repeat it: the frame is every audited task record, in order of its task_id; within each stratum records are
ranked by the SHA-256 of seed and task_id, and the first ones are drawn.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import partial
from typing import Literal

import pandas as pd

from audit.errors import AuditError
from audit.intake.export import Export
from audit.sampling.chances import Aim, is_shown_by, size

By = Literal["station", "month"]


@dataclass(frozen=True)
class Stratum:
    """Records of one station (and one month, UTC, of the start of the work: `2026-03`; else blank), and those drawn,
    in the order in which they were."""

    station: str
    month: str
    records: int
    drawn: tuple[str, ...]

    @property
    def name(self) -> str:
        """What people call it."""
        return f"{self.station}, {self.month}" if self.month else self.station


@dataclass(frozen=True)
class Draw:
    """What was drawn: for which aim, by which seed, out of which frame (SHA-256 of its task_ids, a line each)."""

    export_name: str
    aim: Aim
    seed: str
    frame: str
    strata: tuple[Stratum, ...]

    @property
    def records(self) -> int:
        """How many records the frame has."""
        return sum(stratum.records for stratum in self.strata)

    @property
    def drawn(self) -> int:
        """How many were drawn."""
        return sum(len(stratum.drawn) for stratum in self.strata)


def frame_of(export: Export, since: date | None = None, until: date | None = None) -> pd.DataFrame:
    """Return what can be drawn: columns task_id, station, month, in order of task_id.

    Every audited task record whose work began (UTC) on a day from `since` to `until`, both included; what is in
    quarantine is not among them. AuditError where there is none.
    """
    tasks = export.tables["tasks"]
    day = tasks["started_at"].dt.tz_localize(None).dt.normalize()
    chosen = pd.Series(True, index=tasks.index)
    if since is not None:
        chosen &= day >= pd.Timestamp(since)
    if until is not None:
        chosen &= day <= pd.Timestamp(until)
    if not chosen.any():
        when = " of those days" if since or until else ""
        raise AuditError(f"There is no task record to draw from: none{when} was audited.")
    frame = pd.DataFrame(
        {
            "task_id": tasks.loc[chosen, "task_id"].astype("str"),
            "station": tasks.loc[chosen, "station"].astype("str"),
            "month": day[chosen].dt.strftime("%Y-%m"),
        }
    )
    return frame.sort_values("task_id", kind="stable", ignore_index=True)


def frame_hash(frame: pd.DataFrame) -> str:
    """SHA-256 of the frame's task_ids, UTF-8, each followed by a line feed."""
    return hashlib.sha256("".join(f"{task}\n" for task in frame["task_id"]).encode()).hexdigest()


def draw(frame: pd.DataFrame, export_name: str, aim: Aim, seed: str, by: By = "station") -> Draw:
    """Draw from each stratum in proportion to its records, at least one.

    As many as one draw from the whole frame would need, and more where drawing by strata shows less for certain.
    AuditError where even all records can't show the aim.
    """
    groups = strata_of(frame, by)
    parts = allocation([len(tasks) for _, tasks in groups], aim)
    strata = (
        Stratum(station, month, len(tasks), tuple(sorted(tasks, key=partial(rank, seed))[:drawn]))
        for ((station, month), tasks), drawn in zip(groups, parts, strict=True)
    )
    return Draw(export_name, aim, seed, frame_hash(frame), tuple(strata))


def strata_of(frame: pd.DataFrame, by: By) -> list[tuple[tuple[str, str], list[str]]]:
    """Return the strata of a frame: station and month (blank where strata are stations), and the task_ids."""
    month = frame["month"] if by == "month" else pd.Series("", index=frame.index)
    groups = frame["task_id"].groupby([frame["station"], month], sort=True)
    return [((str(station), str(when)), list(tasks)) for (station, when), tasks in groups]


def rank(seed: str, task_id: str) -> str:
    """The rank of a record in a draw: the SHA-256 of the seed, a line feed and its task_id, as hexadecimal text."""
    return hashlib.sha256(f"{seed}\n{task_id}".encode()).hexdigest()


def allocation(sizes: Sequence[int], aim: Aim) -> list[int]:
    """How many to draw of strata with so many records, so that the aim can be shown.

    Whole numbers in proportion, those with the largest remainder rounded up; at least one of each stratum.
    """
    records = sum(sizes)
    wanted = size(records, aim)
    if wanted is None:
        raise AuditError(
            f"No sample of {records:,} records can show it: {aim.too_many(records):,} of them would be too many, and "
            f"{aim.expected:,} are expected. Raise the tolerable share, or expect fewer."
        )
    wanted = max(wanted, len(sizes))
    # Rounding, and the strata themselves, may show less for certain than one draw: then more are drawn.
    while True:
        parts = _in_proportion(sizes, wanted)
        if wanted >= records or is_shown_by(list(zip(sizes, parts, strict=True)), aim):
            return parts
        wanted += 1


def _in_proportion(sizes: Sequence[int], wanted: int) -> list[int]:
    shares = [Fraction(each * wanted, sum(sizes)) for each in sizes]
    parts = [max(int(share), 1) for share in shares]
    # A share below 1 has been rounded up already.
    by_remainder = sorted(
        (place for place, share in enumerate(shares) if share >= 1), key=lambda p: parts[p] - shares[p]
    )
    for place in by_remainder[: max(wanted - sum(parts), 0)]:
        parts[place] += 1
    return parts
