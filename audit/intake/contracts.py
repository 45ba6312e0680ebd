"""Contracts on the typed rows: what holds for every row that is audited."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from audit.errors import InternalError
from audit.intake.cell_faults import Faults
from audit.intake.tables import TABLES, Column, Kind, Table

if TYPE_CHECKING:
    import pandera.pandas as pandera

_DTYPES: Final[Mapping[Kind, str]] = {
    "id": "str",
    "text": "str",
    "time": "datetime64[us, UTC]",
    "date": "datetime64[s]",
    "number": "float64",
    "count": "Int64",
}

_CODED: Final = ("code", "codes", "choice")

LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    # More than an aircraft has in its life, or a boot can carry: a slip of the pen would drown every sum it goes into.
    "flight_hours": (0, 100_000),
    "cycles": (0, 100_000),
    "coat": (1, 100),
    "coats": (1, 100),
    # Far below what air in a hangar has: 0.45 is a share, as a workbook keeps 45 %.
    "humidity_pct": (2, 100),
    "ambient_c": (-90, 70),  # the coldest and hottest places on earth, with room to spare
}
"""Smallest and largest value of a column, both allowed."""

NOT_BEFORE: Final[Mapping[str, tuple[str, str]]] = {
    "landing_at": ("takeoff_at", "landing before takeoff"),
    "removed_at": ("installed_at", "removed before installed"),
    "valid_to": ("valid_from", "ends before it begins"),
    "superseded_on": ("effective_from", "superseded before it was in force"),
}
"""Times that may equal but not precede another, with the reason if they do."""
_NEITHER: Final = frozenset({"valid_to", "superseded_on"})
"""Those of which either may be the wrong one, so that a row tells of no day whether it holds."""


def breaches(table: Table, frame: pd.DataFrame, *, complete: bool = True) -> list[Faults]:
    """The cells of rows (on a RangeIndex) that break the table's contract: in `complete` ones no needed one is missing.

    InternalError if the contract itself fails (a wrong dtype, a check that crashes): that is never
    the data's doing, since the rows are typed by now.
    """
    _refuse_wrong_columns(table, frame)
    if all(_surely_holds(table.columns[str(name)], cells, complete) for name, cells in frame.items()):
        return list(_before_another(frame))
    return [*_listed(table, frame, complete), *_before_another(frame)]


def _surely_holds(column: Column, cells: pd.Series[Any], complete: bool) -> bool:
    """Whether one look at a whole column tells that no cell of it breaks the contract, as in most exports.

    What breaks it, and where, is left to pandera, which takes as long to import as half of pandas.
    """
    if column.kind not in _CODED and cells.dtype != _DTYPES[column.kind]:
        return False
    if column.required and complete and cells.hasnans:
        return False
    if column.name not in LIMITS:
        return True
    low, high = LIMITS[column.name]
    return not ((cells < low).any() or (cells > high).any())


def _listed(table: Table, frame: pd.DataFrame, complete: bool) -> list[Faults]:
    """The cells that break the contract by themselves."""
    import pandera.pandas as pandera
    from pandera.config import ValidationDepth, config_context

    schema = _schema(table.name, frozenset(frame.columns), complete)
    # The environment (PANDERA_VALIDATION_ENABLED, ..._DEPTH) would switch checks off unseen.
    with config_context(validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA):
        try:
            schema.validate(frame, lazy=True, inplace=True)
        except pandera.errors.SchemaErrors as error:
            cases = error.failure_cases
        else:
            return []
    reasons = {check.error for column in schema.columns.values() for check in column.checks}
    broken = cases[cases["index"].isna() | ~cases["check"].isin(reasons)]
    if len(broken):
        first = broken.iloc[0]
        raise InternalError(f"contract of {table.name}: {first['column']}: {first['check']}: {first['failure_case']}")
    return [
        Faults((str(column),), rows["index"].to_numpy(dtype=np.intp), str(reason))
        for (column, reason), rows in cases.groupby(["column", "check"], sort=True)
    ]


def _refuse_wrong_columns(table: Table, frame: pd.DataFrame) -> None:
    """InternalError for a column that the table lacks, and for codes and choices that are none: looked at here, since
    pandera would hash every category."""
    for name, cells in frame.items():
        column = table.columns.get(str(name))
        if column is None:
            raise InternalError(f"contract of {table.name}: {name}: no such column")
        if column.kind in _CODED:
            coded = isinstance(cells.dtype, pd.CategoricalDtype)
            if not coded or (column.kind == "choice" and tuple(cells.cat.categories) != column.choices):
                raise InternalError(f"contract of {table.name}: {name}: not as {column.kind} are kept")


@cache
def _schema(table: str, names: frozenset[str], complete: bool) -> pandera.DataFrameSchema:
    """What pandera looks at. Made once, and without the columns that hold to any contract: to make and to look at a
    column takes as long as to read it from a small export."""
    import pandera.pandas as pandera

    columns = {
        name: pandera.Column(_DTYPES.get(column.kind), _checks(name), nullable=not (column.required and complete))
        for name, column in TABLES[table].columns.items()
        if name in names and (column.kind not in _CODED or (column.required and complete))
    }
    return pandera.DataFrameSchema(columns, coerce=False)


def _checks(name: str) -> list[pandera.Check]:
    import pandera.pandas as pandera

    if name not in LIMITS:
        return []
    low, high = LIMITS[name]
    return [pandera.Check.in_range(low, high, error=f"outside {low:g} to {high:,g}")]


def _before_another(frame: pd.DataFrame) -> Iterator[Faults]:
    for name, (other, reason) in NOT_BEFORE.items():
        if name in frame:
            early = np.flatnonzero(frame[name] < frame[other])
            if len(early):
                yield Faults((other, name) if name in _NEITHER else (name,), early, reason)
