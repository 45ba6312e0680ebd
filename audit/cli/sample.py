"""`sample ...`: are the digital records what the paper says?"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from audit.cli.app import NAME, app, calendar_day, say
from audit.cli.check import ExportArgument, MappingPath, register_place
from audit.exit_codes import ExitCode
from audit.intake.location import Location, location, location_name
from audit.report.visible import visible

if TYPE_CHECKING:
    import pandas as pd

    from audit.intake.export import Export
    from audit.sampling.chances import Aim
    from audit.sampling.reading import Compared
    from audit.sampling.shown import Shown

sample_app = typer.Typer(help="Hold a sample of the digital records beside the paper.", rich_markup_mode=None)
app.add_typer(sample_app, name="sample")

_SHOWN = 200
SHEET_FILE, PAGE_FILE = "paper-sheet.xlsx", "paper-sheet.html"


Tolerable = Annotated[
    str, typer.Option(metavar="PERCENT", help="The share of deviating records that would be too much.")
]
Confidence = Annotated[str, typer.Option(metavar="PERCENT", help="How sure the sample is to show it.")]
Expected = Annotated[
    int, typer.Option(min=0, max=10_000, help="How many of the drawn records may deviate and it is still shown.")
]
Since = Annotated[
    date | None,
    typer.Option("--from", parser=calendar_day, metavar="DAY", help="Only work begun on or after this day (UTC)."),
]
Until = Annotated[
    date | None,
    typer.Option("--until", parser=calendar_day, metavar="DAY", help="Only work begun on or before this day (UTC)."),
]
By = Annotated[
    Literal["station", "month"],
    typer.Option(metavar="STRATA", help="Draw from each `station`, or from each `month` at each station."),
]


def _aim(tolerable: str, confidence: str, expected: int) -> Aim:
    from audit.sampling.chances import Aim
    from audit.sampling.words import share

    return Aim(share(tolerable, "--tolerable"), share(confidence, "--confidence"), expected)


def _frame(export: str, mapping: Path | None, since: date | None, until: date | None) -> tuple[Export, pd.DataFrame]:
    from audit.intake.reading import read_export
    from audit.intake.tables import TABLES
    from audit.sampling.drawing import frame_of

    free_text = [name for name, column in TABLES["tasks"].columns.items() if column.kind == "text"]
    came_in = read_export(location(export), {"tasks": free_text}, mapping)
    return came_in, frame_of(came_in, since, until)


@sample_app.command()
def plan(
    export: ExportArgument,
    mapping: MappingPath = None,
    tolerable: Tolerable = "5",
    confidence: Confidence = "95",
    since: Since = None,
    until: Until = None,
    by: By = "station",
) -> ExitCode:
    """Say how many records have to be drawn, for each number of deviations that is expected."""
    from audit.errors import AuditError
    from audit.figures import quantity
    from audit.sampling.drawing import allocation, strata_of
    from audit.sampling.words import percent

    _, frame = _frame(export, mapping, since, until)
    strata = strata_of(frame, by)
    aim = _aim(tolerable, confidence, 0)
    records, parted = len(frame), "1 stratum" if len(strata) == 1 else f"{len(strata):,} strata"
    print(
        f"{quantity(records, 'record')}, {parted}. {quantity(aim.too_many(records), 'deviating record')} "
        f"({percent(aim.tolerable)}) would be too many; {percent(aim.confidence)} confidence."
    )
    for expected in range(6):
        try:
            parts = allocation([len(tasks) for _, tasks in strata], _aim(tolerable, confidence, expected))
        except AuditError:
            break
        print(f"  up to {expected} deviating: draw {sum(parts):,}")
    return ExitCode.CLEAN


@sample_app.command()
def draw(
    export: ExportArgument,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the sheets.")] = Path("deicer-audit-sample"),
    mapping: MappingPath = None,
    tolerable: Tolerable = "5",
    confidence: Confidence = "95",
    expected: Expected = 0,
    since: Since = None,
    until: Until = None,
    by: By = "station",
    seed: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            help="What the draw is made from: the same seed draws the same records. Default: a new one, which is told.",
        ),
    ] = None,
) -> ExitCode:
    """Draw records and write the sheets to fill in beside the paper: a workbook, and a page to print."""
    import secrets

    from audit.figures import quantity
    from audit.report.folder import check_folder, replace_files
    from audit.sampling.drawing import draw as draw_from
    from audit.sampling.sheet import aim_in_words, page, sheet_of, workbook

    if seed is not None and not seed.strip():
        raise typer.BadParameter("--seed is blank.")
    check_folder(out)
    came_in, frame = _frame(export, mapping, since, until)
    name = location_name(location(export))
    # Spaces around the seed would be lost on paper, and with them who could repeat the draw.
    seed = seed.strip() if seed else secrets.token_hex(4)
    drawn = draw_from(frame, name, _aim(tolerable, confidence, expected), seed, by)
    sheet = sheet_of(drawn, came_in)
    book = workbook(sheet)
    earlier = _earlier(out, book)
    replace_files(earlier | {SHEET_FILE: book, PAGE_FILE: page(sheet).encode()}, out)
    for kept in earlier:
        print(visible(f"Another sheet was there, which may be filled in: it is kept as {out / kept}."))
    print(visible(aim_in_words(drawn)))
    print(visible(f"Seed {drawn.seed}, frame {drawn.frame}"))
    aside = came_in.counts["tasks"].quarantined
    if aside:
        rows, are = quantity(aside, "row"), "is" if aside == 1 else "are"
        print(f"{rows} {are} in quarantine: what stands nowhere else can't be drawn; put it right, or look at each.")
    there = out / SHEET_FILE
    print(visible(f"Fill in {there} or print {out / PAGE_FILE}; then: {NAME} sample result {quote(str(there))}"))
    return ExitCode.CLEAN


def _earlier(out: Path, book: bytes) -> dict[str, bytes]:
    """The workbook that stands where another is to be put, under the name by which it is kept; none where it is the
    same."""
    from audit.errors import AuditError
    from audit.report.folder import kept_as

    try:
        there = (out / SHEET_FILE).read_bytes()
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise AuditError(
            f"{out / SHEET_FILE} can't be read, and may be somebody's work: {error.strerror or error}"
        ) from error
    return {} if there == book else {kept_as(SHEET_FILE, there): there}


@sample_app.command()
def result(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="A filled-in paper-sheet.xlsx.")],
    register: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Register that keeps the result: a path, or the URL of a database."),
    ] = None,
) -> ExitCode:
    """Say what a filled-in sheet shows of all records. Exit code 1 where it lacks something, or shows too many."""
    from audit.sampling.reading import read_sheet
    from audit.sampling.shown import sentences, shown_by

    place = register_place(register)
    read = read_sheet(sheet, date.today())
    _tell(read)
    if not read.complete:
        print("As long as that is so, the sample shows nothing.")
        return ExitCode.FINDINGS
    shown = shown_by(read)
    for sentence in sentences(shown):
        print(visible(sentence))
    if place is not None:
        _keep(place, sheet, shown)
    return ExitCode.CLEAN if shown.tolerable else ExitCode.FINDINGS


def _keep(place: Location, sheet: Path, shown: Shown) -> None:
    """Add what was shown to a register that is there."""
    import hashlib

    from audit.findings.result import InputFile
    from audit.register.opening import open_register
    from audit.register.paper_samples import SampleResult, add_paper_sample
    from audit.sampling.sheet import aim_in_words

    content = sheet.read_bytes()
    file = InputFile(sheet.name, hashlib.sha256(content).hexdigest(), len(content))
    names = [("", ""), *((stratum.station, stratum.month) for stratum in shown.draw.strata)]
    results = [
        SampleResult(*name, each.looked.records, each.looked.drawn, each.looked.found, each.most)
        for name, each in zip(names, (shown.whole, *shown.strata), strict=True)
    ]
    drawn_as = aim_in_words(shown.draw), shown.draw.seed, shown.draw.frame
    with open_register(place) as opened:
        new = add_paper_sample(opened, file, shown.draw.export_name, drawn_as, results)
        opened.commit()
    print("The register keeps it." if new else "The register has this sheet already.")


def _tell(read: Compared) -> None:
    """Print the records that deviate, what is wrong with the sheet, and how many nobody has looked at."""
    from audit.figures import quantity

    told = [
        f"{task} {line.verdict}{f': {line.what_differs}' if line.what_differs else ''}"
        for task, line in read.lines.items()
        if line.verdict != "equal"
    ]
    told += [
        f"{f'{fault.sheet}, row {fault.row}: ' if fault.sheet else ''}{fault.task_id or 'a row'} {fault.what}"
        for fault in read.faults
    ]
    for line in told[:_SHOWN]:
        print(visible(line))
    if len(told) > _SHOWN:
        say(f"and {len(told) - _SHOWN:,} more")
    if read.unseen:
        have = "has" if len(read.unseen) == 1 else "have"
        print(f"{len(read.unseen):,} of {quantity(read.draw.drawn, 'record')} {have} no verdict yet")
