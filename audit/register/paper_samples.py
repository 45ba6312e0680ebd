"""What samples of the records showed, held beside the paper: kept with the other evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from audit.findings.result import InputFile
from audit.register.schema import PAPER_SAMPLES, RUN_FILES
from audit.register.seal import add_seal
from audit.register.store import Register, refusing
from audit.register.writing import add_rows, begin_run

SHEET = "paper"
"""The kind of a filled-in sheet among the files of a run."""


@dataclass(frozen=True)
class SampleResult:
    """What a sample showed of a stratum, or of all records (both names blank): how many there are, were looked at and
    deviate, and the most that may deviate at the confidence of the draw."""

    station: str
    month: str
    records: int
    drawn: int
    deviating: int
    at_most: int


def add_paper_sample(
    register: Register, sheet: InputFile, export: str, drawn_as: tuple[str, str, str], results: Sequence[SampleResult]
) -> bool:
    """Add the result of a sheet, uncommitted; whether it is new. `drawn_as` are its aim in words, its seed and its
    frame. A sheet of which the register has the same bytes adds nothing."""
    with refusing(register.name):
        connection = register.connection
        same = sa.select(RUN_FILES.c.run).where(RUN_FILES.c.kind == SHEET, RUN_FILES.c.sha256 == sheet.sha256)
        if connection.execute(same).first() is not None:
            return False
        number = begin_run(connection, "sample", export=export, files=[(SHEET, sheet)])
        aim, seed, frame = drawn_as
        common = {"aim": aim, "seed": seed, "frame": frame}
        rows = [common | vars(result) | {"number": place} for place, result in enumerate(results)]
        add_rows(connection, PAPER_SAMPLES, number, rows)
        add_seal(connection, number)
        return True
