"""CSV export files: read once, every cell as text, the file checked for encoding and quotes on the way."""

from __future__ import annotations

import codecs
import csv
import functools
import hashlib
import io
import itertools
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.cell_faults import PERHAPS_A_TOTAL
from audit.intake.cells import (
    PLAIN_KINDS,
    WORDS,
    Cells,
    ExportFile,
    Footer,
    Grid,
    Liner,
    Ragged,
    canonical_names,
    joined_header,
    match_columns,
)
from audit.intake.export import InputFile
from audit.intake.refusing import refusing
from audit.intake.tables import Column, Table

BLOCK: Final = 8 << 20
LARGEST_BLOCK: Final = 256 << 20
LARGEST_CELL: Final = 64 << 20

_LINE_END: Final = re.compile(rb"\r\n|\n|\r")

ASCII_INSIDE: Final = ("utf-8", "utf-8-sig", "cp1252", "cp1250", "iso-8859-1", "iso-8859-15", "cp850", "cp437")
"""Encodings in which ASCII text has the bytes that it has in UTF-8."""


@dataclass(frozen=True)
class Layout:
    """How a text file is written: lines above the header, lines of the header, records at the end that are none."""

    encoding: str = "utf-8"
    separator: str = ","
    skip_rows: int = 0
    header_rows: int = 1
    footer_rows: int = 0

    @property
    def dropped(self) -> int:
        """Lines that are dropped before a reader sees the file; it can read a header of one row by itself."""
        return self.skip_rows + (self.header_rows if self.header_rows != 1 else 0)


CANONICAL: Final = Layout()


