"""`check` and `demo`: the audit itself."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from audit.cli.app import app, say
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.health.facts import PROFILE_FILE
from audit.intake.location import Location, location
from audit.intake.tables import FIRST_YEAR, LAST_YEAR
from audit.options import AuditOptions, Spread
from audit.report.formats import DEFAULT_FORMATS, FILES, LOCATING_FORMATS, OURS
from audit.report.visible import visible

if TYPE_CHECKING:
    from audit.findings.result import AuditResult
    from audit.health.judge import HealthJudge
    from audit.register.store import Register

FailOn = Literal["1", "2", "observation", "never"]


def _instant(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
        if len(text) <= len("2026-04-30"):
            raise ValueError
        at = at.replace(tzinfo=at.tzinfo or UTC).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(
            f"{text!r} is not an ISO 8601 date and time of day, such as 2026-04-30T18:00Z."
        ) from None
    if not FIRST_YEAR <= at.year <= LAST_YEAR:
        raise typer.BadParameter(f"{text!r} is not in the years {FIRST_YEAR} to {LAST_YEAR}.")
    return at


def _known_formats(text: str) -> str:
    text = text.replace(" ", "")
    for name in text.split(","):
        if name not in FILES:
            raise typer.BadParameter(f"{name!r} is not a format; there are {', '.join(FILES)}.")
    return text


Out = Annotated[
    Path,
    typer.Option(
        metavar="DIR",
        help="Folder for the report. Files of an earlier report are replaced together, others are left alone.",
    ),
]
ExportArgument = Annotated[
    str,
    typer.Argument(
        metavar="EXPORT",
        help="Folder or zip file of CSV, Parquet or XLSX files, or the URL of a database (sqlite:///FILE, "
        "postgresql://USER@HOST/DATABASE). With a mapping also a single file.",
    ),
]
MappingPath = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Mapping file: how the export's tables and columns are to be read."),
]
Rules = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Folder of rule files. Default: the rules that ship."),
]
Settings = Annotated[
    list[Path] | None,
    typer.Option(
        metavar="FILE",
        help="Settings that override the rules: limits, seasons, levels. May be given again: later ones override "
        "earlier ones.",
    ),
]
AsOf = Annotated[
    datetime | None,
    typer.Option(
        parser=_instant,
        metavar="TIME",
        help="Audit as of this ISO 8601 date and time; without a zone it is UTC. "
        "Default: the latest instant in the export.",
    ),
]
Write = Annotated[
    str,
    typer.Option(
        callback=_known_formats,
        metavar="FORMATS",
        help=f"What to write, with commas between: {', '.join(FILES)}. summary.json is always written. The exit code "
        "never depends on it.",
    ),
]
Previous = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR",
        help="Report folder of an earlier run, or its profile.csv, to measure the export against. May be the folder of "
        "--out, which on the first night has none.",
    ),
]
Drilled = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="The drill.json of the last drill: the report says how much of it was found."),
]
SkipHealth = Annotated[
    bool,
    typer.Option("--skip-health", help="Don't ask whether the export is complete; the report says that nobody did."),
]
FailOnHealth = Annotated[
    bool,
    typer.Option(
        "--fail-on-health", help="Exit with 1, too, where the export is incomplete, or nothing tells whether it is."
    ),
]
RegisterPlace = Annotated[
    str | None,
    typer.Option(
        metavar="PATH",
        help="Register that the run is added to: an SQLite file, begun where there is none, or a PostgreSQL URL. It "
        "says which findings are new, still open or back, and gone.csv why others are not found any more.",
    ),
]
Sign = Annotated[
    Path | None,
    typer.Option(metavar="KEY", help="Sign the seal of the run with this SSH key, by ssh-keygen: seal.txt.sig."),
]
NewOnly = Annotated[
    bool, typer.Option("--new-only", help="Of the findings, only those that the register calls new or back fail.")
]
Workers = Annotated[
    int | None,
    typer.Option(min=1, metavar="N", help="Judge the parts of the export by N processes. The output is the same."),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS", help="Judge the parts of the export by a running Dask cluster: the address of its scheduler."
    ),
]
Buckets = Annotated[
    int | None,
    typer.Option(
        min=1,
        metavar="N",
        help="In how many parts the export is judged: more of them need less memory each. Default: by size.",
    ),
]
Shared = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR",
        help="Folder that the parts are written to for the time of the check. With --cluster one that all its machines "
        "see under the same path.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but errors.")]
DEFAULT_WRITE = ",".join(DEFAULT_FORMATS)
DEFAULT_OUT = Path("deicer-audit-report")


@app.command()
def check(
    export: ExportArgument,
    mapping: MappingPath = None,
    rules: Rules = None,
    settings: Settings = None,
    out: Out = DEFAULT_OUT,
    write: Write = DEFAULT_WRITE,
    as_of: AsOf = None,
    fail_on: Annotated[
        FailOn,
        typer.Option(
            metavar="LEVEL",
            help="Exit with 1 for findings at or above this level: 1, 2 or observation. The "
            "default is any finding, so that letting some pass is a choice somebody wrote down; "
            "`never` only reports.",
        ),
    ] = "observation",
    previous: Previous = None,
    skip_health: SkipHealth = False,
    fail_on_health: FailOnHealth = False,
    register: RegisterPlace = None,
    new_only: NewOnly = False,
    sign: Sign = None,
    workers: Workers = None,
    cluster: Cluster = None,
    buckets: Buckets = None,
    shared: Shared = None,
    drilled: Drilled = None,
    quiet: Quiet = False,
) -> ExitCode:
    """Audit an export and write the report."""
    if (new_only or sign) and register is None:
        why = "without one nobody knows what is new" if new_only else "without one there is no seal"
        raise typer.BadParameter(f"{'--new-only' if new_only else '--sign'} needs a --register: {why}.")
    if skip_health and (fail_on_health or previous):
        raise typer.BadParameter(
            f"--skip-health leaves nothing for {'--previous' if previous else '--fail-on-health'}."
        )
    if previous and os.path.realpath(previous) == os.path.realpath(out) and not (previous / PROFILE_FILE).exists():
        previous = None  # the first night: the report says that no earlier run is known
    formats = write.split(",")
    options = AuditOptions(
        rules=rules,
        settings=tuple(settings or ()),
        mapping=mapping,
        as_of=as_of,
        locate=not set(formats).isdisjoint(LOCATING_FORMATS),
        previous=previous,
        drilled=drilled,
        all_text=register is not None,
        ahead="html" in formats,
        spread=_spread(workers, cluster, buckets, shared),
    )
    with _health_judge(skip_health) as judge:
        result = _audit(location(export), options, out, formats, quiet, judge, register_place(register), sign)
    return _exit_code(result, fail_on, fail_on_health, new_only)


def _spread(workers: int | None, cluster: str | None, buckets: int | None, shared: Path | None) -> Spread:
    if workers and cluster:
        raise typer.BadParameter("--workers and --cluster are two ways to judge the parts: choose one.")
    if shared and not workers and not cluster:
        raise typer.BadParameter("--shared needs --workers or --cluster.")
    if cluster and not shared:
        raise typer.BadParameter("--cluster needs --shared: a folder that all its machines see under the same path.")
    return Spread(workers=workers or 0, cluster=cluster, buckets=buckets, shared=shared)


def register_place(text: str | None) -> Location | None:
    """Where a register is meant to be."""
    if text == "":
        raise typer.BadParameter("--register is blank: expected a path, or the URL of a database.")
    return None if text is None else location(text)


@app.command()
def demo(out: Out = DEFAULT_OUT, quiet: Quiet = False) -> ExitCode:
    """Audit the sample records. They have faults planted in them, so finding some is success."""
    from audit.shipped import sample_folder, sample_settings

    options = AuditOptions(settings=(sample_settings(),), ahead=True)
    with _health_judge(skipped=False) as judge:
        return _exit_code(_audit(sample_folder(), options, out, DEFAULT_FORMATS, quiet, judge), "never")


def _health_judge(skipped: bool) -> AbstractContextManager[HealthJudge | None]:
    """The judge of export health, begun before anything else is imported: its own import takes longest."""
    from audit.health import judge

    return nullcontext() if skipped else judge.HealthJudge()


def _audit(
    export: Location,
    options: AuditOptions,
    out: Path,
    formats: Sequence[str],
    quiet: bool,
    judge: HealthJudge | None,
    register: Location | None = None,
    key: Path | None = None,
) -> AuditResult:
    """Audit an export and write the report into `out`; without a `judge` nobody asks whether the export is complete.

    With a `register` the run is added to it, and kept once the report is ready: neither is there without the other.
    Its seal is signed with the `key`, where there is one.
    """
    # Asked first: nobody should wait for a long audit to learn that its report has no place.
    _refuse_place(out, export, mapped=options.mapping is not None)
    if key is not None:
        from audit.register.signing import check_key

        check_key(key)

    from audit.memory import hand_back
    from audit.pipeline import traced_audit
    from audit.report.files import WORK_LIST, is_kept, made_ahead, write_result
    from audit.report.summary import summarise

    with audit_progress(quiet) as step, _opened(register) as kept:
        audited = traced_audit(export, options, step, judge, kept)
        step("writing the report")
        ready = {}
        if judge is not None:
            # What can be made without export health is made while that is still being judged, in a process of its own.
            # With a register all files say what it says.
            ready = made_ahead(audited.result, formats) if kept is None else {}
            step("judging whether the export is complete")
        if kept is None:
            result = audited.with_health()
        else:
            from audit.pipeline import recorded

            result = _signed(recorded(kept, audited), key)
        # The export fills the memory, and nothing of it is written any more.
        del audited
        hand_back()
        written = write_result(result, out, formats, ready, placing=(lambda: None) if kept is None else kept.commit)
    for path in written:
        if is_kept(path.name):
            say(f"There was a file that no audit wrote, or somebody wrote into: it is kept as {visible(str(path))}.")
    if not quiet:
        report = out / "report.html" if "html" in formats else out
        say(summarise(result, report, out / WORK_LIST if "xlsx" in formats else None).rstrip("\n"))
    return result


@contextmanager
def _opened(register: Location | None) -> Iterator[Register | None]:
    """The register, opened before the audit: nobody should wait for one that can't be kept."""
    if register is None:
        yield None
        return
    from audit.register.opening import open_register

    with open_register(register, create=True) as opened:
        yield opened


