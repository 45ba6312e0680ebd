"""Parquet export files: only the wanted columns, with the types that the file gave them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyarrow.types as kinds

from audit.errors import AuditError
from audit.intake.cells import PLAIN_KINDS, WORDS, Cells, ExportFile, Grid, canonical_names, match_columns
from audit.intake.export import InputFile
from audit.intake.refusing import refusing
from audit.intake.tables import Column, Table


def read_parquet(file: ExportFile, table: Table, wanted: Sequence[Column]) -> Cells:
    """Read the wanted columns; `line` is the row number, from 1. AuditError names the file."""
    names: dict[str, str] = {}
    present: set[str] = set()

    def choose(header: Sequence[str]) -> dict[str, Any]:
        names.update(match_columns(header, file.name, table, wanted))
        present.update(canonical_names(header, table))
        plain = {written: table.columns[name].kind in PLAIN_KINDS for name, written in names.items()}
        return {written: pa.string() if is_plain else WORDS for written, is_plain in plain.items()}

    grid = read_parquet_grid(file, choose)
    columns = {
        name: resolved_type(grid.columns[written], table.columns[name], file.name) for name, written in names.items()
    }
    return Cells(table, file.name, columns, grid.rows, grid.lines_of, source=grid.source, present=frozenset(present))


def read_parquet_grid(file: ExportFile, choose: Callable[[Sequence[str]], Mapping[str, Any]]) -> Grid:
    """Read the columns that `choose` picks from the schema, text with the Arrow type (text or `WORDS`) of each."""
    with ThreadPoolExecutor(1) as hashing:
        source = hashing.submit(file_source, file)
        with refusing(file.name, "a Parquet file"):
            schema = pq.ParquetFile(file.path).schema_arrow
        chosen = choose(schema.names)
        for name in chosen:
            _check_zone(schema.field(name), file.name)
        words = [name for name, type_ in chosen.items() if type_ == WORDS and kinds.is_string(schema.field(name).type)]
        with refusing(file.name, "a Parquet file"):
            # What is told of single columns (`metadata.row_group(0).column(0)`) isn't looked at: in a damaged file the
            # library ends the process there, where nothing can catch it.
            opened = pq.ParquetFile(file.path, read_dictionary=words, page_checksum_verification=True)
            rows = opened.read(columns=list(chosen))
            rows.validate(full=True)  # a flipped bit may point outside a word list
        with refusing(file.name):
            read = source.result()
    columns = {name: rows[name] for name in chosen}
    return Grid(file.name, columns, rows.num_rows, lambda records: records + 1, source=read)


def _check_zone(field: pa.Field, file: str) -> None:
    """AuditError where the times of a column are in a zone that is not known here: a file may name any."""
    held = field.type.value_type if kinds.is_dictionary(field.type) else field.type
    if kinds.is_timestamp(held) and held.tz is not None:
        with refusing(f"{file}: column `{field.name}`", told=lambda _: f"is in an unknown time zone, {held.tz}"):
            pd.DatetimeTZDtype(tz=held.tz)


def file_source(file: ExportFile) -> InputFile:
    """Name, hash and size of a whole file."""
    with file.path.open("rb") as opened:
        digest = hashlib.file_digest(opened, "sha256").hexdigest()
        return InputFile(file.name, digest, opened.tell())


def resolved_type(cells: pa.ChunkedArray, column: Column, file: str) -> pa.ChunkedArray:
    """Bring Arrow's many types down to those that parsing knows; AuditError for one that the column can't have."""
    with refusing(f"{file}: column `{column.name}`"):
        return _resolved(cells, column, file)


def _resolved(cells: pa.ChunkedArray, column: Column, file: str) -> pa.ChunkedArray:
    held = cells.type
    if kinds.is_dictionary(held):
        if kinds.is_string(held.value_type) or kinds.is_large_string(held.value_type):
            return cells.cast(WORDS)
        return _resolved(cells.cast(held.value_type), column, file)
    if kinds.is_string(held):
        return cells
    if kinds.is_null(held) or kinds.is_large_string(held) or kinds.is_string_view(held) or _is_bytes(held):
        try:
            return cells.cast(pa.string())
        except pa.ArrowInvalid as error:
            raise AuditError(f"{file}: column `{column.name}` holds bytes that are not UTF-8 text") from error
    if not any(fits(held) for fits in _FITTING.get(column.kind, _AS_TEXT)):
        raise AuditError(f"{file}: column `{column.name}` ({column.label}) can't be read from values of type {held}")
    if column.kind not in _FITTING:
        return typed_as_text(cells)
    if column.kind == "date" and kinds.is_timestamp(held) and held.tz:
        # The wall clock of the column's own zone: midnight in Berlin is still the day before in UTC.
        return pa.chunked_array([pa.array(pd.DatetimeIndex(cells.to_pandas()).tz_localize(None))])
    return cells


_NUMBERS = (kinds.is_integer, kinds.is_floating, kinds.is_decimal)
_DAYS = (kinds.is_date, kinds.is_timestamp)
_FITTING: Final = {"number": _NUMBERS, "count": _NUMBERS, "time": _DAYS, "date": _DAYS}
"""By kind of column, the types that its values may have."""
_AS_TEXT: Final = (*_NUMBERS, *_DAYS, kinds.is_boolean)
"""The types that any other column is spelled out from."""


def _is_bytes(held: pa.DataType) -> bool:
    return bool(
        kinds.is_binary(held)
        or kinds.is_large_binary(held)
        or kinds.is_fixed_size_binary(held)
        or kinds.is_binary_view(held)
    )


def typed_as_text(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    """Numbers, dates, times and truth values spelled out."""
    if kinds.is_floating(cells.type):
        # A column of whole numbers with gaps is often stored as floats: 12.0 means 12.
        cells = pc.if_else(pc.is_nan(cells), pa.scalar(None, cells.type), cells)
        with suppress(pa.ArrowInvalid):
            cells = cells.cast(pa.int64())
    return cells.cast(pa.string())
