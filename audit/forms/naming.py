"""What cases are called by: cells of the rows that they name, for identities and sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.forms.outcomes import NONE
from audit.language.rule import Rule
from audit.timeline.instants import Ints, take
from audit.timeline.records import values
from audit.timeline.timeline import Timeline

Texts = npt.NDArray[np.object_]
Keys = list[tuple[str, ...]]
"""The natural keys of subjects: what names each, whatever export it stands in."""


def cells(frame: pd.DataFrame | None, column: str, rows: Ints) -> Texts:
    """Texts of a column at the rows, blank where the row is NONE or the value missing."""
    result: Texts = np.full(len(rows), "", object)
    if frame is None or column not in frame or not len(rows):
        return result
    known = np.flatnonzero(rows >= 0)
    series = frame[column]
    if isinstance(series.dtype, pd.CategoricalDtype):
        codes = series.cat.codes.to_numpy()[rows[known]]
        known, codes = known[codes >= 0], codes[codes >= 0]
        result[known] = series.cat.categories.take(codes).to_numpy(object)
    else:
        chosen = series.array.take(rows[known])
        result[known] = np.where(chosen.isna(), "", chosen.to_numpy(object))
    return result


def positions(timeline: Timeline, place: Ints) -> Texts:
    """The positions of places, blank where the place is NONE or its position not recorded."""
    result: Texts = np.full(len(place), "", object)
    position = timeline.position_of(np.maximum(place, 0))
    known = (place >= 0) & (position != timeline.unknown_position)
    result[known] = timeline.position_names.take(position[known]).to_numpy(object)
    return result


def aircraft_of(timeline: Timeline, place: Ints, task: Ints) -> Ints:
    """The aircraft of cases, by number: that of the place, else of the record; NONE (-1) where there is neither."""
    return np.where(place >= 0, timeline.aircraft_of(np.maximum(place, 0)), take(timeline.aircraft, task, -1))


def days(instants: Ints) -> Texts:
    """The UTC days of instants, as 2025-11-03, blank where there is none (NONE)."""
    return np.where(instants < 0, "", np.datetime_as_string(instants.view("M8[us]"), unit="D")).astype(object)


def moments(instants: Ints) -> list[str]:
    """Instants in UTC as 2025-11-03T10:00:00, with the fraction of a second where there is one."""
    texts = np.datetime_as_string(instants.view("M8[us]"), unit="us").tolist()
    return [text.removesuffix(".000000") for text in texts]


def treated_with(timeline: Timeline, rows: Ints) -> tuple[Texts, Texts]:
    """The products of records that a rule is about, the work itself where none is recorded; and the same with `the last
    coat of` before products."""
    names, actions = (cells(timeline.tasks, name, rows) for name in ("product", "action"))
    work = np.array([_WORK.get(action, "a treatment") for action in actions], object)
    coats = np.array([f"the last coat of {name}" for name in names], object)
    return np.where(names == "", work, names), np.where(names == "", work, coats)


_WORK: Mapping[str, str] = {
    "clean": "cleaning",
    "prepare": "preparation",
    "inspect": "inspection",
    "repair": "repair",
    "install": "installation",
    "remove": "removal",
    "other": "other work",
}
"""What a record without a product is called by, by its action."""


COMMON: Mapping[str, str] = {
    "task": "number of the task record",
    "work_order": "number of its work order",
    "aircraft": "its aircraft",
    "station": "where the work was done",
    "person": "who did the work",
    "flight": "number of the flight",
}
"""Names that a message of any rule may use: what the record, or the flight, of a finding is called by."""


def common(cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[str]]:
    """What COMMON stands for in each case, blank where not known."""
    columns = {"task": "task_id", "person": "performed_by"}
    task, flight = cases["task"].to_numpy(), cases["flight"].to_numpy()
    of_task = {
        name: cells(timeline.tasks, columns.get(name, name), task).tolist() for name in COMMON if name != "flight"
    }
    return of_task | {"flight": cells(timeline.tables.get("flights"), "flight_id", flight).tolist()}


OF_TREATMENT: Mapping[str, str] = {
    "product": "the product that the rule is about",
    "other_product": "the product of the other record",
    "other_task": "number of the other record",
    "since": "the day (UTC) from which is counted",
}
"""Names that a message about a treatment may use."""


def at_work_order(
    cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline, *more: Sequence[object] | Texts | pd.Series
) -> Keys:
    """Natural keys of subjects of a work order: its aircraft, position and number, and what else tells them apart.

    A work order may be worked on several times: the first record of each time tells them apart. It is named at the
    position of that record, and keeps that name where the boot goes elsewhere.
    """
    named_by, named_at = (cases[name].to_numpy() for name in ("named_by", "named_at"))
    names = (cells(timeline.tasks, column, named_by) for column in ("work_order", "task_id"))
    aircraft = timeline.aircraft_names.take(timeline.aircraft_of(np.maximum(named_at, 0)))
    place = (
        np.where(named_at == NONE, evidence[name], named)
        for name, named in (("aircraft", aircraft), ("position", positions(timeline, named_at)))
    )
    keys = (*place, *names, *more)
    return [tuple(map(str, key)) for key in zip(*keys, strict=True)]


def of_session(rule: Rule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline) -> Keys:
    """Natural keys of sessions: aircraft, position, work order and product class."""
    return at_work_order(
        cases, evidence, timeline, values(timeline, "product_class", cases["subject"].to_numpy()).texts()
    )


def of_treatment(rule: Rule, cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    """The facts of cases about a treatment: their figures, its product, and the product and number of the other one."""
    other = np.where(cases["other"] >= 0, cases["other"], cases["task"])
    other_product = cells(timeline.tasks, "product", other)
    product, coat = treated_with(timeline, cases["subject"].to_numpy())
    return {
        **{
            name: cases[name].tolist()
            for name in ("task", "at", "anchor", "anchor_perhaps", "measured", "carried", "limit", "unit")
        },
        "product": product.tolist(),
        "last_coat": coat.tolist(),
        "other_product": np.where(other_product == "", "another treatment", other_product).tolist(),
        "other_task": cells(timeline.tasks, "task_id", other).tolist(),
        "since": days(cases["anchor"].to_numpy()).tolist(),
    }
