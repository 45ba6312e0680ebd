"""What has happened to task records since they were signed: altered, vanished, or entered late."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
import sqlalchemy as sa

from audit.findings.standing import ALTERED_COLUMNS
from audit.intake.names import cell_meaning
from audit.register.digests import COLUMNS, KEY, Ints
from audit.register.packing import refusing_damage, table_of
from audit.register.records import SIGNED, Versions, as_texts, contents, said_of, told_beside
from audit.register.schema import ALTERATIONS, RECORDS, RUNS
from audit.register.states import Run

ALTERED: Final = "altered"
VANISHED: Final = "vanished"
ENTERED_LATE: Final = "entered late"
LATE: Final = timedelta(days=3)
"""Lists tell of a record as entered late whose work ended longer before an earlier run that did not have it. Rules
have limits of their own. Common practice, no source."""


class Happened(NamedTuple):
    """What happened to a record; of what is `ALTERED` in which column, what that said and says."""

    task_id: str
    what: str
    column: str = ""
    was: str = ""
    now: str = ""


def altered(
    connection: sa.Connection, tasks: pd.DataFrame, known: Versions, at: Ints, changed: Ints
) -> Iterator[Happened]:
    """Each cell of a signed record that is not what it was, in columns that both exports have."""
    changed = changed[known.kind[at[changed]] == SIGNED]
    if not len(changed):
        return
    before, now = contents(connection, known, at[changed]), tasks.iloc[changed]
    for name, told in _differing(before, now, known.columns):
        never = set(now[KEY][known.never_read(at[changed], name)])
        yield from (Happened(task, ALTERED, name, old, new) for task, old, new in told if task not in never)


def altered_meanwhile(
    connection: sa.Connection, tasks: pd.DataFrame, not_read: Mapping[str, Collection[str]], since: int
) -> Iterator[Happened]:
    """Each cell of records that are there or signed again that is not what it was when they were last signed.

    They must have been seen to vanish, or to be signed no more, since a run. `not_read` are by column those of which it
    can't be read tonight. What was told since they were last signed is not told again.
    """
    names = [ALTERATIONS.c[name] for name in ("task_id", "column", "was", "now", "run")]
    query = sa.select(*names).where(ALTERATIONS.c.run >= since, ALTERATIONS.c.what.in_((ALTERED, VANISHED)))
    seen = {tuple(row[:4]): row[4] for row in connection.execute(query.order_by(ALTERATIONS.c.run))}
    left = {task for task, *_ in seen}.intersection(tasks[KEY])
    query = sa.select(RECORDS.c.run, RECORDS.c.part, RECORDS.c.ids).order_by(RECORDS.c.run.desc(), RECORDS.c.part)
    # From the latest batch backwards: the first signed version that is met is the last that there was.
    for run, part, ids_of in connection.execute(query) if left else ():
        with refusing_damage():
            table = table_of(ids_of)
            beside, ids = told_beside(table), table[KEY].to_pandas()
        rows = np.flatnonzero((table["kind"].to_numpy() == SIGNED) & ids.isin(left).to_numpy())
        before = said_of(connection, (run, part)).iloc[rows].set_index(KEY, drop=False)
        now = tasks.set_index(KEY, drop=False).loc[before.index]
        for name, told in _differing(before, now, beside["columns"]):
            never = {*ids.iloc[beside["unread"].get(name, [])], *not_read.get(name, ())}
            for task, old, new in told:
                if task not in never and seen.get((task, name, old, new), 0) <= run:
                    yield Happened(task, ALTERED, name, old, new)
        left -= set(before.index)
        if not left:
            return


def _differing(
    before: pd.DataFrame, now: pd.DataFrame, columns: Collection[str]
) -> Iterator[tuple[str, list[tuple[str, str, str]]]]:
    """By column, each record of which it says something else now: its id, what it said and says."""
    for name in COLUMNS:
        if name != KEY and name in columns and name in now:
            texts = as_texts(before[name]) if name in before else [""] * len(now), as_texts(now[name])
            every = [one for one in zip(map(str, now[KEY]), *texts, strict=True) if one[1] != one[2]]
            yield name, [one for one in every if cell_meaning(name, one[1]) != cell_meaning(name, one[2])]


def entered_late(tasks: pd.DataFrame, new: Ints, last: Run) -> Iterator[Happened]:
    """Records that an earlier run did not have, though their work had ended before."""
    ended = tasks["finished_at"].iloc[new]
    late = new[(ended < pd.Timestamp(last.as_of)).to_numpy()]
    for task, end in zip(tasks[KEY].iloc[late], tasks["finished_at"].iloc[late], strict=True):
        yield Happened(str(task), ENTERED_LATE, "", last.as_of.isoformat(), end.isoformat())


def all_alterations(connection: sa.Connection) -> pd.DataFrame:
    """All that has happened to records since they were signed (ALTERED_COLUMNS), the first first."""
    names = [ALTERATIONS.c[name] for name in Happened._fields]
    query = sa.select(*names, RUNS.c.as_of).join(RUNS, RUNS.c.run == ALTERATIONS.c.run)
    rows = [tuple(row) for row in connection.execute(query.order_by(ALTERATIONS.c.run, ALTERATIONS.c.number))]
    frame = pd.DataFrame(rows, columns=list(ALTERED_COLUMNS))
    frame["first_seen"] = pd.to_datetime(frame["first_seen"], utc=True).astype("datetime64[us, UTC]")
    return frame


def with_tonight(connection: sa.Connection, alterations: list[dict[str, Any]], as_of: datetime) -> pd.DataFrame:
    """All alterations (ALTERED_COLUMNS), those that a run is to add (rows of ALTERATIONS) among them."""
    before = all_alterations(connection)
    added = pd.DataFrame(alterations, columns=["number", *ALTERED_COLUMNS]).drop(columns="number")
    added["first_seen"] = pd.Series(pd.Timestamp(as_of), index=added.index, dtype="datetime64[us, UTC]")
    return pd.concat([before, added], ignore_index=True) if len(added) else before


def told(alterations: pd.DataFrame) -> pd.DataFrame:
    """The alterations that lists tell of: of records entered late only those that came longer than LATE after."""
    audit, end = (
        pd.to_datetime(alterations[name].where(alterations["what"] == ENTERED_LATE), utc=True, format="ISO8601")
        for name in ("was", "now")
    )
    return alterations[~((audit - end) <= LATE)].reset_index(drop=True)
