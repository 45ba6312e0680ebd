"""Judging in parts: here one after another, or written to files that workers read; what they found is put together."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, as_completed
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from audit.errors import AuditError
from audit.forms import form_of
from audit.forms.judging import judge_by_week, what_comes
from audit.forms.outcomes import Outcomes, together
from audit.forms.reads import tables_read
from audit.forms.weeks import added
from audit.intake.export import Export
from audit.language.rule import Rule
from audit.memory import hand_back
from audit.options import Spread
from audit.spread.groups import aircraft_buckets, people_buckets
from audit.spread.parts import LARGE, Judged, Rows, Whole, judge_part, judge_stored, part_of, write_part
from audit.spread.workers import SIDE_BY_SIDE, WorkersLost, here, workers
from audit.timeline.codes import codes_in
from audit.timeline.instants import Ints
from audit.timeline.readings import Owner
from audit.timeline.timeline import Timeline

ROWS_OF_A_PART: Final = 1_000_000
"""How many flights and task records a part should have at most: what of it is held in memory is some 0.3 GB."""
_WORTH_THREADS: Final = 200_000
"""With fewer flights and task records threads wait for each other longer than they help."""
_TRIES: Final = 3
"""How often a part is given to workers before it is given up."""
_EVERY_PART: Final = -2

_Job: TypeAlias = Callable[[], list[Judged]]


def judged_in_parts(
    rules: Sequence[Rule],
    export: Export,
    timeline: Timeline,
    spread: Spread,
    progress: Callable[[str], None] = lambda step: None,
    *,
    ahead: bool = False,
) -> list[tuple[Rule, Judged]]:
    """What every rule says, in their order, and, looking `ahead`, what comes.

    A large export is judged part after part: what each takes is bounded, and stays near the processor. Rules by
    aircraft are judged on buckets of aircraft, rules about people on buckets of people; the few that look at other
    tables, or at all records at once, on the whole. AuditError where there are no workers, a part can't be written, or
    a worker can't read it.
    """
    size = sum(len(export.tables[table]) for table in LARGE if table in export.tables)
    buckets = spread.buckets or max(spread.workers, size // ROWS_OF_A_PART + 1)
    if not timeline.audited or (buckets == 1 and not spread.elsewhere):
        return _in_one(rules, timeline, progress, ahead=ahead)  # without a record nothing is judged
    of_owner: dict[Owner, list[Rule]] = {}
    for rule in rules:
        of_owner.setdefault(_split_by(rule), []).append(rule)
    found = {rule.id: judged for rule, judged in _in_one(of_owner.pop("none", []), timeline, progress, ahead=ahead)}
    whole = Whole.of(export, timeline)
    with _folder(spread) as folder:

        def jobs() -> Iterator[_Job]:
            for owner, its in of_owner.items():
                divided = _by_aircraft if owner == "aircraft" else partial(_by_person, owner)
                for number, (rows, aside) in enumerate(divided(export, timeline, buckets), start=1):
                    if folder is None:
                        yield partial(_judge_here, export, rows, aside, whole, its, ahead=ahead)
                        continue
                    progress(f"writing part {number} of {buckets} by {'aircraft' if owner == 'aircraft' else 'person'}")
                    part = write_part(folder / f"{owner}-{number}", part_of(export, rows, aside, whole))
                    yield partial(judge_stored, part, its, ahead=ahead)

        answers = _answered(jobs(), buckets * len(of_owner), spread, progress)
    hand_back()
    # The parts of each owner stand together, in the order in which they were begun.
    for place, its in enumerate(of_owner.values()):
        for rule, *several in zip(its, *answers[place * buckets : (place + 1) * buckets], strict=True):
            found[rule.id] = _together(several)
    return [(rule, found[rule.id]) for rule in rules]


def _judge_here(
    export: Export, rows: Rows, aside: Rows, whole: Whole, rules: Sequence[Rule], *, ahead: bool
) -> list[Judged]:
    return judge_part(part_of(export, rows, aside, whole), rules, ahead=ahead)


def _in_one(
    rules: Sequence[Rule], timeline: Timeline, progress: Callable[[str], None], *, ahead: bool
) -> list[tuple[Rule, Judged]]:
    """Judge rules on the whole; on a large one some side by side: sorting and searching leave the interpreter to the
    other thread."""

    def judged(rule: Rule) -> Judged:
        return Judged(*judge_by_week(rule, timeline), what_comes(rule, timeline) if ahead else None)

    found = []
    large = len(timeline.tasks) + len(timeline.flights.takeoff) >= _WORTH_THREADS
    with here(SIDE_BY_SIDE if large else 1) as executor:
        for rule, answer in [(rule, executor.submit(judged, rule)) for rule in rules]:
            progress(f"judging {rule.id}")
            found.append((rule, answer.result()))
    return found


def _split_by(rule: Rule) -> Owner:
    """By whose records a rule may be judged apart; `none` where it looks at all at once, or at a list of its own."""
    form = form_of(rule)
    owner = form.owner(rule)
    if not set(form.rows(rule).values()) <= set(LARGE):
        return "none"
    return owner if owner == "aircraft" or "flights" not in tables_read(rule) else "none"


@contextmanager
def _folder(spread: Spread) -> Iterator[Path | None]:
    """A new folder for the parts, gone afterwards; None where they need not be written."""
    if not spread.elsewhere:
        yield None
        return
    try:
        folder = Path(tempfile.mkdtemp(prefix="deicer-audit-parts-", dir=spread.shared))
    except OSError as fault:
        place = spread.shared or tempfile.gettempdir()
        raise AuditError(f"The parts of the export can't be written to {place}: {fault.strerror}.") from None
    try:
        yield folder.resolve()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _by_aircraft(export: Export, timeline: Timeline, buckets: int) -> Iterator[tuple[Rows, Rows]]:
    """The rows of each bucket of aircraft. What was set aside without an aircraft may be about any: all have it."""
    bucket_of = np.append(aircraft_buckets(export, timeline, buckets), _EVERY_PART)

    def divided(frames: Mapping[str, pd.DataFrame]) -> dict[str, tuple[list[Ints], Ints]]:
        of_rows = {
            name: codes_in(timeline.aircraft_names, frames[name]["aircraft"]) for name in LARGE if name in frames
        }
        return {
            name: (_rows_of_each(bucket_of[codes], buckets), np.flatnonzero(bucket_of[codes] == _EVERY_PART))
            for name, codes in of_rows.items()
        }

    audited, aside = divided(export.tables), divided(export.set_aside)
    for number in range(buckets):
        yield (
            {name: rows[number] for name, (rows, _) in audited.items()},
            {name: np.union1d(rows[number], of_any) for name, (rows, of_any) in aside.items()},
        )


def _by_person(column: Owner, export: Export, timeline: Timeline, buckets: int) -> Iterator[tuple[Rows, Rows]]:
    """The task records of each bucket of people, the first with those that name nobody; all boots, and what was set
    aside: it may be of anybody."""
    tasks = export.tables["tasks"]
    bucket = np.zeros(len(tasks), np.int64)
    if column in tasks:
        people = tasks[column].cat
        bucket_of = people_buckets(people.categories, timeline.alike.get("person", {}), buckets)
        bucket = np.append(bucket_of, 0)[people.codes.to_numpy()]
    # Flights decide nothing in these rules: see `_split_by`.
    nothing, aside = np.empty(0, np.int64), np.arange(len(export.set_aside.get("tasks", ())))
    rows = {name: nothing for name in ("flights", "components") if name in export.tables}
    if "components" in rows:
        rows["components"] = np.arange(len(export.tables["components"]))
    for mine in _rows_of_each(bucket, buckets):
        yield {"tasks": mine, **rows}, {"tasks": aside, "flights": nothing}


def _rows_of_each(bucket: Ints, buckets: int) -> list[Ints]:
    """The rows of each bucket, in order; those of no bucket have a negative number."""
    small = bucket.astype(np.min_scalar_type(-buckets - 1))  # numpy sorts small numbers by radix
    rows = np.argsort(small, kind="stable")
    starts = np.searchsorted(small[rows], np.arange(buckets + 1, dtype=small.dtype))
    return [rows[start:end] for start, end in pairwise(starts.tolist())]


def _answered(jobs: Iterable[_Job], count: int, spread: Spread, progress: Callable[[str], None]) -> list[list[Judged]]:
    """What came of each of `count` jobs, in their order; those of workers that died are given to others."""
    progress(f"judging: {count} parts")
    begun: list[_Job] = []
    found: dict[int, list[Judged]] = {}
    for _ in range(_TRIES):
        try:
            with workers(spread) as executor:
                asked: dict[Future[list[Judged]], int] = {}
                for number, job in enumerate(begun):
                    if number not in found:
                        asked[executor.submit(job)] = number
                for job in jobs:  # what is left of them, where workers died early
                    begun.append(job)
                    asked[executor.submit(job)] = len(begun) - 1
                for done in as_completed(asked):
                    found[asked[done]] = done.result()
                    progress(f"judging: {len(found)} of {count} parts")
                return [found[number] for number in range(len(begun))]
        except WorkersLost:
            progress("workers died: their parts are given to others")
    raise AuditError(
        f"Worker processes died {_TRIES} times, as they do where memory runs out. Divide the export into more parts "
        "with --buckets, or use fewer --workers."
    )


def _together(parts: Sequence[Judged]) -> Judged:
    """What a rule says of the parts of an export as what it says of the whole."""
    outcomes = [part.outcomes for part in parts]
    margins = (
        replace(
            of_parts[0],
            counts=tuple(map(sum, zip(*(one.counts for one in of_parts), strict=True))),
            beyond=sum(one.beyond for one in of_parts),
        )
        for of_parts in zip(*(part.margins for part in outcomes), strict=True)
    )
    cases = together(part.cases for part in outcomes)
    whole = Outcomes(sum(part.in_scope for part in outcomes), cases, tuple(margins))
    coming = [part.coming for part in parts if part.coming is not None]
    return Judged(whole, added(pd.concat([part.weeks for part in parts])), together(coming) if coming else None)
