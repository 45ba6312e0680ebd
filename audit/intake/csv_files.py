"""CSV export files: read once, every cell as text, the file checked for encoding and quotes on the way."""

from __future__ import annotations

import codecs
import csv
import functools
import hashlib
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.cells import PLAIN_KINDS, WORDS, Cells, Ragged, match_columns
from audit.intake.export import Source
from audit.intake.tables import Column, Table

BLOCK: Final = 8 << 20
LARGEST_BLOCK: Final = 256 << 20
LARGEST_CELL: Final = 64 << 20

_CELL_EDGES: Final = np.isin(np.arange(256), list(b',\r\n"'))


class _WatchedFile(io.RawIOBase):
    """A CSV file that is hashed and checked while pyarrow reads it, so that it is read only once.

    Bytes that aren't UTF-8 stop the reading. Quotes are followed by parity, which equals what a CSV parser does as long
    as every quote stands at the edge of a cell or is doubled; `paired` says whether that held to the end of the file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = path.open("rb", buffering=0)
        self._hash = hashlib.sha256()
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._edge = b"\n"
        self._inside = False
        self._size = 0
        self._whole = path.stat().st_size
        self.paired = True

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1, /) -> bytes:
        data = self._file.read(max(size - 1, 1)) or b""  # leaves room for a line end
        self._hash.update(data)
        self._check_encoding(data)
        self._follow_quotes(data.removeprefix(codecs.BOM_UTF8) if self._size == 0 else data)
        self._size += len(data)
        # Arrow takes a header without a line end for an empty file; a blank line more is none to it.
        return data + b"\n" if data and self._size == self._whole else data

    def close(self) -> None:
        self._file.close()
        super().close()

    def source(self) -> Source:
        return Source(self._path.name, self._hash.hexdigest(), self._size)

    def _check_encoding(self, data: bytes) -> None:
        pending = len(self._decoder.getstate()[0])
        if data and data.isascii() and not pending:
            return
        try:
            self._decoder.decode(data, final=not data)
        except UnicodeDecodeError as error:
            at = self._size - pending + error.start
            with self._path.open("rb") as file:
                line = _line_ends(file.read(at)) + 1
            raise AuditError(
                f"{self._path.name}, line {line}: byte {at + 1} of the file is not UTF-8; save the export as UTF-8"
            ) from error

    def _follow_quotes(self, data: bytes) -> None:
        # The last byte waits for its neighbour; at the end of the file that is a line end.
        seen = self._edge + (data or b"\n")
        self._edge = seen[-2:]
        if self.paired and b'"' in seen:
            octets = np.frombuffer(seen, np.uint8)
            quotes = np.flatnonzero(octets[1:-1] == ord('"')) + 1
            opening = quotes[int(self._inside) :: 2]
            closing = quotes[int(not self._inside) :: 2]
            self._inside ^= len(quotes) % 2 == 1
            at_edge = _CELL_EDGES[octets[opening - 1]].all() and _CELL_EDGES[octets[closing + 1]].all()
            self.paired = bool(at_edge)
        if not data and self._inside:
            self.paired = False


def read_csv(path: Path, table: Table, wanted: Sequence[Column]) -> Cells:
    """Read the wanted columns as text; rows with too few or too many cells are ragged. AuditError names the place."""
    names = match_columns(_header(path), path.name, table, wanted)
    types = {raw: pa.string() if table.columns[name].kind in PLAIN_KINDS else WORDS for name, raw in names.items()}
    for block in (BLOCK, LARGEST_BLOCK):
        try:
            columns, watched, any_ragged = _parse_csv(path, types, block)
            break
        except pa.ArrowInvalid as error:
            if "straddling" not in str(error):
                raise AuditError(f"{path.name} can't be read as CSV: {str(error).splitlines()[0]}") from error
    else:
        _check_quotes(path)
        raise AuditError(f"{path.name}: a row is longer than {LARGEST_BLOCK >> 20} MB")
    if not watched.paired:
        _check_quotes(path)
    ragged = _ragged_rows(path, types, block) if any_ragged else ()
    records = columns.num_rows + len(ragged)
    return Cells(
        table=table,
        file=path.name,
        columns={name: columns[raw] for name, raw in names.items()},
        rows=columns.num_rows,
        ragged=ragged,
        lines_of=_line_finder(path, records),
        source=watched.source(),
    )


def _parse_csv(path: Path, types: Mapping[str, Any], block: int) -> tuple[pa.Table, _WatchedFile, bool]:
    any_ragged = False

    def skip(row: Any) -> str:
        nonlocal any_ragged
        any_ragged = True
        return "skip"

    with _WatchedFile(path) as watched:
        columns = pyarrow.csv.read_csv(
            pa.PythonFile(watched, mode="r"),
            read_options=pyarrow.csv.ReadOptions(block_size=block),
            parse_options=pyarrow.csv.ParseOptions(newlines_in_values=True, invalid_row_handler=skip),
            convert_options=_as_text(types),
        )
    return columns, watched, any_ragged


def _as_text(types: Mapping[str, Any]) -> Any:
    # `NA` is somebody's initials and `001` a lot: nothing is guessed. The file was checked for UTF-8 as it was read.
    return pyarrow.csv.ConvertOptions(
        column_types=types, include_columns=list(types), strings_can_be_null=False, check_utf8=False
    )


def _ragged_rows(path: Path, types: Mapping[str, Any], block: int) -> tuple[Ragged, ...]:
    """Read again on one thread, the only way in which pyarrow numbers the rows that it skips."""
    ragged: list[Ragged] = []

    def keep(row: Any) -> str:
        cells = "1 cell" if row.actual_columns == 1 else f"{row.actual_columns} cells"
        reason = f"{cells} where the header names {row.expected_columns}"
        ragged.append(Ragged(row.number - 2, row.text, reason))  # The header is row 1.
        return "skip"

    one_column = dict(list(types.items())[:1])
    pyarrow.csv.read_csv(
        path,
        read_options=pyarrow.csv.ReadOptions(block_size=block, use_threads=False),
        parse_options=pyarrow.csv.ParseOptions(newlines_in_values=True, invalid_row_handler=keep),
        convert_options=_as_text(one_column),
    )
    return tuple(ragged)


def _header(path: Path) -> list[str]:
    with path.open("rb") as file:
        head = file.read(1 << 20)
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise AuditError(f"{path.name}, line 1: this is UTF-16; save the export as UTF-8")
    lines = head.removeprefix(codecs.BOM_UTF8).split(b"\n")
    if not any(line.strip() for line in lines):
        raise AuditError(f"{path.name} is empty; its first line must name the columns")
    if b"\0" in lines[0]:
        raise AuditError(f"{path.name}, line 1: this is a binary file, not CSV text")
    csv.field_size_limit(LARGEST_CELL)
    text = io.StringIO(head.decode("utf-8-sig", errors="replace"), newline="")
    return next(row for row in csv.reader(text) if row)


def _record_starts(path: Path) -> Iterator[int]:
    """The line on which each record starts, the header's first; AuditError where quotes don't pair up.

    Slow (a Python loop), and therefore only for files with rejects or odd quotes.
    """
    csv.field_size_limit(LARGEST_CELL)  # The default, 128 KB, refuses long remarks.
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        reader = csv.reader(file, strict=True)
        while True:
            start = reader.line_num + 1
            try:
                row = next(reader, None)
            except csv.Error as error:
                raise AuditError(
                    f"{path.name}, line {start}: in the row that starts here a quote is not closed where its cell ends"
                ) from error
            if row is None:
                return
            if row:  # Blank lines are no records.
                yield start


def _check_quotes(path: Path) -> None:
    """AuditError if a quote is left open: the rows after it would vanish into one cell."""
    for _ in _record_starts(path):
        pass


def _line_finder(path: Path, total: int) -> Callable[[NDArray[np.intp]], NDArray[np.int64]]:
    """From record numbers to lines; the file is only looked at again when a line is asked for."""

    @functools.cache
    def starts() -> NDArray[np.int64]:
        if _physical_lines(path) == total + 1:  # no blank lines, no line ends inside quotes
            return np.arange(2, total + 2)
        return np.fromiter(_record_starts(path), dtype=np.int64)[1:]

    return lambda records: starts()[records]


def _physical_lines(path: Path) -> int:
    """Lines of the file as an editor counts them."""
    ends, last = 0, b""
    with path.open("rb") as file:
        while piece := file.read(BLOCK):
            ends += _line_ends(piece) - (last == b"\r" and piece[:1] == b"\n")
            last = piece[-1:]
    return ends + (last not in (b"", b"\n", b"\r"))


def _line_ends(data: bytes) -> int:
    ends = int(np.count_nonzero(np.frombuffer(data, np.uint8) == ord("\n")))
    return ends + data.count(b"\r") - data.count(b"\r\n") if b"\r" in data else ends
