"""Cells of workbooks that people fill in: texts that stay texts, rows as tall as what they hold, names of sheets."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Collection, Iterable
from functools import lru_cache
from typing import Any, Final

from audit.errors import InternalError
from audit.figures import abridged
from audit.report.visible import fit_for_xml

LONGEST_CELL: Final = 16_000
"""Characters of one value that are shown; a cell holds 32,767 at most, of which some characters are two."""
LONGEST_SHEET_NAME: Final = 31
LINE: Final = 13.0
"""Points from one line of a cell to the next."""
ROW_MARGIN: Final = 2.0
"""Points above and below the lines of a row."""
TALLEST_ROW: Final = 409.0
"""Points; spreadsheet programs allow no more."""
NO_STATION: Final = "No station"

_NOT_IN_A_SHEET_NAME = re.compile(r"[\[\]:*?/\\]")


def sheet_names(stations: Iterable[str], others: Collection[str]) -> list[str]:
    """Name a sheet for each station as Excel allows: at most 31 characters, some forbidden, none as one of the
    `others` that the workbook has, no two alike."""
    taken = {name.casefold() for name in (*others, "History", "")}
    names = []
    for station in stations:
        plain = _NOT_IN_A_SHEET_NAME.sub("-", fit_for_xml(station or NO_STATION)).strip(" '")
        name, number = _of_length(plain, LONGEST_SHEET_NAME), 1
        while name.casefold() in taken:
            number += 1
            tail = f" ({number})"
            name = _of_length(plain or "Station", LONGEST_SHEET_NAME - len(tail)) + tail
        taken.add(name.casefold())
        names.append(name)
    return names


def _of_length(text: str, longest: int) -> str:
    """Cut to a number of characters as Excel counts them: those beyond 16 bits count twice."""
    while len(text.encode("utf-16-le")) > 2 * longest:
        text = text[:-1]
    return text.strip(" '")


def put(sheet: Any, row: int, column: int, text: str, style: Any = None) -> None:
    """Write text into a cell, as text whatever it looks like; a blank one keeps its look."""
    shown = _shown(text)
    checked(sheet.write_string(row, column, shown, style) if shown else sheet.write_blank(row, column, None, style))


def row_height(cells: Iterable[tuple[float, str]]) -> float:
    """Points that a row needs for its cells, each with the width of its column in digits; letters are narrower.

    Not every spreadsheet program finds the height of wrapped text when it opens a workbook.
    """
    return min(max(_lines(_shown(text), int(1.1 * width)) for width, text in cells) * LINE + ROW_MARGIN, TALLEST_ROW)


@lru_cache(maxsize=10_000)
def _lines(text: str, width: int) -> int:
    """How many lines of so many letters a text takes."""
    return sum(len(textwrap.wrap(line, width)) or 1 if len(line) > width else 1 for line in text.split("\n"))


@lru_cache(maxsize=10_000)
def _shown(text: str) -> str:
    return abridged(fit_for_xml(text), LONGEST_CELL)


def checked(code: int) -> None:
    """InternalError where a cell was not taken."""
    # xlsxwriter only returns a code where it leaves a cell out.
    if code:
        raise InternalError(f"the workbook could not take a cell (code {code})")
