"""Workbooks (XLSX) as archives of XML: looked through before a reader gets them, and made fit for it.

The reader lays out every sheet as a full rectangle in memory, so that one cell in the last corner would take all there
is. Of errors, and of formulas without a result, it would leave nothing.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from io import BytesIO
from typing import IO, Final
from zipfile import ZipFile

import pyarrow as pa
import pyarrow.compute as pc

from audit.errors import AuditError
from audit.intake.cells import ExportFile
from audit.intake.files_in_archives import files_in, refuse_bomb

MOST_ROWS: Final = 1_048_576
MOST_COLUMNS: Final = 16_384
MOST_CELLS: Final = 40_000_000
"""Rows and columns that the format allows, and cells of one sheet's rectangle: a gigabyte of memory."""

_PIECE: Final = 4 << 20
_HEAD: Final = 4 << 10
_USUAL_ROWS: Final = 199_999
_USUAL_COLUMNS: Final = 52
_UNUSUAL: Final = r' r(?:[^=]|=[^"]|="(?:[B-Zb-z][A-Za-z]|[A-Za-z]{3}|[A-Za-z]*(?:[2-9][0-9]{5}|[0-9]{7})))'
"""A cell outside the usual rows and columns, or one written in another way than ` r="A1"`: most pieces of a sheet have
none, and Arrow finds that out at a gigabyte a second."""
_ERROR_CELL: Final = re.compile(rb"""(<(?:\w+:)?c\s(?:[^<>]*\s)?t\s*=\s*["'])e(["'])""")
_FORMULA: Final = re.compile(rb"<(?:\w+:)?f[\s/>]")
_WITHOUT_RESULT: Final = re.compile(
    rb"""<((?:\w+:)?)c(?![^<>]*\st\s*=\s*["']str["'])(\s[^<>]*)?>\s*"""
    rb"""<\1f(?:\s[^<>]*)?(?:/>|>[^<]*</\1f\s*>)\s*(?:<\1v\s*(?:/>|>\s*</\1v\s*>)\s*)?</\1c\s*>"""
)
"""A cell with a formula of which no program has stored a result. A result that is a blank text says `str`."""
_PLACE: Final = re.compile(rb"""\sr\s*=\s*["'][^"'<>]*["']""")
NO_RESULT: Final = "\ue000a formula without a result\ue001"
"""What such a cell is made for the reader, which would leave nothing of it: no text of anybody's."""
_SINCE_1904: Final = re.compile(rb"""\sdate1904\s*=\s*["'](?:1|true)["']""")
_CELL: Final = re.compile(rb"""\sr\s*=\s*["']\s*([A-Za-z]*)(\d+)\s*["']""")


def look_through(file: ExportFile) -> set[str]:
    """The parts of a workbook in which cells may hold errors (`#N/A`) or formulas, after a look at its size.

    AuditError for a workbook that would unpack to far more than it seems to hold.
    """
    unfit = set()
    with ZipFile(file.path) as packed:
        members = files_in(packed)
        refuse_bomb(file.name, file.path.stat().st_size, [member.file_size for member in members])
        for member in members:
            with packed.open(member) as part:
                if _look_through_part(file, _pieces(part)):
                    unfit.add(member.filename)
    return unfit


def counts_from_1904(file: ExportFile) -> bool:
    """Whether the days of a workbook are counted from 1904, and not from 1900."""
    with ZipFile(file.path) as packed:
        about = [packed.read(member) for member in files_in(packed) if member.filename.lower() == "xl/workbook.xml"]
    return any(_SINCE_1904.search(part) for part in about)


def made_fit(file: ExportFile, parts: Collection[str]) -> BytesIO:
    """The workbook with the errors in its cells, and formulas without a result, as text: the reader would leave nothing
    of them, as of blank cells."""
    rewritten = BytesIO()
    with ZipFile(file.path) as packed, ZipFile(rewritten, "w") as copy:
        for member in files_in(packed):
            content = packed.read(member)
            if member.filename in parts:
                content = _WITHOUT_RESULT.sub(_told, _ERROR_CELL.sub(rb"\1str\2", content))
            copy.writestr(member.filename, content)
    rewritten.seek(0)
    return rewritten


def _told(cell: re.Match[bytes]) -> bytes:
    prefix, place = cell[1].decode(), _PLACE.search(cell[2] or b"")
    at = place[0].decode() if place else ""
    return f'<{prefix}c{at} t="str"><{prefix}v>{NO_RESULT}</{prefix}v></{prefix}c>'.encode()


def _pieces(part: IO[bytes]) -> Iterator[bytes]:
    yield part.read(_HEAD)  # with the line break that many writers set after the declaration, and no other
    while piece := part.read(_PIECE):
        yield piece


def _look_through_part(file: ExportFile, pieces: Iterator[bytes]) -> bool:
    """Whether a part may have cells with errors or formulas; AuditError if it has cells too far apart."""
    rows, columns, before, unfit = _USUAL_ROWS, _USUAL_COLUMNS, b"", False
    for piece in pieces:
        data = before + piece
        unfit = unfit or b'"e"' in data or b"'e'" in data or _may_hold_a_formula(data)
        if _may_hold_more(data):
            for letters, row in set(_CELL.findall(data)):
                columns = max(columns, _column_number(letters))
                rows = max(rows, int(row[:12]))
        before = data[-64:]
    if rows > MOST_ROWS or columns > MOST_COLUMNS:
        raise AuditError(f"{file.name} has a cell outside the {MOST_ROWS} rows and {MOST_COLUMNS} columns of a sheet")
    if rows * columns > MOST_CELLS:
        raise AuditError(
            f"{file.name} has cells so far apart that a sheet would take {rows} rows of {columns} columns; "
            "remove what stands alone in its corner"
        )
    return unfit


def _may_hold_more(data: bytes) -> bool:
    """Whether a piece of XML may name a cell outside the usual rows and columns."""
    if any(blank in data for blank in (b"\t", b"\r", b"\n")):
        return True
    return bool(pc.match_substring_regex(pa.array([data], pa.binary()), _UNUSUAL)[0].as_py())


def _may_hold_a_formula(data: bytes) -> bool:
    return (b"<f" in data or b":f" in data) and _FORMULA.search(data) is not None


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters[:6].upper():
        number = number * 26 + letter - ord("A") + 1
    return number
