"""Parquet export files: only the wanted columns, with the types that the file gave them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyarrow.types as kinds
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.canonical_text import numbers_as_text
from audit.intake.cells import PLAIN_KINDS, WORDS, Cells, ExportFile, Grid, canonical_names, match_columns
from audit.intake.export import InputFile
from audit.intake.refusing import refusing
from audit.intake.tables import Column, Table
from audit.intake.time_formats import HOW_UNIX


def read_parquet(file: ExportFile, table: Table, wanted: Sequence[Column]) -> Cells:
    """Read the wanted columns, each when asked for; `line` is the row number, from 1. AuditError names the file."""
    with ThreadPoolExecutor(1) as hashing:
        source = hashing.submit(file_source, file)
        header, rows = _header(file)
        names = match_columns(header.names, file.name, table, wanted)
        words = [written for name, written in names.items() if table.columns[name].kind not in PLAIN_KINDS]
        for written in names.values():
            _check_zone(header.field(written), file.name)
        with refusing(file.name):
            hashed = source.result()

    def cells(name: str) -> pa.ChunkedArray:
        read = _read(file, [header.field(names[name])], words)
        if len(read) != rows:
            raise AuditError(f"{file.name} was written to while it was read; run the check again when it is complete")
        return resolved_type(read[names[name]], table.columns[name], file.name)

    present = canonical_names(header.names, table)
    return Cells(table, file.name, Lazily(tuple(names), cells), rows, _row_numbers, source=hashed, present=present)


def read_parquet_grid(file: ExportFile, choose: Callable[[Sequence[str]], Mapping[str, Any]]) -> Grid:
    """Read the columns that `choose` picks from the schema, text with the Arrow type (text or `WORDS`) of each."""
    with ThreadPoolExecutor(1) as hashing:
        source = hashing.submit(file_source, file)
        header, _ = _header(file)
        chosen = choose(header.names)
        for name in chosen:
            _check_zone(header.field(name), file.name)
        words = [name for name, type_ in chosen.items() if type_ == WORDS]
        read = _read(file, [header.field(name) for name in chosen], words)
        with refusing(file.name):
            hashed = source.result()
    columns = {name: read[name] for name in chosen}
    return Grid(file.name, columns, read.num_rows, _row_numbers, source=hashed)


def _row_numbers(records: NDArray[np.intp]) -> NDArray[np.int64]:
    return records + 1


class Lazily(Mapping[str, pa.ChunkedArray]):
    """Columns, each read when it is asked for: an export as it was written takes several times the memory of what is
    made of it. What is asked for again, as where cells at fault have to be shown, is kept from then on."""

    def __init__(self, names: Sequence[str], read: Callable[[str], pa.ChunkedArray]) -> None:
        self._names = names
        self._read = read
        self._asked: set[str] = set()
        self._kept: dict[str, pa.ChunkedArray] = {}

    def __getitem__(self, name: str) -> pa.ChunkedArray:
        if name in self._kept:
            return self._kept[name]
        if name not in self._names:
            raise KeyError(name)
        column = self._read(name)
        if name in self._asked:
            self._kept[name] = column
        self._asked.add(name)
        return column

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def _header(file: ExportFile) -> tuple[pa.Schema, int]:
    """The columns of a file with their types, and how many rows it has."""
    with refusing(file.name, "a Parquet file"):
        # What is told of single columns (`metadata.row_group(0).column(0)`) isn't looked at: in a damaged file the
        # library ends the process there, where nothing can catch it.
        opened = pq.ParquetFile(file.path)
        return opened.schema_arrow, opened.metadata.num_rows


def _read(file: ExportFile, fields: Sequence[pa.Field], words: Collection[str]) -> pa.Table:
    """Some columns of a file, text in the columns `words` as codes into a word list."""
    as_words = [field.name for field in fields if field.name in words and kinds.is_string(field.type)]
    with refusing(file.name, "a Parquet file"):
        opened = pq.ParquetFile(file.path, read_dictionary=as_words, page_checksum_verification=True)
        read = opened.read(columns=[field.name for field in fields])
        read.validate(full=True)  # a flipped bit may point outside a word list
        return read


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
        how = f"; {HOW_UNIX}" if column.kind == "time" and kinds.is_integer(held) else ""
        raise AuditError(
            f"{file}: column `{column.name}` ({column.label}) can't be read from values of type {held}{how}"
        )
    if column.kind not in _FITTING:
        return typed_as_text(cells)
    if column.kind == "date" and kinds.is_timestamp(held) and held.tz not in (None, *_UTC):
        # The wall clock of the column's own zone: midnight in Berlin is still the day before in UTC. What is in UTC
        # itself may be such a midnight.
        return pa.chunked_array([pa.array(pd.DatetimeIndex(cells.to_pandas()).tz_localize(None))])
    return cells


_UTC: Final = ("UTC", "Etc/UTC", "Z", "+00:00")
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
        return numbers_as_text(pc.if_else(pc.is_nan(cells), pa.scalar(None, cells.type), cells))
    return cells.cast(pa.string())