def _refuse_place(out: Path, export: Location, *, mapped: bool) -> None:
    """AuditError where a report in `out` would take the export's place, could be taken for it, or can't be written."""
    from audit.report.folder import check_folder

    if isinstance(export, Path):
        there, report = Path(os.path.realpath(export)), Path(os.path.realpath(out))
        if report == there:
            raise AuditError(f"The report can't be written to {out}: that is the export itself.")
        if there.parent == report and there.name in OURS:
            raise AuditError(f"The report can't be written to {out}: its {there.name} would replace the export.")
        if mapped and report.is_relative_to(there):
            raise AuditError(
                f"The report can't be written to {out}, inside the export: the mapping might take its files for the "
                "export's own next time. Say another place with --out."
            )
    check_folder(out)


def _signed(result: AuditResult, key: Path | None) -> AuditResult:
    if key is None or result.standing is None:
        return result
    from dataclasses import replace

    from audit.register.signing import sign

    return replace(result, standing=replace(result.standing, signature=sign(result.standing.seal_text, key)))


def _exit_code(result: AuditResult, fail_on: FailOn, fail_on_health: bool = False, new_only: bool = False) -> ExitCode:
    from audit.language.rule import LEVELS

    if result.nothing_judged:
        return ExitCode.NOTHING_JUDGED
    if fail_on_health and result.health is not None and result.health.failed:
        return ExitCode.FINDINGS
    failing = LEVELS[: LEVELS.index(fail_on) + 1] if fail_on != "never" else ()
    return ExitCode.FINDINGS if failing_findings(result, failing, new_only) else ExitCode.CLEAN


def failing_findings(result: AuditResult, levels: Sequence[str], new_only: bool) -> int:
    """How many findings of these levels are open, and no decision in force covers them; with `new_only`, which are new
    or back."""
    from audit.report.standing import is_open

    findings = result.findings
    counted = findings["level"].isin(levels) & is_open(findings)
    if new_only:
        counted &= findings["change"].isin(("new", "back"))
    return int(counted.sum())


@contextmanager
def audit_progress(quiet: bool) -> Iterator[Callable[[str], None]]:
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
