"""Judging in parts: the export is written as parts, workers judge them, and what they found is put together."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, as_completed
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from audit.errors import AuditError
from audit.forms import form_of
from audit.forms.judging import judge_by_week
from audit.forms.outcomes import Outcomes, together
from audit.forms.reads import tables_read
from audit.forms.weeks import added
from audit.intake.export import Export
from audit.language.rule import Rule
from audit.options import Spread
from audit.spread.groups import aircraft_buckets, people_buckets
from audit.spread.parts import LARGE, Part, Rows, Whole, judged_part, write_part
from audit.spread.workers import WorkersLost, workers
from audit.timeline.codes import codes_in
from audit.timeline.instants import Ints
from audit.timeline.readings import Owner
from audit.timeline.timeline import Timeline

ROWS_OF_A_PART: Final = 2_000_000
"""How many flights and task records a part should have at most: what a worker holds in memory."""
_TRIES: Final = 3
"""How often a part is given to workers before it is given up."""
_EVERY_PART: Final = -2

_Job: TypeAlias = tuple[Part, Sequence[Rule]]
_Answer: TypeAlias = list[tuple[Outcomes, pd.DataFrame]]


def judged_in_parts(
    rules: Sequence[Rule], export: Export, timeline: Timeline, spread: Spread, progress: Callable[[str], None]
) -> list[tuple[Rule, Outcomes, pd.DataFrame]]:
    """Every rule with what `judge_by_week` gives of it, in their order; workers judge the parts.

    Rules by aircraft are judged on buckets of aircraft, rules about people on buckets of people; the few that look at
    other tables, or at all records at once, are judged here. AuditError where there are no workers, a part can't be
    written, or a worker can't read it.
    """
    if not len(timeline.tasks):  # nothing is judged then, which a part can't know
        return [(rule, *judge_by_week(rule, timeline)) for rule in rules]
    of_owner: dict[Owner, list[Rule]] = {}
    for rule in rules:
        of_owner.setdefault(_split_by(rule), []).append(rule)
    here = of_owner.pop("none", [])
    size = sum(len(export.tables[table]) for table in LARGE if table in export.tables)
    buckets = spread.buckets or max(spread.workers, size // ROWS_OF_A_PART + 1)
    with _folder(spread.shared) as folder:
        jobs = _jobs(folder, of_owner, export, timeline, buckets, progress)
        found = {rule.id: judge_by_week(rule, timeline) for rule in here}
        parts: dict[str, _Answer] = {}
        for (_, mine), answer in _answered(jobs, spread, progress):
            for rule, one in zip(mine, answer, strict=True):
                parts.setdefault(rule.id, []).append(one)
    for rule_id, several in parts.items():
        outcomes, weeks = zip(*several, strict=True)
        found[rule_id] = _outcomes(outcomes), added(pd.concat(weeks))
    return [(rule, *found[rule.id]) for rule in rules]


def _split_by(rule: Rule) -> Owner:
    """By whose records a rule may be judged apart; `none` where it looks at all at once, or at a list of its own."""
    form = form_of(rule)
    owner = form.owner(rule)
    if not set(form.rows(rule).values()) <= set(LARGE):
        return "none"
    return owner if owner == "aircraft" or "flights" not in tables_read(rule) else "none"


@contextmanager
def _folder(shared: Path | None) -> Iterator[Path]:
    """A new folder for the parts, gone afterwards."""
    try:
        folder = Path(tempfile.mkdtemp(prefix="deicer-audit-parts-", dir=shared))
    except OSError as fault:
        place = shared or tempfile.gettempdir()
        raise AuditError(f"The parts of the export can't be written to {place}: {fault.strerror}.") from None
    try:
        yield folder.resolve()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _jobs(
    folder: Path,
    of_owner: dict[Owner, list[Rule]],
    export: Export,
    timeline: Timeline,
    buckets: int,
    progress: Callable[[str], None],
) -> Iterator[_Job]:
    """Write the parts one by one, each with the rules that are to be judged on it."""
    whole = Whole.of(export, timeline)
    for owner, rules in of_owner.items():
        by_aircraft = owner == "aircraft"
        divided = (
            _by_aircraft(export, timeline, buckets) if by_aircraft else _by_person(owner, export, timeline, buckets)
        )
        for number, (rows, aside) in enumerate(divided, start=1):
            progress(f"writing part {number} of {buckets} by {'aircraft' if by_aircraft else 'person'}")
            yield write_part(folder / f"{owner}-{number}", export, rows, aside, whole), rules


def _by_aircraft(export: Export, timeline: Timeline, buckets: int) -> Iterator[tuple[Rows, Rows]]:
    """The rows of each bucket of aircraft. What was set aside without an aircraft may be about any: all have it."""
    bucket_of = np.append(aircraft_buckets(export, timeline, buckets), _EVERY_PART)

    def buckets_of(frame: pd.DataFrame) -> Ints:
        return bucket_of[codes_in(timeline.aircraft_names, frame["aircraft"])]

    bucket = {name: buckets_of(export.tables[name]) for name in LARGE if name in export.tables}
    aside = {name: buckets_of(export.set_aside[name]) for name in LARGE if name in export.set_aside}
    for number in range(buckets):
        yield (
            {name: np.flatnonzero(of_rows == number) for name, of_rows in bucket.items()},
            {name: np.flatnonzero((of_rows == number) | (of_rows == _EVERY_PART)) for name, of_rows in aside.items()},
        )


def _by_person(column: str, export: Export, timeline: Timeline, buckets: int) -> Iterator[tuple[Rows, Rows]]:
    """The task records of each bucket of people, the first with those that name nobody; all boots, and what was set
    aside: it may be of anybody."""
    tasks = export.tables["tasks"]
    bucket = np.zeros(len(tasks), np.int64)
    if column in tasks:
        people = tasks[column].cat
        bucket_of = people_buckets(people.categories, timeline.alike.get("person", {}), buckets)
        bucket = np.append(bucket_of, 0)[people.codes.to_numpy()]
    nothing, aside = np.empty(0, np.int64), np.arange(len(export.set_aside.get("tasks", ())))
    rows = {name: nothing for name in ("flights", "components") if name in export.tables}
    if "components" in rows:
        rows["components"] = np.arange(len(export.tables["components"]))
    for number in range(buckets):
        yield {"tasks": np.flatnonzero(bucket == number), **rows}, {"tasks": aside, "flights": nothing}


def _answered(jobs: Iterable[_Job], spread: Spread, progress: Callable[[str], None]) -> list[tuple[_Job, _Answer]]:
    """The jobs with what workers found, in their order; those of workers that died are given to others."""
    written: list[_Job] = []
    found: dict[int, _Answer] = {}
    for _ in range(_TRIES):
        try:
            with workers(spread) as executor:
                asked: dict[Future[_Answer], int] = {}
                for number, job in enumerate(written):
                    if number not in found:
                        asked[executor.submit(judged_part, *job)] = number
                for job in jobs:  # what is left of them, where workers died early
                    written.append(job)
                    asked[executor.submit(judged_part, *job)] = len(written) - 1
                for done in as_completed(asked):
                    found[asked[done]] = done.result()
                    progress(f"judged {len(found)} of {len(written)} parts")
                return [(job, found[number]) for number, job in enumerate(written)]
        except WorkersLost:
            progress("workers died: their parts are given to others")
    raise AuditError(
        f"Worker processes died {_TRIES} times, as they do where memory runs out. Divide the export into more parts "
        "with --buckets, or use fewer --workers."
    )


def _outcomes(parts: Sequence[Outcomes]) -> Outcomes:
    margins = (
        replace(
            of_parts[0],
            counts=tuple(map(sum, zip(*(one.counts for one in of_parts), strict=True))),
            beyond=sum(one.beyond for one in of_parts),
        )
        for of_parts in zip(*(part.margins for part in parts), strict=True)
    )
    return Outcomes(sum(part.in_scope for part in parts), together(part.cases for part in parts), tuple(margins))
