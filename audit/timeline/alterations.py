"""What a register has seen happen to signed records, beside the records as they are now."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from audit.intake.names import cell_meaning
from audit.intake.tables import ALTERATIONS
from audit.timeline.codes import codes_in
from audit.timeline.instants import HOUR, micros
from audit.timeline.memo import Memo
from audit.timeline.timeline import Timeline, stacked


def with_alterations(timeline: Timeline, alterations: pd.DataFrame, last_known: pd.DataFrame) -> Timeline:
    """The timeline with the table `alterations` (columns as ALTERATIONS), whose rows say what became of signed records.

    `last_known` is what records said last that the export has no more, in canonical columns; what is absent is unknown.
    They stand behind all others and are evidence of nothing.
    """
    missing = last_known[~among_records(timeline, last_known["task_id"])].reset_index(drop=True)
    tasks = stacked(timeline.tasks, missing)
    more = {name: micros(tasks[name].iloc[len(timeline.tasks) :]) for name in timeline.times}
    known = among_records(timeline, alterations["task_id"])
    frame = alterations.astype({"task_id": "str", "what": "category", "column": "category"}).assign(
        correction=pd.Series(list(_corrections(timeline, alterations)), index=alterations.index, dtype="str"),
        in_export=pd.Categorical(np.where(known, "yes", "no"), ["yes", "no"]),
        hours_late=_hours_late(alterations),
    )
    codes = codes_in(timeline.aircraft_names, tasks["aircraft"].iloc[len(timeline.tasks) :])
    return replace(
        timeline,
        tables={**timeline.tables, ALTERATIONS.name: frame.reset_index(drop=True)},
        tasks=tasks,
        times={name: np.concatenate((times, more[name])) for name, times in timeline.times.items()},
        aircraft=np.concatenate((timeline.aircraft, codes.astype(timeline.aircraft.dtype))),
        _memo=Memo(),
        _timeless=Memo(),
    )


def among_records(timeline: Timeline, ids: pd.Series[str]) -> pd.Series[bool]:
    """Which of a few ids task records have: pandas spells out one by one what it looks for, so look for the few."""
    tasks = timeline.tasks["task_id"]
    return ids.isin(tasks[tasks.isin(ids.unique())])


def _corrections(timeline: Timeline, alterations: pd.DataFrame) -> Iterator[str | None]:
    """The correction that says the same as each alteration, or the last of several that together do."""
    made: dict[tuple[str, str], list[tuple[str, Hashable, Hashable]]] = {}
    if timeline.supplied("corrections"):
        frame = timeline.tables["corrections"]
        fits = frame["state"].isin(("in the export", "applied")) & (micros(frame["made_at"]) <= timeline.as_of)
        for row in frame[fits].sort_values("made_at", kind="stable").to_dict("records"):
            was, now = (_meaning(row, name) for name in ("was", "now"))
            made.setdefault((row["task_id"], row["column"]), []).append((row["correction_id"], was, now))
    for row in alterations.to_dict("records"):
        chain = made.get((row["task_id"], row["column"]), [])
        was, now = _meaning(row, "was"), _meaning(row, "now")
        # A chain of corrections says the same where one begins with what was there and that or a later one ends with
        # what is.
        begun = [number for number, (_, before, _) in enumerate(chain) if before == was]
        found = [name for number, (name, _, after) in enumerate(chain) if after == now and begun and begun[0] <= number]
        yield found[0] if found else None


def _meaning(row: Mapping[Hashable, Any], name: str) -> Hashable:
    cell = row.get(name)
    return cell_meaning(str(row["column"]), "" if pd.isna(cell) else str(cell))


def _hours_late(alterations: pd.DataFrame) -> pd.Series[float]:
    """From the end of the work to the audit that did not have its record, in hours; missing where nothing was late."""
    late = alterations["what"] == "entered late"
    audit, end = (pd.to_datetime(alterations[name].where(late), utc=True, format="ISO8601") for name in ("was", "now"))
    hours = (audit - end) / pd.Timedelta(HOUR, unit="us")
    return hours.astype("float64")
