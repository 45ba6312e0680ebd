"""Several copies of an export as one: each with aircraft, boots and people of its own, so that none meets another's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
from pydantic import BaseModel

from audit.intake.export import Export, Rows
from audit.intake.tables import NAMES
from audit.language.condition import Condition, Conditions, OtherColumn
from audit.language.events import SeasonByBase
from audit.language.rule import Rule
from audit.timeline.vocabulary import VOCABULARY

SEPARATOR: Final = "~"
"""Between a name and the number of its copy."""
_KINDS: Final = ("aircraft", "component_serial", "person")
_NUMBERS: Final = {
    ("tasks", "task_id"),
    ("flights", "flight_id"),
    ("corrections", "correction_id"),
    ("corrections", "task_id"),
}
RENAMED: Final = frozenset(column for kind in _KINDS for column in NAMES[kind]) | _NUMBERS
"""The columns (table, column) whose names are those of one copy."""
SHARED: Final = frozenset({"products", "stations", "lots", "manuals"})
"""Tables that all copies look things up in; what is planted there has names of its own."""


def copies_of(export: Export, count: int) -> Export:
    """So many copies of an export below each other; row r of a table is row r + n x (number of the copy) of it."""
    sizes = {name: len(frame) for name, frame in export.tables.items()}

    # Rows of one copy are so many further down as the table has rows; shared tables stand there once.
    def numbered(rows: Rows, table: str) -> Rows:
        if table in SHARED:
            return rows
        return (np.arange(count)[:, None] * sizes.get(table, 0) + rows[None, :]).ravel()

    def by_column(found: Mapping[tuple[str, str], Rows]) -> dict[tuple[str, str], Rows]:
        return {(table, column): numbered(rows, table) for (table, column), rows in found.items()}

    def tiled(frame: pd.DataFrame, table: str) -> pd.DataFrame:
        return frame if table in SHARED else _tiled(frame, table, count)

    later = export.later
    states = export.correction_states
    return replace(
        export,
        tables={name: tiled(frame, name) for name, frame in export.tables.items()},
        set_aside={name: tiled(frame, name) for name, frame in export.set_aside.items()},
        later=later.iloc[np.tile(np.arange(len(later)), count)].assign(row=numbered(later["row"].to_numpy(), "tasks")),
        unreadable=by_column(export.unreadable),
        date_only=by_column(export.date_only),
        several_names=by_column(export.several_names),
        listed_twice=numbered(export.listed_twice, "flights"),
        contradicted_hours=numbered(export.contradicted_hours, "flights"),
        near_names=_near(export.near_names, count),
        correction_states=None if states is None else np.tile(states, count),
        as_first_made=None,
    )


def _tiled(frame: pd.DataFrame, table: str, count: int) -> pd.DataFrame:
    rows = np.tile(np.arange(len(frame)), count)
    columns: dict[str, Any] = {}
    for name, series in frame.items():
        own = (table, str(name)) in RENAMED
        if isinstance(series.dtype, pd.CategoricalDtype) and own:
            columns[str(name)] = _renamed(series, count)
        elif own:
            of = np.repeat(np.arange(count), len(frame))
            texts = series.to_numpy(object)[rows]
            columns[str(name)] = pd.Series(
                [text if pd.isna(text) else named(text, copy) for text, copy in zip(texts, of.tolist(), strict=True)],
                dtype=series.dtype,
            )
        else:
            columns[str(name)] = series.iloc[rows].reset_index(drop=True)
    return pd.DataFrame(columns, index=pd.RangeIndex(len(rows)))


def _renamed(series: pd.Series, count: int) -> pd.Series:
    """Names with the number of the copy behind them, category by category."""
    names, codes = series.cat.categories, series.cat.codes.to_numpy().astype(np.int64)
    every = [named(str(name), copy) for copy in range(count) for name in names]
    # The names of copy n stand behind those of the copies before it, in the same order.
    there = np.where(codes < 0, -1, codes + np.arange(count)[:, None] * len(names)).ravel()
    return pd.Series(pd.Categorical.from_codes(there, pd.Index(every, dtype=names.dtype)))


def named(name: str, copy: int) -> str:
    """What a name is in one of the copies."""
    return f"{name}{SEPARATOR}{copy}"


def copy_number(name: str) -> int:
    """The number of the copy that a name is of."""
    return int(name.rpartition(SEPARATOR)[2])


def _near(near: pd.DataFrame, count: int) -> pd.DataFrame:
    """Names that are nearly equal, in each copy those of it."""
    own = near[near["kind"].isin(_KINDS)]
    parts = [near[~near["kind"].isin(_KINDS)]]
    for copy in range(count):
        parts.append(own.assign(**{name: [named(text, copy) for text in own[name]] for name in ("name", "other_name")}))
    return pd.concat(parts, ignore_index=True)


def rule_of(rule: Rule, count: int) -> Rule:
    """The rule as it is about so many copies: where it names an aircraft, a boot or a person, those of each copy."""
    changed = _in_copies(rule, count)
    assert isinstance(changed, Rule)
    return changed


def _in_copies(part: BaseModel, count: int) -> BaseModel:
    if isinstance(part, Conditions):
        columns = {name: _condition(name, condition, count) for name, condition in part.columns.items()}
        alternatives = [_in_copies(one, count) for one in part.any_of]
        return type(part).model_validate({**columns, **({"any_of": tuple(alternatives)} if alternatives else {})})
    update: dict[str, Any] = {}
    if isinstance(part, SeasonByBase):
        update["by_aircraft"] = {
            named(name, copy): season for name, season in part.by_aircraft.items() for copy in range(count)
        }
    for name in type(part).model_fields:
        value = getattr(part, name)
        if isinstance(value, BaseModel):
            update[name] = _in_copies(value, count)
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            update[name] = tuple(_in_copies(one, count) for one in value)
    return part.model_copy(update=update)


def _condition(name: str, condition: Condition, count: int) -> Condition:
    column = VOCABULARY[name]
    if (column.table, column.column.name) not in RENAMED:
        return condition
    asked = {operator.rstrip("_"): operand for operator, operand in condition.operators()}
    for one, several in (("is", "in"), ("not", "not_in")):
        literal = [asked.pop(each) for each in (one, several) if not isinstance(asked.get(each), OtherColumn | None)]
        if literal:
            names = [set(map(str, each)) if isinstance(each, tuple) else {str(each)} for each in literal]
            kept = set.intersection(*names) if one == "is" else set.union(*names)
            asked[several] = tuple(named(text, copy) for text in sorted(kept) for copy in range(count))
    return Condition.model_validate(asked)
