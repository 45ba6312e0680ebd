"""Contracts on the typed rows: what holds for every row that is audited."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from audit.errors import InternalError
from audit.intake.cell_faults import Faults
from audit.intake.tables import Column, Kind, Table

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

LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    # More than an aircraft has in its life, or a boot can carry: a slip of the pen would drown every sum it goes into.
    "flight_hours": (0, 100_000),
    "cycles": (0, 100_000),
    "coat": (1, 100),
    "coats": (1, 100),
    "humidity_pct": (0, 100),
    "ambient_c": (-90, 70),  # the coldest and hottest places on earth, with room to spare
}
"""Smallest and largest value of a column, both allowed."""

NOT_BEFORE: Final[Mapping[str, tuple[str, str]]] = {
    "landing_at": ("takeoff_at", "landing before takeoff"),
    "removed_at": ("installed_at", "removed before installed"),
}
"""Times that may equal but not precede another, with the reason if they do."""


def breaches(table: Table, frame: pd.DataFrame, *, complete: bool = True) -> list[Faults]:
    """The cells of rows (on a RangeIndex) that break the table's contract: in `complete` ones no needed one is missing.

    InternalError if the contract itself fails (a wrong dtype, a check that crashes): that is never
    the data's doing, since the rows are typed by now.
    """
    # Imported here: it takes half a second that `--help` shouldn't cost.
    import pandera.pandas as pandera
    from pandera.config import ValidationDepth, config_context

    schema = _schema(table, frame, complete)
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


def _schema(table: Table, frame: pd.DataFrame, complete: bool) -> pandera.DataFrameSchema:
    import pandera.pandas as pandera

    columns = {
        name: pandera.Column(
            _DTYPES.get(column.kind), _checks(column, frame), nullable=not (column.needed and complete)
        )
        for name, column in table.columns.items()
        if name in frame
    }
    return pandera.DataFrameSchema(columns, strict=True, coerce=False)


def _checks(column: Column, frame: pd.DataFrame) -> list[pandera.Check]:
    import pandera.pandas as pandera

    checks = []
    if column.kind in ("code", "codes", "choice"):
        # Not by dtype: pandera would hash every category. These checks speak of the whole column.
        checks.append(pandera.Check(lambda cells: isinstance(cells.dtype, pd.CategoricalDtype), error="codes"))
    if column.kind == "choice":
        checks.append(pandera.Check(lambda cells: tuple(cells.cat.categories) == column.choices, error="choices"))
    if column.name in LIMITS:
        low, high = LIMITS[column.name]
        reason = f"less than {low:g}" if high == np.inf else f"outside {low:g} to {high:,g}"
        checks.append(pandera.Check.in_range(low, high, error=reason))
    if column.name in NOT_BEFORE:
        other, reason = NOT_BEFORE[column.name]
        earlier = frame[other]
        checks.append(pandera.Check(lambda cells: ~(cells < earlier.loc[cells.index]), error=reason))
    return checks
