"""The command line. Heavy libraries are imported in the commands: `--help` answers at once."""

from __future__ import annotations

import gc
import io
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from audit import __version__
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.report.visible import visible

if TYPE_CHECKING:
    from audit.findings.result import AuditResult

NAME = "deicer-audit"
TRACEBACK = "DEICER_AUDIT_TRACEBACK"
_TYPER_INTERRUPTED = 130

FailOn = Literal["1", "2", "observation", "never"]

app = typer.Typer(
    help="Audit the maintenance records of pneumatic de-icers against declarative rules.",
    epilog="Exit codes: 0 nothing at or above the level asked for; 1 findings at or above it; "
    f"2 could not run; 3 nothing could be judged; 4 internal error ({TRACEBACK}=1 in the "
    "environment shows where).",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
rules_app = typer.Typer(help="Work with rule files.", rich_markup_mode=None)
app.add_typer(rules_app, name="rules")


def main() -> None:
    """Run the command line and leave with its exit code."""
    # A short-lived process that builds frames, not cycles: looking for garbage is a tenth of a nightly check.
    gc.disable()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console without Unicode shows escapes
            stream.reconfigure(errors="backslashreplace")
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> ExitCode:
    """Run one command; every way to fail ends in one sentence on stderr and its exit code."""
    command = typer.main.get_command(app)
    try:
        code = command(args=list(arguments), prog_name=NAME, standalone_mode=False)
    except AuditError as error:
        _say(f"{NAME}: {visible(str(error))}")
        return ExitCode.COULD_NOT_RUN
    except typer.TyperException as error:  # bad arguments
        _say(f"{NAME}: {visible(error.format_message()).rstrip('.')}. See {NAME} --help.")
        return ExitCode.COULD_NOT_RUN
    except Exception as error:  # the last stop of a defect: told apart from every other outcome
        if os.environ.get(TRACEBACK):
            import traceback

            traceback.print_exc()
        _say(
            f"{NAME}: internal error, {visible(f'{type(error).__name__}: {error}')[:300]}: this is "
            f"a defect of {NAME} {__version__}; please report it on the project's issue tracker "
            f"with what {TRACEBACK}=1 in the environment makes it print."
        )
        return ExitCode.INTERNAL_ERROR
    if code == _TYPER_INTERRUPTED:
        _say(f"{NAME}: interrupted.")
        return ExitCode.COULD_NOT_RUN
    return ExitCode(code or ExitCode.CLEAN)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"{NAME} {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


def _instant(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
        if len(text) <= len("2026-04-30"):
            raise ValueError
        return at.replace(tzinfo=at.tzinfo or UTC).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(f"{text!r} is no ISO 8601 date and time of day, such as 2026-04-30T18:00Z.") from None


Out = Annotated[
    Path,
    typer.Option(
        metavar="DIR",
        help="Folder for the report. Files of an earlier report are replaced together, others are left alone.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but errors.")]
DEFAULT_OUT = Path("deicer-audit-report")


@app.command()
def check(
    export: Annotated[Path, typer.Argument(metavar="EXPORT", help="Folder of CSV or Parquet files.")],
    rules: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder of rule files. Default: the rules that ship."),
    ] = None,
    out: Out = DEFAULT_OUT,
    as_of: Annotated[
        datetime | None,
        typer.Option(
            parser=_instant,
            metavar="TIME",
            help="Audit as of this ISO 8601 date and time; without a zone it is UTC. "
            "Default: the latest instant in the export.",
        ),
    ] = None,
    fail_on: Annotated[
        FailOn,
        typer.Option(
            metavar="LEVEL",
            help="Exit with 1 for findings at or above this level: 1, 2 or observation. The "
            "default is any finding, so that letting some pass is a choice somebody wrote down; "
            "`never` only reports.",
        ),
    ] = "observation",
    quiet: Quiet = False,
) -> ExitCode:
    """Audit an export and write the report."""
    result = _audit(export, rules, out, as_of, quiet)
    return _exit_code(result, fail_on)


@app.command()
def demo(out: Out = DEFAULT_OUT, quiet: Quiet = False) -> ExitCode:
    """Audit the sample records. They have faults planted in them, so finding some is success."""
    from audit.shipped import sample_folder

    return _exit_code(_audit(sample_folder(), None, out, None, quiet), "never")


@rules_app.command("test")
def rules_test(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[DIR]", help="Default: the rules that ship with it."),
    ] = None,
) -> ExitCode:
    """Run every example of the rule files. Exit code 1 if one is not judged as it says."""
    from audit.forms.examples import run_examples
    from audit.rulebook.loading import load_rules
    from audit.shipped import rules_folder

    results = list(run_examples(load_rules(folder or rules_folder()).rules))
    for result in results:
        outcome = "gap" if result.known_gap else "ok"
        line = f"{outcome if result.passed else 'FAILED':<7} {result.rule_id}: {result.example_name}"
        if not result.passed:
            line += f": expected {result.expected}, got {result.got}"
            line += "; the known gap is closed, remove known_gap" if result.known_gap else ""
        print(visible(line))
    failed = sum(not result.passed for result in results)
    print(f"{len(results)} examples, {failed} failed")
    return ExitCode.FINDINGS if failed else ExitCode.CLEAN


