"""Parquet export files: only the wanted columns, with the types that the file gave them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyarrow.types as kinds

from audit.errors import AuditError
from audit.intake.cells import PLAIN_KINDS, WORDS, Cells, match_columns
from audit.intake.export import Source
from audit.intake.tables import Column, Table


def read_parquet(path: Path, table: Table, wanted: Sequence[Column]) -> Cells:
    """Read the wanted columns; `line` is the row number, from 1. AuditError names the file."""
    with ThreadPoolExecutor(1) as hashing:
        source = hashing.submit(_source, path)
        with _refusing(path):
            schema = pq.ParquetFile(path).schema_arrow
        names = match_columns(schema.names, path.name, table, wanted)
        words = [
            written
            for name, written in names.items()
            if table.columns[name].kind not in PLAIN_KINDS and kinds.is_string(schema.field(written).type)
        ]
        with _refusing(path):
            file = pq.ParquetFile(path, read_dictionary=words, page_checksum_verification=True)
            rows = file.read(columns=list(names.values()))
            rows.validate(full=True)  # a flipped bit may point outside a word list
    return Cells(
        table=table,
        file=path.name,
        columns={name: _settle_type(rows[written], table.columns[name], path.name) for name, written in names.items()},
        rows=rows.num_rows,
        lines_of=lambda records: records + 1,
        source=source.result(),
    )


@contextmanager
def _refusing(path: Path) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        what = str(error).splitlines()[0]
        raise AuditError(f"{path.name} can't be read as a Parquet file: {what}") from error


def _source(path: Path) -> Source:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Source(path.name, digest, file.tell())


def _settle_type(cells: pa.ChunkedArray, column: Column, file: str) -> pa.ChunkedArray:
    """Bring Arrow's many types down to those that parsing knows; AuditError for one that the column can't have."""
    held = cells.type
    if kinds.is_dictionary(held):
        if kinds.is_string(held.value_type) or kinds.is_large_string(held.value_type):
            return cells.cast(WORDS)
        return _settle_type(cells.cast(held.value_type), column, file)
    if kinds.is_string(held):
        return cells
    if kinds.is_null(held) or kinds.is_large_string(held) or kinds.is_string_view(held) or _is_bytes(held):
        try:
            return cells.cast(pa.string())
        except pa.ArrowInvalid as error:
            raise AuditError(f"{file}: column `{column.name}` holds bytes that are not UTF-8 text") from error
    number = kinds.is_integer(held) or kinds.is_floating(held) or kinds.is_decimal(held)
    day_or_time = kinds.is_date(held) or kinds.is_timestamp(held)
    if column.kind in ("number", "count"):
        fits = number
    elif column.kind in ("time", "date"):
        fits = day_or_time
    else:
        fits = number or day_or_time or kinds.is_boolean(held)
        if fits:
            return _as_text(cells)
    if fits and column.kind == "date" and kinds.is_timestamp(held) and held.tz:
        return _local(cells, column, file)
    if not fits:
        raise AuditError(f"{file}: column `{column.name}` ({column.label}) can't be read from values of type {held}")
    return cells


def _local(cells: pa.ChunkedArray, column: Column, file: str) -> pa.ChunkedArray:
    """The wall clock of the column's own zone: midnight in Berlin is still the day before in UTC."""
    try:
        local = pd.DatetimeIndex(cells.to_pandas()).tz_localize(None)
    except (KeyError, ValueError) as error:
        raise AuditError(f"{file}: column `{column.name}` is in an unknown time zone, {cells.type.tz}") from error
    return pa.chunked_array([pa.array(local)])


def _is_bytes(held: pa.DataType) -> bool:
    return bool(
        kinds.is_binary(held)
        or kinds.is_large_binary(held)
        or kinds.is_fixed_size_binary(held)
        or kinds.is_binary_view(held)
    )


def _as_text(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    if kinds.is_floating(cells.type):
        # A column of whole numbers with gaps is often stored as floats: 12.0 means 12.
        cells = pc.if_else(pc.is_nan(cells), pa.scalar(None, cells.type), cells)
        with suppress(pa.ArrowInvalid):
            cells = cells.cast(pa.int64())
    return cells.cast(pa.string())