class _WatchedFile(io.RawIOBase):
    """A CSV file that is hashed, checked and turned into UTF-8 while pyarrow reads it, so that it is read only once.

    Bytes that aren't of its encoding stop the reading. Quotes are followed by parity, which equals what a CSV parser
    does as long as every quote stands at the edge of a cell or is doubled; `paired` says whether that held to the end.
    """

    def __init__(self, file: ExportFile, layout: Layout) -> None:
        self._of = file
        self._layout = layout
        self._file = file.path.open("rb", buffering=0)
        self._hash = hashlib.sha256()
        self._plain = layout.encoding in ("utf-8", "utf-8-sig")
        self._decoder = codecs.getincrementaldecoder(layout.encoding)()
        self._edges = np.isin(np.arange(256), list(f'{layout.separator}\r\n"'.encode()))
        self._edge = b"\n"
        self._inside = False
        self._size = 0
        self._whole = file.path.stat().st_size
        self._to_drop = layout.dropped
        self.paired = True

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1, /) -> bytes:
        while True:
            # Leaves room for a line end, and for characters that are longer in UTF-8.
            data = self._file.read(max(size - 1 if self._plain else (size - 1) // 3, 4)) or b""
            self._hash.update(data)
            first = self._size == 0
            text = self._decoded(data)
            self._size += len(data)
            if first:
                text = text.removeprefix(codecs.BOM_UTF8)
            if self._to_drop:
                text = self._drop_lines(text)
            if text or not data:
                break
        self._follow_quotes(text)
        # Arrow takes a header without a line end for an empty file; a blank line more is none to it.
        return text + b"\n" if data and self._size == self._whole else text

    def close(self) -> None:
        self._file.close()
        super().close()

    def source(self) -> InputFile:
        return InputFile(self._of.name, self._hash.hexdigest(), self._size)

    def _decoded(self, data: bytes) -> bytes:
        # ASCII is UTF-8 as it stands; what waits in the decoder belongs to a character cut in two.
        pending = len(self._decoder.getstate()[0])
        if data and not pending and self._layout.encoding in ASCII_INSIDE and data.isascii():
            return data
        try:
            text = self._decoder.decode(data, final=not data)
        except UnicodeDecodeError as error:
            raise _of_other_encoding(self._of, self._layout, self._size - pending + error.start) from error
        return data if self._plain else text.encode("utf-8", errors="surrogatepass")

    def _drop_lines(self, text: bytes) -> bytes:
        while self._to_drop and text:
            end = _LINE_END.search(text)
            text = text[end.end() :] if end else b""
            self._to_drop -= end is not None
        return text

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
            at_edge = self._edges[octets[opening - 1]].all() and self._edges[octets[closing + 1]].all()
            self.paired = bool(at_edge)
        if not data and self._inside:
            self.paired = False


def read_csv(file: ExportFile, table: Table, wanted: Sequence[Column]) -> Cells:
    """Read the wanted columns as text; rows with too few or too many cells are ragged. AuditError names the place."""
    names: dict[str, str] = {}
    present: set[str] = set()

    def choose(header: Sequence[str]) -> dict[str, Any]:
        names.update(match_columns(header, file.name, table, wanted))
        present.update(canonical_names(header, table))
        return {
            written: pa.string() if table.columns[name].kind in PLAIN_KINDS else WORDS
            for name, written in names.items()
        }

    grid = read_csv_grid(file, CANONICAL, choose)
    columns = {name: grid.columns[written] for name, written in names.items()}
    return Cells(
        table, file.name, columns, grid.rows, grid.lines_of, grid.ragged, grid.source, present=frozenset(present)
    )


def read_csv_grid(file: ExportFile, layout: Layout, choose: Callable[[Sequence[str]], Mapping[str, Any]]) -> Grid:
    """Read the columns that `choose` picks from the header, with the Arrow type (text or `WORDS`) of each."""
    with refusing(file.name, "CSV"):
        return _read_grid(file, layout, choose)


def _read_grid(file: ExportFile, layout: Layout, choose: Callable[[Sequence[str]], Mapping[str, Any]]) -> Grid:
    header = csv_header(file, layout)
    reading = _Reading(file, layout, header, choose(header))
    # A row must fit into one block of the reader: the larger one is only taken where one does not.
    for block in (BLOCK, LARGEST_BLOCK):
        try:
            columns, watched, any_ragged = _parse_csv(reading, block)
            break
        except pa.ArrowInvalid as error:
            if "straddling" not in str(error):
                raise
    else:
        _check_quotes(file, layout)
        raise AuditError(f"{file.name}: a row is longer than {LARGEST_BLOCK >> 20} MB")
    if not watched.paired:
        _check_quotes(file, layout)
    ragged = _ragged_rows(reading, block) if any_ragged else ()
    records = columns.num_rows + len(ragged)
    lines_of = _line_finder(file, layout, records)
    chosen = {name: columns[name] for name in reading.types}
    skipped = _lines_above(file, layout)
    if not layout.footer_rows and not skipped:
        ragged = _perhaps_a_total(ragged, records)
        return Grid(file.name, chosen, columns.num_rows, lines_of, ragged, watched.source())
    last = without_footer(file.name, records, layout)
    above = tuple(row for row in ragged if row.record < last)
    below = ragged[len(above) :]
    rows = last - len(above)
    numbers = np.setdiff1d(np.arange(last, records), [row.record for row in below])
    footer = Footer(
        {name: cells.slice(rows) for name, cells in chosen.items()},
        lines_of(numbers),
        (*skipped, *((int(lines_of(np.array([row.record]))[0]), row.text) for row in below)),
    )
    chosen = {name: cells.slice(0, rows) for name, cells in chosen.items()}
    above = _perhaps_a_total(above, last)
    return Grid(file.name, chosen, rows, lines_of, above, watched.source(), footer=footer)


def _lines_above(file: ExportFile, layout: Layout) -> tuple[tuple[int, str], ...]:
    """The lines that are skipped above records without a header: with one, a record among them is missed as that."""
    if layout.header_rows or not layout.skip_rows:
        return ()
    with file.path.open(encoding=layout.encoding, errors="replace") as opened:
        lines = [line.strip().removeprefix("\ufeff") for line in itertools.islice(opened, layout.skip_rows)]
    return tuple((number, line) for number, line in enumerate(lines, 1) if line)


def without_footer(name: str, records: int, layout: Layout) -> int:
    """How many rows are left above the footer; AuditError where it would take more than there are."""
    if layout.footer_rows > records:
        raise AuditError(
            f"{name}: footer_rows: {layout.footer_rows} would take more rows than the {records} below its header"
        )
    return records - layout.footer_rows


@dataclass(frozen=True)
class _Reading:
    """What is read of a file: `types` by the names of the chosen columns."""

    file: ExportFile
    layout: Layout
    header: Sequence[str]
    types: Mapping[str, Any]

    def options(self, block: int, on_ragged: Callable[[Any], str], *, threads: bool = True) -> dict[str, Any]:
        names = None if self.layout.header_rows == 1 else list(self.header)
        return {
            "read_options": pyarrow.csv.ReadOptions(block_size=block, use_threads=threads, column_names=names),
            "parse_options": pyarrow.csv.ParseOptions(
                delimiter=self.layout.separator, newlines_in_values=True, invalid_row_handler=on_ragged
            ),
            # `NA` is somebody's initials and `001` a lot: nothing is guessed. The encoding is checked while reading.
            "convert_options": pyarrow.csv.ConvertOptions(
                column_types=self.types,
                include_columns=list(self.types),
                strings_can_be_null=False,
                check_utf8=False,
            ),
        }


def _parse_csv(reading: _Reading, block: int) -> tuple[pa.Table, _WatchedFile, bool]:
    any_ragged = False

    def skip(row: Any) -> str:
        nonlocal any_ragged
        any_ragged = True
        return "skip"

    with _WatchedFile(reading.file, reading.layout) as watched:
        options = reading.options(block, skip)
        columns = pyarrow.csv.read_csv(pa.PythonFile(watched, mode="r"), **options)
    return columns, watched, any_ragged


def _ragged_rows(reading: _Reading, block: int) -> tuple[Ragged, ...]:
    """Read again on one thread, the only way in which pyarrow numbers the rows that it skips."""
    ragged: list[Ragged] = []
    # pyarrow counts from 1, a header that it reads itself too.
    first = 2 if reading.layout.header_rows == 1 else 1

    def keep(row: Any) -> str:
        cells = "1 cell" if row.actual_columns == 1 else f"{row.actual_columns} cells"
        reason = f"{cells} where the header names {row.expected_columns}"
        ragged.append(Ragged(row.number - first, row.text, reason))
        return "skip"

    one_column = replace(reading, types=dict(list(reading.types.items())[:1]))
    with _WatchedFile(reading.file, reading.layout) as watched:
        options = one_column.options(block, keep, threads=False)
        pyarrow.csv.read_csv(pa.PythonFile(watched, mode="r"), **options)
    return tuple(ragged)


def _perhaps_a_total(ragged: tuple[Ragged, ...], records: int) -> tuple[Ragged, ...]:
    """The rows, of which the last of a file is told how to be left out."""
    if not ragged or ragged[-1].record != records - 1:
        return ragged
    return (*ragged[:-1], replace(ragged[-1], reason=f"{ragged[-1].reason}{PERHAPS_A_TOTAL}"))


def csv_header(file: ExportFile, layout: Layout) -> list[str]:
    """The names in the header: of several rows joined, of none numbered from 1."""
    with file.path.open("rb") as opened:
        head = opened.read(1 << 20)
    utf_8 = layout.encoding in ("utf-8", "utf-8-sig")
    if utf_8 and head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise AuditError(
            f"{file.name}, line 1: this is UTF-16; save the export as UTF-8, or say `encoding: utf-16` in a mapping"
        )
    if layout.encoding != "utf-16" and b"\0" in head.partition(b"\n")[0]:
        raise AuditError(f"{file.name}, line 1: this is a binary file, not CSV text")
    try:
        text = codecs.getincrementaldecoder(layout.encoding)().decode(head).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise _of_other_encoding(file, layout, error.start) from error
    if not any(line.strip() for line in text.split("\n")):
        raise AuditError(f"{file.name} is empty; its first line must name the columns")
    csv.field_size_limit(LARGEST_CELL)
    stream = io.StringIO(text, newline="")
    for _ in range(layout.skip_rows):
        stream.readline()
    rows = (row for row in csv.reader(stream, delimiter=layout.separator) if row)
    taken = list(itertools.islice(rows, max(layout.header_rows, 1)))
    if len(taken) < layout.header_rows or not taken:
        raise AuditError(f"{file.name} ends before its header does")
    return joined_header(taken) if layout.header_rows else [str(number) for number, _ in enumerate(taken[0], 1)]


def _record_starts(file: ExportFile, layout: Layout) -> Iterator[int]:
    """The line on which each record starts, the header's first; AuditError where quotes don't pair up.

    Slow (a Python loop), and therefore only for files with rejects or odd quotes.
    """
    csv.field_size_limit(LARGEST_CELL)  # The default, 128 KB, refuses long remarks.
    encoding = "utf-8-sig" if layout.encoding == "utf-8" else layout.encoding
    with file.path.open(encoding=encoding, errors="replace", newline="") as opened:
        for _ in range(layout.dropped):
            opened.readline()
        reader = csv.reader(opened, delimiter=layout.separator, strict=True)
        while True:
            start = layout.dropped + reader.line_num + 1
            try:
                row = next(reader, None)
            except csv.Error as error:
                raise AuditError(
                    f"{file.name}, line {start}: in the row that starts here a quote is not closed where its cell ends"
                ) from error
            if row is None:
                return
            if row:  # Blank lines are not records.
                yield start


def _check_quotes(file: ExportFile, layout: Layout) -> None:
    """AuditError if a quote is left open: the rows after it would vanish into one cell."""
    for _ in _record_starts(file, layout):
        pass


def _line_finder(file: ExportFile, layout: Layout, total: int) -> Liner:
    """From record numbers to lines; the file is only looked at again when a line is requested."""

    @functools.cache
    def starts() -> NDArray[np.int64]:
        # Mostly a record is a line: the file is parsed again only where it is not.
        above = layout.skip_rows + layout.header_rows
        if _physical_lines(file, layout) == total + above:  # no blank lines, no line ends inside quotes
            return np.arange(above + 1, above + total + 1)
        read_here = layout.header_rows == 1
        return np.fromiter(_record_starts(file, layout), dtype=np.int64)[int(read_here) :]

    def lines_of(records: NDArray[np.intp]) -> NDArray[np.int64]:
        with refusing(file.name):  # it may be gone meanwhile
            return starts()[records]

    return lines_of


def _physical_lines(file: ExportFile, layout: Layout) -> int:
    """Lines of the file as an editor counts them."""
    ends, last = 0, b""
    for piece in _pieces(file, layout):
        ends += _line_ends(piece) - (last == b"\r" and piece[:1] == b"\n")
        last = piece[-1:]
    return ends + (last not in (b"", b"\n", b"\r"))


def _of_other_encoding(file: ExportFile, layout: Layout, at: int) -> AuditError:
    """What to say of a byte (its place in the file, from 0) that the encoding doesn't have."""
    place = f"{file.name}, line {_line_of(file, layout, at)}: byte {at + 1} of the file is not"
    if layout.encoding in ("utf-8", "utf-8-sig"):
        return AuditError(f"{place} UTF-8; save the export as UTF-8, or say its `encoding` in a mapping")
    return AuditError(f"{place} {layout.encoding}; say another `encoding` in the mapping")


def _line_of(file: ExportFile, layout: Layout, at: int) -> int:
    """The line of a byte: its place among the bytes of the file, from 0."""
    with file.path.open("rb") as opened:
        before = opened.read(at)
    if layout.encoding not in ASCII_INSIDE:
        before = before.decode(layout.encoding, errors="replace").encode()
    return _line_ends(before) + 1


def _pieces(file: ExportFile, layout: Layout) -> Iterator[bytes]:
    decoder = None if layout.encoding in ASCII_INSIDE else codecs.getincrementaldecoder(layout.encoding)("replace")
    with file.path.open("rb") as opened:
        while piece := opened.read(BLOCK):
            yield piece if decoder is None else decoder.decode(piece).encode()


def _line_ends(data: bytes) -> int:
    ends = int(np.count_nonzero(np.frombuffer(data, np.uint8) == ord("\n")))
    return ends + data.count(b"\r") - data.count(b"\r\n") if b"\r" in data else ends