@rules_app.command("copy")
def rules_copy(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Made if it isn't there.")],
) -> ExitCode:
    """Put an editable copy of the rules, with their schema for editors, into a folder. Nothing is ever overwritten."""
    from audit.shipped import rules_folder

    shipped = rules_folder()
    copies = {source: folder / source.relative_to(shipped) for source in sorted(shipped.rglob("*")) if source.is_file()}
    for copy in copies.values():
        if os.path.lexists(copy):
            raise AuditError(f"{copy} is there already: nothing was copied.")
    try:
        for source, copy in copies.items():
            copy.parent.mkdir(parents=True, exist_ok=True)
            with source.open("rb") as original, copy.open("xb") as new:
                shutil.copyfileobj(original, new)
    except OSError as error:
        raise AuditError(f"The rules can't be copied to {folder}: {error.strerror or error}.") from error
    rules = sum(copy.suffix == ".yaml" for copy in copies.values())
    _say(f"{rules} rule files copied. Use them with: {NAME} check EXPORT --rules {folder}")
    return ExitCode.CLEAN


def _audit(export: Path, rules: Path | None, out: Path, as_of: datetime | None, quiet: bool) -> AuditResult:
    from audit.report.folder import check_folder

    # Asked first: nobody should wait for a long audit to learn that its report has no place.
    if os.path.realpath(out) == os.path.realpath(export):
        raise AuditError(f"The report can't be written to {out}: that is the export itself.")
    check_folder(out)

    import pandas as pd

    from audit.pipeline import run_audit
    from audit.report.files import write_result
    from audit.report.summary import summarise

    with _progress(quiet) as step:
        result = run_audit(export, rules=rules, as_of=pd.Timestamp(as_of) if as_of else None, progress=step)
        step("writing the report")
        write_result(result, out)
    if not quiet:
        _say(summarise(result, out / "report.html").rstrip("\n"))
    return result


def _exit_code(result: AuditResult, fail_on: FailOn) -> ExitCode:
    from audit.rulebook.models import LEVELS

    if result.nothing_judged:
        return ExitCode.NOTHING_JUDGED
    failing = LEVELS[: LEVELS.index(fail_on) + 1] if fail_on != "never" else ()
    return ExitCode.FINDINGS if result.findings["level"].isin(failing).any() else ExitCode.CLEAN


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show the step under way and its time on a terminal; elsewhere say nothing."""
    if quiet or not sys.stderr.isatty():
        yield lambda step: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=None)
        yield lambda step: bar.update(task, description=visible(step))


def _say(text: str) -> None:
    with suppress(BrokenPipeError):  # whoever read along has left: that is no outcome of the audit
        print(text, file=sys.stderr, flush=True)
